"""From DuckDB's SQL to Spark's: what sqlglot knows, and the few things that it does not.

A stranger's query is rebuilt from its syntax tree after the tree was looked through (`checked`), so that what was
looked at is what runs: one select, over the group's own tables and views, with functions that only compute.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from loadbook.core.errors import LoadbookError, UsageError
from loadbook.store import sql_files

# functions of ours -> what their arguments are called in schema/functions/spark
OWN = {"quantile_np1": ("x_", "p_"), "shop_day": ("moment_", "zone_")}
Values = Mapping[str, Any] | Sequence[Any] | None  # of parameters written `$name`, or `?`
# functions that only compute; Spark has others that call Java, run programs, or read files. As sqlglot names them
_FUNCTIONS = {
    "abs", "acos", "any_value", "arg_max", "arg_min", "array_agg", "array_size", "asin", "atan", "atan2", "avg",
    "cbrt", "ceil", "coalesce", "concat", "concat_ws", "contains", "corr", "cos", "count", "count_if", "covar_pop",
    "covar_samp", "cume_dist", "current_date", "date", "date_add", "date_diff", "date_sub", "date_trunc", "day",
    "day_of_month", "day_of_week", "day_of_year", "dense_rank", "ends_with", "exists", "exp", "extract", "first",
    "first_value", "floor", "greatest", "group_concat", "hour", "if", "initcap", "instr", "is_inf", "is_nan", "lag",
    "last", "last_value", "lead", "least", "left", "length", "ln", "log", "logical_and", "logical_or", "lower",
    "lpad", "ltrim", "max", "median", "min", "minute", "mod", "month", "ntile", "nullif", "nvl2", "percent_rank",
    "pi", "pow", "power", "quantile_np1", "quarter", "rank", "regexp_extract", "regexp_like", "regexp_replace",
    "repeat", "replace", "right", "round", "row_number", "rpad", "rtrim", "second", "shop_day", "sign", "sin",
    "split_part", "sqrt", "starts_with", "stddev", "stddev_pop", "stddev_samp", "str_position", "str_to_time",
    "strpos", "substr",
    "substring", "sum", "tan", "time_to_str", "timestamp_trunc", "to_char", "trim", "try_cast", "ts_or_ds_add",
    "ts_or_ds_to_date", "unix_to_time", "upper", "var_map", "variance", "variance_pop", "week", "year",
}  # fmt: skip


def spark_sql(text: str, values: Values = None) -> str:
    """Our own SQL in Spark's words, with the values of its `$name` or `?` parameters written into it as literals.

    Raises UsageError where the text is no SQL
    """
    if values is not None and not isinstance(values, Mapping):
        text, values = _named(text, values)
    return _written(_parsed(text), values)


def _named(text: str, values: Sequence[Any]) -> tuple[str, dict[str, Any]]:
    """The text with names in the place of its `?`, and the values by name."""
    import sqlglot

    marks = [t for t in sqlglot.tokenize(text, read="duckdb") if t.token_type.name == "PLACEHOLDER"]
    names = {f"value_{number}": value for number, value in enumerate(values)}
    for mark, name in reversed(list(zip(marks, names, strict=True))):
        text = f"{text[: mark.start]}${name}{text[mark.end + 1 :]}"
    return text, names


def checked(text: str, known: Collection[str], values: Mapping[str, Any] | None = None) -> str:
    """A stranger's query in Spark's words, if it is one select over the names known.

    Raises UsageError for anything else: other statements, files as tables, table functions, functions that are not
    known only to compute (Spark has some that call Java, read files or run programs)
    """
    tree = _parsed(text)
    _look_through(tree, {n.lower() for n in known})
    return _written(tree, values)


def _parsed(text: str) -> Any:
    import logging

    import sqlglot
    from sqlglot import errors, exp

    logging.getLogger("sqlglot").setLevel(logging.ERROR)  # what it cannot parse is refused in our words
    try:
        found = [s for s in sqlglot.parse(text, read="duckdb") if s is not None and not isinstance(s, exp.Semicolon)]
    except (errors.ParseError, errors.TokenError) as exc:
        raise UsageError(f"this is not SQL: {str(exc).splitlines()[0]}", remedy="Write one SELECT") from exc
    if len(found) != 1:
        raise UsageError(f"there are {len(found)} statements", remedy="Write one SELECT, and one only")
    if not isinstance(found[0], exp.Query):
        raise UsageError(
            f"{found[0].key.upper()} is not allowed: queries only read",
            remedy="Write one SELECT over the tables and views",
        )
    return found[0]


def _changing() -> tuple[Any, ...]:
    from sqlglot import exp

    named = (
        "DDL", "DML", "Command", "Into", "Copy", "Pragma", "Hint", "Lateral", "TableFromRows", "Set", "Use", "Describe",
        "Show", "Attach", "Install", "QueryTransform", "UDTF", "SessionParameter", "Parameter", "Placeholder",
    )  # fmt: skip
    missing = [name for name in named if not hasattr(exp, name)]
    if missing:  # a class renamed by the library would no longer be refused
        raise LoadbookError(
            f"the installed sqlglot has no {', '.join(missing)}: a query cannot be checked with it",
            remedy="Use --engine duckdb, or install a sqlglot that pyproject.toml allows",
        )
    return tuple(getattr(exp, name) for name in named)


def _look_through(tree: Any, known: set[str]) -> None:
    from sqlglot import exp

    ctes = {str(c.alias).lower() for c in tree.find_all(exp.CTE)}
    remedy = "Write one SELECT over the tables and views"
    changes = _changing()
    for node in tree.walk():
        if isinstance(node, changes) and not isinstance(node, (exp.Query, exp.CTE)):
            raise UsageError(f"{node.key.upper()} is not allowed: queries only read", remedy=remedy)
        if isinstance(node, exp.Table):
            plain = isinstance(node.this, exp.Identifier) and not node.args.get("db") and not node.args.get("catalog")
            if not plain:
                raise UsageError(f"{node.sql()} is not one of the group's tables and views", remedy=remedy)
            if node.name.lower() not in known | ctes:
                listed = ", ".join(sorted(known))
                raise UsageError(f"there is no table or view {node.name!r}", remedy=f"There are: {listed}")
        elif isinstance(node, exp.Func) and not isinstance(node, (exp.And, exp.Or, exp.Xor, exp.Cast, exp.Case)):
            name = str(node.name if isinstance(node, exp.Anonymous) else node.sql_name()).lower()
            if name not in _FUNCTIONS:
                raise UsageError(
                    f"the function {name} is not one of those known only to compute",
                    remedy="Use another, or --engine duckdb",
                )
        elif not isinstance(node, exp.Expression):
            raise UsageError("this cannot be looked through", remedy=remedy)


def _written(tree: Any, values: Mapping[str, Any] | None) -> str:
    from sqlglot import exp

    given = dict(values or {})

    def change(node: Any) -> Any:
        if isinstance(node, (exp.Parameter, exp.Placeholder)):
            name = node.name if isinstance(node, exp.Placeholder) else node.this.name
            if name not in given:
                raise UsageError(f"the parameter ${name} has no value")
            return _literal(given[name])
        if isinstance(node, exp.Anonymous):
            name = str(node.name).lower()
            if name in OWN:
                return _own(name, [inner.transform(change) for inner in node.expressions])
            if name == "to_microseconds":
                return exp.Anonymous(
                    this="make_dt_interval",
                    expressions=[_number(0), _number(0), _number(0), exp.Div(
                        this=exp.Cast(this=node.expressions[0], to=exp.DataType.build("DECIMAL(24,6)")),
                        expression=_number(1000000))],
                )  # fmt: skip
        return node

    return str(tree.transform(change).sql(dialect="spark", comments=False))


def _number(value: int) -> Any:
    from sqlglot import exp

    return exp.Literal.number(value)


def _literal(value: Any) -> Any:
    from sqlglot import exp

    if value is None:
        return exp.Null()
    if isinstance(value, bool):
        return exp.Boolean(this=value)
    if isinstance(value, datetime):
        return exp.cast(exp.Literal.string(value.isoformat(" ")), "TIMESTAMPNTZ")
    if isinstance(value, date):
        return exp.cast(exp.Literal.string(value.isoformat()), "DATE")
    if isinstance(value, (int, float)):
        return exp.cast(exp.Literal.string(repr(value)), "BIGINT" if isinstance(value, int) else "DOUBLE")
    return exp.Literal.string(str(value))


def _own(name: str, arguments: list[Any]) -> Any:
    """A function of ours as Spark writes it: schema/functions/spark, with its arguments put in."""
    import sqlglot
    from sqlglot import exp

    given = dict(zip(OWN[name], arguments, strict=True))
    tree: Any = sqlglot.parse_one(sql_files.functions("spark")[name].text, read="spark")
    tree = tree.selects[0]

    def fill(inner: Any) -> Any:
        if isinstance(inner, exp.Column) and inner.name in given:
            return given[inner.name].copy()
        return inner

    return exp.Paren(this=tree.transform(fill))

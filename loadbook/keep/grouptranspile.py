"""From DuckDB's SQL to Spark's: what sqlglot knows, and the few things that it does not.

A stranger's query is rebuilt from its syntax tree after the tree was looked through (`checked`), so that what was
looked at is what runs: one select, over the group's own tables and views, with functions that only compute.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date, datetime
from typing import Any

from loadbook.ground.errors import UsageError

from . import sqlfiles

QUANTILE = "quantile_np1"
# functions that sqlglot has no name of its own for and that only compute, in Spark's and DuckDB's words alike
_PLAIN_FUNCTIONS = {
    QUANTILE, "instr", "isfinite", "radians", "degrees", "bool_and", "bool_or", "every", "some", "cot", "cbrt",
}  # fmt: skip


def spark_sql(text: str, values: Mapping[str, Any] | None = None) -> str:
    """Our own SQL in Spark's words, with the values of its `$name` parameters written into it as literals.

    Raises UsageError where the text is no SQL
    """
    return _written(_parsed(text), values)


def checked(text: str, known: Collection[str], values: Mapping[str, Any] | None = None) -> str:
    """A stranger's query in Spark's words, if it is one select over the names known.

    Raises UsageError for anything else: other statements, files as tables, table functions, functions that are not
    known only to compute (Spark has some that call Java, read files or run programs)
    """
    tree = _parsed(text)
    _look_through(tree, {n.lower() for n in known})
    return _written(tree, values)


def _parsed(text: str) -> Any:
    import sqlglot
    from sqlglot import errors, exp

    try:
        found = [s for s in sqlglot.parse(text, read="duckdb") if s is not None and not isinstance(s, exp.Semicolon)]
    except (errors.ParseError, errors.TokenError) as exc:
        raise UsageError(f"this is no SQL: {str(exc).splitlines()[0]}", mend="Write one SELECT") from exc
    if len(found) != 1:
        raise UsageError(f"there are {len(found)} statements", mend="Write one SELECT, and one only")
    if not isinstance(found[0], exp.Query):
        raise UsageError(
            f"{found[0].key.upper()} is not allowed: queries only read",
            mend="Write one SELECT over the tables and views",
        )
    return found[0]


def _look_through(tree: Any, known: set[str]) -> None:
    from sqlglot import exp

    ctes = {str(c.alias).lower() for c in tree.find_all(exp.CTE)}
    mend = "Write one SELECT over the tables and views"
    for node in tree.walk():
        if isinstance(node, (exp.DDL, exp.DML, exp.Command, exp.Into, exp.Copy, exp.Pragma, exp.Hint)) and not (
            isinstance(node, exp.Query) or isinstance(node, exp.CTE)
        ):
            raise UsageError(f"{node.key.upper()} is not allowed: queries only read", mend=mend)
        if isinstance(node, exp.Table):
            name = node.name.lower()
            if not isinstance(node.this, exp.Identifier) or node.args.get("db") or node.args.get("catalog"):
                raise UsageError(f"{node.sql()} is not one of the group's tables and views", mend=mend)
            if name not in known and name not in ctes:
                raise UsageError(
                    f"there is no table or view {node.name!r}", mend=f"There are: {', '.join(sorted(known))}"
                )
        elif isinstance(node, (exp.Lateral, exp.TableFromRows)) or node.key in ("queryTransform".lower(), "transform"):
            raise UsageError(f"{node.key} is not allowed on Spark", mend=mend)
        elif isinstance(node, exp.Anonymous) and str(node.name).lower() not in _PLAIN_FUNCTIONS:
            raise UsageError(
                f"the function {node.name} is not known to only compute", mend="Use another, or --engine duckdb"
            )
        elif isinstance(node, (exp.Parameter, exp.SessionParameter)) and not isinstance(node, exp.Placeholder):
            continue


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
            if name == QUANTILE:
                return _quantile(node)
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


def _quantile(node: Any) -> Any:
    """The (n+1)p quantile as Spark writes it: schema/functions/spark, with its two arguments put in."""
    import sqlglot
    from sqlglot import exp

    x, p = node.expressions
    tree = sqlglot.parse_one(sqlfiles.functions("spark")[QUANTILE].text, read="spark").selects[0]

    def fill(inner: Any) -> Any:
        if isinstance(inner, exp.Column) and inner.name in ("x_", "p_"):
            return (x if inner.name == "x_" else p).copy()
        return inner

    return exp.Paren(this=tree.transform(fill))

"""The guard around a condition that a stranger wrote (`--where`): one expression over columns, nothing else.

The text is parsed, never searched for bad words: every node of the parsed expression must be of a kind that can
only compare, combine or convert columns and constants, and every function one of those listed here.
"""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

from loadbook.core.errors import UsageError

from .engine import engine

LONGEST = 10_000
_HARMLESS = (
    "lower upper length trim ltrim rtrim substr substring left right replace contains starts_with ends_with prefix"
    " suffix instr strpos concat || ~~ !~~ ~~* !~~* like ilike regexp_matches regexp_full_match"
    " + - * / // % ^ ** abs round floor ceil ceiling sqrt ln log log10 exp power pow sign isnan isfinite"
    " coalesce ifnull nullif greatest least year month day hour minute quarter dayofweek weekday week"
    " date_trunc date_part strftime date make_date to_days to_months to_years to_hours to_weeks trunc"
)
FUNCTIONS = frozenset(_HARMLESS.split())
_CLASSES = frozenset(
    ("COLUMN_REF", "CONSTANT", "COMPARISON", "CONJUNCTION", "OPERATOR", "BETWEEN", "CASE", "CAST", "TYPE")
)
_MEND = "Write a condition over the columns, like: movement_um > 20 AND material = 'X'"


@lru_cache(maxsize=64)
def check_condition(text: str) -> None:
    """See that a text is one condition and nothing else. Raises UsageError that says what it may not hold."""
    if len(text) > LONGEST:
        raise UsageError(f"the condition is longer than {LONGEST} characters", where="--where", remedy=_MEND)
    connection = engine()
    try:
        connection.execute("SET enable_external_access = false")
        alone = _parsed(connection, f"SELECT (\n{text}\n)")
        # in brackets of its own the text must be one whole expression: `1) OR (1` is not
        bare = _parsed(connection, f"SELECT\n{text}\n")
    finally:
        connection.close()
    for node in (alone, bare):
        spare = {k: v for k, v in node.items() if k in ("where_clause", "having", "qualify", "sample") and v}
        spare |= {k: v for k, v in node.items() if k in ("group_expressions", "group_sets", "modifiers") and v}
        table = (node.get("from_table") or {}).get("type", "EMPTY")
        if node.get("type") != "SELECT_NODE" or spare or table != "EMPTY" or node.get("cte_map", {}).get("map"):
            raise UsageError("the condition holds more than a condition", where="--where", remedy=_MEND)
        if len(node["select_list"]) != 1 or node["select_list"][0].get("alias"):
            raise UsageError("the condition holds more than one expression", where="--where", remedy=_MEND)
        _walk(node["select_list"][0])


def _parsed(connection: Any, query: str) -> dict[str, Any]:
    row = connection.execute("SELECT json_serialize_sql(?::VARCHAR)", [query]).fetchall()[0]
    told = json.loads(row[0])
    if told["error"]:
        message = str(told.get("error_message", "it cannot be read")).split("\n")[0]
        raise UsageError(f"the condition cannot be read: {message}", where="--where", remedy=_MEND)
    if len(told["statements"]) != 1:
        raise UsageError("the condition holds several statements", where="--where", remedy=_MEND)
    node: dict[str, Any] = told["statements"][0]["node"]
    return node


def _walk(node: Any) -> None:
    if isinstance(node, list):
        for part in node:
            _walk(part)
    elif isinstance(node, dict):
        kind = node.get("class")
        if kind == "FUNCTION":
            name = str(node.get("function_name", "")).lower()
            if name not in FUNCTIONS:
                raise UsageError(f"the function {name}() is not for conditions", where="--where", remedy=_MEND)
        elif kind is not None and kind not in _CLASSES:
            raise UsageError(f"a condition may hold no {str(kind).lower()}", where="--where", remedy=_MEND)
        for part in node.values():
            _walk(part)

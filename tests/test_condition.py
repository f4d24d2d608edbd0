"""--where: one condition over columns, and nothing else."""

from __future__ import annotations

import pytest

from loadbook.core.errors import UsageError
from loadbook.store.sandbox_condition import check_condition


@pytest.mark.parametrize(
    "text",
    [
        "movement_um > 20 AND material = 'X'", "a IN (1, 2)", "a BETWEEN 1 AND 2", "lower(b) LIKE 'x%'",
        "a IS NOT NULL", "NOT a", "CASE WHEN a > 1 THEN true ELSE false END", "started >= DATE '2026-01-01'",
        "CAST(a AS INTEGER) = 1", "a::VARCHAR = 'x'", "started > TIMESTAMP '2026-01-01 00:00'", "a = b -- remark",
        "started >= current_date - INTERVAL 30 DAYS", "movement.part = 'x'", "regexp_matches(part, '^PN')",
        "(a + b) / nullif(c, 0) > 2", "part = ');--'", "a IN ('x''); DROP', 'y')",
    ],
)  # fmt: skip
def test_conditions(text: str) -> None:
    check_condition(text)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1) OR (1", "cannot be read"), ("1; DROP TABLE x", "cannot be read"), ("", "cannot be read"),
        ("1) UNION SELECT 1 FROM (SELECT 1", "cannot be read"), ("true) q; COPY x TO 'y'; --", "cannot be read"),
        ("EXISTS (SELECT 1 FROM run)", "subquery"), ("a = (SELECT max(a) FROM t)", "subquery"),
        ("a IN (FROM run)", "subquery"), ("a = (WITH x AS (COPY t TO 'f') SELECT 1)", "subquery"),
        ("read_text('/etc/passwd') = 'x'", r"read_text\(\)"), ("query('x')", r"query\(\)"),
        ("row_number() OVER () = 1", "window"), ("list_transform([1], x -> x) = 1", r"list_transform\(\)"),
        ("a = ?", "parameter"), ("a = $1", "parameter"), ("*", "star"), ("COLUMNS('a')", "star"),
        ("1, 2", "condition"), ("1 AS x", "cannot be read"), ("true GROUP BY 1", "cannot be read"),
        ("true LIMIT 1", "cannot be read"), ("1 FROM range(10)", "cannot be read"),
        ("repeat('x', 1000000000) = 'x'", r"repeat\(\)"), ("sum(a) > 1", r"sum\(\)"),
        ("nextval('s') = 1", r"nextval\(\)"), ("getvariable('x') = 1", r"getvariable\(\)"),
        ("a" + " + a" * 6000, "longer than"),
    ],
)  # fmt: skip
def test_anything_else_is_refused_with_the_reason(text: str, why: str) -> None:
    with pytest.raises(UsageError, match=why):
        check_condition(text)

"""Listings: every value as text, nothing cut, in every format."""

from __future__ import annotations

import csv
import io
import json

import pytest

from loadbook.ground.errors import UsageError
from loadbook.show.tables import emit, narrowed

HOSTILE = ["=1+1", "[/x]", "\x1b[31mred", "<b>", "a|b", "line\nbreak", "\u202eright to left"]


def printed(fmt: str | None, columns: list[str], rows: list[list[object]]) -> str:
    out = io.StringIO()
    emit(columns, rows, fmt, out=out)
    return out.getvalue()


@pytest.mark.parametrize("value", HOSTILE)
def test_hostile_values_are_text(value: str) -> None:
    shown = printed(None, ["a", "b"], [[value, 1]])
    assert "\x1b" not in shown
    assert "\u202e" not in shown
    assert len(shown.splitlines()) == 2
    assert json.loads(printed("json", ["a"], [[value]]))[0]["a"] == value


def test_csv_does_not_run_formulas_and_keeps_numbers() -> None:
    rows = list(csv.reader(io.StringIO(printed("csv", ["a", "b"], [["=1+1", -0.1], ["x,y", None]]))))
    assert rows == [["a", "b"], ["'=1+1", "-0.1"], ["x,y", ""]]


def test_full_precision_in_json_and_not_a_number_as_null() -> None:
    assert json.loads(printed("json", ["a", "b"], [[0.1 + 0.2, float("nan")]])) == [{"a": 0.1 + 0.2, "b": None}]
    assert json.loads(printed("ndjson", ["a"], [[1]])) == {"a": 1}


def test_a_piped_table_is_never_cut() -> None:
    assert "x" * 500 in printed(None, ["a"], [["x" * 500]])


def test_markdown_keeps_its_columns() -> None:
    line = printed("markdown", ["a"], [["a|b"]]).splitlines()[2]
    assert line == "| a\\|b |"


def test_an_unknown_format_is_refused() -> None:
    with pytest.raises(UsageError, match="there is no format 'xml'"):
        printed("xml", ["a"], [[1]])


def test_a_narrow_terminal_loses_nothing() -> None:
    columns = ["part", "process", "median", "said"]
    text = [["A", "age", "1", "long " * 12], ["B", "age", "2", "long " * 12], ["C", "age", "3", "other " * 12]]
    kept, above, below = narrowed(columns, text, 60)
    assert [columns[i] for i in kept] == ["part", "median"]
    assert above == ["process: age"]
    assert below == ["said, row 1, 2: " + "long " * 12, "said, row 3: " + "other " * 12]
    assert narrowed(columns, text, 200) == ([0, 1, 2, 3], [], [])

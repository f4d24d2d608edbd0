"""Listings: every value as text, nothing cut, in every format."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator

import pytest
from rich.cells import cell_len

from loadbook.core.errors import UsageError
from loadbook.render.tables import Fitted, emit, fitted, write_words

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


def test_infinity_is_never_blank() -> None:
    inf = float("inf")
    assert json.loads(printed("json", ["a", "b"], [[inf, -inf]])) == [{"a": "inf", "b": "-inf"}]
    assert printed("csv", ["a", "b"], [[inf, -inf]]) == "a,b\ninf,-inf\n"
    assert printed(None, ["a", "b"], [[inf, -inf]]).split() == ["a", "b", "inf", "-inf"]


def test_a_piped_table_is_not_cut_but_for_a_text_beyond_all_reading() -> None:
    assert "x" * 500 in printed(None, ["a"], [["x" * 500]])
    shown = printed(None, ["a", "b"], [["x" * 1_000_000, 1], ["y", 2]])
    assert "... (1,000,000 characters; whole with --format csv or json)" in shown
    assert len(shown) < 10_000
    assert "x" * 1_000_000 in printed("csv", ["a", "b"], [["x" * 1_000_000, 1]])


@pytest.mark.parametrize("fmt", [None, "csv", "json", "ndjson", "markdown"])
def test_rows_are_written_as_they_come(fmt: str | None) -> None:
    """What can be read again is never held as a whole: a million rows pass through in the memory of a few."""

    class Rows:
        alive = most = 0

        def __iter__(self) -> Iterator[tuple[object, ...]]:
            for i in range(3000):
                yield (Row(i),)

    class Row(int):
        def __new__(cls, value: int) -> Row:
            Rows.alive += 1
            Rows.most = max(Rows.most, Rows.alive)
            return super().__new__(cls, value)

        def __del__(self) -> None:
            Rows.alive -= 1

    out = io.StringIO()
    emit(["a"], Rows(), fmt, out=out)
    assert "2999" in out.getvalue()
    assert Rows.most < 100


def test_json_rows_one_by_one_are_the_text_of_the_whole() -> None:
    rows = [{"a": 1, "b": "x\ny"}, {"a": [1, {"c": 2}], "b": None}]
    said = printed("json", ["a", "b"], [list(r.values()) for r in rows])
    assert said == json.dumps(rows, indent=1) + "\n"
    assert printed("json", ["a"], []) == "[]\n"


def test_markdown_keeps_its_columns() -> None:
    line = printed("markdown", ["a"], [["a|b"]]).splitlines()[2]
    assert line == "| a\\|b |"


def test_an_unknown_format_is_refused() -> None:
    with pytest.raises(UsageError, match="there is no format 'xml'"):
        printed("xml", ["a"], [[1]])


def laid_out(columns: list[str], text: list[list[str]], width: int) -> tuple[list[list[str]], Fitted]:
    found = fitted(columns, text, width)
    for block in found.blocks:
        assert sum(w for _, w in block) + 2 * (len(block) - 1) <= width
    return [[columns[i] for i, _ in block] for block in found.blocks], found


def test_a_table_that_fits_is_left_as_it_is() -> None:
    names, found = laid_out(["part", "said"], [["A", "same"], ["B", "same"]], 40)
    assert (names, found.above, found.below) == ([["part", "said"]], [], [])


def test_what_is_the_same_in_every_row_is_said_once() -> None:
    names, found = laid_out(
        ["part", "process", "median"], [["A", "stress relief", "1"], ["B", "stress relief", "2"]], 20
    )
    assert names == [["part", "median"]]
    assert found.above == ["process: stress relief"]


def test_a_meaning_wraps_at_words_beside_its_column() -> None:
    names, found = laid_out(["column", "meaning"], [["part", "number of the " * 8], ["run", "name"]], 60)
    assert names == [["column", "meaning"]]
    assert found.blocks[0] == [(0, 6), (1, 52)]
    assert found.below == []


def test_a_text_too_long_for_a_column_is_told_below_by_its_row_s_name() -> None:
    columns = ["part", "process", "median", "said"]
    text = [["A", "age", "1", "long " * 80], ["B", "age", "2", "long " * 80], ["C", "age", "3", "other " * 80]]
    names, found = laid_out(columns, text, 60)
    assert names == [["part", "median"]]
    assert found.below == ["said, A, B: " + "long " * 80, "said, C: " + "other " * 80]
    text[1][0] = "A"
    assert laid_out(columns, text, 60)[1].below[0] == "said, row 1, 2: " + "long " * 80


def test_columns_left_over_follow_below_with_the_names_of_the_rows() -> None:
    columns = ["kind", "setup", *(f"figure {n}" for n in range(9))]
    text = [
        [kind, setup, *(f"{n}.{setup[0]}" for n in range(9))] for kind in ("bore", "face") for setup in ("laid", "hung")
    ]
    names, found = laid_out(columns, text, 60)
    assert len(names) > 1
    assert all(block[:2] == ["kind", "setup"] for block in names)
    assert [c for block in names for c in block[2:]] == columns[2:]
    assert all(width >= len(columns[i]) for block in found.blocks for i, width in block)


def test_one_word_wider_than_the_terminal_still_fits() -> None:
    names, found = laid_out(["name", "digest", "n"], [["a", "f" * 200, "1"], ["b", "e" * 200, "2"]], 40)
    assert names == [["name", "n"]]
    assert found.below == ["digest, a: " + "f" * 200, "digest, b: " + "e" * 200]
    laid_out(["digest"], [["f" * 200], ["e" * 200]], 40)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("name", ["導板導板導板", "🔧🔧🔧", "n\u0308n\u0308n\u0308"])
def test_columns_stand_under_one_another_in_every_script(name: str) -> None:
    """Widths are counted in places of the terminal: two for wide scripts and emoji, none for a mark over a letter."""
    lines = printed(None, ["part", "moved"], [[name, 1.5], ["plate", 22.25]]).splitlines()
    assert len({cell_len(line) for line in lines}) == 1
    assert fitted(["p"], [[name]], 20).blocks == [[(0, cell_len(name))]]


def test_words_break_between_words_on_a_terminal_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    text = "one long sentence that a terminal would break inside a word\n  - remark after remark after remark"
    for out, most in ((io.StringIO(), 200), (Terminal(), 30)):
        write_words(text, out)
        lines = out.getvalue().splitlines()
        assert max(map(len, lines)) <= most
        assert out.getvalue().split() == text.split()
    assert lines[-1].startswith("  remark")


def test_a_column_without_a_name_is_never_said_above() -> None:
    """'in every row: : [ ]' tells nobody anything: the box stays beside its point."""
    rows = [["[ ]", "calibrations", "no calibration is recorded of Zone 1, Zone 2"], ["[ ]", "pieces", "count agrees"]]
    found = fitted(["", "point", "what the book says"], rows, 40)
    assert not found.above and found.blocks[0][0][0] == 0

"""Words that people in the trade say lead to the book's own: in `explain`, and where a kind is typed."""

from __future__ import annotations

import io
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from loadbook.core.errors import IntakeError, UsageError
from loadbook.core.vocabulary.also_called import ALSO_CALLED, term_of
from loadbook.core.vocabulary.intake_kinds import CHARACTERISTIC_KINDS, KINDS_SAID, kinds_of
from loadbook.core.vocabulary.lookup import terms
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.filters import Filters, unknown_words, words_in
from loadbook.queries.moved import moved
from loadbook.readers.tables.take import add_row
from loadbook.render.judged import print_many, stands
from loadbook.render.tables import folded, write_words
from loadbook.store.book import BookFolder

from .smallbook import put, reading, run, small

Run = Callable[..., subprocess.CompletedProcess[str]]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)


def test_every_word_leads_to_a_term_and_hides_none() -> None:
    known = terms()
    assert [w for w, (term, _) in ALSO_CALLED.items() if term not in known] == []
    assert not {w.casefold() for w in ALSO_CALLED} & {t.casefold() for t in known}


@pytest.mark.parametrize(
    "word",
    ["TUS", "SAT", "ramp", "lag", "distortion", "OD", "ID", "PWHT", "Larson-Miller", "HJP", "stood", "laid", "TIR",
     "larson miller", "delta_t", "likeness"],
)  # fmt: skip
def test_words_heard_in_the_trade_are_explained(word: str, inside: Run) -> None:
    done = inside("explain", word)
    term, said = term_of(word) or ("", "")
    assert done.returncode == 0 and done.stdout.startswith(said) and f"\n{term}  (" in done.stdout


def test_a_mistyped_word_is_led_to_too(inside: Run) -> None:
    assert "Did you mean 'distortion'?" in inside("explain", "distorsion").stderr
    assert "'precheck' is a command, not a term. See: loadbook precheck --help" in inside("explain", "precheck").stderr


def test_kinds_as_people_say_them() -> None:
    assert all(set(kinds) <= set(CHARACTERISTIC_KINDS) for kinds in KINDS_SAID.values())
    assert kinds_of(" O.D. ") == ("outside diameter",) and kinds_of("flatness") == ("flatness",)


@pytest.fixture
def moving(tmp_path: Path) -> BookFolder:
    made = small(tmp_path / "book")
    run(made, "R1", 2)
    put(made, "reading", reading("R1", "before", 100.0, None), reading("R1", "after", 100.02, None))
    return made


def test_a_filter_takes_od_and_a_total_indicator_reading(moving: BookFolder) -> None:
    assert len(moved(moving, Filters(kind="OD")).frame()) == len(
        moved(moving, Filters(kind="outside diameter")).frame()
    )
    sql, values = Filters(kind="TIR,od").sql({"kind"})
    assert values == ["circular runout", "total runout", "outside diameter"] and "IN (?, ?, ?)" in sql
    with moving.write() as conn:
        assert unknown_words(words_in(conn), Filters(kind="OD")) is None
        assert "no kind 'TIR'" in str(unknown_words(words_in(conn), Filters(kind="TIR")))


def test_an_intake_and_an_enquiry_take_od_and_ask_which_runout(moving: BookFolder) -> None:
    row = {"part": "00123", "reference_length_mm": "80", "nominal_mm": "80", "lower_mm": "79", "upper_mm": "81"}
    add_row(moving, "characteristics", {**row, "characteristic": "rim", "kind": "od"})
    kept = moving.read().execute("SELECT kind FROM characteristic WHERE characteristic = 'rim'").fetchone()[0]
    assert kept == "outside diameter"
    with pytest.raises(IntakeError, match=r"TIR may be several kinds.*circular runout or total runout"):
        add_row(moving, "characteristics", {**row, "characteristic": "face", "kind": "TIR"})
    with pytest.raises(UsageError, match="circular runout or total runout"):
        answer(moving, Question(material="steel", shape="ring", kind="TIR", size_mm=80.0))


def test_effect_takes_od_unless_a_characteristic_is_called_so(moving: BookFolder, inside: Run) -> None:
    """The small book has a characteristic 'od': the name on record comes first."""
    own = inside("effect", "OD", "--kind", "flatness", "--book", str(moving.path))
    assert "kind is named twice" not in own.stderr
    said = inside("effect", "roundness", "--kind", "flatness", "--book", str(moving.path))
    assert "the kind is named twice" in said.stderr


# -- how a terminal shows them ---------------------------------------------------------------------


@pytest.mark.usefixtures("narrow")
def test_notes_break_between_words_and_commands_stay_whole() -> None:
    text = "word " * 30 + "\nloadbook " + "x" * 90
    lines = folded(text, Terminal()).split("\n")
    assert max(map(len, lines[:-1])) <= 80 and lines[-1].endswith("x" * 90)
    assert folded(text, io.StringIO()) == text, "whole when piped"


@pytest.mark.usefixtures("narrow")
def test_bold_on_a_terminal_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    out, pipe = Terminal(), io.StringIO()
    write_words("CYCLE BROKEN", out, bold=True)
    write_words("CYCLE BROKEN", pipe, bold=True)
    assert out.getvalue() == "\x1b[1mCYCLE BROKEN\x1b[0m\n" and pipe.getvalue() == "CYCLE BROKEN\n"
    monkeypatch.setenv("NO_COLOR", "1")
    write_words("CYCLE BROKEN", plain := Terminal(), bold=True)
    assert plain.getvalue() == "CYCLE BROKEN\n"


@pytest.mark.usefixtures("narrow")
def test_many_runs_fit_eighty_columns_and_are_added_up(book: BookFolder) -> None:
    row = {"run": "R25-086", "started": "2025-09-08T05:50:00Z", "furnace": "F1", "cycle": "SR-600",
           "cycle_revision": "B",
           "status": "done", "verdict": "kept", "clauses": 18, "broken": 0, "cannot_be_told": 0, "faults": 0, "load": 0,
           "first_broken": None}  # fmt: skip
    broken = row | {"verdict": "broken", "broken": 3, "first_broken": "hold 4 upper edge", "faults": 1, "load": 2}
    stopped = broken | {"run": "R25-094", "status": "aborted"}
    out = Terminal()
    print_many([row, broken, stopped], book, out)
    shown = out.getvalue()
    assert all(len(line.replace("\x1b[1m", "").replace("\x1b[0m", "")) <= 80 for line in shown.split("\n"))
    assert "aborted, broken" in shown and "3 of 18" in shown and "SR-600 B" in shown
    assert shown.rstrip().endswith("\x1b[1m3 runs: 1 kept, 1 broken, 1 aborted and broken\x1b[0m")
    assert "Thermocouple faults, certain or suspected: R25-086, R25-094." in shown
    assert stands(stopped) == "aborted, broken"

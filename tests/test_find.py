"""`find`: words in what people wrote, with the place of each hit."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from loadbook.core.errors import UsageError
from loadbook.core.vocabulary.intake_kinds import BY_KIND
from loadbook.queries import find as looking
from loadbook.store import lookup
from loadbook.store.book import BookFolder
from loadbook.store.records import amend

from . import smallbook

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def written(tmp_path: Path) -> Iterator[BookFolder]:
    """A book in which people wrote something everywhere."""
    with smallbook.small(tmp_path / "book") as book:
        smallbook.run(book, "R1", 1)
        smallbook.run(book, "R2", 2)
        for table, row in (
            ("nonconformance", {"run": "R1", "what": "cracked at the keyway", "serial": "7", "note": "weld repair"}),
            ("event", {"run": "R1", "at": "2026-03-01T10:00:00Z", "event": "Tür geöffnet", "note": "door opened hot"}),
            ("event", {"run": "R2", "at": "2026-03-02T10:00:00Z", "event": "opened a valve", "note": "door checked"}),
            ("job", {"job": "J-2041", "customer": "Customer A", "purchase_order": "PO-77 crack test"}),
            ("approval", {"run": "R2", "role": "metallurgist", "person": "AB", "decision": "accepted",
                          "at": "2026-03-03T09:00:00Z", "note": "surface [rev a] is clean"}),
        ):  # fmt: skip
            smallbook.put(book, table, row)
        answer = {
            "answered_at": "2026-03-04T00:00:00Z", "question": "{}", "method": "m", "evidence_sha256": "0" * 64,
            "part": "00123", "characteristic": "bore", "job": "J-2041", "unit": "um",
            "result": json.dumps({"answer": {"text": "hidden"}, "text": ["Between 3 and 9 um.", "Keyways move more."]}),
        }  # fmt: skip
        smallbook.put(book, "answer", answer)
        yield book


def places(book: BookFolder, words: str, *kinds: str) -> list[tuple[str, str, str, str]]:
    return [(h.kind, h.id, h.of, h.column) for h in looking.find(book, words, kinds)]


def test_each_hit_says_where_it_stands(written: BookFolder) -> None:
    assert places(written, "crack") == [
        ("nonconformances", "#1", "R1", "what"),
        ("jobs", "J-2041", "", "purchase_order"),
    ]
    assert places(written, "keyway") == [
        ("nonconformances", "#1", "R1", "what"),
        ("answers", "1", "00123", "sentences"),
    ]
    assert places(written, "hidden") == [], "an answer is searched by its sentences, not by its keys"


def test_what_show_takes_is_what_a_hit_names(written: BookFolder) -> None:
    for word in ("crack", "keyway", "clean", "door", "R1"):
        for hit in looking.find(written, word):
            row = lookup.find_row(written.read(), lookup.listed(hit.kind), hit.id)
            assert hit.column == "sentences" or word.lower() in str(row[hit.column]).lower()


def test_a_record_must_hold_all_words_in_whatever_column(written: BookFolder) -> None:
    assert places(written, "keyway repair") == [
        ("nonconformances", "#1", "R1", "what"), ("nonconformances", "#1", "R1", "note"),
    ]  # fmt: skip
    assert places(written, "keyway clean") == []


def test_words_between_quotes_stand_together(written: BookFolder) -> None:
    assert places(written, "door open") == [
        ("events", "#1", "R1", "note"), ("events", "#2", "R2", "event"), ("events", "#2", "R2", "note"),
    ]  # fmt: skip
    assert places(written, '"door opened"') == [("events", "#1", "R1", "note")]
    assert places(written, '"door open"') == []


@pytest.mark.parametrize("words", ["TUR", "tür", "geoff"])
def test_capitals_and_accents_do_not_matter(words: str, written: BookFolder) -> None:
    assert places(written, words) == [("events", "#1", "R1", "event")]


@pytest.mark.parametrize(
    "words",
    ["crack OR", "NOT crack", "what:crack", "crack*", "(crack", "crack -- NEAR(x)", "cr'ack", "^crack +", "crack \x02"],
)
def test_signs_of_the_index_are_words_or_nothing(words: str, written: BookFolder) -> None:
    assert set(places(written, words)) <= set(places(written, "crack"))


@pytest.mark.parametrize("words", ["", "  ", "--", '"', '""', "* ( )"])
def test_no_word_is_refused(words: str, written: BookFolder) -> None:
    with pytest.raises(UsageError, match="no word to look for"):
        looking.find(written, words)


def test_an_amended_value_is_found_and_its_old_one_is_not(written: BookFolder) -> None:
    with written.write() as conn:
        amend(conn, "nonconformance", "x", 1, {"what": "scored at the keyway"}, "looked again", "tester")
    assert places(written, "cracked") == []
    assert places(written, "scored") == [("nonconformances", "#1", "R1", "what")]
    assert places(written, "looked") == [("amendments", "1", "x", "why")]


def test_the_book_is_as_it_was(written: BookFolder) -> None:
    before = written.state()
    looking.find(written, "door")
    assert written.state() == before


def test_an_answer_that_is_damaged_stands_in_no_ones_way(written: BookFolder) -> None:
    conn = written.read()
    conn.execute("DROP TRIGGER answer_kept")
    conn.execute("UPDATE answer SET result = '{'")
    assert places(written, "keyway") == [("nonconformances", "#1", "R1", "what")]


def test_every_kind_that_is_searched_has_columns_of_its_table(written: BookFolder) -> None:
    for kind in looking.KINDS:
        columns = looking.texts_of(kind)
        assert columns, kind
        assert set(columns) - {"sentences"} <= set(lookup.columns_of(written.read(), lookup.listed(kind).table))
    left = set(BY_KIND) - set(looking.KINDS)
    assert left == {"readings", "channels", "calibrations"}, "measured, not written: their texts name things"


def test_the_command(written: BookFolder, inside: Run) -> None:
    found = inside("find", "clean", "--book", "book")
    assert found.returncode == 0
    assert "surface [rev a] is clean" in found.stdout
    assert "\x02" not in found.stdout
    kept = json.loads(inside("find", "door", "opened", "--kind", "event", "--format", "json", "--limit", "1",
                             "--book", "book").stdout)  # fmt: skip
    assert kept == [{"kind": "events", "id": "#1", "of": "R1", "column": "note", "text": "door opened hot"}]
    nothing = inside("find", "nowhere", "--book", "book")
    assert (nothing.returncode, nothing.stdout) == (0, "")
    assert "Nothing in the book holds nowhere" in nothing.stderr
    refused = inside("find", "x", "--kind", "readings", "--book", "book")
    assert refused.returncode == 2
    assert "readings hold no texts" in refused.stderr

"""Letters: what a customer is told, what they must never be told of another, and that the PDF takes whatever comes."""

from __future__ import annotations

import json
import re
import sqlite3
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from loadbook.core.errors import LoadbookError, NotFoundError, UsageError
from loadbook.queries import kept_answers
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.letter.build import Letter, Section, Typed, letter
from loadbook.queries.letter.filter import OwnRecords, key, mine, others_classes, refuse_leaks
from loadbook.render.letter.page import for_setting, letter_page
from loadbook.render.letter.pdf import letter_pdf
from loadbook.render.letter.picture import interval_picture
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.shop import Shop as Letterhead
from tests.answerbook import ORDER, tables
from tests.shops import Shop

CUSTOMERS = ("Nordhaven Spindles", "Quillfeather Ring Works", "Ostermoor Gears")
NASTY = '<script>alert(1)</script> #panic("x") $a^2$ *b* _c_ [d] \\ @e "q" \x07 🔥👩‍🔧 שלום مرحبا Ωмир 株式会社'

Command = Callable[..., subprocess.CompletedProcess[str]]


def rows_of_a_shop(units: str = "si") -> dict[str, list[dict[str, Any]]]:
    """A history of eight part numbers of three customers; jobs with orders, serials and heat numbers that tell."""
    history = Shop("setup", 40, 10, seed=3).history()
    rows = tables(history)
    owner = {}
    for part in rows["part"]:
        owner[part["part"]] = part["customer"] = CUSTOMERS[int(part["part"][-3:]) % 3]
        part["material"], part["shape"] = rows["part"][0]["material"], rows["part"][0]["shape"]
    rows["job"] = []
    for k, piece in enumerate(rows["piece"]):
        job = f"J-{piece['run']}-{piece['part'][-3:]}"
        piece["job"], piece["heat_number"] = job, f"HN{key(piece['part'])}{k}"
        if all(j["job"] != job for j in rows["job"]):
            rows["job"].append({"job": job, "customer": owner[piece["part"]], "purchase_order": f"PO-{8000 + k}-X"})
    rows["furnace_check"] = [
        {"furnace": "F1", "kind": "uniformity survey", "done_on": "2025-01-01", "note": "rear left, seen with pn 002"}
    ]
    return rows


def made(path: Path, rows: dict[str, list[dict[str, Any]]], units: str = "si") -> BookFolder:
    book = BookFolder.create(path, units=units)
    order = [*ORDER[:6], "job", "furnace_check", *ORDER[6:]]
    with book.write() as conn:
        add_intake(conn, "test", {name: rows[name] for name in order}, rows_read=1, taken_by="test")
        for k, run in enumerate(rows["run"]):
            conn.execute(
                "INSERT INTO parameter (run, parameter, value, unit, source)"
                " VALUES (?, 'heating_rate_peak_c_per_h', ?, 'c_per_h', 'asked')", (run["run"], 60.0 + (k * 37) % 80)
            )  # fmt: skip
    return book


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> BookFolder:
    """A book with kept answers: 1 of a part of the first customer, 2 of a new part, 3 a refusal."""
    book = made(tmp_path_factory.mktemp("letters") / "book", rows_of_a_shop())
    rings = book.read().execute("SELECT material, shape FROM part").fetchone()
    for question in (
        Question(part="PN-003", setup="hung"),
        Question(material=rings[0], shape=rings[1], condition="welded", kind="outside diameter", size_mm=100.0),
        Question(part="PN-003", kind="outside diameter", process="temper"),
    ):
        try:
            found = answer(book, question)
        except UsageError:
            found = answer(book, Question(kind="flatness", material=rings[0], shape=rings[1]))
        kept_answers.save(book, found)
    return book


def everything_of_others(book: BookFolder, customer: str | None, part: str | None) -> set[str]:
    """Every name that must not stand in a letter, read straight from the tables, not through the filter."""
    conn = book.read()
    out = {c for c in CUSTOMERS if c != customer}
    sql = (
        "SELECT p.part, p.serial, p.heat_number, p.job, p.run, j.purchase_order, coalesce(j.customer, t.customer) AS c"
        " FROM piece AS p JOIN part AS t USING (part) LEFT JOIN job AS j USING (job)"
    )
    own, others = set(), set()
    for r in conn.execute(sql):
        names = {
            str(v) for v in (r["part"], r["serial"], r["heat_number"], r["job"], r["run"], r["purchase_order"]) if v
        }
        (own if customer is not None and r["c"] == customer else others).update(names)
    return out | (others - own - {part})


def said_of(source: str, names: set[str]) -> set[str]:
    """Names that stand in a text as words."""
    return {n for n in names if re.search(rf"(?<![\w-]){re.escape(n)}(?![\w-])", source)}


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def test_nothing_of_another_customer_stands_in_a_letter(shop: BookFolder) -> None:
    """Each kept answer, as page and as what the PDF is set from, against every name in the book's tables."""
    for number, customer, part in ((1, CUSTOMERS[0], "PN-003"), (2, None, None), (3, None, None)):
        found = letter(shop, number)
        names = everything_of_others(shop, customer, part)
        assert len(names) > 100
        for text in (letter_page(found), str(for_setting(found, "x"))):
            assert said_of(text, names) == set()
    kept = kept_answers.saved(shop, 1).result
    assert said_of(str(kept), everything_of_others(shop, CUSTOMERS[0], "PN-003"))  # the answer itself names them


def test_the_letter_tells_what_was_kept(shop: BookFolder) -> None:
    found, kept = letter(shop, 1), kept_answers.saved(shop, 1).result
    assert found.interval is not None and not found.refused and found.addressee == CUSTOMERS[0]
    assert (found.interval.low, found.interval.high) == (kept["low"], kept["high"])
    assert found.interval.bound == kept["bound"] and found.interval.own
    own = shop.read().execute("SELECT DISTINCT run FROM piece WHERE part = 'PN-003'").fetchall()
    assert {r.run for r in found.interval.own} == {r[0] for r in own}
    assert f"{kept['runs']} runs of this kind in all ({kept['pieces']} pieces, " in found.lines("rests")[0]
    assert f"{100 * kept['forward_test']['held']:.0f} % held" in found.lines("did")[0]
    assert any("last 12 months" in line for line in found.lines("did"))
    assert found.lines("not")[0].startswith("A promise") and "PN-003" in found.subject
    assert any("hanging" in note for note in found.notes)
    drawn_svg = interval_picture(found.interval)
    assert all(f">{r.label}<" in drawn_svg for r in found.interval.own)  # every own run by its name
    assert all(label in drawn_svg for _, label in found.interval.limits)
    match = re.search(r'id="letter-data">(.*?)</script>', letter_page(found), re.DOTALL)
    assert match is not None
    drawn = json.loads(match.group(1))["interval"]
    assert {k: drawn[k] for k in ("low", "high", "median", "bound")} == {
        k: kept[k] for k in ("low", "high", "median", "bound")
    }
    text = " ".join(t for t, _ in found.texts())
    assert "loadbook" not in text and "--" not in text  # no word of the program's own


def test_others_are_told_by_class_alone(shop: BookFolder) -> None:
    found = letter(shop, 2)
    (classes,) = [t for t in found.lines("rests") if "of other customers" in t]
    assert re.search(r"\d+ runs of similar \w+s", classes)
    assert not found.runs and found.interval is not None and not found.interval.own
    assert found.addressee == ""
    mine_too = letter(shop, 2, to=CUSTOMERS[1])  # the addressee is a customer of the book: their own runs may be named
    assert all(
        shop.read().execute("SELECT customer FROM part JOIN piece USING (part) WHERE run = ?", (r.run,)).fetchall()
        for r in mine_too.runs
    )
    assert said_of(letter_page(mine_too), everything_of_others(shop, CUSTOMERS[1], None)) == set()


def test_a_survey_note_that_names_anothers_part_stays_out(shop: BookFolder) -> None:
    kept = kept_answers.saved(shop, 1).result["advice"]["thermocouples"]
    assert any("pn 002" in t["reason"] for t in kept)  # PN-002 is another customer's
    assert "pn 002" not in letter_page(letter(shop, 1)) and "rear left" not in letter_page(letter(shop, 1))


def test_a_book_that_moved_on_changes_no_letter(tmp_path: Path) -> None:
    book = made(tmp_path / "b", rows_of_a_shop())
    kept_answers.save(book, answer(book, Question(part="PN-003")))
    before = letter_page(letter(book, 1)), letter_pdf(letter(book, 1))
    pieces = [{"run": "LATE", "part": "PN-003", "serial": f"L{k}", "quantity": 1} for k in range(5)]
    readings = [
        {"part": "PN-003", "serial": f"L{k}", "characteristic": "C1", "stage": stage, "value_mm": value, "run": "LATE",
         "gauge": "G1", "held": "free", "datum": "A", "surface": "cleaned", "already_at_20c": 1, "repeat": 1}
        for k in range(5) for stage, value in (("before", 100.0), ("after", 100.9))
    ]  # fmt: skip
    late = {"run": "LATE", "furnace": "F1", "cycle": "SR", "cycle_revision": "A", "started": "2025-12-01T00:00:00Z",
            "status": "done"}  # fmt: skip
    with book.write() as conn:
        add_intake(conn, "t", {"run": [late], "piece": pieces, "reading": readings}, rows_read=1, taken_by="t")
    assert answer(book, Question(part="PN-003")).high != kept_answers.saved(book, 1).result["high"]
    assert (letter_page(letter(book, 1)), letter_pdf(letter(book, 1))) == before


def test_a_part_that_two_customers_send(tmp_path: Path) -> None:
    """Half of the part's runs were another's jobs: those runs and every figure made with them stay out."""
    rows = rows_of_a_shop()
    runs = sorted({p["run"] for p in rows["piece"] if p["part"] == "PN-003"})
    theirs = set(runs[::2])
    for job in rows["job"]:
        if job["job"].endswith("-003") and job["job"].split("-", 1)[1].removesuffix("-003") in theirs:
            job["customer"] = CUSTOMERS[2]
    book = made(tmp_path / "b", rows)
    kept_answers.save(book, answer(book, Question(part="PN-003")))
    found = letter(book, 1)
    assert found.interval is not None and {r.run for r in found.interval.own} == set(runs) - theirs
    (of_part,) = [t for t in found.lines("rests") if "of your part" in t]
    assert of_part.startswith(f"{len(runs) - len(theirs)} run")
    assert not any("Before the run" in note for note in found.notes)  # that figure mixes both
    own_pieces = [p for p in rows["piece"] if p["part"] == "PN-003" and p["run"] not in theirs]
    assert f"{len(own_pieces)} piece" in of_part
    names = everything_of_others(book, CUSTOMERS[0], "PN-003")
    assert said_of(letter_page(found), names) == set()


def test_a_guarded_job_is_not_even_a_class(shop: BookFolder) -> None:
    kept = kept_answers.saved(shop, 2)
    my = mine(shop, None, None)
    like = (kept.behind["family"], kept.behind["shape"])
    ((count, _, _, similar),) = others_classes(shop, my, kept.result["comparables"], like)
    runs = {c["run"] for c in kept.result["comparables"]}
    assert count == len(runs) and similar
    first = sorted(runs)[0]
    (fewer,) = others_classes(shop, replace(my, guarded=frozenset({first})), kept.result["comparables"], like)
    assert fewer[0] == count - 1
    few = replace(my, guarded=frozenset(sorted(runs)[2:]))
    assert others_classes(shop, few, kept.result["comparables"], like) == []  # two runs are no class


def test_flags_of_jobs_guard_and_mark(tmp_path: Path) -> None:
    rows = rows_of_a_shop()
    for job in rows["job"]:
        job["confidential"], job["export_controlled"] = int(job["customer"] == CUSTOMERS[1]), 0
    rows["job"][0]["export_controlled"] = 1
    own = next(j for j in rows["job"] if j["customer"] == CUSTOMERS[0] and j["job"].endswith("-003"))
    own["confidential"] = 1
    book = made(tmp_path / "b", rows)
    kept_answers.save(book, answer(book, Question(part="PN-003")))
    found = letter(book, 1)
    assert found.marking.startswith("Confidential") and found.marking in letter_page(found)
    sql = "SELECT run FROM piece JOIN job USING (job) WHERE confidential AND customer = ?"
    guarded = {r[0] for r in book.read().execute(sql, (CUSTOMERS[1],))}
    assert guarded and mine(book, "PN-003", None).guarded >= guarded


@pytest.mark.parametrize(
    "text, free, hit",
    [
        ("beside PN-001 it cooled", False, True),
        ("beside pn 001 it cooled", False, True),
        ("beside PN001, it cooled", False, True),
        ("beside P\u200bN‑001 it cooled", False, True),  # a zero-width space and a hyphen of another kind
        ("beside ＰＮ－００１ it cooled", False, True),
        ("beside PN-0011 it cooled", False, False),
        ("for quillfeather  RING\u00a0works", False, True),
        ("for Quillfeather", True, True),  # one telling word is enough in a sentence that a person wrote
        ("as for the Quíllfeather rings", True, True),
        ("rings and works in a gear", True, False),  # words that every name may hold
        ("12 runs, 34 pieces", False, False),
        ("the order 8001", True, True),  # in a person's sentence a figure may be a name
        ("8001 runs", False, False),
        ("part PN-003 of Nordhaven Spindles", True, False),
        ("beside \u0420N-001 it cooled", False, True),  # a Cyrillic letter that looks like a P
        ("beside P\u039d-001 it cooled", False, True),  # a Greek one
        ("beside \U0001d40f\U0001d40d-001", False, True),  # mathematical letters
        ("beside xPN-001 it cooled", True, True),
        ("beside xPN-0011 it cooled", True, False),
        ("beside P N - 0 0 1 it cooled", True, True),
        ("for Q u i l l f e a t h e r R i n g W o r k s", True, True),
        ("for QuillfeatherRingWorksInc", True, True),
        ("position 80012", True, False),
    ],
)
def test_what_names_another(text: str, free: bool, hit: bool) -> None:
    my = OwnRecords(CUSTOMERS[0], "PN-003")
    my.forbidden = {key("PN-001"): "part PN-001", key(CUSTOMERS[1]): "customer", "8001": "job 8001"}
    my.telling = {"quillfeather": "customer"}
    assert bool(my.found(text, free)) is hit


def test_anothers_specification_is_anothers(tmp_path: Path) -> None:
    rows = rows_of_a_shop()
    mine_, other = (next(j for j in rows["job"] if j["customer"] == c) for c in CUSTOMERS[:2])
    for job, number in ((mine_, "HT-4471"), (other, "QF-9902")):
        job["specification"] = number
    my = mine(made(tmp_path / "b", rows), "PN-003", None)
    assert my.found("treated to QF 9902", free=True) == ["specification QF-9902"]
    assert not my.found("treated to HT-4471", free=True)
    other["specification"] = "HT-4471"  # a specification that both order by names nobody
    assert not mine(made(tmp_path / "c", rows), "PN-003", None).found("treated to HT-4471", free=True)


def test_own_serials_that_another_uses_too_are_theirs(tmp_path: Path) -> None:
    rows = rows_of_a_shop()
    own = next(p for p in rows["piece"] if p["part"] == "PN-003")
    other, third = [p for p in rows["piece"] if p["part"] == "PN-002"][:2]
    other["heat_number"] = own["heat_number"]
    my = mine(made(tmp_path / "b", rows), "PN-003", None)
    assert not my.found(f"heat {own['heat_number']}", free=True)
    assert my.found(f"heat {third['heat_number']}", free=True)


def test_the_last_look_stops_what_slipped_through(shop: BookFolder) -> None:
    found, my = letter(shop, 1), mine(shop, "PN-003", None)
    for leak in (
        replace(found, notes=["as with PN-002"]),
        replace(found, sections=[Section("rests", "What it rests on", ["as with PN-002"])]),
        replace(found, sections=[Section("known", "", [], ("what",), [["PN-002"]])]),
        replace(found, address=("for PN-002",)),
        replace(found, yours="our job PN-002"),
    ):
        with pytest.raises(LoadbookError, match="part PN-002"):
            refuse_leaks(my, leak.texts())


def test_words_of_the_user_are_looked_at_too(shop: BookFolder) -> None:
    for given in (
        {"question": "Will it move as little as PN-002 did?"},
        {"question": "as for Quillfeather?"},
        {"to": CUSTOMERS[1]},
        {"to": "Purchasing, Ostermoor"},
        {"sender": "the friends of Quillfeather Ring Works"},
        {"attention": "Ms Quillfeather"},
        {"address": ("Dock Road 3", "c/o Quillfeather Ring Works")},
        {"salutation": "Dear friends of Ostermoor,"},
        {"asked_on": "25 November"},
        {"address": ("x",) * 7},
    ):
        with pytest.raises(UsageError):
            letter(shop, 1, typed=Typed(**given))  # type: ignore[arg-type]
    assert letter(shop, 1, to="Ms Example, purchasing").addressee == "Ms Example, purchasing"
    with pytest.raises(UsageError, match="600"):
        letter(shop, 1, question="x" * 601)


def test_a_part_of_one_and_a_job_of_another_give_no_letter(tmp_path: Path) -> None:
    rows = rows_of_a_shop()
    book = made(tmp_path / "b", rows)
    job = next(j["job"] for j in rows["job"] if j["customer"] == CUSTOMERS[1])
    kept_answers.save(book, answer(book, Question(part="PN-003", job=job)))
    with pytest.raises(UsageError, match="would show the other's"):
        letter(book, 1)


def test_a_refusal_says_so_and_what_to_measure(shop: BookFolder) -> None:
    found = letter(shop, 3)
    kept = kept_answers.saved(shop, 3).result
    assert found.refused and found.interval is None and kept["refused"]
    measure = found.section("measure")
    assert measure is not None and len(measure.columns) == 4 and len(measure.rows) == 3
    assert all(cell for row in measure.rows for cell in row)  # what, how many, with which gauge, when
    page = letter_page(found)
    assert "What to measure" in page and "<svg xmlns" not in page and "A promise" in page
    assert pages_of(letter_pdf(found)) == 1


def all_nasty(found: Letter) -> Letter:
    return replace(
        found, sender=NASTY, addressee=NASTY, subject=f"Movement: {'PN-' + 'X' * 80} {NASTY}", asked=NASTY * 3,
        attention=NASTY, address=(NASTY, NASTY), salutation=NASTY, yours=NASTY, reference="X" * 90,
        shop=Letterhead(NASTY, (NASTY,), (NASTY,), NASTY, NASTY),
        sections=[Section("wild", NASTY, [NASTY]), *found.sections],
        people=frozenset({"sender", "addressee", "asked", "attention", "salutation", "subject"}),
    )  # fmt: skip


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_two_pages_at_most_whatever_stands_in_it(shop: BookFolder, paper: str) -> None:
    for number in (1, 2, 3):
        for found in (letter(shop, number), all_nasty(letter(shop, number)), letter(shop, number, system="us")):
            pdf = letter_pdf(found, paper)
            assert pdf.startswith(b"%PDF") and pages_of(pdf) <= (1 if found.sender != NASTY else 2)
            box = re.search(rb"/MediaBox\s*\[([^\]]*)\]", pdf)
            assert box is not None
            size = [round(float(v)) for v in box.group(1).split()[2:]]
            assert size == ([595, 842] if paper == "a4" else [612, 792])
    long = replace(letter(shop, 1), asked="Why does it move? " * 33, notes=["A note of some length. " * 9] * 12)
    assert pages_of(letter_pdf(long, paper)) == 2
    with pytest.raises(LoadbookError, match="two pages"):
        letter_pdf(replace(long, notes=["A note. " * 800] * 6), paper)


def test_names_stay_text(shop: BookFolder) -> None:
    page = letter_page(all_nasty(letter(shop, 1)))
    assert "<script>alert" not in page and "&lt;script&gt;" in page and "\x07" not in page
    assert letter_pdf(letter(shop, 1)) == letter_pdf(letter(shop, 1))  # the same letter, the same bytes


def test_us_units(tmp_path: Path) -> None:
    book = made(tmp_path / "us", rows_of_a_shop(), units="us")
    rate = "heating_rate_peak_c_per_h"
    fast = max(c[rate] for c in answer(book, Question(part="PN-003")).comparables if c["same_part"]) + 40.0
    kept_answers.save(book, answer(book, Question(part="PN-003", settings={rate: fast})))
    found = letter(book, 1)
    text = " ".join(t for t, _ in found.texts())
    assert "°F/h" in text and "cannot give a figure" in found.headline and found.interval is None
    assert not re.search(r"°C|\bmm\b|µm", text)
    assert any("never ran such pieces" in c for c in found.lines("change")) and "no claim" in found.lines("did")[0]
    kept_answers.save(book, answer(book, Question(part="PN-003")))
    usual = " ".join(t for t, _ in letter(book, 2).texts())
    assert "thousandths of an inch" in usual and not re.search(r"°C|\bmm\b|µm", usual)
    assert "°C" in " ".join(t for t, _ in letter(book, 1, system="si").texts())


def test_an_answer_kept_before_its_background_was_noted(shop: BookFolder, tmp_path: Path) -> None:
    """Older kept answers have no own runs, no tolerance: the letter does without."""
    found = kept_answers.saved(shop, 1)
    copy = tmp_path / "b"
    book = made(copy, rows_of_a_shop())
    kept_answers.save(book, answer(book, Question(part="PN-003", setup="hung")))
    conn = sqlite3.connect(copy / "book.sqlite")
    conn.execute("DROP TRIGGER IF EXISTS answer_no_update")
    for (name,) in conn.execute(
        "SELECT name FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = 'answer'"
    ).fetchall():
        conn.execute(f"DROP TRIGGER {name}")
    conn.execute("UPDATE answer SET result = json_remove(result, '$.behind')")
    conn.commit()
    conn.close()
    old = letter(book, 1)
    assert old.interval is not None and old.interval.low == pytest.approx(found.result["low"]) and not old.interval.own
    assert pages_of(letter_pdf(old)) == 1 and "What it rests on" in letter_page(old)


def test_the_command(shop: BookFolder, loadbook: Command, tmp_path: Path) -> None:
    book = str(shop.path)
    done = loadbook("page", "answer", "1", "--book", book)
    assert done.returncode == 0 and done.stdout.strip() == "answer-1.html"
    assert loadbook("page", "answer", "1", "--book", book).returncode == 2  # the file is there
    assert loadbook("page", "answer", "1", "--force", "--book", book).returncode == 0
    done = loadbook(
        "page", "answer", "1", "--pdf", "--paper", "letter", "--to", "Ms Example", "-o", "a.pdf", "--book", book
    )
    assert done.returncode == 0 and (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")
    assert loadbook("page", "answer", "1", "--paper", "a4", "--book", book).returncode == 2
    assert loadbook("page", "answer", "1", "-o", "b.pdf", "--book", book).returncode == 0
    assert (tmp_path / "b.pdf").read_bytes().startswith(b"%PDF")
    assert loadbook("page", "answer", "1", "--pdf", "-o", "c.html", "--book", book).returncode == 2
    missing = loadbook("page", "answer", "99", "--book", book)
    assert missing.returncode == 1 and "no answer 99" in missing.stderr
    leak = loadbook("page", "answer", "1", "--question", "like PN-002?", "-o", "b.html", "--book", book)
    assert leak.returncode == 2 and not (tmp_path / "b.html").exists()
    with pytest.raises(NotFoundError):
        letter(shop, 99)


def test_a_name_inside_ones_own_name_tells_nothing(tmp_path: Path) -> None:
    """Another part 'PN' or customer 'Nordhaven' must not stop letters about 'PN-003' to 'Nordhaven Spindles'."""
    rows = rows_of_a_shop()
    rows["part"] += [{"part": "PN", "material": rows["part"][0]["material"], "customer": "Nordhaven"}]
    book = made(tmp_path / "b", rows)
    kept_answers.save(book, answer(book, Question(part="PN-003")))
    assert letter(book, 1).addressee == CUSTOMERS[0]
    my = mine(book, "PN-003", None)
    assert my.found("Nordhaven sent it") == ["customer Nordhaven"] and not my.found("Nordhaven Spindles sent it")
    assert my.found("a PN of theirs") == ["part PN"]
    assert my.found("Quillfeather Ring Works and Nordhaven Spindles") == [f"customer {CUSTOMERS[1]}"]


def test_two_spellings_are_one_customer(tmp_path: Path) -> None:
    rows = rows_of_a_shop()
    own = [j for j in rows["job"] if j["customer"] == CUSTOMERS[0]]
    for job in own:
        job["customer"] = "NORDHAVEN  Spindles"
    own[0]["purchase_order"] = "PO 77"
    book = made(tmp_path / "b", rows)
    kept_answers.save(book, answer(book, Question(part="PN-003", job=own[0]["job"])))
    found = letter(book, 1)
    assert found.interval is not None and found.interval.own
    assert found.yours == f"order PO 77, our job {own[0]['job']}" and found.yours in letter_page(found)


def test_a_run_that_held_the_part_for_two_customers_is_nobodys(tmp_path: Path) -> None:
    """Pieces of one part number in one run for two customers: its figures mix both, so it is not shown as theirs."""
    rows = rows_of_a_shop()
    pieces = [p for p in rows["piece"] if p["part"] == "PN-003"]
    run = next(p["run"] for p in pieces if sum(q["run"] == p["run"] for q in pieces) > 1)
    rows["job"].append({"job": "J-OTHER", "customer": CUSTOMERS[1], "purchase_order": "PO-OTHER"})
    next(p for p in pieces if p["run"] == run)["job"] = "J-OTHER"
    book = made(tmp_path / "b", rows)
    kept_answers.save(book, answer(book, Question(part="PN-003")))
    found = letter(book, 1)
    assert found.interval is not None and run not in {r.run for r in (*found.interval.own, *found.runs)}
    assert found.interval.own

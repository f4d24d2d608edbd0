"""What makes a letter one: head and numbering, sentences from one table, runs that broke their cycle, files."""

from __future__ import annotations

import io
import re
import string
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pypdf
import pytest

from loadbook.core.errors import UsageError
from loadbook.core.trade_phrases import WORDS
from loadbook.queries import kept_answers
from loadbook.queries.answer import answer
from loadbook.queries.enquiry import Question
from loadbook.queries.letter import customer_words as mechanisms
from loadbook.queries.letter import sentences
from loadbook.queries.letter.build import Letter, Typed, _from_before, _width, letter
from loadbook.queries.letter.figures import Figures
from loadbook.queries.letter.picture import missed
from loadbook.queries.letter.words import what_changes
from loadbook.render.letter.logo import checked
from loadbook.render.letter.page import letter_page
from loadbook.render.letter.pdf import letter_pdf
from loadbook.render.letter.picture import PHONE, WIDE, interval_picture
from loadbook.store import derived_checksum
from loadbook.store.book import BookFolder
from loadbook.store.shop import Shop, set_shop, shop_of, take_reference
from tests.test_page_answer import made, rows_of_a_shop

Command = Callable[..., subprocess.CompletedProcess[str]]
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><rect width="9" height="9" fill="#234"/></svg>'
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154789c63606060000000040001f61738550000"
    "000049454e44ae426082"
)
PART = "PN-003"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BookFolder]:
    """A shop's book: answer 1 of a part whose second run broke its cycle, 2 never run so, 3 a refusal."""
    rows = rows_of_a_shop()
    rows["characteristic"] = [{**c, "nominal_mm": 100.0, "lower_mm": 99.95, "upper_mm": 100.05}
                              for c in rows["characteristic"]]  # fmt: skip
    made_of = made(tmp_path_factory.mktemp("letters") / "book", rows)
    second = sorted({p["run"] for p in rows["piece"] if p["part"] == PART})[1]
    with made_of.write() as conn:
        for name in ("heat 1 rate", "TCs at 'ZQ1X beside PN-002'"):
            conn.execute(
                "INSERT INTO finding (run, what, name, verdict, text, algorithm)"
                " VALUES (?, 'clause', ?, 'broken', '', '1')",
                (second, name),
            )
        derived_checksum.of_run(conn, second)
    for question in (
        Question(part=PART, setup="hung"),
        Question(part=PART, settings={"heating_rate_peak_c_per_h": 400.0}),
        Question(kind="flatness", material=rows["material"][0]["material"]),
    ):
        kept_answers.save(made_of, answer(made_of, question))
    yield made_of
    made_of.close()


# -- sentences ------------------------------------------------------------------------------------

UNITS = {"mm", "min", "in", "kB"}


def foreign(template: str) -> str:
    """A sentence as another language might have it: every letter of its own another one, its fields as they are."""
    parts = string.Formatter().parse(template)
    return "".join(re.sub("[A-Za-z]", "Þ", text) + (f"{{{name}}}" if name else "") for text, name, _, _ in parts)


@pytest.mark.parametrize("system", ["si", "us"])
def test_every_sentence_of_a_letter_comes_from_the_table(
    book: BookFolder, monkeypatch: pytest.MonkeyPatch, system: str
) -> None:
    """With the whole table in another language no English word is left but words of the trade, units and keys."""
    typed = Typed(to="Ms 7", attention="7", address=("7",), question="7?", asked_on="2026-11-25")
    before = [letter(book, n, system=system, typed=typed) for n in (1, 2, 3)]
    monkeypatch.setattr(sentences, "TEXT", {key: foreign(text) for key, text in sentences.TEXT.items()})
    monkeypatch.setattr(sentences, "TERMS", {key: foreign(text) for key, text in sentences.TERMS.items()})
    trade = {w for words in WORDS.values() for phrase in words for w in re.findall("[A-Za-z]+", phrase)}
    trade |= {f"{w}s" for w in trade}
    for number, plain in zip((1, 2, 3), before, strict=True):
        found = letter(book, number, system=system, typed=typed)
        keys = " ".join([PART, "SR", "M1", "MS", *(r.run for r in (found.interval.every if found.interval else []))])
        left = trade | UNITS | set(re.findall("[A-Za-z]+", keys))
        for text, source in found.texts():
            if source != "ours":
                continue
            assert [w for w in re.findall("[A-Za-z]{2,}", text) if w not in left] == [], text
        assert len(list(found.texts())) == len(list(plain.texts()))
        assert "ÞÞ" in letter_page(found)


def test_every_sentence_is_used() -> None:
    """A key of the table that no module says is none that a translator should have to translate."""
    folder = Path(sentences.__file__).parent
    source = "".join(p.read_text(encoding="utf-8") for p in folder.glob("*.py") if p.name != "sentences.py")
    beside = Path(letter_page.__code__.co_filename).parent.glob("*.py")
    source += "".join(p.read_text(encoding="utf-8") for p in beside)
    made_up = ("um.", "percent.", "date.", "months", "axis.", "share.", "marking.", "reference.", "did.",
               "rests.", "measure.", "factor.", "against.", "level_never_run.", "table.", "expect.", "holds",
               "whose.")  # fmt: skip
    source = source.replace("'", '"')
    unsaid = []
    for key in sentences.TEXT:
        stem = key.removesuffix(".one").removesuffix(".many")
        if f'"{stem}"' not in source and not stem.startswith(made_up) and f'"{stem.rpartition(".")[0]}"' not in source:
            unsaid.append(key)
    assert unsaid == []


def test_no_word_of_our_own_house(book: BookFolder) -> None:
    for number in (1, 2, 3):
        text = " ".join(t for t, _ in letter(book, number).texts())
        for word in ("shrinkage 2", "movement in ", "loadbook", "oxygen", "interlock", "back-test", "treatment)"):
            assert word not in text


# -- runs that broke their cycle ------------------------------------------------------------------


def test_a_run_that_broke_its_cycle_is_marked_and_explained(book: BookFolder) -> None:
    found = letter(book, 1)
    assert found.interval is not None
    (broken,) = [r for r in found.interval.own if r.broken]
    assert broken.broken == ("a limit of its cycle was not kept", "heated faster than asked")
    (note,) = found.interval.notes
    assert note == f"× {broken.label}: a limit of its cycle was not kept; heated faster than asked"
    drawn = interval_picture(found.interval)
    assert f">× {broken.label}<" in drawn  # told by a sign, not by colour
    assert any("did not keep to its cycle" in line for line in found.lines("rests"))
    assert "ZQ1X" not in letter_page(found) and "PN-002" not in letter_page(found)


def test_how_a_run_missed_its_cycle() -> None:
    assert missed(["soak 4", "soak 2", "hold 2 upper edge"]) == (
        "soaked shorter than asked",
        "hotter at the hold than asked",
    )
    assert missed(["slowest cooling rate in segment 5"]) == ("cooled slower than asked",)


# -- the shop -------------------------------------------------------------------------------------


def told(found: Letter) -> str:
    return " ".join(" ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(letter_pdf(found))).pages).split())


def test_the_shops_profile_stands_in_the_letter(tmp_path: Path, book: BookFolder, inside: Command) -> None:
    """Set by a command, shown by it, in page and PDF, whose pages are numbered."""
    (tmp_path / "logo.svg").write_bytes(SVG)
    at = ("--book", str(book.path))
    assert "does not say who the shop is" in inside("shop", *at).stdout
    done = inside(
        "shop", "--name", "Kilnside Heat Treating", "--address", "Kilnside Road 14", "--address", "4400 Oberstetten",
        "--contact", "Tel. 01234 55 66", "--signatory", "K. Hollander", "--function", "Metallurgist",
        "--numbering", "A-0007", "--logo", "logo.svg", *at,
    )  # fmt: skip
    assert done.returncode == 0 and "A-0007" in done.stdout and inside("shop", *at).stdout == done.stdout
    assert shop_of(book).logo == ("svg", SVG)
    for name, reference in (("a.pdf", "A-0007"), ("b.pdf", "A-0007")):  # written again: the same letter
        assert inside("page", "answer", "3", "-o", name, *at).returncode == 0
        read = pypdf.PdfReader(io.BytesIO((tmp_path / name).read_bytes()))
        text = " ".join(" ".join(p.extract_text() for p in read.pages).split())
        for words in (
            "Kilnside Heat Treating",
            "4400 Oberstetten",
            "K. Hollander, Metallurgist",
            "page 1 of 1",
            reference,
        ):
            assert words in text
    assert inside("page", "answer", "1", "-o", "c.html", *at).returncode == 0
    page = (tmp_path / "c.html").read_text(encoding="utf-8")
    assert "A-0008" in page and "data:image/svg+xml;base64," in page and "Kilnside Road 14 · 4400 Oberstetten" in page
    assert inside("amend", "settings", "shop_name", "value=x", "--why", "y", *at).returncode == 2
    done = inside("shop", "--no-logo", "--function", "", "--address", "", *at)
    assert "logo" not in done.stdout and "function" not in done.stdout and "address" not in done.stdout
    assert "setting" not in inside("verify", *at).stdout  # its runs were put in without seals
    set_shop(book, dict.fromkeys(("name", "address", "contact", "signatory", "numbering"), ""))
    assert shop_of(book) == Shop()


def test_a_profile_that_fits_no_letter_is_refused(tmp_path: Path, book: BookFolder, inside: Command) -> None:
    at = ("--book", str(book.path))
    for given in (("--name", "x" * 81), ("--numbering", "none"), ("--address", "a") * 7, ("--logo", "missing.png")):
        assert inside("shop", *given, *at).returncode in (1, 2)
    assert shop_of(book) == Shop()


def test_references_are_counted_by_letter(tmp_path: Path) -> None:
    fresh = BookFolder.create(tmp_path / "b")
    assert take_reference(fresh, 5) == ""  # no numbering: the answer's own number stands there
    set_shop(fresh, {"numbering": "A-0098/26"})
    assert [take_reference(fresh, n) for n in (5, 9, 5)] == ["A-0098/26", "A-0098/27", "A-0098/26"]
    set_shop(fresh, {"numbering": "B-1"})
    assert [take_reference(fresh, n) for n in (5, 7)] == ["A-0098/26", "B-1"]


@pytest.mark.parametrize(
    "data",
    [
        b"", b"not a picture", b"GIF89a", PNG[:40], b"<html/>", b"\xff\xd8\xff\xe0 torn",
        SVG.replace(b"<rect", b"<script>alert(1)</script><rect"), SVG.replace(b"<rect", b'<rect onload="x()"'),
        SVG.replace(b"<rect", b'<image href="http://example.org/x.png"/><rect'),
        SVG.replace(b'fill="#234"', b'style="fill:url(http://example.org/x)"'),
        b'<!DOCTYPE svg [<!ENTITY a "b">]>' + SVG,
    ],
)  # fmt: skip
def test_a_logo_that_is_no_plain_picture_is_refused(data: bytes) -> None:
    with pytest.raises(UsageError):
        checked(data, "logo")


def test_logos_that_are_pictures() -> None:
    assert checked(SVG, "logo") == "svg" and checked(PNG, "logo") == "png"


# -- the file -------------------------------------------------------------------------------------


def test_the_files_own_words_and_letters_are_ours(book: BookFolder) -> None:
    data = letter_pdf(letter(book, 1))
    read = pypdf.PdfReader(io.BytesIO(data))
    assert read.metadata is not None and read.metadata.creator == "loadbook"
    assert b"Typst" not in data and b"typst" not in data.lower().replace(b"/typst", b"")
    assert set(re.findall(rb"/FontName/\w+\+([\w-]+)", data)) == {b"LiberationSans", b"LiberationSans-Bold"}


def test_what_is_typed_for_one_letter(book: BookFolder) -> None:
    typed = Typed(attention="Ms R. Vance", address=("Dock Road 3", "20457 Hafenstadt"), asked_on="2026-11-25")
    found = letter(book, 1, typed=typed)
    text = told(found)
    for words in (
        "For the attention of Ms R. Vance",
        "Dear Ms R. Vance,",
        "20457 Hafenstadt",
        "enquiry of 25 November",
    ):
        assert words in text
    assert letter(book, 1).salutation == "Dear Sir or Madam,"
    assert found.closing == "Yours sincerely," and letter(book, 1).closing == "Yours faithfully,"  # as a Briton writes
    assert letter(book, 1, system="us", typed=typed).closing == "Sincerely,"
    assert letter(book, 1, typed=Typed(salutation="Good morning,")).salutation == "Good morning,"


def test_the_picture_on_a_phone_is_whole(book: BookFolder) -> None:
    """As wide as a phone's page, with the same figures, no word outside and none upon another of its line."""
    found = letter(book, 1)
    assert found.interval is not None
    page = letter_page(found)
    assert page.count('class="desk"') == page.count('class="phone"') == 1
    wide, small = (
        re.findall(
            r"<text[^>]* x=\"([-\d.]+)\" y=\"([-\d.]+)\"[^>]*>([^<]+)<", interval_picture(found.interval, wide=w)
        )
        for w in (WIDE, PHONE)
    )
    assert {*found.interval.texts[::2]} <= {t for _, _, t in small} and len(wide) >= len(small) > 5
    assert all(0.0 <= float(x) <= PHONE for x, _, _ in small)
    feet = [float(y) for _, y, t in small if t in (found.interval.axis, found.interval.own_words)]
    assert len(feet) == len(set(feet)) == 2


def test_a_refusals_physics_calls_nothing_zero_and_has_the_digits_of_a_gauge() -> None:
    """A tenth of a degree is under one, a yield of a fraction of a MPa is rounded up, scale is told to 1 µm."""
    uneven = {"which": "section", "ahead_c_diff": 0.1, "onset_mpa": None, "limit_c_diff": None, "needs_mpa": 0.3}
    fine = Figures("si", 0.1)
    assert "differ by under 1 °C" in mechanisms._stress(uneven, fine) and "above 1 MPa" in mechanisms._stress(
        uneven, fine
    )
    assert "under 1 °F" in mechanisms._stress(uneven, Figures("us", 0.1))
    assert mechanisms._scale({"lost_um": 43.3}, fine) == "Air: scale takes at most 43 µm per side."
    assert "1.70 thousandths" in mechanisms._scale({"lost_um": 43.3}, Figures("us", 0.1))


def test_a_width_is_what_a_reader_subtracts_and_a_withheld_interval_has_none() -> None:
    need = {"width": 10.9, "least_width": 10.2,
            "runs_of_this_part": [{"more": 4, "width": 10.5}, {"more": 16, "width": 7.0}]}  # fmt: skip
    result = {"unit": "um", "low": -107.2, "high": -96.3, "content": 0.9, "need": need}
    x = Figures("us", 1.0)
    (told,) = what_changes(result, _width(result, {}, x), (), x, beyond=False)
    assert told.startswith("The interval is 0.40 thousandths wide. After 4 more measured runs it would be about 0.40")
    (told,) = what_changes(result, _width(result, {}, x), (), x, beyond=True)
    assert told.startswith("After 4 measured runs of this kind we could say within about 0.40") and "wide" not in told


def test_a_picture_of_readings_after_is_told_from_what_before() -> None:
    """The bar stands at the readings after; an answer in thousandths left it to the reader where that came from."""
    result = {"unit": "um", "low": 48.3, "median": 91.4, "high": 132.1}
    for asked, behind, words in (
        ({"kind": "flatness"}, {"usual_before_um": 99.1}, ["From the 3.9 thousandths that they usually show before the "
                                                          "run, that gives 5.8 to 9.1 thousandths after it."]),
        ({"kind": "flatness", "before_mm": 0.0508}, {}, ["From the 2.0 thousandths that you named, that gives 3.9 to "
                                                        "7.2 thousandths after the run."]),
        ({"kind": "length"}, {"usual_before_um": 99.1}, []),
    ):  # fmt: skip
        assert _from_before(asked, result, behind, Figures("us", 2.54)) == words

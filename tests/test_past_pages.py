"""Pages of a part, a customer, a piece, a furnace, and the folder of all: figures, links, what is rewritten."""

from __future__ import annotations

import html
import json
import os
import re
import shutil
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from click.testing import CliRunner, Result

from loadbook.cli.main import cli
from loadbook.core import writing
from loadbook.queries.past import Past, left_tolerance, past_of
from loadbook.render.pages.book import INDEX, LIST, write_book
from loadbook.render.pages.passport import piece_page
from loadbook.render.pages.past import customer_page, furnace_page, part_page
from loadbook.render.record import record_sections
from loadbook.store.book import BookFolder
from loadbook.store.lookup import listed
from loadbook.store.records import amend

from .copied import copied_folder
from .exactdose import route_dose
from .pagebook import RUNS, WILD, WILD_RUN, page_book
from .test_page import read


def seen(source: str) -> str:
    """What a reader sees, on one line."""
    return re.sub(r"\s+", " ", "".join(read(source).told))


@pytest.fixture(scope="module")
def shop(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> BookFolder:
    folder = tmp_path_factory.mktemp("past") / "book"
    copied_folder(demo_book, folder)
    return BookFolder.open(folder)


@pytest.fixture(scope="module")
def past(shop: BookFolder) -> Past:
    return past_of(shop)


def test_a_parts_page_tells_its_runs_and_what_left_tolerance(shop: BookFolder, past: Past) -> None:
    conn = shop.read()
    runs = [r[0] for r in conn.execute("SELECT DISTINCT run FROM piece WHERE part = 'PN-1004'")]
    source = part_page(past, "PN-1004", shop, "si")
    told = seen(source)
    assert all(run in told for run in runs)
    moved = past.moved_of(past.of_part["PN-1004"], part="PN-1004")
    left = [m for m in moved if left_tolerance(m)]
    assert left and all(m["lower_mm"] is None or m["before_mm"] >= m["lower_mm"] for m in left)
    assert all(m["after_mm"] > m["upper_mm"] for m in left if m["lower_mm"] is None)
    assert f"{len({(m['run'], m['serial']) for m in left})} pieces left tolerance" in told
    assert "PN-1001" not in told.split("Movement over time")[0]  # another part's open points stay on its own page
    assert source.count("INTERNAL") == 2


@pytest.mark.parametrize(("system", "unit", "spoken"), [("si", "µm", "µm"), ("us", "0.001 in", "thousandths?")])
def test_no_movement_stands_without_its_unit(shop: BookFolder, past: Past, system: str, unit: str, spoken: str) -> None:
    """A part's table has the unit in its heading, a passport behind each figure; both have true minus signs."""
    cells = re.findall(r'data-head="(\w+ moved, [^"]+)"[^>]*>(.*?)</td>', part_page(past, "PN-1004", shop, system))
    assert cells and all(head.endswith(f" moved, {unit}") for head, _ in cells)
    assert all(not re.search(r"[^0-9.()to −]", re.sub(r"<.*?>", "", told)) for _, told in cells)
    assert any("−" in told for _, told in cells)
    found = re.findall(r'data-head="moved"[^>]*>(.*?)</td>', piece_page(past, "PN-1002", "0001", shop, system))
    assert len(found) == 3
    assert all(re.fullmatch(rf"−?[\d.]+\xa0{spoken}", re.sub(r"<.*?>", "", told)) for told in found)


def test_a_customers_page_holds_no_piece_of_others(shop: BookFolder, past: Past) -> None:
    for customer in past.of_customer:
        source = customer_page(past, customer, shop, "si")
        parts = shop.read().execute(
            "SELECT DISTINCT p.part FROM piece p JOIN part t USING (part) LEFT JOIN job j USING (job)"
            " WHERE coalesce(j.customer, t.customer) = ?",
            (customer,),
        )
        listed = re.search(r'<section id="parts".*?</section>', source, re.DOTALL)
        assert listed
        found = re.findall(r'<th scope="row" data-head="part"[^>]*>([^<]+)</th>', listed.group(0))
        assert found == sorted(r[0] for r in parts)


def test_a_page_made_of_its_parts_own_past_is_the_same(shop: BookFolder, past: Past) -> None:
    for part in list(past.of_part)[::6]:
        own = past_of(shop, part)
        assert len(own.runs) < len(past.runs) and part_page(own, part, shop, "us") == part_page(past, part, shop, "us")
        for serial in [s for p, s in past.of_piece if p == part][:2]:
            assert piece_page(own, part, serial, shop, "si") == piece_page(past, part, serial, shop, "si")


def test_a_passport_adds_the_doses_of_its_runs(shop: BookFolder, past: Past) -> None:
    """Runs together are the dose of all, carried on at the hottest hold: between the largest one and their sum. A run
    that hardens or anneals begins anew. `show piece` says the same."""
    counted = 0
    for (part, serial), runs in past.of_piece.items():
        if len(runs) < 2 or not all(r in past.doses for r in runs) or counted > 3:
            continue
        told = seen(piece_page(past, part, serial, shop, "si"))
        whole = re.search(r"(?:Over the route|Since (\S+)): ([\d.]+), as much as ([\d.]+) h", told)
        anew = [i for i, r in enumerate(runs) if past.runs[r]["process"] in ("harden", "anneal")]
        after = runs[anew[-1] + 1 :] if anew else runs
        if not after:
            assert whole is None and f"{runs[-1]} began the count anew" in told
            continue
        assert whole and (whole.group(1) or None) == (runs[anew[-1]] if anew else None)
        each = [past.doses[r][0] for r in after]
        hottest = max(past.runs[r]["hold_mean_c"] for r in after)
        assert float(whole.group(2)) >= round(max(each), 2)
        again = route_dose([(hottest, float(whole.group(3)))], past.doses[after[0]][1] or 20.0)
        assert float(whole.group(2)) == pytest.approx(again, abs=0.02)
        row = shop.read().execute("SELECT * FROM piece WHERE part = ? AND serial = ?", (part, serial)).fetchone()
        shown = next(s for s in record_sections(shop, listed("pieces"), row) if s.name == "dose").rows[-1]
        assert f"as much as {whole.group(3)} h" in shown[0] and shown[2] == pytest.approx(
            float(whole.group(2)), abs=0.01
        )
        counted += 1
    assert counted


def test_a_furnaces_page(shop: BookFolder, past: Past) -> None:
    told = seen(furnace_page(past, "F1", [], shop, "si"))
    checks = shop.read().execute("SELECT count(*) FROM furnace_check WHERE furnace = 'F1'").fetchone()[0]
    assert checks and "Checks, newest first" in told
    assert f"{len(past.of_furnace['F1'])} runs" in told


# ---- the folder -------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with page_book(tmp_path_factory.mktemp("pages") / "book") as book:
        return book.path


@pytest.fixture
def small(made_once: Path, tmp_path: Path) -> BookFolder:
    """A copy of the book that is hard for pages."""
    return BookFolder.open(Path(shutil.copytree(made_once, tmp_path / "book")))


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*.html")}


@pytest.mark.thorough
def test_every_link_of_the_folder_leads_to_a_page(small: BookFolder, tmp_path: Path) -> None:
    done = write_book(small, tmp_path / "pages", "si")
    found = files(tmp_path / "pages")
    assert done.made == len(found) - 1 and not done.failed
    assert sum(name.startswith("run/") for name in found) == len(RUNS)
    for name, source in found.items():
        for href in re.findall(rb'<a [^>]*href="([^"#]+)"', source):
            target = (tmp_path / "pages" / name).parent / unquote(html.unescape(href.decode()))
            assert target.resolve().is_file(), f"{name} leads to {href!r}"
    data = re.search(rb'id="index-data">(.*?)</script>', found[INDEX], re.DOTALL)
    assert data
    rows: list[Any] = json.loads(data.group(1))["runs"]
    assert {r[0] for r in rows} == small_runs(small)
    assert WILD_RUN in {r[0] for r in rows}


def small_runs(book: BookFolder) -> set[str]:
    return {r[0] for r in book.read().execute("SELECT run FROM run")}


def test_only_what_changed_is_written_again(small: BookFolder, tmp_path: Path) -> None:
    folder = tmp_path / "pages"
    first = write_book(small, folder, "si")
    before = files(folder)
    again = write_book(small, folder, "si")
    assert (again.made, again.kept, again.removed) == (0, first.made, 0)
    assert {k: v for k, v in files(folder).items() if k != INDEX} == {k: v for k, v in before.items() if k != INDEX}
    with small.write() as conn:
        row = conn.execute("SELECT run_id FROM run WHERE run = 'R-paper'").fetchone()[0]
        amend(conn, "run", "R-paper", row, {"note": "as told by the operator"}, "asked again", "person 1")
    third = write_book(small, folder, "si")
    changed = {k for k, v in files(folder).items() if v != before[k]} - {INDEX}
    assert changed == {"run/run-R-paper.html"} and third.made == 1
    (folder / "run" / "run-R-kept.html").unlink()
    assert write_book(small, folder, "si").made == 1


def test_a_folder_of_something_else_is_left_alone(small: BookFolder, tmp_path: Path) -> None:
    other = tmp_path / "mine"
    other.mkdir()
    (other / "index.html").write_text("my own", encoding="utf-8")
    done = page("book", str(other), "--book", str(small.path))
    assert done.exit_code == 2 and "not a folder of pages" in done.output
    assert [p.name for p in other.iterdir()] == ["index.html"]
    (other / LIST).write_text('{"pages": {"../../x": "1", "run/../../y": "1"}}', encoding="utf-8")
    assert page("book", str(other), "--book", str(small.path)).exit_code == 0
    assert not (tmp_path / "x").exists()


def test_a_folder_whose_first_pages_were_stopped_is_gone_on_with(
    small: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed between any two files; also between the folder and its list."""
    folder = tmp_path / "pages"
    real, left = writing.put, 0

    def stopped(*args: Any, **kwargs: Any) -> None:
        nonlocal left
        left -= 1
        if left < 0:
            raise KeyboardInterrupt
        real(*args, **kwargs)

    monkeypatch.setattr(writing, "put", stopped)
    for number in (0, 1, 2, 5):
        left = number
        with pytest.raises(KeyboardInterrupt):
            write_book(small, folder, "si")
        (folder / f".{LIST}.{'0' * 8}-1-{'0' * 8}.part").write_text("")
    monkeypatch.undo()
    write_book(small, folder, "si")
    again = write_book(small, folder, "si")
    assert again.made == 0 and again.kept > 5


def test_a_strangers_folder_of_pages_leads_nowhere_else(small: BookFolder, tmp_path: Path) -> None:
    """No page is written or removed through a link; a list that is a pipe or a link is not read."""
    folder, mine = tmp_path / "pages", tmp_path / "mine"
    write_book(small, folder, "si")
    mine.mkdir()
    (mine / "letter.html").write_text("my own", encoding="utf-8")
    shutil.rmtree(folder / "piece")
    (folder / "piece").symlink_to(mine)
    (folder / LIST).write_text('{"pages": {"piece/letter.html": "1"}}', encoding="utf-8")
    done = page("book", str(folder), "--book", str(small.path))
    assert done.exit_code == 2 and "a link in the place of a folder" in done.output
    assert [(p.name, p.read_text()) for p in mine.iterdir()] == [("letter.html", "my own")]
    (folder / LIST).unlink()
    os.mkfifo(folder / LIST)
    done = page("book", str(folder), "--book", str(small.path))
    assert done.exit_code == 2 and "not a folder of pages" in done.output


def test_wild_names_stay_text(small: BookFolder) -> None:
    found = past_of(small)
    for source in (customer_page(found, WILD, small, "si"), piece_page(found, "00123", WILD, small, "si")):
        assert "<script>alert" not in source
        assert source.count("<script") == source.count("</script>") <= 1


def page(*words: str) -> Result:
    return CliRunner().invoke(cli, ["page", *words])


def test_an_unknown_name_says_what_is_known(small: BookFolder) -> None:
    at = ("--book", str(small.path))
    for words in (("part", "0012"), ("customer", "Customer Z"), ("furnace", "F9"), ("piece", "00123", "S-9")):
        done = page(*words, *at)
        assert done.exit_code != 0 and "the book has no run of" in done.output

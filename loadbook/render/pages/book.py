"""A folder of pages: every run, part, customer, piece and furnace of a book, and an index that filters them.

Only what changed is written again: beside the pages stands a list of what each was made from. Several processes make
the pages of runs, this one alone writes. The folder holds everybody's records and stays in the shop; it needs no server
and no network.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

from loadbook.core import times, writing
from loadbook.core.errors import DamageError, LoadbookError, NotFoundError, UsageError
from loadbook.core.outside import LARGEST_MANIFEST, read_file
from loadbook.core.phrases import many
from loadbook.core.progress import Progress
from loadbook.queries.furnaces import FurnaceChart, charts_of_last_year
from loadbook.queries.page_state import digest, run_states
from loadbook.queries.past import Past, past_of
from loadbook.queries.recompute_workers import Team, cores
from loadbook.queries.run_record import Row, private, run_sheet
from loadbook.store import revision, schema_check
from loadbook.store.book import BookFolder

from .links import INDEX, KINDS, Links, file_name, piece_name
from .markup import Html, data_block, el
from .passport import piece_page
from .past import customer_page, furnace_page, part_page
from .past_parts import ORDER, counted
from .run import run_page
from .shell import asset, mark, page, paragraph, section, table

LIST = "pages.json"  # what the folder's pages were made from
SHOWN = 100  # runs that the index shows at once, and without a script
SAVED_S = 10.0  # the list is saved so often, that a stopped run need not begin anew
WORTH_WORKERS = 40  # runs whose pages are worth the start of further processes
STYLES = ("page.css", "run.css", "chart.css", "past.css")


@dataclass
class Written:
    """What was done: pages made anew, those left as they were, those removed, and runs that have no page, with why."""

    made: int = 0
    kept: int = 0
    removed: int = 0
    failed: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A page: where it stands, the digest of what it rests on, how it is made, and what it is of."""

    path: str
    state: str
    source: Callable[[BookFolder], str]
    name: str


@dataclass(frozen=True)
class _Listed:
    """The list beside the pages: by file, the digest of what it was made from; the state of the whole book, where all
    pages were brought up to it."""

    pages: dict[str, str]
    book: str = ""


def write_book(book: BookFolder, folder: Path, system: str, progress: Progress | None = None) -> Written:
    """Write the folder, or bring it up to date.

    Raises UsageError where the folder holds something that is no such list of pages
    """
    before = _list_of(folder)
    stands = _stands(book, system)
    with writing.disk_errors("the pages", folder):
        writing.make_folder(folder)
        if before == _Listed({}):
            _save(folder, {})  # from here on it is known as a folder of pages, should the rest be stopped
        there = _there(folder)
    if stands and before.book == stands and there.issuperset([INDEX, *before.pages]):
        return Written(kept=len(before.pages))
    if progress:
        progress("reading the book", 0, 0)
    past = past_of(book)
    wanted = list(_wanted(book, past, system))
    done = Written()
    states: dict[str, str] = {}
    missing: list[_Wanted] = []
    for one in wanted:
        if one.path in there and before.pages.get(one.path) == one.state:
            states[one.path] = one.state
        else:
            missing.append(one)
    done.kept = len(states)
    listed = dict.fromkeys(before.pages, "") | states  # those that are made anew count for nothing until they are
    with writing.disk_errors("the pages", folder), closing(_made(book, missing)) as pages:
        _save(folder, listed)
        saved = time.monotonic()
        for number, (one, source) in enumerate(pages, 1):
            if progress:
                progress("pages", number, len(missing))
            if isinstance(source, DamageError):
                done.failed.append((one.name, str(source)))
                continue
            writing.put(folder / one.path, source, over=True, lasting=False, swept=True)
            done.made += 1
            listed[one.path] = states[one.path] = one.state
            if time.monotonic() - saved > SAVED_S:
                _save(folder, listed)
                saved = time.monotonic()
        for path in sorted(set(before.pages) - {w.path for w in wanted}):
            if path in there:
                (folder / path).unlink()
                done.removed += 1
        writing.put(folder / INDEX, index_page(past, book, {n for n, _ in done.failed}).encode("utf-8"), over=True)
        _save(folder, states, "" if done.failed else stands)
    return done


def _there(folder: Path) -> set[str]:
    """The files that are there, by kind; the kinds' folders are made, and what a killed command left is gone."""
    out = {INDEX} if (folder / INDEX).is_file() else set()
    for kind in KINDS:
        writing.make_folder(folder / kind, below=folder)
        writing.sweep(folder / kind)
        with os.scandir(folder / kind) as entries:
            out |= {f"{kind}/{entry.name}" for entry in entries}
    return out


def _made(book: BookFolder, wanted: list[_Wanted]) -> Generator[tuple[_Wanted, bytes | DamageError], None, None]:
    """Every page in its order: those of runs, which are much work each, by as many processes as are worth it."""
    runs = [w for w in wanted if w.path.startswith("run/")]
    with Team(book, cores() if len(runs) >= WORTH_WORKERS else 1, book.state, _source) as team:
        for one, _, source in team.results(runs):
            try:
                yield one, _source(book, one) if source is None else source
            except DamageError as exc:
                yield one, exc
    for one in wanted:
        if not one.path.startswith("run/"):
            yield one, _source(book, one)


def _source(book: BookFolder, one: _Wanted) -> bytes:
    return one.source(book).encode("utf-8")


def _list_of(folder: Path) -> _Listed:
    """What the folder's pages were made from; nothing of a new one."""
    if not folder.exists():
        return _Listed({})
    try:
        told = json.loads(read_file(folder / LIST, LARGEST_MANIFEST, links=False))
        pages = {str(k): str(v) for k, v in told["pages"].items() if k.split("/")[0] in KINDS and ".." not in k}
        return _Listed(pages, str(told.get("book", "")))
    except NotFoundError:
        if folder.is_dir() and all(writing.is_part(p) for p in folder.iterdir()):
            return _Listed({})
    except (LoadbookError, ValueError, KeyError, AttributeError, TypeError, RecursionError):
        pass
    raise UsageError(
        "this is not a folder of pages, so nothing is written into it", where=str(folder), remedy="Name a new folder"
    )


def _save(folder: Path, states: dict[str, str], stands: str = "") -> None:
    told = {"made by": f"loadbook {version('loadbook')}", "book": stands, "pages": states}
    writing.put(folder / LIST, json.dumps(told, ensure_ascii=False, sort_keys=True).encode("utf-8"), over=True)


def _look(book: BookFolder, system: str) -> str:
    """A digest of what every page rests on."""
    return digest(version("loadbook"), system, *(asset(n) for n in STYLES), asset("runchart.js"), book.zone.key)


def _stands(book: BookFolder, system: str) -> str:
    """A digest of all that the folder rests on: as long as it is the same, no row of the book has changed, nor the day,
    on which calibrations and checks come due. "" where changes are not counted."""
    if not schema_check.is_whole(book.read()):
        return ""
    today = times.now().astimezone(book.zone).date().isoformat()
    return digest(_look(book, system), asset("index.css"), asset("index.js"), today, revision.of_book(book.read()))


def _wanted(book: BookFolder, past: Past, system: str) -> Iterator[_Wanted]:
    """Every page with the digest of what it rests on, and how it is made."""
    look, made_at = _look(book, system), times.stored(times.now())
    links = Links(folder=True)

    def wanted(kind: str, name: str, state: Any, source: Callable[[BookFolder], str]) -> _Wanted:
        return _Wanted(f"{kind}/{file_name(kind, name)}", digest(look, state), source, name)

    def of_past(made: Callable[..., str], *of: Any) -> Callable[[BookFolder], str]:
        return lambda book: made(past, *of, book, system, links)

    def of_run(r: str) -> list[Any]:
        by_run: tuple[Mapping[str, Any], ...] = (
            past.pieces,
            past.moved,
            past.needs,
            past.nonconformances,
            past.doses,
            past.faults,
        )
        return [past.runs[r], *(rows.get(r) for rows in by_run)]

    states = {run: digest(of_run(run)) for run in past.runs}
    for run, state in run_states(book).items():
        source = partial(_run, past.runs[run], past.moved.get(run, []), system, made_at)
        yield wanted("run", run, state, source)
    for part, runs in past.of_part.items():
        rests: Any = ([states[r] for r in runs], past.parts[part], past.answered.get(part))
        yield wanted("part", part, rests, of_past(part_page, part))
    for customer, runs in past.of_customer.items():
        told: Any = [[j for j in past.jobs.values() if j["customer"] == customer], past.answers]
        yield wanted("customer", customer, ([states[r] for r in runs], told), of_past(customer_page, customer))
    charts = charts_of_last_year(book)
    for furnace, runs in past.of_furnace.items():
        mine = [c for c in charts if c.furnace == furnace]
        told = [past.furnaces[furnace], past.checks.get(furnace), [_chart_state(c) for c in mine]]
        yield wanted("furnace", furnace, ([states[r] for r in runs], told), of_past(furnace_page, furnace, mine))
    for (part, serial), runs in past.of_piece.items():
        told = [a for a in past.answered.get(part, ()) if set(a["runs"]) & set(runs)]
        rests = ([states[r] for r in runs], past.operations.get((part, serial)), past.parts[part], told)
        yield wanted("piece", piece_name(part, serial), rests, of_past(piece_page, part, serial))


def _chart_state(c: FurnaceChart) -> Any:
    return c.measure, c.names, c.values.tolist(), [s.first for s in c.signals]


def _run(r: Row, movement: list[Row], system: str, made_at: str, book: BookFolder) -> str:
    """The page of a run; r  its row of the past. What it takes is small: another process may be sent it."""
    links = Links(folder=True)
    sheet = run_sheet(book, r["run"], movement=movement)
    around = [
        links.to("furnace", r["furnace"]),
        *(links.to("part", p) for p in r["parts"]),
        *(links.to("customer", c) for c in r["customers"]),
    ]
    return run_page(sheet, book, system, made_at, internal=bool(private(sheet)), home=links.home(*around))


# ---- the index --------------------------------------------------------------------------------------------------
def index_page(past: Past, book: BookFolder, failed: set[str]) -> str:
    """All runs, to be filtered by part, customer, furnace, day and verdict; the newest stand there without a script."""
    names = [r for r in reversed(past.runs) if r not in failed]
    columns = ["run", "began", "furnace", "cycle", "verdict", "parts", "customers"]
    rows = []
    for run in names[:SHOWN]:
        r = past.runs[run]
        rows.append(
            [
                el("a", run, href=Links.where("run", run, "")),
                r["day"],
                r["furnace"],
                _cycle(r),
                mark(r["word"]),
                ", ".join(r["parts"]),
                ", ".join(r["customers"]),
            ]
        )
    kept = [w for w in ORDER if any(r["word"] == w for r in past.runs.values())]
    drawn = el("div", [el("span", mark(w), data_word=w) for w in kept], id="marks", hidden=True)
    sections = [
        section(
            "Runs",
            _filters(past, kept),
            el("p", f"The newest {len(rows)} of {many(len(names), 'run')}.", id="count", role="status"),
            table(columns, rows, caption="Runs, newest first", hide_caption=True, drop_empty=False),
            el("p", el("button", "Show more", type="button", id="more"), class_="live"),
            drawn,
            name="runs",
        ),
        section("Parts", _names("part", past.of_part), name="parts"),
        section("Customers", _names("customer", past.of_customer), name="customers"),
        section("Furnaces", _names("furnace", past.of_furnace), name="furnaces"),
        data_block("index-data", _packed(past, names)),
    ]
    summary = (
        el("div", counted(past, list(past.runs)), class_="glance") if past.runs else paragraph("No run is in the book.")
    )
    return page(
        "All runs",
        sections,
        kind="The shop's records",
        summary=summary,
        internal=True,
        scripts=("index.js",),
        styles=("index.css",),
        contents=[("parts", "Parts"), ("customers", "Customers"), ("furnaces", "Furnaces")],
        footer=paragraph(
            f"Days are those of the shop's clock ({book.zone.key}). Made "
            f"{times.now().astimezone(book.zone).date().isoformat()} by loadbook; brought up to date by "
            "loadbook page book."
        ),
    )


def _cycle(r: dict[str, Any]) -> str:
    return f"{r['cycle']} {r['cycle_revision']}" if r["cycle"] else "no cycle"


def _names(kind: str, found: dict[str, list[str]]) -> Html:
    items = [
        el("li", el("a", name, href=Links.where(kind, name, "")), f" {len(runs)}")
        for name, runs in sorted(found.items())
    ]
    return el("ul", items, class_="names") if items else paragraph("None.")


def _filters(past: Past, words: list[str]) -> Html:
    """The index's fields; without a script they are not there."""

    def choice(name: str, label: str, values: list[str]) -> Html:
        options = [el("option", "all", value=""), *(el("option", v, value=v) for v in values)]
        return el("label", label, " ", el("select", options, id=name))

    def day(name: str, label: str) -> Html:
        return el("label", label, " ", el("input", id=name, placeholder="2025-09-30", inputmode="numeric", size=10))

    return el(
        "form",
        el("label", "Run or part ", el("input", type="search", id="words", autocomplete="off", spellcheck="false")),
        choice("customer", "Customer", sorted(past.of_customer)),
        choice("furnace", "Furnace", sorted(past.of_furnace)),
        choice("verdict", "Verdict", words),
        day("from", "From"),
        day("to", "To"),
        el("button", "Clear", type="reset"),
        id="filter",
        class_="live",
        role="search",
        aria_label="Runs",
    )


def _packed(past: Past, names: list[str]) -> dict[str, Any]:
    """The runs as the script reads them: names once, then numbers."""
    parts, customers = list(past.of_part), list(past.of_customer)
    furnaces, cycles = list(past.of_furnace), list(dict.fromkeys(_cycle(past.runs[r]) for r in names))
    at = [{n: k for k, n in enumerate(x)} for x in (parts, customers, furnaces, cycles)]
    rows = []
    for name in names:
        r = past.runs[name]
        href = Links.where("run", name, "")
        rows.append(
            [
                name,
                "" if href == f"run/run-{name}.html" else href,
                r["day"],
                at[2][r["furnace"]],
                at[3][_cycle(r)],
                r["word"],
                [at[0][p] for p in r["parts"]],
                [at[1][c] for c in r["customers"]],
            ]
        )
    return {
        "parts": parts,
        "customers": customers,
        "furnaces": furnaces,
        "cycles": cycles,
        "runs": rows,
        "shown": SHOWN,
    }

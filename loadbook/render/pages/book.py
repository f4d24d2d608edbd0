"""A folder of pages: every run, part, customer, piece and furnace of a book, and an index that filters them.

Only what changed is written again: beside the pages stands a list of what each was made from. The folder holds
everybody's records and stays in the shop; it needs no server and no network.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

from loadbook.core import times, writing
from loadbook.core.errors import DamageError, LoadbookError, NotFoundError, UsageError
from loadbook.core.outside import LARGEST_MANIFEST, read_file
from loadbook.core.phrases import many
from loadbook.queries.furnaces import FurnaceChart, charts_of_last_year
from loadbook.queries.page_state import digest, run_states
from loadbook.queries.past import Past, past_of
from loadbook.queries.run_record import private, run_sheet
from loadbook.store.book import BookFolder

from .links import INDEX, KINDS, Links, file_name, piece_name
from .markup import Html, data_block, el
from .passport import piece_page
from .past import customer_page, furnace_page, part_page
from .past_parts import ORDER, counted
from .run import run_page
from .shell import asset, mark, page, paragraph, section, table

LIST = "pages.json"  # file -> digest of what it was made from
SHOWN = 100  # runs that the index shows at once, and without a script
SAVED = 500  # pages after which the list is saved, so that a stopped run need not begin anew
Progress = Callable[[str, int, int], None]


@dataclass
class Written:
    """What was done: pages made anew, those left as they were, those removed, and runs that have no page, with why."""

    made: int = 0
    kept: int = 0
    removed: int = 0
    failed: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True)
class _Wanted:
    path: str
    state: str
    source: Callable[[], str]
    name: str


def write_book(book: BookFolder, folder: Path, system: str, progress: Progress | None = None) -> Written:
    """Write the folder, or bring it up to date.

    Raises UsageError where the folder holds something that is no such list of pages
    """
    before = _list_of(folder)
    with writing.disk_errors("the pages", folder):
        writing.make_folder(folder)
        _save(folder, before)  # from here on it is known as a folder of pages, should the rest be stopped
    past = past_of(book)
    wanted = list(_wanted(book, past, system))
    done = Written()
    with writing.disk_errors("the pages", folder):
        for kind in KINDS:
            writing.make_folder(folder / kind, below=folder)
        there = {f"{kind}/{entry.name}" for kind in KINDS for entry in os.scandir(folder / kind)}
        states: dict[str, str] = {}
        for number, one in enumerate(wanted, 1):
            if one.path in there and before.get(one.path) == one.state:
                done.kept += 1
            else:
                try:
                    writing.put(folder / one.path, one.source().encode("utf-8"), over=True, lasting=False)
                except DamageError as exc:
                    done.failed.append((one.name, str(exc)))
                    continue
                done.made += 1
                if done.made % SAVED == 0:
                    _save(folder, before | states)
            states[one.path] = one.state
            if progress:
                progress("pages", number, len(wanted))
        for path in sorted(set(before) - {w.path for w in wanted}):
            if path in there:
                (folder / path).unlink()
                done.removed += 1
        writing.put(folder / INDEX, index_page(past, book, {n for n, _ in done.failed}).encode("utf-8"), over=True)
        _save(folder, states)
    return done


def _list_of(folder: Path) -> dict[str, str]:
    """What the folder's pages were made from; {} for a new one."""
    if not folder.exists():
        return {}
    try:
        told = json.loads(read_file(folder / LIST, LARGEST_MANIFEST, links=False))
        return {str(k): str(v) for k, v in told["pages"].items() if k.split("/")[0] in KINDS and ".." not in k}
    except NotFoundError:
        if folder.is_dir() and all(writing.is_part(p) for p in folder.iterdir()):
            return {}
    except (LoadbookError, ValueError, KeyError, AttributeError, TypeError, RecursionError):
        pass
    raise UsageError(
        "this is not a folder of pages, so nothing is written into it", where=str(folder), remedy="Name a new folder"
    )


def _save(folder: Path, states: dict[str, str]) -> None:
    text = json.dumps({"made by": f"loadbook {version('loadbook')}", "pages": states}, indent=0, ensure_ascii=False)
    writing.put(folder / LIST, text.encode("utf-8"), over=True)


def _wanted(book: BookFolder, past: Past, system: str) -> Iterator[_Wanted]:
    """Every page with the digest of what it rests on, and how it is made."""
    look = digest(
        version("loadbook"),
        system,
        *(asset(n) for n in ("page.css", "run.css", "chart.css", "past.css")),
        asset("runchart.js"),
        book.zone.key,
    )
    links = Links(folder=True)

    def wanted(kind: str, name: str, state: Any, source: Callable[[], str]) -> _Wanted:
        return _Wanted(f"{kind}/{file_name(kind, name)}", digest(look, state), source, name)

    def of_runs(runs: list[str]) -> list[Any]:
        return [
            (
                past.runs[r],
                past.pieces.get(r),
                past.moved.get(r),
                past.needs.get(r),
                past.nonconformances.get(r),
                past.doses.get(r),
                past.faults.get(r),
            )
            for r in runs
        ]

    states = {run: digest(of_runs([run])) for run in past.runs}
    for run, state in run_states(book).items():
        yield wanted("run", run, state, partial(_run, book, past, run, system, links))
    for part, runs in past.of_part.items():
        told: list[Any] = [a for a in past.answers if a["part"] == part]
        rests = ([states[r] for r in runs], past.parts[part], told)
        yield wanted("part", part, rests, partial(part_page, past, part, book, system, links))
    for customer, runs in past.of_customer.items():
        told = [[j for j in past.jobs.values() if j["customer"] == customer], past.answers]
        rests_on = ([states[r] for r in runs], told)
        yield wanted("customer", customer, rests_on, partial(customer_page, past, customer, book, system, links))
    charts = charts_of_last_year(book)
    for furnace, runs in past.of_furnace.items():
        mine = [c for c in charts if c.furnace == furnace]
        told = [past.furnaces[furnace], past.checks.get(furnace), [_chart_state(c) for c in mine]]
        source = partial(furnace_page, past, furnace, mine, book, system, links)
        yield wanted("furnace", furnace, ([states[r] for r in runs], told), source)
    for (part, serial), runs in past.of_piece.items():
        told = [a for a in past.answers if a["part"] == part and set(a["runs"]) & set(runs)]
        route = ([states[r] for r in runs], past.operations.get((part, serial)), past.parts[part], told)
        source = partial(piece_page, past, part, serial, book, system, links)
        yield wanted("piece", piece_name(part, serial), route, source)


def _chart_state(c: FurnaceChart) -> Any:
    return c.measure, c.names, c.values.tolist(), [s.first for s in c.signals]


def _run(book: BookFolder, past: Past, run: str, system: str, links: Links) -> str:
    r = past.runs[run]
    sheet = run_sheet(book, run, movement=past.moved.get(run, ()))
    around = [
        links.to("furnace", r["furnace"]),
        *(links.to("part", p) for p in r["parts"]),
        *(links.to("customer", c) for c in r["customers"]),
    ]
    made_at = times.stored(times.now())
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

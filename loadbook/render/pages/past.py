"""The pages of a past: a part's, a customer's, a furnace's. They hold everybody's records and stay in the shop."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

from loadbook.core.errors import NotFoundError
from loadbook.core.phrases import did_you_mean, many
from loadbook.queries.furnaces import FurnaceChart
from loadbook.queries.past import Past, left_tolerance
from loadbook.render.judged import figure, furnace_limits
from loadbook.store.book import BookFolder

from .links import Links, piece_name
from .markup import Html, el
from .month_furnaces import charts_of, key_words
from .past_parts import (
    answers_of,
    answers_table,
    counted,
    folded,
    left_words,
    movement_over_time,
    of_pieces,
    rough,
    runs_table,
    settings_over_time,
    waiting,
)
from .shell import definitions, mark, page, paragraph, section, table, whole

FOOT = (
    "Made by loadbook from the shop's own records. Movement is history, not a promise; a kept cycle accepts no parts."
)


def named(found: dict[str, Any], name: str, what: str, listed: str) -> str:
    """A name that the book has. Raises NotFoundError."""
    if name not in found:
        remedy = did_you_mean(name, found).strip() or f"See: loadbook list {listed}"
        raise NotFoundError(f"the book has no run of {what} {name!r}", remedy=remedy)
    return name


def _page(title: str, kind: str, summary: Any, sections: Sequence[Html], home: Any) -> str:
    contents = [("open", "Open points"), ("moved", "Movement"), ("runs", "Runs"), ("answers", "Answers")]
    ids = "".join(sections)
    return page(
        title,
        sections,
        kind=kind,
        summary=summary,
        internal=True,
        home=home,
        footer=paragraph(FOOT),
        contents=[c for c in contents if f'id="{c[0]}"' in ids],
    )


def _what_came(
    past: Past,
    runs: Sequence[str],
    rows: list[dict[str, Any]],
    needs: list[Any],
    links: Links,
    system: str,
    *,
    of_part: bool,
) -> Iterator[Html]:
    """The first sections of a part's and of a customer's page: what went wrong, what waits, what moved, by what."""
    if _any_left(rows):
        yield section("Left tolerance", left_words(rows, links, system), name="left")
    yield section("Open points", *waiting(needs, links), name="open")
    moved = movement_over_time(past, runs, system, rows, of_part=of_part)
    yield section("Movement over time, by treatment", *moved, name="moved")
    yield section("Settings as achieved", *settings_over_time(past, runs, system), name="settings")


def part_page(past: Past, part: str, book: BookFolder, system: str, links: Links | None = None) -> str:
    """A part's page. Raises NotFoundError where no piece of it ran."""
    links = links or Links()
    runs = past.of_part[named(past.of_part, part, "part", "parts")]
    p, rows = past.parts[part], past.moved_of(runs, part=part)
    owners = list(
        dict.fromkeys(c["customer"] for r in runs for c in past.pieces[r] if c["part"] == part and c["customer"])
    )
    head = definitions(
        [
            ("description", p["description"] or p["shape"]),
            ("material", p["material"]),
            ("revision", p["revision"]),
            ("length", rough(p["length_mm"], system)),
            ("section", " to ".join(rough(v, system) for v in (p["section_thin_mm"], p["section_thick_mm"]) if v)),
            ("mass", figure(p["mass_kg"], "kg", system)),
            ("customer", [links.to("customer", c) for c in owners]),
        ]
    )
    mine = {(part, c["serial"]) for r in runs for c in past.pieces[r] if c["part"] == part}
    needs = of_pieces(past.waiting(runs), mine)
    sections = [
        *_what_came(past, runs, rows, needs, links, system, of_part=True),
        section("Runs", *runs_table(past, runs, links, system, part=part), name="runs"),
        section(
            "Answers given, and what came",
            *answers_table(answers_of(past, [part]), links, book, system),
            name="answers",
        ),
        section("Pieces", *_pieces(past, part, runs, links), name="pieces"),
    ]
    return _page(part, "Part: its past", [_glance(past, runs, rows, len(needs)), head], sections, links.home())


def customer_page(past: Past, customer: str, book: BookFolder, system: str, links: Links | None = None) -> str:
    """A customer's page, for the shop: it names runs in which others' pieces lay. Raises NotFoundError."""
    links = links or Links()
    runs = past.of_customer[named(past.of_customer, customer, "customer", "jobs")]
    theirs = {(r, p["part"], p["serial"]) for r in runs for p in past.pieces[r] if p["customer"] == customer}
    rows = [m for m in past.moved_of(runs) if (m["run"], m["part"], m["serial"]) in theirs]
    jobs = [j for j in past.jobs.values() if j["customer"] == customer]
    parts = list(dict.fromkeys(p for _, p, _ in sorted(theirs)))
    needs = of_pieces(past.waiting(runs), {(p, s) for _, p, s in theirs})
    sections = [
        *_what_came(past, runs, rows, needs, links, system, of_part=False),
        section("Parts", _parts(past, parts, theirs, rows, links), name="parts"),
        section("Runs", *runs_table(past, runs, links, system), name="runs"),
        section(
            "Answers given, and what came",
            *answers_table(answers_of(past, parts, [j["job"] for j in jobs]), links, book, system),
            name="answers",
        ),
        section("Jobs", *_jobs(past, jobs), name="jobs"),
    ]
    said = paragraph(f"To send one run to this customer: loadbook page run RUN --for {customer!r}.", class_="note")
    return _page(
        customer,
        "Customer: the past",
        [_glance(past, runs, rows, len(needs)), said],
        sections,
        links.home(),
    )


def furnace_page(
    past: Past, furnace: str, charts: Sequence[FurnaceChart], book: BookFolder, system: str, links: Links | None = None
) -> str:
    """A furnace's page. charts are its own, over the last year of the book. Raises NotFoundError."""
    links = links or Links()
    runs = past.of_furnace[named(past.of_furnace, furnace, "furnace", "furnaces")]
    f = past.furnaces[furnace]
    head = definitions(
        [
            ("atmosphere", f["atmosphere"]),
            ("zones", f["zones"]),
            ("working zone", f["working_zone"]),
            *furnace_limits(f, system),
            ("note", f["note"]),
        ]
    )
    drawn = charts_of(charts, system, book.zone) if charts else paragraph("No trace of a run of the last year.")
    sections = [
        section("Open points", *waiting(past.waiting(runs), links), name="open"),
        section("Against its own past: the last year", key_words() if charts else None, drawn, name="charts"),
        section("Checks", *_checks(past, furnace, system), name="checks"),
        section("Thermocouple faults", *_faults(past, runs, links), name="faults"),
        section("Runs", *runs_table(past, runs, links, system), name="runs"),
    ]
    return _page(
        furnace,
        "Furnace: its past",
        [_glance(past, runs, past.moved_of(runs), len(past.waiting(runs))), head],
        sections,
        links.home(),
    )


# ---- parts of them ----------------------------------------------------------------------------------------------
def _any_left(rows: Sequence[dict[str, Any]]) -> bool:
    return any(left_tolerance(r) for r in rows)


def _glance(past: Past, runs: Sequence[str], rows: Sequence[dict[str, Any]], waits: int) -> Html:
    """What must be seen first: how many runs and how they went, what left its tolerance, what is open."""
    left = len({(m["run"], m["part"], m["serial"]) for m in rows if left_tolerance(m)})
    held = len({(m["run"], m["part"], m["serial"]) for m in rows if m["movement_mm"] is not None})
    said: list[Any] = [counted(past, runs)]
    if held:
        word = (
            mark("open", words=f"{many(left, 'piece')} left tolerance")
            if left
            else mark("kept", words="none left tolerance")
        )
        said.append(el("p", word, f", of {many(held, 'piece')} measured before and after a run."))
    if waits:
        said.append(el("p", mark("suspected", words=many(waits, "open point")), "."))
    return el("div", said, class_="glance")


def _pieces(past: Past, part: str, runs: Sequence[str], links: Links) -> list[Html | None]:
    seen: dict[str, list[str]] = defaultdict(list)
    for run in runs:
        for p in past.pieces[run]:
            if p["part"] == part:
                seen[p["serial"]].append(run)
    together: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for serial, went in seen.items():
        together[tuple(dict.fromkeys(went))].append(serial)
    rows = [
        [
            el("span", _listed([links.to("run", r) for r in went])),
            past.runs[went[-1]]["day"],
            str(len(serials)),
            el("span", _listed([links.to("piece", piece_name(part, s), whole(s)) for s in sorted(serials)])),
        ]
        for went, serials in sorted(together.items(), key=lambda t: (past.runs[t[0][-1]]["day"], t[0]), reverse=True)
    ]
    return folded(
        ["runs", "last began", "pieces", "serials"], rows, "Pieces, last seen first", "lines", figures=("pieces",)
    )


def _listed(items: Sequence[Html]) -> list[Any]:
    return [[", " if k else "", item] for k, item in enumerate(items)]


def _parts(
    past: Past, parts: Sequence[str], theirs: set[tuple[str, str, str]], rows: Sequence[dict[str, Any]], links: Links
) -> Html:
    runs, pieces = Counter(p for _, p in {(r, p) for r, p, _ in theirs}), Counter(p for _, p, _ in theirs)
    left = Counter(p for _, p, _ in {(m["run"], m["part"], m["serial"]) for m in rows if left_tolerance(m)})
    cells = [
        [
            links.to("part", p),
            past.parts[p]["description"] or past.parts[p]["shape"],
            past.parts[p]["material"],
            str(runs[p]),
            str(pieces[p]),
            mark("open", words=str(left[p])) if left[p] else None,
        ]
        for p in sorted(parts)
    ]
    columns = ["part", "description", "material", "runs", "pieces", "left tolerance"]
    return table(columns, cells, caption="Parts that ran", figures=("runs", "pieces"))


def _jobs(past: Past, jobs: Sequence[dict[str, Any]]) -> list[Html | None]:
    ran: dict[str, list[str]] = defaultdict(list)
    for run, pieces in past.pieces.items():
        for p in pieces:
            if p["job"] and run not in ran[p["job"]]:
                ran[p["job"]].append(run)
    rows = []
    for j in sorted(jobs, key=lambda j: str(j["job"]), reverse=True):
        went = ran.get(j["job"], [])
        last = past.runs[went[-1]]["day"] if went else None
        notes = [w for k, w in (("confidential", "confidential"), ("export_controlled", "export controlled")) if j[k]]
        rows.append(
            [
                j["job"],
                j["purchase_order"],
                str(j["quantity"]) if j["quantity"] else None,
                j["specification"],
                str(len(went)),
                last,
                ", ".join(notes),
            ]
        )
    if not rows:
        return [paragraph("No job is recorded.")]
    return folded(
        ["job", "order", "quantity", "specification", "runs", "last run", "handling"],
        rows,
        "Jobs",
        "jobs",
        figures=("quantity", "runs"),
    )


def _checks(past: Past, furnace: str, system: str) -> list[Html | None]:
    rows = [
        [
            c["kind"],
            c["done_on"],
            c["due_on"],
            figure(c["at_c"], "c", system),
            figure(c["worst_c"], "c_diff", system),
            None if c["passed"] is None else mark("current", words="passed") if c["passed"] else mark("failed"),
            c["note"],
        ]
        for c in past.checks.get(furnace, ())
    ]
    if not rows:
        return [paragraph("No check of this furnace is recorded.")]
    return folded(
        ["check", "done", "due", "at", "worst", "result", "note"],
        rows,
        "Checks, newest first",
        "checks",
        figures=("at", "worst"),
    )


def _faults(past: Past, runs: Sequence[str], links: Links) -> list[Html | None]:
    grouped: dict[tuple[str, str], list[tuple[str, str]]] = defaultdict(list)
    for run in runs:
        for f in past.faults.get(run, ()):
            if f["verdict"] in ("certain", "suspected"):
                grouped[(f["channel"], f["name"])].append((run, f["verdict"]))
    if not grouped:
        return [paragraph("None certain or suspected.")]
    rows = []
    for (channel, fault), seen in sorted(grouped.items(), key=lambda g: -len(g[1])):
        told = Counter(v for _, v in seen)
        rows.append(
            [
                channel,
                fault,
                str(len(seen)),
                el("span", [[mark(v, words=f"{n} {v}"), " "] for v, n in told.items()]),
                el("span", past.runs[seen[-1][0]]["day"], ", ", links.to("run", seen[-1][0])),
            ]
        )
    return folded(
        ["channel", "fault", "times", "state", "last"],
        rows,
        "Faults, most frequent first",
        "faults",
        figures=("times",),
    )

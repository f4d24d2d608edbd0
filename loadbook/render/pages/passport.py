"""A piece's passport: its route from top to bottom, readings, the heat it saw, what was promised and what came."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from loadbook.core import times
from loadbook.core.errors import NotFoundError
from loadbook.core.phrases import did_you_mean, many
from loadbook.queries.answer_figures import span as interval
from loadbook.queries.past import Past, left_tolerance, outside
from loadbook.queries.relations import is_straightening
from loadbook.queries.route import RunDose, together
from loadbook.queries.run_record import Row
from loadbook.render.judged import figure
from loadbook.store.book import BookFolder

from .gloss import gloss
from .links import Links
from .markup import Html, el
from .past_parts import moved_words, of_pieces, rough, size, waiting
from .shell import definitions, mark, page, paragraph, section, sentences, table


def piece_page(past: Past, part: str, serial: str, book: BookFolder, system: str, links: Links | None = None) -> str:
    """The passport of a piece. Raises NotFoundError where it never ran."""
    links = links or Links()
    if (part, serial) not in past.of_piece:
        known = [s for p, s in past.of_piece if p == part]
        remedy = did_you_mean(serial, known) + f"See: loadbook list pieces, or loadbook page part {part!r}"
        raise NotFoundError(f"the book has no run of piece {serial!r} of part {part!r}", remedy=remedy)
    runs = past.of_piece[part, serial]
    rows = past.moved_of(runs, part=part, serial=serial)
    mine = [p for r in runs for p in past.pieces[r] if (p["part"], p["serial"]) == (part, serial)]
    head = definitions(
        [
            ("part", links.to("part", part)),
            ("serial", serial),
            ("heat number", _each(p["heat_number"] for p in mine)),
            ("material", past.parts[part]["material"]),
            ("job", _each(p["job"] for p in mine)),
            ("customer", [links.to("customer", c) for c in dict.fromkeys(p["customer"] for p in mine) if c]),
        ]
    )
    needs = of_pieces(past.waiting(runs), {(part, serial)})
    sections = [
        section("Route", *_route(past, part, serial, runs, rows, book, links, system), name="route"),
        section("Heat over the route", *_dose(past, runs, part, links, system), name="dose"),
        section("Promised, and what came", *_promised(past, rows, part, book, links, system), name="answers"),
        section("Open points", *waiting(needs, links), name="open"),
    ]
    return page(
        f"{part} {serial}",
        sections,
        kind="Passport of a piece",
        summary=[_glance(past, runs, rows), head],
        internal=True,
        home=links.home(links.to("part", part)),
        styles=("past.css",),
        footer=paragraph(
            "Made by loadbook from the shop's own records. It describes what the records show; it is not a certificate."
        ),
    )


def _each(values: Any) -> list[str]:
    return list(dict.fromkeys(v for v in values if v))


def _glance(past: Past, runs: Sequence[str], rows: Sequence[Row]) -> Html:
    """Where the piece stands: its runs' verdicts, and whether its last readings lie inside the drawing's tolerance."""
    told = [[" ", mark(past.runs[r]["word"], words=f"{r} {past.runs[r]['word']}")] for r in runs]
    last: dict[str, Row] = {m["characteristic"]: m for m in rows if m["after_mm"] is not None}
    bad = [c for c, m in last.items() if outside(m)]
    known = [c for c, m in last.items() if m["lower_mm"] is not None or m["upper_mm"] is not None]
    state: Html | None = None
    if bad:
        state = el("p", mark("open", words="Outside its tolerance now"), ": ", ", ".join(bad), ".")
    elif known:
        state = el("p", mark("kept", words="Inside its tolerance"), f": {', '.join(known)}, as last read.")
    return el("div", el("p", f"{many(len(runs), 'run')}:", told), state, class_="glance")


def _route(
    past: Past,
    part: str,
    serial: str,
    runs: Sequence[str],
    rows: Sequence[Row],
    book: BookFolder,
    links: Links,
    system: str,
) -> list[Html | None]:
    """Operations and runs in their order, the readings of each run beside it."""
    steps: list[tuple[Any, Html]] = []
    operations = past.operations.get((part, serial), [])
    at = {o["run"]: o["sequence"] for o in operations if o["run"]}
    placed = bool(at) and set(runs) <= set(at)
    for o in operations:
        if o["run"] in past.runs:
            continue
        day = times.local_day(o["at"], book.zone) if o["at"] else None
        removed = f"{rough(o['stock_removed_mm'], system)} a side removed" if o["stock_removed_mm"] else None
        name = mark("suspected", words=o["operation"]) if is_straightening(o["operation"]) else el("b", o["operation"])
        words = [name, *[[", ", w] for w in (removed, o["note"]) if w]]
        steps.append(((o["sequence"],) if placed else (o["at"] or "", 0), _step(day, el("p", words), None)))
    for run in runs:
        r = past.runs[run]
        own = [m for m in rows if m["run"] == run]
        p = next(p for p in past.pieces[run] if (p["part"], p["serial"]) == (part, serial))
        where = ", ".join(
            w
            for w in (
                r["furnace"],
                f"{r['cycle']} {r['cycle_revision']}" if r["cycle"] else "no cycle",
                p["setup"],
                p["position"],
                p["machining"],
                *(p["condition"] or "").split(";"),
            )
            if w
        )
        found = [n for n in past.nonconformances.get(run, ()) if n["serial"] in (None, serial)]
        notes = sentences(
            [
                [
                    "nonconformance: ",
                    n["what"],
                    f" ({n['disposition']})" if n["disposition"] else "",
                    f", closed {n['closed_on']}" if n["closed_on"] else ", open",
                ]
                for n in found
            ]
        )
        said = el("div", el("p", el("b", links.to("run", run)), " ", mark(r["word"])), el("p", where), notes)
        steps.append(((at[run],) if placed else (r["started"], 1), _step(r["day"], said, _readings(own, system))))
    steps.sort(key=lambda s: s[0])
    unsure = (
        None
        if placed or not operations
        else paragraph(
            "Operations without a time, or whose place among the runs is not recorded, stand first.", class_="note"
        )
    )
    mine = [p for run in runs for p in past.pieces[run] if (p["part"], p["serial"]) == (part, serial)]
    held = gloss((p["setup"] for p in mine), system)
    return [el("ol", [s for _, s in steps], class_="route"), unsure, held]


def _step(day: str | None, said: Html, right: Html | None) -> Html:
    return el("li", el("span", day or "no date", class_="when"), el("div", said, right, class_="step"))


def _readings(rows: Sequence[Row], system: str) -> Html | None:
    """Before and after, what moved, and how it lies in the drawing's tolerance."""
    if not rows:
        return paragraph("No reading.", class_="note")
    cells = []
    for m in rows:
        lies: Any = None
        if m["lower_mm"] is not None or m["upper_mm"] is not None:
            lies = (
                mark("open", words="left tolerance")
                if left_tolerance(m)
                else mark("open", words="outside")
                if outside(m)
                else mark("kept", words="inside")
                if m["after_mm"] is not None
                else None
            )
        cells.append(
            [
                m["characteristic"],
                size(m["before_mm"], m["unit"], system),
                size(m["after_mm"], m["unit"], system),
                moved_words([m], system),
                lies,
                m["set_aside"] and f"not counted: {m['set_aside']}",
            ]
        )
    columns = ["read", "before", "after", "moved", "tolerance", "note"]
    return table(columns, cells, caption="Readings", figures=columns[1:4], hide_caption=True)


def _dose(past: Past, runs: Sequence[str], part: str, links: Links, system: str) -> list[Html | None]:
    """The dose of each run, and all together: carried on at the hottest hold, in the order of the runs."""
    known = [r for r in runs if r in past.doses and past.runs[r]["hold_mean_c"] is not None]
    if not known:
        return [paragraph("No dose is known of these runs.")]
    rows = [
        [
            links.to("run", r),
            past.runs[r]["day"],
            figure(past.runs[r]["hold_mean_c"], "c", system),
            figure(past.runs[r]["soak_minutes"], "min", system),
            f"{past.doses[r][0]:.2f}",
        ]
        for r in known
    ]
    made = table(
        ["run", "began", "hold", "soak", "dose, thousands"],
        rows,
        caption="Dose of each run (Hollomon-Jaffe)",
        figures=("hold", "soak", "dose, thousands"),
    )
    doses = []
    for r in runs:
        dose, constant = past.doses.get(r, (None, None))
        doses.append(RunDose(r, dose, constant, past.runs[r]["hold_mean_c"], past.runs[r]["process"]))
    whole = together(doses, past.parts[part]["dose_constant"])
    if whole is None or isinstance(whole, str):
        return [made, paragraph(whole or "", class_="note")]
    said = f"Since {whole.after}" if whole.after else "Over the route"
    at = figure(whole.at_c, "c", system)
    words = f"{said}: {whole.dose:.2f}, as much as {whole.hours:.1f} h at {at} (constant {whole.constant:g})."
    return [made, paragraph(words)]


def _promised(
    past: Past, rows: Sequence[Row], part: str, book: BookFolder, links: Links, system: str
) -> list[Html | None]:
    """Answers given before a run that is scored against them, beside what this piece did in it."""
    cells = []
    for a in past.answered.get(part, ()):
        for m in rows:
            if m["run"] not in a["runs"] or m["characteristic"] != a["characteristic"] or a["low"] is None:
                continue
            value = _as_answered(m, a)
            came = (
                mark("kept", words="inside")
                if value is not None and a["low"] <= value <= a["high"]
                else (mark("open", words="outside") if value is not None else None)
            )
            cells.append(
                [
                    str(a["answer_id"]),
                    times.local_day(a["answered_at"], book.zone),
                    a["characteristic"],
                    interval(a["low"], a["high"], a["unit"], system),
                    links.to("run", m["run"]),
                    moved_words([m], system),
                    came,
                ]
            )
    if not cells:
        return [paragraph("No answer was given that a run of this piece put to the test.")]
    columns = ["answer", "given", "characteristic", "promised", "run", "moved", "against the interval"]
    return [table(columns, cells, caption="Answers that this piece put to the test")]


def _as_answered(m: Row, a: Row) -> float | None:
    """A movement in the answer's unit; None where that takes more than the piece's own readings."""
    if m["movement_mm"] is None:
        return None
    if a["unit"] == "um":
        return float(m["movement_mm"] * 1000.0)
    if a["unit"] == "percent" and m["before_mm"]:
        return float(100.0 * (m["after_mm"] / m["before_mm"] - 1.0))
    if a["unit"] == "um per 100 mm" and a["reference_length_mm"]:
        return float(m["movement_mm"] * 1000.0 / (a["reference_length_mm"] / 100.0))
    return None

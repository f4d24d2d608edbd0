"""A run while it is recorded, in words: for the live terminal view and, line by line, for its page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from loadbook.analysis.following.forecast import Ahead
from loadbook.analysis.following.so_far import BROKEN, HEADING, KEPT, NOT_YET
from loadbook.core import times
from loadbook.core.figures import share_words
from loadbook.core.phrases import many
from loadbook.queries.evidence_words import worded
from loadbook.queries.following import ORDER, Look, Seen
from loadbook.queries.judge import local
from loadbook.queries.remark_words import words
from loadbook.store import derived
from loadbook.store.book import BookFolder

from .judged import clause_figures, figure
from .tables import cells_of

ADVISES = "Advice from the record up to the last look. It is not an alarm or an interlock, and controls nothing."


def state_words(seen: Seen, book: BookFolder) -> tuple[str, str]:
    """The state, and what is to be said beside it ('' for nothing)."""
    if not seen.samples:
        return f"waiting: {seen.waiting or 'nothing is recorded yet'}", ""
    broken = [s for s in seen.standings if s.state == BROKEN]
    heading = [s for s in seen.standings if s.state == HEADING]
    state = "kept so far" if seen.standings else "no cycle to hold it against"
    if broken:
        state = f"BROKEN so far: {', '.join(s.clause for s in broken)}"
    elif heading:
        first = min(heading, key=lambda s: s.at_s or 0.0)
        state = f"HEADING for a break of {first.clause} at {clock(seen, first.at_s, book)}"
    suspects = {f.channel for f in seen.faults}
    beside = f"{many(len(suspects), 'thermocouple')} suspected" if suspects else ""
    beside = "STOP AND LOOK at a thermocouple" if seen.stop else beside
    waiting = f" (waiting for the file: {seen.waiting})" if seen.waiting else ""
    return (state, beside + waiting) if beside else (state + waiting, "")


def headline(seen: Seen, book: BookFolder) -> str:
    """The state in one sentence."""
    return "; ".join(w for w in state_words(seen, book) if w)


def clock(seen: Seen, seconds: float | None, book: BookFolder) -> str:
    """A moment of the trace on the shop's clock, to the minute; '' for none."""
    at = seen.moment(seconds)
    return times.on_clock(times.from_stored(at), book.zone, "%H:%M") if at else ""


def facts(seen: Seen, system: str) -> list[tuple[str, str]]:
    """Name and value of what is seen at a glance."""
    p = seen.place
    if p is None:
        return []
    named: Callable[[Any], str] = lambda tc: f"{figure(tc[1], 'c', system)} ({tc[0]})" if tc else "not known"  # noqa: E731
    where = f"{p.segment} {p.kind}" if p.segment else "before the first segment"
    if p.target_c is not None:
        where += f", {'at' if p.kind == 'hold' else 'to'} {figure(p.target_c, 'c', system)}"
    out = [("segment", where), ("furnace", figure(p.furnace_c, "c", system) or "not known"),
           ("coldest work TC", named(p.coldest)), ("hottest work TC", named(p.hottest)),
           ("spread", figure(p.spread_c, "c_diff", system)), ("lead", figure(p.lead_c, "c_diff", system))]  # fmt: skip
    if p.asked_min is not None:
        out.append(("soak counted", f"{p.soak_min or 0.0:.0f} of {p.asked_min:.0f} min"))
    if p.gaps:
        out.append(("gaps", f"{p.gaps}, the longest {figure(p.longest_gap_s, 's', system)}"))
    return [(name, value) for name, value in out if value]


def ahead_words(seen: Seen, book: BookFolder) -> list[str]:
    """What is to come: forecasts, each with its interval and how often such a one holds."""
    arrived = "The cycle's last target has come: Ctrl-C, or a while without a new row, takes the file in."
    return [
        *([arrived] if seen.arrived and not seen.over else []),
        *forecast_words(seen.ahead, seen.started, seen.at, book),
    ]


def forecast_words(ahead: Sequence[Ahead], started: str, now: str, book: BookFolder) -> list[str]:
    """Forecasts in words. started, now: UTC moments as stored, from which their seconds count and at which they are
    made."""

    def when(seconds: float | None) -> str:  # on the shop's clock, with its day where that is another one than now's
        at = derived.moment(started or None, seconds)
        if not at:
            return ""
        same_day = times.local_day(at, book.zone) == times.local_day(now, book.zone)
        return times.on_clock(times.from_stored(at), book.zone, "%H:%M" if same_day else "%d %b %H:%M")

    out = []
    for a in ahead:
        what = a.what if a.segment is None else f"{a.what} of hold {a.segment}"
        said = f"Forecast: {what} at {when(a.at_s)}"
        if a.low_s is None or a.level is None:
            out.append(f"{said}; {_too_few(a.runs)}")
        else:
            between = f"{when(a.low_s)} and {when(a.high_s)}"
            out.append(f"{said}, between {between} ({share_words(a.level)}, by {a.runs} earlier runs)")
    return out


def _too_few(runs: int) -> str:
    return f"no interval, by {many(runs, 'earlier run')} alone" if runs else "no interval without earlier runs"


OFTEN_S = 15.0


def look_words(look: Look | None, book: BookFolder) -> str:
    """When the file was looked at, and when it will be again; '' without a next look."""
    if look is None or look.rest_s is None:
        return ""
    rest = f"{look.rest_s:.0f} s" if look.rest_s < 100.0 else f"{look.rest_s / 60.0:.0f} min"
    why = " (a long file is read less often)" if look.rest_s > OFTEN_S else ""
    return f"Last look {times.on_clock(look.at, book.zone, '%H:%M:%S')}, the next {rest} later{why}."


COLUMNS = ("clause", "state", "worst so far", "limit", "left", "")


def clause_rows(seen: Seen, book: BookFolder, system: str) -> list[list[str]]:
    """One row per clause, the worst first, and of equals those of segments that are over last."""
    running = (seen.place.segment if seen.place else None) or 0
    rows = []
    for s in sorted(seen.standings, key=lambda s: (ORDER.index(s.state), (s.segment or running) < running)):
        if s.state == HEADING:
            unit = "c_per_h" if s.unit in ("c", "c_diff") else s.unit
            said = (
                f"at {clock(seen, s.at_s, book)}, by {figure(s.per_h, unit, system)} over the last {s.over_min:.0f} min"
            )
        elif s.state == BROKEN:
            said = " ".join(w for w in (clock(seen, s.at_s, book), s.channel or "") if w)
            said += f"; by {s.alone} alone: is it to be trusted?" if s.alone else ""
        else:
            said = worded([s.missing], system) if s.missing else (s.channel or "" if s.state == KEPT else "")
        unit = "c_diff" if s.unit == "c" else s.unit
        left = figure(s.margin, unit, system) if s.state in (KEPT, HEADING, BROKEN) else ""
        value, limit = clause_figures(s.clause, s.value, s.limit, s.unit, system)
        rows.append([s.clause, s.state, "" if s.state == NOT_YET else value, limit, left, said])
    return rows


def low_hold_words(seen: Seen, book: BookFolder, system: str) -> list[str]:
    """The low hold check: the advice, then a line for each TC that is out; once the hold is over, what it said."""
    low = seen.low_hold
    if low is None:
        return []
    past = f", {low.compared} against this furnace's past" if low.compared else ""
    if low.says == "go on":
        return [f"Low hold (segment {low.segment}): go on, all {low.tcs} track{past}."]
    if low.says == "wait":
        return [f"Low hold (segment {low.segment}): {low.minutes:.0f} min in, nothing odd yet; too early to say go on."]
    out = f"{many(len(low.remarks), 'TC')} out, {low.tracking} of {low.tcs} track"
    said = f"STOP AND LOOK: {out}" if seen.stop else f"it ended with {out}"
    odd = [replace(r, figures={**r.figures, "at": clock(seen, r.figures.get("from_s"), book)}) for r in low.remarks]
    return [f"Low hold (segment {low.segment}): {said}.", *(words(r, system) + "." for r in odd)]


def fault_words(seen: Seen, book: BookFolder, system: str) -> list[str]:
    """Suspected faults so far."""
    return [f"{f.channel}: {f.kind} since {clock(seen, f.start_s, book)}: {worded(f.evidence, system)}"
            for f in seen.faults]  # fmt: skip


def view(seen: Seen, book: BookFolder, system: str, look: Look | None = None, most: int | None = None) -> Any:
    """The live view as rich draws it; every value goes in as plain text. most: of the clauses that are kept or have not
    begun, so many rows; the others are counted."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    shown = local(seen.at, book) if seen.at else "no sample yet"
    style = {BROKEN: "bold red", HEADING: "bold yellow"}.get(seen.worst, "bold yellow" if seen.stop else "bold")
    parts: list[Any] = [Text(f"{seen.run}  {headline(seen, book)}", style=style), Text(ADVISES, style="dim"),
                        Text(f"{seen.cycle or 'no cycle'}; {seen.samples} samples, last {shown}")]  # fmt: skip
    parts += [Text(line) for line in (look_words(look, book), seen.assumed) if line]
    glance = Table.grid(padding=(0, 2))
    cells = [Text(cell) for fact in facts(seen, system) for cell in fact]
    for k in range(0, len(cells), 4):
        glance.add_row(*cells[k : k + 4])
    parts.append(glance)
    parts += [Text(line) for line in (*ahead_words(seen, book), *low_hold_words(seen, book, system))]
    rows = clause_rows(seen, book, system)
    calm = [row for row in rows if row[1] in (KEPT, NOT_YET)]
    left_out = [] if most is None else calm[most:]
    kept = [row for row in rows if not any(row is x for x in left_out)]
    if kept:
        table = Table(box=None, padding=(0, 2, 0, 0))
        for i, name in enumerate(COLUMNS):  # no narrower than its longest word: none is cut
            least = max((cells_of(w) for text in (name, *(row[i] for row in kept)) for w in text.split()), default=0)
            table.add_column(Text(name), min_width=least)
        for row in kept:
            style = {BROKEN: "red", HEADING: "yellow"}.get(row[1], "")
            table.add_row(*(Text(cell, style=style) for cell in row))
        parts.append(table)
    if left_out:
        count = {state: sum(row[1] == state for row in left_out) for state in (KEPT, NOT_YET)}
        parts.append(Text("and " + ", ".join(f"{n} more {state}" for state, n in count.items() if n), style="dim"))
    named = {str(r.figures.get("channel")) for r in (seen.low_hold.remarks if seen.low_hold else ())}
    faults = replace(seen, faults=tuple(f for f in seen.faults if f.channel not in named))
    parts += [Text(line) for line in fault_words(faults, book, system)[:6]]
    return Group(*parts)


def fitted(seen: Seen, book: BookFolder, system: str, console: Any, look: Look | None = None) -> Any:
    """The view at the terminal's height: what is kept so far gives way, what is not stays."""

    def fits(most: int) -> bool:
        return bool(len(console.render_lines(view(seen, book, system, look, most), pad=False)) < console.size.height)

    low, high = 0, len(seen.standings)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if fits(middle) else (low, middle - 1)
    return view(seen, book, system, look, low)

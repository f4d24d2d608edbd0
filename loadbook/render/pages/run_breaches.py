"""Where a run's chart shows what broke the cycle: the short soak, the steep window, the moment of the widest spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loadbook.analysis.trace.model import ClauseResult, channels_in
from loadbook.queries.run_record import RunSheet
from loadbook.render.judged import clause_figures, label

from .run_lines import APART, TEMPERATURE, RunLines, shown_values

LETTERS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True)
class Breach:
    """One broken clause in the chart. Times in seconds from the trace's start, values in the unit shown.

    panel     index of the panel that it is drawn in
    at_s      where its words stand;  value  the value there, None where it is no value of the panel
    limit     in the unit shown
    counted   the soak as it was counted, or None;  short_s  what it was short of (added to its end)
    window    the stretch of time that a rate was taken over, or that something lasted
    channels  whose line is marked there
    name      of the clause: "soak 4";  amount  its value alone, ''
              where it has none;  figures  "94.5 of 120 min: 25.5 short"
    """

    letter: str
    panel: int
    name: str
    amount: str
    figures: str
    at_s: float
    value: float | None = None
    limit: float | None = None
    counted: tuple[float, float] | None = None
    short_s: float = 0.0
    window: tuple[float, float] | None = None
    channels: tuple[str, ...] = ()
    segment: int | None = None

    @property
    def words(self) -> str:
        """The clause with its figures."""
        return f"{self.name}: {self.figures}" if self.figures else self.name


def breaches(sheet: RunSheet, lines: RunLines, system: str) -> list[Breach]:
    """The broken clauses that have a place in the chart, by their first moment."""
    out: list[Breach] = []
    keys = [p.key for p in lines.panels]
    for c in sheet.judged.of("broken"):
        at = c.worst_s if c.worst_s is not None else c.first_s
        if at is None:
            continue
        name = LETTERS[len(out) % len(LETTERS)]
        if c.unit == "min" and c.segment is not None and c.value is not None and c.limit is not None:
            out.append(_soak(sheet, c, name, at, system))
            continue
        panel = keys.index(_key(c, keys)) if _key(c, keys) in keys else 0
        value = limit = None
        if c.unit in ("c", "c_diff", "mbar"):
            shown = [np.nan if v is None else v for v in (c.value, c.limit)]
            value, limit = (
                None if np.isnan(v) else float(v) for v in shown_values(np.array(shown, dtype=float), c.unit, system)[0]
            )
        out.append(
            Breach(name, panel, c.clause if c.unit == "min" else label(c, system), *figures_of(c, system), at, value,
                   limit, window=_window(c, at), channels=_channels(c, lines), segment=c.segment)
        )  # fmt: skip
    return out


def figures_of(c: ClauseResult, system: str) -> tuple[str, str]:
    """A broken clause's value beside its mark, and with its limit.

    >>> from loadbook.core.remarks import remark
    >>> figures_of(ClauseResult("heat 3 rate", "broken", remark("limit"), 154.8, 125.0, "c_per_h"), "si")
    ('154.8', '154.8, at most 125.0 °C/h')
    """
    value, limit = clause_figures(c.clause, c.value, c.limit, c.unit, system)
    if not value or not limit or c.value is None or c.limit is None:
        return value, value
    if c.unit == "min":
        gap = abs(c.limit - c.value)
        if c.value < c.limit:
            return value, f"{c.value:.1f} of {c.limit:g} min: {gap:.1f} short"
        return value, f"{c.value:.1f} min, {gap:.1f} too long"
    unit = limit.partition(" ")[2]
    value = value.removesuffix(f" {unit}") if unit else value
    return value, f"{value}, at {'most' if c.value > c.limit else 'least'} {limit}"


def _soak(sheet: RunSheet, c: ClauseResult, name: str, at: float, system: str) -> Breach:
    assert c.value is not None and c.limit is not None
    picture = sheet.picture
    counted = next((s.span for s in (picture.soaks if picture else ()) if s.segment == c.segment), None)
    hold = next((h for h in (picture.holds if picture else ()) if h.segment == c.segment), None)
    if counted is None and hold is not None:
        counted = (hold.start_s, hold.start_s) if c.value < c.limit else (hold.start_s, hold.end_s)
    short = max(c.limit - c.value, 0.0) * 60.0
    said = c.clause, *figures_of(c, system)
    if counted is None:
        return Breach(name, 0, *said, at, segment=c.segment)
    return Breach(name, 0, *said, counted[0], counted=counted, short_s=short, segment=c.segment)


def _key(c: ClauseResult, keys: list[str]) -> str:
    """The panel that a clause's value belongs to."""
    if c.unit == "c_diff":
        return APART
    if c.unit == "mbar":
        return "pressure"
    if "dew point" in c.clause:
        return "dew point"
    return next((k for k in keys if ":" in k and k.split(":")[0] in c.clause), TEMPERATURE)


def _window(c: ClauseResult, at: float) -> tuple[float, float] | None:
    """Of a rate the window around its worst moment; of a gap how long it lasted."""
    minutes = c.text.figures.get("window_min")
    if c.unit == "c_per_h" and isinstance(minutes, (int, float)):
        return max(at - 30.0 * minutes, 0.0), at + 30.0 * minutes
    if c.unit == "s" and c.value is not None:
        return at, at + c.value
    return None


def _channels(c: ClauseResult, lines: RunLines) -> tuple[str, ...]:
    """The channels that a clause names, as far as the chart has them."""
    known = {x.name for x in lines.lines}
    names = channels_in(c.channel or "", known)
    return names if known.issuperset(names) else ()

"""Control charts of furnaces: lead, spread, time to temperature and leak-up, run by run, so that a drift is seen."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.analysis.parameters.compute import asked_parameters
from loadbook.analysis.planning import control
from loadbook.analysis.trace.model import Cycle
from loadbook.core import times, units
from loadbook.core.errors import LoadbookError
from loadbook.store.run_records import load_cycle
from loadbook.store.session import frame

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

# measure -> (parameter charted, its unit, whether runs are compared with what is usual for their cycle)
MEASURES: dict[str, tuple[str, str, bool]] = {
    "lead while heating": ("lead_heating_peak_c", "c_diff", True),
    "spread in the soak": ("spread_soak_peak_c", "c_diff", True),
    "time to temperature": ("hold_start_h", "h", True),
    "leak-up": ("leak_up_mbar_per_h", "mbar_per_h", False),
}
_VALUES = """
SELECT r.furnace, r.run, r.started, r.cycle, r.cycle_revision, p.parameter, p.value, f.run IS NOT NULL AS faulty
FROM run AS r
JOIN parameter AS p ON p.run = r.run AND p.channel IS NULL AND p.source = 'trace'
LEFT JOIN (
  SELECT DISTINCT run FROM faults
  WHERE verdict IN ('certain', 'suspected') AND (decision IS NULL OR decision <> 'refused')
) AS f ON f.run = r.run
WHERE r.status = 'done' AND r.started < ?
  AND p.parameter IN ('lead_heating_peak_c', 'spread_soak_peak_c', 'hold_start_h', 'leak_up_mbar_per_h',
                      'start_control_c')
ORDER BY r.furnace, r.started, r.run
"""


@dataclass(frozen=True)
class FurnaceChart:
    """One measure of one furnace, oldest first, since the last declared break.

    names, started  the runs (or the checks' days) and their moments, UTC; values as recorded [unit]
    in_month        which are of the period looked at, a month or a year
    faulty          with a certain or suspected thermocouple fault
    chart           differences, limits, signals (indices into the same order);  since  the break's day, if any
    of_checks       the points are furnace checks, not runs
    """

    furnace: str
    measure: str
    unit: str
    names: list[str]
    started: list[datetime]
    cycles: list[str]
    values: np.ndarray
    in_month: np.ndarray
    faulty: np.ndarray
    chart: control.Chart
    since: str | None = None
    of_checks: bool = False

    @property
    def signals(self) -> list[control.Signal]:
        """Signals that a point of the month takes part in."""
        return [s for s in self.chart.signals if self.in_month[s.first : s.last + 1].any()]

    def words(self, signal: control.Signal) -> str:
        """A signal as a sentence's end: which runs, which test."""
        if signal.first == signal.last:
            text = f"{self.names[signal.last]} {control.RULES[signal.rule]}"
            return text + (" (a thermocouple of it is suspected)" if self.faulty[signal.last] else "")
        count = int(np.isfinite(self.chart.difference[signal.first : signal.last + 1]).sum())
        span = f"{count} in a row, {self.names[signal.first]} to {self.names[signal.last]},"
        if signal.rule == "side":
            side = "above" if self.chart.difference[signal.last] > 0 else "below"
            return f"{span} {side} the centre line"
        rising = self.chart.difference[signal.last] > self.chart.difference[signal.first]
        return f"{span} steadily {'rising' if rising else 'falling'}"


def furnace_charts(book: BookFolder, since: datetime, until: datetime) -> list[FurnaceChart]:
    """The charts of every furnace that ran in the month [since, until), UTC: by furnace, then measure."""
    found = frame(book, _VALUES, [times.without_zone(until)])
    found["cycle_name"] = found["cycle"].fillna("no cycle") + " " + found["cycle_revision"].fillna("")
    ran = book.read().execute(
        "SELECT DISTINCT furnace FROM run WHERE started >= ? AND started < ? ORDER BY furnace",
        (times.stored(since), times.stored(until)),
    )
    out = []
    for (furnace,) in ran:
        broken = _last_break(book, furnace, until)
        day = _day(broken, book.zone)
        mine = found[found["furnace"] == furnace]
        if broken is not None:
            mine = mine[mine["started"] >= broken]
        for measure, (parameter, unit, by_cycle) in MEASURES.items():
            rows = mine[mine["parameter"] == parameter]
            if len(rows):
                values = _late(book, mine, rows) if parameter == "hold_start_h" else rows["value"].to_numpy(dtype=float)
                out.append(_chart(furnace, measure, unit, rows, values, since, by_cycle, day))
            elif measure == "leak-up":
                out += _of_checks(book, furnace, since, until, day)
    return out


def charts_of_last_year(book: BookFolder) -> list[FurnaceChart]:
    """The charts of every furnace over the year that ends with the book's newest run; none in a book without runs."""
    newest = book.read().execute("SELECT max(started) FROM run").fetchone()[0]
    if newest is None:
        return []
    until = times.from_stored(newest) + timedelta(seconds=1)
    return furnace_charts(book, until - timedelta(days=365), until)


def _chart(
    furnace: str, measure: str, unit: str, rows: pd.DataFrame, values: np.ndarray, since: datetime, by_cycle: bool,
    broken: str | None, of_checks: bool = False,
) -> FurnaceChart:  # fmt: skip
    started = [m.to_pydatetime() for m in rows["started"]]
    in_month = np.array([m >= times.without_zone(since) for m in started], dtype=bool)
    faulty = rows["faulty"].to_numpy(dtype=bool)
    cycles = [str(c).strip() for c in rows["cycle_name"]]
    allowed = _baseline(cycles, values, in_month, faulty) if by_cycle else ~in_month & ~faulty
    chart = control.chart(values, cycles if by_cycle else None, allowed)
    return FurnaceChart(
        furnace, measure, unit, [str(n) for n in rows["run"]], started, cycles, values, in_month, faulty, chart,
        broken, of_checks,
    )  # fmt: skip


def _baseline(cycles: list[str], values: np.ndarray, in_month: np.ndarray, faulty: np.ndarray) -> np.ndarray:
    """Which runs may make the limits: those before the period; of a cycle that was new in it, its own first ones."""
    names = np.array(cycles, dtype=object)
    allowed: np.ndarray = ~in_month & ~faulty
    for cycle in set(cycles):
        mine = np.array(names == cycle, dtype=bool)
        if (allowed & mine & np.isfinite(values)).sum() < control.LEAST_GROUP:
            allowed = allowed | (mine & ~faulty)
    return allowed


def _late(book: BookFolder, mine: pd.DataFrame, rows: pd.DataFrame) -> np.ndarray:
    """Hours to the main hold beyond what the ramps asked for need, where the book tells that; else the hours."""
    asked = dict(
        book.read().execute(
            "SELECT run, value FROM parameter WHERE parameter = 'heating_rate_peak_c_per_h' AND source = 'asked'"
        ).fetchall()
    )  # fmt: skip
    start = mine[mine["parameter"] == "start_control_c"].set_index("run")["value"].to_dict()
    cycles: dict[tuple[Any, Any], Cycle | None] = {}
    late = []
    for r in rows.itertuples():
        key = (r.cycle, r.cycle_revision)
        if key not in cycles:
            cycles[key] = _cycle(book, *key)
        planned = hours_asked(cycles[key], asked.get(r.run), start.get(r.run))
        late.append(float(r.value) - (planned or 0.0))  # type: ignore[arg-type]
    return np.array(late)


def _cycle(book: BookFolder, cycle: Any, revision: Any) -> Cycle | None:
    if not isinstance(cycle, str):
        return None
    try:
        return load_cycle(book.read(), cycle, revision)
    except LoadbookError:
        return None


def hours_asked(cycle: Cycle | None, asked_c_per_h: float | None, start_c: float | None) -> float | None:
    """Hours from a start temperature to the main hold at the rates asked, with the holds on the way.

    asked_c_per_h  the run's own asked heating rate: all ramps are scaled by it over the cycle's fastest asked rate
    None where a ramp's rate, a target or the start is not known.
    """
    hold = cycle.main_hold if cycle is not None else None
    if cycle is None or hold is None or start_c is None:
        return None
    fastest = {p.parameter: p.value for p in asked_parameters(cycle)}.get("heating_rate_peak_c_per_h")
    share = asked_c_per_h / fastest if asked_c_per_h and fastest else 1.0
    hours, at = 0.0, start_c
    for s in cycle.segments:
        if s.number >= hold[0].number:
            return hours
        if s.kind == "hold":
            hours += (s.minutes or 0.0) / 60.0
            continue
        rate = s.pace_c_per_h
        if rate is None or s.target_c is None:
            return None
        hours += abs(s.target_c - at) / (rate * share)
        at = s.target_c
    return None


def _of_checks(
    book: BookFolder, furnace: str, since: datetime, until: datetime, broken: str | None
) -> list[FurnaceChart]:
    """Leak-up checks whose note begins with a rate ('0.004 mbar/h'), where the runs record none."""
    import pandas as pd

    rows = []
    for day, note in book.read().execute(
        "SELECT done_on, note FROM furnace_check WHERE furnace = ? AND kind = 'leak-up' AND done_on < ? AND"
        " done_on >= ? ORDER BY done_on",
        (furnace, times.local_day(times.stored(until), book.zone), broken or ""),
    ):
        value = leak_rate(note)
        if value is not None:
            rows.append({"run": day, "started": pd.Timestamp(day), "cycle_name": "", "faulty": False, "value": value})
    if not rows:
        return []
    found = pd.DataFrame(rows)
    local = since.astimezone(book.zone).replace(tzinfo=UTC)  # days of checks are on the shop's calendar
    values = found["value"].to_numpy(dtype=float)
    return [_chart(furnace, "leak-up", "mbar_per_h", found, values, local, False, broken, of_checks=True)]


def leak_rate(note: str | None) -> float | None:
    """The leak-up rate [mbar/h] that a check's note begins with; None where it does not.

    >>> leak_rate("0.0035 mbar/h, gauge 2"), leak_rate("fine")
    (0.0035, None)
    """
    match = re.match(r"\s*([\d.]+(?:[eE][-+]?\d+)?)\s*([A-Za-zµ ]+/\s*h(?:r|our)?)\b", note or "")
    if match is None:
        return None
    try:
        return units.convert(float(match.group(1)), match.group(2).strip(), "leak")
    except (LoadbookError, ValueError):
        return None


def _last_break(book: BookFolder, furnace: str, until: datetime) -> datetime | None:
    """The last declared break of this furnace, or of all, before a moment (naive UTC)."""
    row = book.read().execute(
        "SELECT max(at) FROM history_break WHERE (furnace IS NULL OR furnace = ?) AND at < ?",
        (furnace, times.stored(until)),
    ).fetchone()  # fmt: skip
    if row[0] is None:
        return None
    return datetime.fromisoformat(str(row[0]).rstrip("Z")[:19])


def _day(broken: datetime | None, zone: ZoneInfo) -> str | None:
    return None if broken is None else broken.replace(tzinfo=UTC).astimezone(zone).date().isoformat()


def signalled(charts: Sequence[FurnaceChart]) -> list[tuple[FurnaceChart, control.Signal]]:
    """All signals of the month, furnace by furnace."""
    return [(c, s) for c in charts for s in c.signals]

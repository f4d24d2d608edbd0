"""A run's temperatures over time, for a chart in the terminal: channels, what was asked, spread and its limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from loadbook.analysis.trace.asked_lines import RunPicture, run_picture
from loadbook.analysis.trace.model import Floats
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.queries.judge import judge_run, local
from loadbook.store.book import BookFolder


@dataclass(frozen=True)
class RunChart:
    """What is drawn of a run.

    headline  the verdict in a sentence;  began  on the shop's clock
    t_s       (n,) seconds from the trace's start;  values  (channels, n) °C, NaN where invalid
    names, roles  of the channels;  numbers  their places among all thermocouples of the run, whichever are drawn
    picked  True where channels were asked for by name
    picture   what was asked, spread, limits, soaks
    """

    run: str
    headline: str
    began: str
    t_s: Floats
    values: Floats
    names: tuple[str, ...]
    roles: tuple[str, ...]
    numbers: tuple[int, ...]
    picked: bool
    picture: RunPicture

    def rows(self, role: str) -> list[int]:
        """Channels of a role."""
        return [i for i, r in enumerate(self.roles) if r == role]


def run_chart(book: BookFolder, run: str, channels: Sequence[str] = ()) -> RunChart:
    """The chart of one run; channels names those wanted, else all thermocouples.

    Raises NotFoundError (no such run, no trace), UsageError for a channel that it does not have
    """
    judged = judge_run(book, run, figures=False)
    if judged.worked is None:
        raise NotFoundError(
            f"run {run} has no trace to draw", remedy=f"Take one in: loadbook trace take FILE --run {run}"
        )
    trace, record = judged.worked.trace, judged.record
    thermal = [
        i for i, c in enumerate(trace.channels)
        if c.quantity == "temperature" and c.role != "setpoint" and np.isfinite(trace.values[i]).any()
    ]  # fmt: skip
    known = {trace.channels[i].name: i for i in thermal}
    for name in channels:
        if name not in known:
            hint = did_you_mean(name, list(known))
            raise UsageError(f"run {run} has no thermocouple {name!r}", remedy=hint + f"It has {', '.join(known)}")
    chosen = [known[name] for name in channels] or thermal
    if not chosen:
        raise NotFoundError(f"run {run} has no temperature to draw", remedy="loadbook show run tells its channels")
    work = judged.worked
    picture = run_picture(trace, record.cycle, record.pieces, work.phases, work.faults, record.confirmed())
    return RunChart(
        run, judged.headline, local(record.row["started"], book)[:16], trace.t_s, trace.values[chosen],
        tuple(trace.channels[i].name for i in chosen), tuple(trace.channels[i].role for i in chosen),
        tuple(thermal.index(i) for i in chosen), bool(channels), picture,
    )  # fmt: skip

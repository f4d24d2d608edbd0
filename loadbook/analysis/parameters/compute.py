"""The parameters of a run: each has one definition (core/vocabulary/parameters.py, `loadbook explain NAME`).

Names carry their unit. `_work` is of the work TCs, `_segment_3` of one segment of the cycle, `_above_427c` of the
samples above a threshold; a parameter with a channel is that channel's own figure, one without is the run's.
"""

from __future__ import annotations

from collections.abc import Sequence

from loadbook.analysis.trace.model import Cycle, Fault, Parameter, PieceRecord, Trace
from loadbook.analysis.trace.phases import Phases
from loadbook.analysis.trace.repair import Decided
from loadbook.core.vocabulary.parameters import PLANNABLE

from .holds import hold_parameters
from .load import load_parameters
from .rates import rate_parameters
from .run_view import look_at
from .spread import spread_parameters

ALGORITHM = "6"


def run_parameters(
    trace: Trace,
    cycle: Cycle | None,
    pieces: Sequence[PieceRecord],
    phases: Phases,
    faults: Sequence[Fault] = (),
    confirmed: Decided = (),
) -> list[Parameter]:
    """Every parameter that the trace can show.

    trace     prepared (validity.prepared; a raw one is prepared here)
    phases    phases.find_phases of the same trace
    faults    certain and confirmed ones are repaired; suspected ones stay, named in the note of what rests on them
    confirmed what named persons decided about them, as clauses.judge takes it
    Returns   one Parameter per name and channel; what cannot be told is not there, never zero or NaN
    """
    look = look_at(trace, cycle, pieces, phases, faults, confirmed)
    if look.n >= 2:
        rate_parameters(look)
        hold_parameters(look)
        spread_parameters(look)
    load_parameters(look)
    return look.found


def asked_parameters(cycle: Cycle) -> list[Parameter]:
    """What the cycle asks of the plannable parameters, under the names that the trace will show.

    Heating: the fastest asked rate of the heat segments (where only a limit is stated, the limit); cooling likewise.
    Hold temperature and soak time: those of the main hold (hottest target; of equal ones the longest).
    """
    out: list[Parameter] = []
    for kind, name in (("heat", PLANNABLE[0]), ("cool", PLANNABLE[3])):
        rates = [(r, s.number) for s in cycle.segments if s.kind == kind and (r := s.pace_c_per_h) is not None]
        if rates:
            rate, number = max(rates)
            out.append(Parameter(name, rate, "c_per_h", note=f"segment {number}"))
    hold = cycle.main_hold
    if hold is not None:
        segment, target = hold
        out.append(Parameter("hold_mean_c", target, "c", note=f"segment {segment.number}"))
        if segment.minutes is not None:
            out.append(Parameter("soak_minutes", segment.minutes, "min", note=f"segment {segment.number}"))
    return out

"""What is done to a trace for a confirmed fault: relabelled, corrected or left out, each with its uncertainty.

Two channels that traded places show each other's readings, so nothing is lost: they are relabelled from the swap's
beginning. A wire read by a wrong type's table is read again by its own. A drifted wire is corrected where it was
calibrated after the run. Whatever cannot be put right is left out for as long as the fault lasts. The trace as it was
recorded stays what it is: a repair is made again, from the decision, each time that the trace is prepared.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from loadbook.core.remarks import Remark, remark

from .its90 import true_c, uncertainty_c
from .model import Channel, Fault, Floats, Trace
from .sensors import type_letter
from .validity import Corrected, corrected, correction_at

Decided = Iterable[tuple[str, str, str]]  # (channel, fault kind, 'confirmed' or 'refused')
REPORTED_ONLY = ("drifting",)  # said, never left out before a person confirmed: such an offset may be the load's own
Done = Literal["relabelled", "corrected", "left out"]


@dataclass(frozen=True)
class Repair:
    """What was done for one fault. added_c is the expanded uncertainty (k = 2) that a correction adds, else None."""

    fault: Fault
    done: Done
    added_c: float | None = None

    @property
    def remark(self) -> Remark:
        """What was done, with when."""
        f = self.fault
        began = f.began if f.began and f.began[1] - f.began[0] >= 60.0 else None
        return remark(
            "repaired", done=self.done, channel=f.channel, other=f.other, kind=f.kind, from_s=f.start_s, began_s=began,
            times=len(f.spans), wire=f.wire, table=f.table,
        )  # fmt: skip


def sorted_out(faults: Sequence[Fault], confirmed: Decided) -> tuple[list[Fault], list[Fault]]:
    """(faults that count, suspected ones): open circuits and those that a named person confirmed count; a refused one
    is neither. What is decided of one of two channels that traded places is decided of both."""
    decisions = {(channel, kind): decision for channel, kind, decision in confirmed}
    out, suspected = [], []
    for fault in faults:
        decision = decisions.get((fault.channel, fault.kind))
        if decision is None and fault.other is not None:
            decision = decisions.get((fault.other, fault.kind))
        if decision == "refused":
            continue
        if fault.certain or decision == "confirmed":
            out.append(fault)
        elif fault.kind not in REPORTED_ONLY:
            suspected.append(fault)
    return out, suspected


def repaired(trace: Trace, faults: Sequence[Fault]) -> tuple[Corrected, tuple[Repair, ...]]:
    """The trace with these faults put right, or left out, and what was done for each.

    trace   prepared (validity.prepared), as recorded; it is not changed
    faults  those that count: the certain ones, and those that a named person confirmed. Of two channels that traded
            places one fault is enough.
    """
    whole = corrected(trace)
    if not faults:
        return whole, ()
    values, flags, channels = whole.values.copy(), whole.flags.copy(), list(whole.channels)
    row_of = {c.name: i for i, c in enumerate(channels)}
    done: list[Repair] = []
    swaps: dict[frozenset[str], Fault] = {}
    for fault in faults:
        row = row_of.get(fault.channel)
        if row is None:
            continue
        if fault.kind == "swapped" and fault.other in row_of:
            swaps.setdefault(frozenset((fault.channel, str(fault.other))), fault)
            continue
        inside = fault.covers(whole.t_s)
        new, added = _put_right(channels[row], fault, values[row, inside])
        values[row, inside] = new
        if added is not None:
            known = channels[row].expanded_uncertainty_c or 0.0
            channels[row] = replace(channels[row], expanded_uncertainty_c=float(np.hypot(known, added)))
        done.append(Repair(fault, "left out" if added is None else "corrected", added))
    for fault in swaps.values():
        one, other = row_of[fault.channel], row_of[str(fault.other)]
        inside = fault.covers(whole.t_s)
        bare = [as_shown(channels[i], values[i, inside]) for i in (one, other)]
        for to, recorded in ((one, bare[1]), (other, bare[0])):
            values[to, inside] = recorded + correction_at(channels[to], recorded)
        flags[one, inside], flags[other, inside] = flags[other, inside].copy(), flags[one, inside].copy()
        done.append(Repair(fault, "relabelled"))
    return replace(whole, values=values, flags=flags, channels=tuple(channels)), tuple(done)


def as_shown(channel: Channel, values: Floats) -> Floats:
    """Readings [°C] as the recorder showed them, from corrected ones: `correction_at` undone (both are linear between
    the same points)."""
    if not channel.correction or channel.quantity != "temperature":
        return values
    points = sorted(channel.correction)
    return np.asarray(values - np.interp(values, [at + by for at, by in points], [by for _, by in points]))


def _put_right(channel: Channel, fault: Fault, values: Floats) -> tuple[Floats, float | None]:
    """The readings inside a fault as they should be, with the uncertainty that this adds; NaN and None where they
    cannot be put right."""
    nothing = np.full(values.shape, np.nan)
    if not np.isfinite(values).any():
        return nothing, None
    if fault.kind == "wrong type" and fault.wire and fault.table:
        shown = as_shown(channel, values)
        found = true_c(fault.wire, fault.table, shown)
        if type_letter(channel.tc_type) == fault.wire:  # the recorder was set wrong: the wires' calibration holds
            found = found + correction_at(channel, found)
        added = uncertainty_c(fault.wire, fault.table, float(np.nanmax(shown)))
        added = float(np.hypot(added, fault.figures.get("tables_apart_c", 0.0)))  # of the types that fit as well
        return (found, added) if np.isfinite(added) else (nothing, None)
    if fault.kind == "drifting" and channel.as_found:
        by = correction_at(replace(channel, correction=channel.as_found), values)
        # how it grew is only known as far as the load showed it
        return values + by, float(np.hypot(2.0 * fault.figures.get("se_c", 0.0), fault.figures.get("grew_c", 0.0)))
    return nothing, None

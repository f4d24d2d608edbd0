"""What a recorder's file says against the record of the run that it is taken in for: its times, and its unit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from loadbook.analysis.trace.model import INVALID, NOT_SAMPLED, Floats
from loadbook.core import times, units
from loadbook.core.errors import LoadbookError
from loadbook.core.times import zone_of
from loadbook.core.typed import quote
from loadbook.store.run_records import RunRecord

from .layout import fits
from .merge import Merged
from .options import Question
from .read import Read

FAR_HOURS = 12.0
SHIFT_HOURS = (0.8, 2.2)  # a clock on winter or summer time, or on UTC
SAME_SHIFT_HOURS = 0.2
CLOSE_C, APART_C = 12.0, 100.0


def far_from_run(read: Read, record: RunRecord, where: str) -> None:
    """Refuse a file that lies wholly outside the run's own times.

    It is a wrong file or a wrong run, or its dates were read in the wrong order. Raises LoadbookError.
    """
    if read.reading.started is None:
        return
    started, seconds = read.reading.started, float(read.reading.t_s[-1]) if len(read.reading.t_s) else 0.0
    apart = record.apart(started, seconds)
    if apart is not None:
        zone = zone_of(read.reading.zone)
        begins, ends = (
            (started + timedelta(seconds=s)).astimezone(zone).strftime("%Y-%m-%d %H:%M") for s in (0, seconds)
        )
        raise LoadbookError(
            f"the file goes from {begins} to {ends}, wholly {apart} run {record.run!r}",
            where=where,
            remedy="Give the run that it belongs to; or, where the run's times are wrong: "
            f"loadbook amend runs {quote(record.run)} {'started' if apart == 'before' else 'ended'}=... --why TEXT",
        )


def far_notes(record: RunRecord, t: Floats) -> list[str]:
    """What to say of a record that begins far from the run's start, or lies an hour beside the run. t: since 1970."""
    begins, ends = (
        None if record.row[name] is None else (float(at) - times.from_stored(record.row[name]).timestamp()) / 3600
        for name, at in (("started", t[0]), ("ended", t[-1]))
    )
    assert begins is not None
    way = "after" if begins > 0 else "before"
    if abs(begins) > FAR_HOURS:
        return [f"the file begins {abs(begins):.1f} h {way} the run's start: is it this run's?"]
    shifted = SHIFT_HOURS[0] <= abs(begins) <= SHIFT_HOURS[1]
    if ends is not None and shifted and abs(ends - begins) <= SAME_SHIFT_HOURS:
        return [f"the record begins and ends {abs(begins):.1f} h {way} the run: does the recorder's clock stand right?"]
    return []


def other_unit(record: RunRecord, whole: Merged, believed: Sequence[str]) -> list[Question]:
    """Ask where the hottest that the control TCs read is what the cycle asks for in the other unit."""
    targets = [s.target_c for s in record.cycle.segments if s.target_c is not None] if record.cycle else []
    measured = [
        i for i, c in enumerate(whole.channels) if c.quantity == "temperature" and c.role in ("control", "work")
    ]
    control = [i for i in measured if whole.channels[i].role == "control"] or measured
    if not (targets and control):
        return []
    good = np.where(whole.flags[control] & (INVALID | NOT_SAMPLED), np.nan, whole.values[control])
    if np.isnan(good).all():
        return []
    hottest, target = float(np.nanmax(good)), max(targets)
    for unit, other, meant in (("c", "f", units.f_from_c(target)), ("f", "c", units.c_from_f(target))):
        read = [whole.channels[i] for i in measured if whole.channels[i].unit_read == unit]
        close, apart = abs(hottest - meant) <= CLOSE_C, abs(hottest - target) >= APART_C
        if close and apart and read and not any(fits(b, c.name) for b in believed for c in read):
            shown = f"{units.f_from_c(hottest) if unit == 'f' else hottest:.0f} °{unit.upper()}"
            asks = f"{target:.0f} °C, {units.f_from_c(target):.0f} °F"
            rules = " ".join(f"--channel {quote(f'{c.name}={c.role},{other}')}" for c in read[:4])
            return [
                Question(
                    f"the hottest read is {shown}, and the cycle asks for {asks}: is the file in °{other.upper()}?",
                    f"{rules}{' ...' if len(read) > 4 else ''}, or --believe {quote(read[0].name)}",
                )
            ]
    return []

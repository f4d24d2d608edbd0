"""Remarks on a cycle as written: what it does not say, and where it contradicts itself."""

from __future__ import annotations

from collections.abc import Iterator

from .model import Cycle
from .reviewed import Remark, Subject, limits_of, main_hold, stages


def no_start(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    if not limits_of(cycle, "start_control", "start_work"):
        yield Remark(
            "no start temperature", "the cycle does not say how hot furnace and work may be at the start", "limits",
            "a load put into a hot furnace is heated faster than any ramp limit allows before the ramp begins",
        )  # fmt: skip


def no_ramp_limit(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    of = {"heat": ("heating_rate", "heating_rate_work"), "cool": ("cooling_rate", "cooling_rate_work")}
    for s in cycle.segments:
        if s.kind in of and s.rate_max_c_per_h is None:
            general = [x for x in cycle.limits if x.quantity in of[s.kind] and x.relation == "max"]
            if not any(x.segment in (None, s.number) for x in general):
                yield Remark(
                    "no ramp limit", f"{s.kind}ing without a fastest rate", f"segment {s.number}",
                    "uneven heating and cooling is what makes temperature differences, and these make movement",
                )  # fmt: skip


def asked_against_limit(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    for s in cycle.segments:
        asked = s.asked_rate_c_per_h
        least = [s.rate_min_c_per_h] + [
            x.value for x in cycle.limits if x.segment == s.number and x.relation == "min" and "ing_rate" in x.quantity
        ]
        if asked is None:
            continue
        if s.rate_max_c_per_h is not None and asked > s.rate_max_c_per_h:
            yield _contradiction(f"asks {asked:.0f} °C/h and allows {s.rate_max_c_per_h:.0f} °C/h at most", s.number)
        if any(x is not None and asked < x for x in least):
            yield _contradiction(f"asks {asked:.0f} °C/h, slower than it allows", s.number)


def hold_against_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    over = limits_of(cycle, "over_temperature")
    for s in cycle.segments:
        if s.kind != "hold" or s.target_c is None:
            continue
        top = s.target_c + (s.band_high_c or 0.0)
        if over and top > min(over):
            yield _contradiction(
                f"its band reaches {top:.0f} °C, and the over-temperature limit is {min(over):.0f} °C", s.number
            )
        spreads = [x.value for x in cycle.limits if x.quantity == "spread" and x.phase == "hold" and x.scope == "load"]
        if spreads and s.band_low_c is not None and s.band_high_c is not None:
            width = s.band_low_c + s.band_high_c
            if min(spreads) > width:
                yield _contradiction(
                    f"a spread of {min(spreads):.0f} °C is allowed during holds, but the band is {width:.0f} °C wide",
                    s.number,
                )


def direction(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    for stage in stages(cycle):
        if stage.from_c is None or stage.to_c is None or stage.segment.target_c is None:
            continue
        rises = stage.to_c > stage.from_c
        kind = stage.segment.kind
        if (kind == "heat" and not rises) or (kind == "cool" and rises):
            yield _contradiction(
                f"a {kind} that goes from {stage.from_c:.0f} to {stage.to_c:.0f} °C", stage.segment.number
            )


def door_above_backfill(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    doors = [x.value for x in cycle.limits if x.event == "door opened" and x.relation == "max"]
    fills = [x.value for x in cycle.limits if x.event == "gas backfill" and x.relation == "max"]
    if doors and fills and min(doors) > max(fills):
        yield Remark(
            "contradiction", f"the door may open at {min(doors):.0f} °C, gas may be let in only at {max(fills):.0f} °C",
            "limits", "one of the two limits can never bind",
        )  # fmt: skip


def _contradiction(what: str, segment: int) -> Remark:
    why = "a run that does as it is asked would break the cycle, or the limit can never bind"
    return Remark("contradiction", what, f"segment {segment}", why)


def no_band(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    for s in cycle.segments:
        if s.kind == "hold" and (s.band_low_c is None or s.band_high_c is None):
            yield Remark(
                "no band", "the hold does not state both edges of its band", f"segment {s.number}",
                "without both edges nobody can say when the soak began or whether it was left",
            )  # fmt: skip


def no_low_hold(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    main = main_hold(cycle)
    if main is None or main.target_c is None:
        return
    early = [
        s for s in cycle.segments
        if s.kind == "hold" and s.number < main.number and s.target_c is not None and s.target_c < main.target_c
    ]  # fmt: skip
    if not early:
        yield Remark(
            "no low hold", "no early hold to see that the thermocouples track", f"before segment {main.number}",
            "a thermocouple that is loose or crossed can still be mended, and the run stopped, while it is cool",
        )  # fmt: skip


def no_event_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    events = {x.event for x in cycle.limits if x.quantity == "event_work"}
    vacuum = any("vacuum" in stage.atmosphere for stage in stages(cycle))
    if vacuum and "gas backfill" not in events:
        yield Remark(
            "no backfill temperature", "the cycle does not say how cool the work must be when gas is let in", "limits",
            "gas quenches the thin sections first; hot metal also reacts with what the gas carries",
        )  # fmt: skip
    if not events & {"door opened", "thermocouples unplugged"}:
        yield Remark(
            "no door temperature", "the cycle does not say how cool the work must be when the door opens", "limits",
            "thin sections cool first in the draught, the surface takes colour, and hot parts burn people",
        )  # fmt: skip


def no_spread_or_lead(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    if not limits_of(cycle, "spread"):
        yield Remark(
            "no spread limit", "nothing limits how far apart the work TCs may be", "limits",
            "temperature differences within the load and within a piece are what moves it",
        )  # fmt: skip
    if not limits_of(cycle, "lead"):
        yield Remark(
            "no lead limit", "nothing limits how far the furnace may be ahead of the work", "limits",
            "in vacuum, where radiation is weak when cold, the furnace can be hundreds of degrees ahead",
        )  # fmt: skip


def no_evidence_limits(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    if not limits_of(cycle, "work_tcs"):
        yield Remark(
            "no fewest work TCs", "the cycle does not say how many work TCs must be valid", "limits",
            "with one left, every spread is small",
        )  # fmt: skip
    if not limits_of(cycle, "gap"):
        yield Remark(
            "no longest gap", "the cycle does not say how long the recorder may be silent", "limits",
            "what was not recorded cannot be judged; without a limit 15 min is used",
        )  # fmt: skip


def vacuum_pressure(cycle: Cycle, subject: Subject | None) -> Iterator[Remark]:
    stated = limits_of(cycle, "pressure") or any(s.pressure_max_mbar is not None for s in cycle.segments)
    if any("vacuum" in stage.atmosphere for stage in stages(cycle)) and not stated:
        yield Remark(
            "no pressure limit", "a vacuum cycle without a highest pressure", "limits",
            "a leak or wet load shows in the pressure before it shows on the parts",
        )  # fmt: skip


CHECKS = (
    no_start, no_ramp_limit, asked_against_limit, hold_against_limits, direction, door_above_backfill, no_band,
    no_low_hold, no_event_limits, no_spread_or_lead, no_evidence_limits, vacuum_pressure,
)  # fmt: skip

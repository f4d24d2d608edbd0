"""Columns to channels: role, quantity and unit settled or asked, sentinels taken out, values in inner units."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from loadbook.analysis.trace.model import OPEN, TEMPERATURE_ROLES, Flags, Floats
from loadbook.core.typed import quote
from loadbook.core.units import DIMENSIONS, F_PER_C, ZERO_C_IN_K

from .layout import Layout
from .names import Heading, unit_of
from .options import Question

QUANTITY_OF_ROLE = {
    **dict.fromkeys(TEMPERATURE_ROLES, "temperature"),
    "pressure": "pressure",
    "dew point": "dew point",
    "oxygen": "oxygen",
}
JUMP_C = 100.0
JUMP_C_PER_S = 50.0 / 60.0
COLDEST_C, HOTTEST_C = -ZERO_C_IN_K, 3000.0
_LIMIT_NAME = re.compile(r"limit|alarm|\bhi\b|\blo\b|\bhigh\b|\blow\b", re.IGNORECASE)


@dataclass(frozen=True)
class ChannelSpec:
    """One channel as settled: unit is the one kept inside, unit_read the file's."""

    name: str
    role: str
    quantity: str
    unit: str
    unit_read: str
    resolution: float | None = None


@dataclass
class Settled:
    """Channels with their values in units kept inside, and what is open or odd."""

    channels: list[ChannelSpec]
    values: Floats
    flags: Flags
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def normalise_values(
    headings: list[Heading], values: Floats, flags: Flags, t: Floats, layout: Layout, known: dict[str, tuple[str, str]]
) -> Settled:
    """Settle every channel.

    values  (channels, n) as recorded;  t (n,) rising seconds
    known   channel name -> (role, unit) as the run's own channel records say
    """
    values, flags = values.copy(), flags.copy()
    taken = take_out_sentinels(values, flags, layout.open_values)
    out = Settled([], values, flags)
    if taken:
        out.notes.append(f"{taken} values are open-circuit numbers ({', '.join(layout.open_values)}): taken out")
    no_role: list[str] = []
    no_unit: list[int] = []
    for i, heading in enumerate(headings):
        spec = _normalise_one(heading, values[i], layout, known, out, no_role)
        if spec.quantity == "temperature" and not spec.unit_read:
            no_unit.append(i)
        out.channels.append(spec)
    _ask_roles(no_role, out)
    if no_unit:
        names = [headings[i].name for i in no_unit]
        some = values[no_unit]
        spread = f"{np.nanmin(some):g} to {np.nanmax(some):g}" if np.isfinite(some).any() else "no values"
        out.questions.append(Question(f"{listed(names)} carry no unit ({spread})", "--unit c, f or k"))
    for i, spec in enumerate(out.channels):
        out.values[i], factor = inside(values[i], spec.unit_read, spec.quantity)
        out.channels[i] = ChannelSpec(
            spec.name, spec.role, spec.quantity, spec.unit, spec.unit_read, _resolution(values[i], factor)
        )
        if spec.quantity == "temperature" and spec.unit_read:
            _look_for_oddities(
                spec, heading=headings[i].name, raw=values[i], celsius=out.values[i], t=t, layout=layout, out=out
            )
    return out


def _normalise_one(
    heading: Heading, raw: Floats, layout: Layout, known: dict[str, tuple[str, str]], out: Settled, no_role: list[str]
) -> ChannelSpec:
    name = heading.name
    rule = layout.rule(name)
    recorded_role, recorded_unit = known.get(name.casefold(), ("", ""))
    role = recorded_role or (rule.role if rule and rule.role else heading.role)
    given = unit_of(recorded_unit) or (unit_of(rule.unit) or rule.unit if rule and rule.unit else "")
    unit = heading.unit or given
    if heading.unit and given and heading.unit != given:
        said = "the run's channels say" if recorded_unit else "the layout says"
        out.questions.append(
            Question(f"column {name!r} is in {heading.unit}, {said} {given}", "a layout that agrees with the file")
        )
    quantity = (rule.quantity if rule else "") or QUANTITY_OF_ROLE.get(role, "") or heading.quantity
    wrong = heading.quantity in ("pressure", "other") and heading.unit and quantity in ("temperature", "dew point")
    if wrong:
        out.questions.append(
            Question(f"column {name!r} is in {heading.unit}: no {quantity}", f"--channel {quote(name + '=other')}")
        )
        quantity = "other"
    if not role and _is_constant(raw) and _LIMIT_NAME.search(name):
        role = "other"
        out.notes.append(f"{name!r} never changes: taken as a limit, not as a thermocouple")
    if not role:
        no_role.append(name)
    quantity = quantity or "other"
    if quantity in ("temperature", "dew point"):
        unit = unit or (layout.unit if quantity == "temperature" or layout.unit else "")
        if quantity == "dew point" and not unit:
            out.questions.append(
                Question(f"{name!r} carries no unit", f"--channel {quote(name + '=dew point,c')} (or f)")
            )
        return ChannelSpec(name, role, quantity, "c", unit)
    if quantity == "pressure":
        if unit not in DIMENSIONS["pressure"]:
            out.questions.append(
                Question(
                    f"{name!r} carries no unit of pressure",
                    f"--channel {quote(name + '=pressure,mbar')} (or torr, pa, ...)",
                )
            )
        return ChannelSpec(name, role, quantity, "mbar", unit)
    return ChannelSpec(name, role, quantity, unit, unit)


def _ask_roles(names: list[str], out: Settled) -> None:
    if not names:
        return
    groups: dict[str, list[str]] = {}
    for name in names:
        groups.setdefault(name.rstrip("0123456789"), []).append(name)
    for prefix, group in groups.items():
        several = len(group) > 1
        wanted = f"{prefix}*=work" if several and prefix else f"{group[0]}=work"
        more = ", and so on for each" if several and not prefix else ""
        out.questions.append(
            Question(
                f"what {'do' if several else 'does'} {listed(group)} measure",
                f"--channel {quote(wanted)} (or control, over-temperature, setpoint, pressure, dew point, oxygen, "
                f"other, ignore){more}",
            )
        )


def take_out_sentinels(values: Floats, flags: Flags, texts: tuple[str, ...]) -> int:
    """Replace the open-circuit numbers by NaN and flag them OPEN, in place. Returns how many there were."""
    numbers = []
    for text in texts:
        try:
            numbers.append(float(text.replace(",", ".")))
        except ValueError:
            continue
    if not numbers:
        return 0
    hit = np.isin(values, numbers)
    values[hit] = np.nan
    flags[hit] |= OPEN
    return int(hit.sum())


def inside(raw: Floats, unit: str, quantity: str) -> tuple[Floats, float]:
    """Values in the unit kept inside, and the size there of a step of one in the file's unit."""
    if quantity in ("temperature", "dew point"):
        if unit == "f":
            return (raw - 32.0) / F_PER_C, 1.0 / F_PER_C
        return (raw - ZERO_C_IN_K, 1.0) if unit == "k" else (raw, 1.0)
    if quantity == "pressure" and unit in DIMENSIONS["pressure"]:
        factor = DIMENSIONS["pressure"][unit](1.0)
        return raw * factor, factor
    return raw, 1.0


def _resolution(raw: Floats, factor: float) -> float | None:
    steps = np.abs(np.diff(raw[~np.isnan(raw)]))
    steps = steps[steps > 1e-9]
    return float(f"{steps.min() * factor:.4g}") if len(steps) else None


def _is_constant(raw: Floats) -> bool:
    known = raw[~np.isnan(raw)]
    return len(known) > 2 and bool((known == known[0]).all())


def _look_for_oddities(
    spec: ChannelSpec, *, heading: str, raw: Floats, celsius: Floats, t: Floats, layout: Layout, out: Settled
) -> None:
    known = ~np.isnan(celsius)
    if not known.any():
        out.notes.append(f"{heading!r} has no value at all")
        return
    beyond = known & ((celsius > HOTTEST_C) | (celsius < COLDEST_C))
    if beyond.any():
        worst = float(raw[beyond][0])
        out.notes.append(
            f"{heading!r} holds {int(beyond.sum())} values that no thermocouple reads ({worst:g}): out of range"
            f" (--sentinel {worst:g} calls them open)"
        )
    if spec.role in ("setpoint", "other"):
        return
    if _is_constant(raw):
        out.notes.append(f"{heading!r} never changes")
    keep = {_number(r) for r in layout.readings}
    for value, count in suspects(raw[known & ~beyond], celsius[known & ~beyond], t[known & ~beyond]).items():
        if value not in keep:
            out.questions.append(
                Question(
                    f"{heading!r} jumps to {value:g} and stays on it exactly ({count} samples):"
                    " open circuit or a reading?",
                    f"--sentinel {value:g} or --reading {value:g}",
                )
            )


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return float("nan")


def suspects(raw: Floats, celsius: Floats, t: Floats) -> dict[float, int]:
    """Numbers that may stand for an open circuit: a jump faster than any load, then exactly one number for two or
    more samples (or again and again), then a jump away or the end. Returns number -> samples."""
    if len(raw) < 3:
        return {}
    step = np.abs(np.diff(celsius))
    with np.errstate(divide="ignore", invalid="ignore"):
        jumps = np.flatnonzero((step > JUMP_C) & (step / np.diff(t) > JUMP_C_PER_S))
    if not len(jumps):
        return {}
    edges = np.concatenate([[0], jumps + 1, [len(raw)]])
    found: dict[float, list[int]] = {}
    for begin, end in pairwise(edges):
        part = raw[begin:end]
        if len(part) < len(raw) / 2 and (part == part[0]).all():
            found.setdefault(float(part[0]), []).append(len(part))
    return {v: sum(lengths) for v, lengths in found.items() if sum(lengths) >= 2}


def listed(names: list[str], most: int = 4) -> str:
    """'A, B, C and 9 more'."""
    shown = [f"'{n}'" for n in names[:most]]
    if len(names) > most:
        return f"{', '.join(shown)} and {len(names) - most} more"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"

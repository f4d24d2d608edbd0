"""Columns to channels: role, quantity and unit settled or asked, sentinels taken out, values in inner units."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from loadbook.analysis.trace.model import OPEN, OUT_OF_RANGE, TEMPERATURE_ROLES, Flags, Floats
from loadbook.core.phrases import few
from loadbook.core.typed import quote
from loadbook.core.units import DIMENSIONS, F_PER_C, ZERO_C_IN_K

from .layout import ChannelRule, Layout, fits, named_value
from .names import Heading, only_process_value, unit_of
from .options import Question

QUANTITY_OF_ROLE = {
    **dict.fromkeys(TEMPERATURE_ROLES, "temperature"),
    "pressure": "pressure",
    "dew point": "dew point",
    "oxygen": "oxygen",
}
# Oven F, TempC, setpoint_f: it may be the unit, or a name's letter
_UNIT_LETTER = re.compile(r"(?:(?:[ _]|(?<=[a-z0-9]))([CF])|(?<=_)([cf]))$")
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
    """Channels with their values in units kept inside, and what is open or odd. raw: the values in the file's units."""

    channels: list[ChannelSpec]
    values: Floats
    raw: Floats
    flags: Flags
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    overruled: dict[str, str] = field(default_factory=dict)  # rule -> unit of the file that it overrules


def normalise_values(
    headings: list[Heading], values: Floats, flags: Flags, layout: Layout, known: dict[str, tuple[str, str]],
    stated: tuple[ChannelRule, ...] = (),
) -> Settled:  # fmt: skip
    """Settle every channel.

    values  (channels, n) as recorded
    known   channel name -> (role, unit) as the run's own channel records say
    stated  the rules that the user gave just now: they go before what the file says
    """
    values, flags = values.copy(), flags.copy()
    out = Settled([], values, values, flags)
    no_role: list[int] = []
    no_unit: list[int] = []
    for i, heading in enumerate(headings):
        _scale(heading, values[i], layout, out)
        spec = _normalise_one(heading, values[i], layout, known, stated, out)
        if not spec.role:
            no_role.append(i)
        if spec.quantity == "temperature" and not spec.unit_read:
            no_unit.append(i)
        out.channels.append(spec)
    _take_out_sentinels(headings, layout, out)
    _ask_roles(no_role, headings, out)
    _ask_units(no_unit, headings, layout, known, out)
    _ask_pressures(headings, out)
    out.raw = values.copy()
    for i, spec in enumerate(out.channels):
        out.values[i], factor = inside(out.raw[i], spec.unit_read, spec.quantity)
        out.channels[i] = replace(spec, resolution=_resolution(out.raw[i], factor))
    _below_floor(headings, out.raw, layout, out)
    return out


def _ask_units(
    which: list[int], headings: list[Heading], layout: Layout, known: dict[str, tuple[str, str]], out: Settled
) -> None:
    if not which:
        return
    names = [headings[i].name for i in which]
    by_letter = {n: (m[1] or m[2]).lower() for n in names if (m := _UNIT_LETTER.search(n))}
    if len(set(by_letter.values())) > 1:  # one answer for all of them would be wrong for some
        for i, name in zip(which, names, strict=True):
            role, unit = out.channels[i].role or "ROLE", by_letter.get(name, "c")
            out.questions.append(
                Question(f"{name!r} carries no unit", f"--channel {quote(f'{name}={role},{unit}')} (c, f or k)")
            )
        return
    some = out.values[which]
    spread = f"{np.nanmin(some):g} to {np.nanmax(some):g}" if np.isfinite(some).any() else "no values"
    guessed = [n for i, n in zip(which, names, strict=True) if _only_guessed(headings[i], layout, known)]
    or_none = f", or --channel {quote(guessed[0] + '=other')} where it is no temperature" if guessed else ""
    out.questions.append(
        Question(
            f"{listed(names)} carr{'y' if len(names) > 1 else 'ies'} no unit ({spread})",
            f"--unit c, f or k{or_none}",
        )
    )


def _only_guessed(heading: Heading, layout: Layout, known: dict[str, tuple[str, str]]) -> bool:
    """Is a channel a temperature only because it is called a process value, as a pressure may be."""
    stated = layout.rule(heading.name, heading.full) or heading.name.casefold() in known
    return not stated and only_process_value(heading.name)


def _scale(heading: Heading, raw: Floats, layout: Layout, out: Settled) -> None:
    for factor in layout.said_of(layout.scales, heading.name, heading.full)[-1:]:
        raw *= float(factor)
        out.notes.append(f"{heading.name!r} is multiplied by {factor} (--scale)")


def _normalise_one(
    heading: Heading, raw: Floats, layout: Layout, known: dict[str, tuple[str, str]], stated: tuple[ChannelRule, ...],
    out: Settled,
) -> ChannelSpec:  # fmt: skip
    name = heading.name
    rule = layout.rule(name, heading.full)
    recorded_role, recorded_unit = known.get(name.casefold(), ("", ""))
    wanted = rule.role if rule else ""
    if recorded_role and wanted and recorded_role != wanted and rule in stated:
        out.questions.append(
            Question(
                f"{name!r} is {wanted} by --channel, and {recorded_role} in the run's channels",
                f"--channel {quote(name + '=' + recorded_role)}, or amend the run's channel",
            )
        )
    role = recorded_role or wanted or heading.role
    given = unit_of(rule.unit) or rule.unit if rule and rule.unit else ""
    unit = _unit(heading, given, rule, rule in stated, out) or _recorded_unit(name, role, recorded_unit, layout, out)
    quantity = (rule.quantity if rule else "") or QUANTITY_OF_ROLE.get(role, "")
    if not quantity:
        measured = unit in DIMENSIONS["temperature"] or (role != "other" and heading.quantity == "temperature")
        quantity = "temperature" if measured else "other" if role == "other" else heading.quantity
    other_unit = heading.quantity in ("pressure", "other") and unit not in ("", *DIMENSIONS["temperature"])
    if other_unit and quantity in ("temperature", "dew point"):
        out.questions.append(
            Question(f"column {name!r} is in {unit}: no {quantity}", f"--channel {quote(name + '=other')}")
        )
        quantity = "other"
    if not role and is_constant(raw) and _LIMIT_NAME.search(name):
        role = "other"
        out.notes.append(f"{name!r} never changes: taken as a limit, not as a thermocouple")
    quantity = quantity or "other"
    if quantity in ("temperature", "dew point"):
        unit = unit or (layout.unit if quantity == "temperature" or layout.unit else "")
        if quantity == "dew point" and not unit:
            out.questions.append(
                Question(f"{name!r} carries no unit", f"--channel {quote(name + '=dew point,c')} (or f)")
            )
        return ChannelSpec(name, role, quantity, "c", unit)
    return ChannelSpec(name, role, quantity, "mbar" if quantity == "pressure" else unit, unit)


def _recorded_unit(name: str, role: str, recorded: str, layout: Layout, out: Settled) -> str:
    """The unit of a column that carries none, as the run's channels say it. Where the layout's or the typed unit of
    all temperatures is another one, it is asked: either may be the wrong one."""
    unit = unit_of(recorded)
    other = layout.unit if unit in DIMENSIONS["temperature"] else ""
    if other and other != unit:
        out.questions.append(
            Question(
                f"{name!r} is in {unit} in the run's channels, and in {other} by --unit or the layout",
                f"--channel {quote(f'{name}={role},{unit}')} (or {other})",
            )
        )
    return unit


def _unit(heading: Heading, given: str, rule: ChannelRule | None, stated: bool, out: Settled) -> str:
    """The unit of a column: what is stated goes before the file's; where a kept layout contradicts it, it is asked."""
    if not given or not heading.unit or heading.unit == given:
        return given or heading.unit
    name = heading.name
    if rule is not None and (stated or rule.instead_of == heading.unit):
        out.notes.append(f"{name!r} is in {heading.unit} by its heading, and read in {given} as stated")
        out.overruled[rule.name] = heading.unit
        return given
    role = rule.role if rule and rule.role else "ROLE"
    out.questions.append(
        Question(
            f"column {name!r} is in {heading.unit}, the layout says {given}",
            f"--channel {quote(f'{name}={role},{heading.unit}')} (or {given})",
        )
    )
    return heading.unit


def _ask_pressures(headings: list[Heading], out: Settled) -> None:
    names = [
        h.name
        for h, spec in zip(headings, out.channels, strict=True)
        if spec.quantity == "pressure" and spec.unit_read not in DIMENSIONS["pressure"]
    ]
    for pattern, group in grouped(names, [h.name for h in headings if h.name not in names]):
        carry = "carries" if len(group) == 1 else "carry"
        out.questions.append(
            Question(
                f"{listed(group)} {carry} no unit of pressure",
                f"--channel {quote(pattern + '=pressure,mbar')} (or torr, pa, ...)",
            )
        )


def _ask_roles(which: list[int], headings: list[Heading], out: Settled) -> None:
    if not which:
        return
    names = [headings[i].name for i in which]
    others = [h.name for h in headings if h.name not in names]
    for pattern, group in grouped(names, others):
        spread = ""
        if (group[0].startswith("column ") and len(group) == 1) or _NAMELESS.match(group[0]):
            some = out.values[[which[names.index(n)] for n in group]]
            spread = f" ({np.nanmin(some):g} to {np.nanmax(some):g})" if np.isfinite(some).any() else " (no values)"
        out.questions.append(
            Question(
                f"what {'do' if len(group) > 1 else 'does'} {listed(group)} measure{spread}",
                f"--channel {quote(pattern + '=work')} (or control, over-temperature, setpoint, pressure, dew point,"
                f" oxygen, other, ignore)",
            )
        )


_NAMELESS = re.compile(r"^.+ (column \d+)$")  # of a channel, in a file with a row per channel


def _alike(name: str) -> str:
    return name if name.startswith("column ") else name.rstrip("0123456789") or "?" * len(name)


def grouped(names: list[str], others: list[str], most: int = 8) -> list[tuple[str, list[str]]]:
    """Names that one pattern settles together, with that pattern: numbered alike, or in a wide file of a word in
    common. No pattern of several names fits one of the others.

    >>> grouped(["TC 1", "TC 2", "Door"], [])
    [('TC *', ['TC 1', 'TC 2']), ('Door', ['Door'])]
    >>> grouped(["8", "9", "10", "11"], ["Vacuum"])
    [('?', ['8', '9']), ('??', ['10', '11'])]
    """
    groups: dict[str, list[str]] = {}
    most = max(most, 24) if any(_NAMELESS.match(n) for n in names) else most  # each column measures something else
    for name in names:
        groups.setdefault(_NAMELESS.sub(r"* \1", name) if _NAMELESS.match(name) else _alike(name), []).append(name)
    if len(groups) > most:
        groups = {}
        for name in names:
            groups.setdefault(re.sub(r"\d+(?:[.,]\d+)?", "*", name), []).append(name)
    found = []
    left = dict(groups)
    if len(groups) > most:
        words = Counter(w for g in groups.values() for n in g for w in set(re.findall(r"[^\W\d_]{4,}", n)))
        for word, count in words.most_common(20):
            inside = [n for g in left.values() for n in g if word in n]
            if count < 3 or len(inside) < 3 or any(fits(f"*{word}*", n) for n in others):
                continue
            found.append((f"*{word}*", inside))
            left = {k: rest for k, g in left.items() if (rest := [n for n in g if word not in n])}
    for key, group in left.items():
        pattern = group[0] if len(group) == 1 else key if re.search(r"[*?]", key) else f"{key}*"
        strangers = [n for n in (*others, *names) if n not in group and fits(pattern, n)]
        if len(group) > 1 and any(n in others for n in strangers):
            found += [(name, [name]) for name in group]
        else:
            found.append((pattern, group))
    return found


def _take_out_sentinels(headings: list[Heading], layout: Layout, out: Settled) -> None:
    """Flag the open-circuit numbers OPEN: of one channel where a name stands before the number, else of every
    temperature and dew point."""
    bare = [v for name, v in map(named_value, layout.open_values) if not name]
    told: list[str] = []
    numbers = {v for v in map(number_of, bare) if not np.isnan(v)}
    hits: Counter[float] = Counter()
    missed: dict[float, str] = {}
    for i, (heading, spec) in enumerate(zip(headings, out.channels, strict=True)):
        own = {number_of(v) for v in layout.said_of(layout.open_values, heading.name, heading.full)}
        everybody = spec.quantity in ("temperature", "dew point") and spec.role != "setpoint"
        wanted = (own | numbers if everybody else own) - {float("nan")}
        for value in numbers - wanted:
            if (out.values[i] == value).any():
                missed.setdefault(value, heading.name)
        for value in sorted(v for v in wanted if not np.isnan(v)):
            hit = out.values[i] == value
            count = int(hit.sum())
            if not count:
                continue
            hits[value] += count
            out.values[i][hit] = np.nan
            out.flags[i][hit] |= OPEN
            told.append(f"{heading.name!r} {value:.15g} {count} times")
    if told:
        out.notes.append(f"open-circuit numbers taken out: {few(told, 6)}")
    for value, name in missed.items():
        if not hits[value]:
            out.questions.append(
                Question(
                    f"{value:.15g} stands in no temperature channel, and in {name!r}: is it open there?",
                    f"--sentinel {quote(f'{name}={value:.15g}')} instead of --sentinel {value:.15g}",
                )
            )


def _below_floor(headings: list[Heading], raw: Floats, layout: Layout, out: Settled) -> None:
    for i, heading in enumerate(headings):
        for floor in layout.said_of(layout.floors, heading.name, heading.full)[-1:]:
            with np.errstate(invalid="ignore"):
                hit = raw[i] < float(floor)
            out.flags[i][hit] |= OUT_OF_RANGE
            out.notes.append(f"{heading.name!r}: {int(hit.sum())} readings below {floor} are out of range (--floor)")


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
    with np.errstate(over="ignore"):  # from -1e308 to 1e308
        steps = np.abs(np.diff(raw[~np.isnan(raw)]))
    least = float(np.min(steps, where=steps > 1e-9, initial=np.inf))
    return float(f"{least * factor:.4g}") if least < np.inf else None


def is_constant(raw: Floats) -> bool:
    known = raw[~np.isnan(raw)]
    return len(known) > 2 and bool((known == known[0]).all())


def number_of(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return float("nan")


def listed(names: list[str], most: int = 4) -> str:
    """'A, B, C and 9 more'."""
    shown = [f"'{n}'" for n in names]
    if len(names) > most:
        return few(shown, most)
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"

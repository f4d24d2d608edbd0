"""Columns to channels: role, quantity and unit settled or asked, sentinels taken out, values in inner units."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from loadbook.analysis.trace.model import MISSING, OPEN, OUT_OF_RANGE, TEMPERATURE_ROLES, Flags, Floats
from loadbook.core.errors import IntakeError, Problem
from loadbook.core.phrases import few, many
from loadbook.core.typed import quote
from loadbook.core.units import DIMENSIONS, F_PER_C, ZERO_C_IN_K

from . import implausible
from .layout import ChannelRule, Layout, fits, named_value
from .names import Heading, only_process_value, unit_of
from .options import Question

QUANTITY_OF_ROLE = {
    **dict.fromkeys(TEMPERATURE_ROLES, "temperature"),
    "pressure": "pressure",
    "dew point": "dew point",
    "oxygen": "oxygen",
}
JUMP_C = 100.0
JUMP_C_PER_S = 50.0 / 60.0
MOST_ASKED = 4  # numbers that a channel stays on: more are no open circuits
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
    overruled: dict[str, str] = field(default_factory=dict)  # rule -> unit of the file that it overrules


def normalise_values(
    headings: list[Heading], values: Floats, flags: Flags, t: Floats, layout: Layout, known: dict[str, tuple[str, str]],
    *, stated: tuple[ChannelRule, ...] = (), lines: np.ndarray | None = None,
) -> Settled:  # fmt: skip
    """Settle every channel.

    values  (channels, n) as recorded;  t (n,) rising seconds;  lines (n,) physical lines
    known   channel name -> (role, unit) as the run's own channel records say
    stated  the rules that the user gave just now: they go before what the file says
    """
    values, flags = values.copy(), flags.copy()
    out = Settled([], values, flags)
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
    if no_unit:
        names = [headings[i].name for i in no_unit]
        some = values[no_unit]
        spread = f"{np.nanmin(some):g} to {np.nanmax(some):g}" if np.isfinite(some).any() else "no values"
        guessed = [n for i, n in zip(no_unit, names, strict=True) if _only_guessed(headings[i], layout, known)]
        or_none = f", or --channel {quote(guessed[0] + '=other')} where it is no temperature" if guessed else ""
        out.questions.append(
            Question(
                f"{listed(names)} carr{'y' if len(names) > 1 else 'ies'} no unit ({spread})",
                f"--unit c, f or k{or_none}",
            )
        )
    _ask_pressures(headings, out)
    raw = values.copy()
    for i, spec in enumerate(out.channels):
        out.values[i], factor = inside(raw[i], spec.unit_read, spec.quantity)
        out.channels[i] = replace(spec, resolution=_resolution(raw[i], factor))
    _below_floor(headings, raw, layout, out)
    look_for_oddities(headings, raw, t, layout, lines, out)
    if headings and not out.questions and all(spec.quantity == "other" for spec in out.channels):
        raise IntakeError(
            "no channel is a temperature, a pressure, a dew point or an oxygen reading",
            [Problem(f"channels: {listed([h.name for h in headings])}")],
            remedy="Say what they measure with --channel NAME=ROLE, or give the recorder's data file",
        )
    return out


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
    if not role and _is_constant(raw) and _LIMIT_NAME.search(name):
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
    numbers = {v for v in map(_number, bare) if not np.isnan(v)}
    hits: Counter[float] = Counter()
    missed: dict[float, str] = {}
    for i, (heading, spec) in enumerate(zip(headings, out.channels, strict=True)):
        own = {_number(v) for v in layout.said_of(layout.open_values, heading.name, heading.full)}
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


def _is_constant(raw: Floats) -> bool:
    known = raw[~np.isnan(raw)]
    return len(known) > 2 and bool((known == known[0]).all())


def look_for_oddities(
    headings: list[Heading], raw: Floats, t: Floats, layout: Layout, lines: np.ndarray | None, out: Settled
) -> None:
    """Ask about, or tell, what no furnace does (see `implausible`)."""
    measured = [i for i, s in enumerate(out.channels) if s.quantity == "temperature" and s.unit_read]
    beyond: list[str] = []
    lows: dict[int, float] = {}
    for i in measured:
        spec, heading = out.channels[i], headings[i]
        names = (heading.name, heading.full)
        good = ~np.isnan(out.values[i]) & ((out.flags[i] & OUT_OF_RANGE) == 0)
        if not good.any():
            out.notes.append(f"{heading.name!r} has no value at all")
            continue
        wrong = good & implausible.beyond_sensors(out.values[i])
        believed = layout.believes(*names)
        if wrong.any():
            worst = float(raw[i][wrong][0])
            if wrong.sum() > 0.2 * good.sum() and not believed:
                beyond.append(heading.name)
                continue
            out.notes.append(
                f"{heading.name!r} holds {int(wrong.sum())} values that no thermocouple reads ({worst:.15g}): out of"
                f" range (--sentinel {worst:.15g} calls them open)"
            )
        good &= ~wrong
        if spec.role in ("setpoint", "other") or not good.any():
            continue
        if _is_constant(raw[i]):
            out.notes.append(f"{heading.name!r} never changes")
        some = slice(None) if good.all() else good
        own, celsius = raw[i][some], out.values[i][some]
        lows[i] = float(celsius.min())
        _tell_spikes(heading, own, celsius, lines[some] if lines is not None else None, out)
        if not believed:
            _ask_one(heading, own, celsius, t[some], layout, out)
    for pattern, group in grouped(beyond, [h.name for h in headings if h.name not in beyond]):
        worst = raw[[h.name for h in headings].index(group[0])]
        verb = "holds" if len(group) == 1 else "hold"
        out.questions.append(
            Question(
                f"{listed(group)} {verb} values beyond any sensor ({np.nanmin(worst):g} to {np.nanmax(worst):g}): "
                "thousandths of a degree, the wrong decimal mark, or no temperature?",
                f"--scale {quote(pattern + '=0.001')}, --channel {quote(pattern + '=other')}, --decimal X,"
                f" or --believe {quote(pattern)}",
            )
        )
    _ask_gauges(headings, raw, layout, out)
    _ask_several(headings, raw, t, lows, layout, lines, out)


def _ask_gauges(headings: list[Heading], raw: Floats, layout: Layout, out: Settled) -> None:
    """Pressures beyond any gauge: what a recorder writes for a gauge that is off or out of range."""
    for i, spec in enumerate(out.channels):
        if spec.quantity != "pressure" or layout.believes(headings[i].name, headings[i].full):
            continue
        wrong = implausible.beyond_gauges(out.values[i])
        if wrong.any():
            name, value = headings[i].name, float(raw[i][wrong][0])
            out.questions.append(
                Question(
                    f"{name!r} holds {int(wrong.sum())} pressures that no gauge reads ({value:.15g}): off, or out of"
                    " range?",
                    f"--sentinel {quote(f'{name}={value:.15g}')}, or --believe {quote(name)}",
                )
            )


def _tell_spikes(heading: Heading, raw: Floats, celsius: Floats, lines: np.ndarray | None, out: Settled) -> None:
    found = implausible.spikes(celsius)
    if len(found):
        at = int(found[0])
        line = f" in line {int(lines[at])}" if lines is not None else ""
        out.notes.append(
            f"{heading.name!r} leaves its course for a single sample and comes back"
            f" {many(len(found), 'time')} ({raw[at]:g}{line}"
            + (f"; the lowest {raw[found].min():g}, the highest {raw[found].max():g})" if len(found) > 1 else ")")
        )


def _ask_one(heading: Heading, raw: Floats, celsius: Floats, t: Floats, layout: Layout, out: Settled) -> None:
    name = heading.name
    keep = {_number(r) for r in layout.readings if not named_value(r)[0]}
    keep |= {_number(r) for r in layout.said_of(layout.readings, name, heading.full)}
    asked = suspects(raw, celsius, t)
    open_values = {value: count for value, count in asked.items() if value not in keep}
    if len(open_values) > MOST_ASKED:
        if not layout.believes(name, heading.full):
            some = ", ".join(f"{v:.6g}" for v in list(open_values)[:MOST_ASKED])
            middle = float(np.median(raw))
            far = max(open_values, key=lambda v: abs(v - middle))
            out.questions.append(
                Question(
                    f"{name!r} jumps to and fro, and stays exactly on {len(open_values)} numbers ({some} ...), farthest"
                    f" off on {far:.15g}: open circuits, several runs mixed in one, or right as it is?",
                    f"--sentinel {far:.15g} where it is an open circuit, or --believe {quote(name)} where all is right",
                )
            )
        open_values = {}
    for value, count in open_values.items():
        out.questions.append(
            Question(
                f"{name!r} jumps to {value:.15g} and stays on it exactly ({count} samples): open circuit or a reading?",
                f"--sentinel {value:.15g} or --reading {value:.15g}",
            )
        )
    lone = implausible.lone_sentinels(raw, celsius)
    most = implausible.mostly_one(raw, celsius)
    if most is not None:
        lone[most] = int((raw == most).sum())
    begun = implausible.false_start(raw, celsius)
    if begun is not None:
        lone.setdefault(*begun)
    for value, count in lone.items():
        if value not in keep and value not in asked:
            out.questions.append(
                Question(
                    f"{name!r} is exactly {value:.15g} in {count} of {len(raw)} samples, as recorders write an open"
                    " circuit: is it one?",
                    f"--sentinel {quote(f'{name}={value:.15g}')} or --reading {quote(f'{name}={value:.15g}')}",
                )
            )
    if implausible.counts_time(raw, t, heading.quantity == "temperature"):
        out.questions.append(
            Question(
                f"{name!r} rises as the time or the count of the rows does ({raw[0]:g} to {raw[-1]:g}): is it a"
                " temperature?",
                f"--channel {quote(name + '=ignore')}, or --believe {quote(name)}",
            )
        )
    floor = implausible.floor_of(celsius)
    if floor is not None and not layout.said_of(layout.floors, name, heading.full):
        level = float(np.ceil(raw[celsius <= floor].max()))
        out.questions.append(
            Question(
                f"{name!r} begins and ends at its lowest ({raw.min():g} to {level:g}) and never goes below:"
                " the floor of a pyrometer's range?",
                f"--floor {quote(f'{name}={level:g}')}, or --believe {quote(name)} where the furnace was as hot",
            )
        )


def _ask_several(
    headings: list[Heading], raw: Floats, t: Floats, lows: dict[int, float], layout: Layout,
    lines: np.ndarray | None, out: Settled,
) -> None:  # fmt: skip
    def believed(i: int) -> bool:
        return layout.believes(headings[i].name, headings[i].full)

    all_names = [h.name for h in headings]
    zero = [i for i in implausible.first_zeros(raw, list(lows)) if 0.0 not in {_number(r) for r in layout.readings}]
    if zero and not all(believed(i) for i in zero):
        line = f" (line {int(lines[0])})" if lines is not None else ""
        out.questions.append(
            Question(
                f"the first row{line} holds an exact 0 in {len(zero)} of {len(lows)} temperature channels, and the next"
                " one does not: not read yet?",
                "--sentinel 0, or --reading 0",
            )
        )
    for i, j, k in implausible.changed_over(raw, t, list(lows)):
        if out.channels[j].quantity == "pressure":
            continue  # over its decades a pressure passes through every number
        if not (believed(i) or believed(j)):
            line = f"line {int(lines[k])}" if lines is not None else f"sample {k + 1}"
            out.questions.append(
                Question(
                    f"from {line} on {all_names[i]!r} goes on where {all_names[j]!r} was, and the other way round: were"
                    " the columns changed over?",
                    f"--believe {quote(all_names[i])} where they were not; else correct the file, or split it",
                )
            )
    _ask_two_units(headings, raw, list(lows), layout, out)
    _about_slipped_rows(raw, list(lows), layout, lines, out)
    for i in implausible.falls_alone(lows):
        out.notes.append(f"{all_names[i]!r} goes below zero while the others stay above: reversed leads, or open?")


def _ask_two_units(headings: list[Heading], raw: Floats, temperatures: list[int], layout: Layout, out: Settled) -> None:
    """Channels that are read in one unit, where one is the other in °F: the same thermocouple written twice."""
    for i, j in implausible.in_two_units(raw, temperatures, [s.unit_read for s in out.channels]):
        a, b = headings[i].name, headings[j].name
        if not (layout.believes(a, headings[i].full) or layout.believes(b, headings[j].full)):
            role = out.channels[j].role or "work"
            out.questions.append(
                Question(
                    f"{b!r} is 1.8 times {a!r} and 32 in every row: the same in °F, and not in °C?",
                    f"--channel {quote(f'{b}={role},f')} and --channel {quote(f'{a}={role},c')},"
                    f" or --believe {quote(b)}",
                )
            )


def _about_slipped_rows(
    raw: Floats, temperatures: list[int], layout: Layout, lines: np.ndarray | None, out: Settled
) -> None:
    """Rows whose cells slipped by a column: asked, or with `--short-rows skip` taken for missing."""
    if len(temperatures) < 3:
        return
    rows = implausible.slipped_rows(raw[temperatures])
    if not len(rows):
        return
    count = many(len(rows), "row")
    where = f" (line {', '.join(str(int(lines[k])) for k in rows[:6])})" if lines is not None else ""
    if layout.short_rows == "skip":
        out.values[:, rows] = np.nan
        out.flags[:, rows] |= MISSING
        out.notes.append(f"{count} whose values slipped into the next column{where}: left out (--short-rows skip)")
    elif not all(layout.believes(out.channels[i].name) for i in temperatures):
        out.questions.append(
            Question(
                f"in {count} with a blank{where} the values fit the next column better than their own: slipped?",
                '--short-rows skip, or --believe "*"',
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
    inside: set[float] = set()
    for begin, end in pairwise(edges):
        part = raw[begin:end]
        if len(part) < len(raw) / 2 and (part == part[0]).all():
            found.setdefault(float(part[0]), []).append(len(part))
            if begin > 0 and end < len(raw):
                inside.add(float(part[0]))
    return {
        v: sum(lengths) for v, lengths in found.items()
        if sum(lengths) >= 2 and (v in inside or v in implausible.SENTINELS or not _rests_near(raw, celsius, v))
    }  # fmt: skip


def _rests_near(raw: Floats, celsius: Floats, number: float) -> bool:
    """Does a channel that begins or ends on a number come to rest beside it elsewhere, as at room temperature or at a
    furnace's own level: three other samples in a row within 3 °C of it, of more than one value."""
    level = celsius[raw == number][0]
    near = (np.abs(celsius - level) <= 3.0) & (raw != number)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], near.view(np.int8), [0]))))
    return any(b - a >= 3 and np.ptp(raw[a:b]) > 0 for a, b in zip(edges[::2], edges[1::2], strict=True))


def listed(names: list[str], most: int = 4) -> str:
    """'A, B, C and 9 more'."""
    shown = [f"'{n}'" for n in names]
    if len(names) > most:
        return few(shown, most)
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"

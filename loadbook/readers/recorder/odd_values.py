"""Values that no furnace gives, asked about or told (the tests for them are in `implausible`)."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np

from loadbook.analysis.trace.model import MISSING, OUT_OF_RANGE, Floats
from loadbook.core.phrases import many
from loadbook.core.typed import quote

from . import implausible
from .channels import Settled, grouped, is_constant, listed, number_of
from .layout import Layout, named_value
from .names import Heading
from .options import Question

_PART = re.compile(
    r"(?<![\d.,])0[.,](0*)1\s*(?:°|º|˚|deg)\s?[CFK]|(?<!\d)1\s?/\s?1(0+)\s*(?:°|º|˚|deg)\s?[CFK]"
    r"|(?:°|º|˚|deg)\s?[CFK]\s*[x×*·]\s?1(0+)\b|\b1(0+)\s?[x×*·]\s?(?:°|º|˚|deg)\s?[CFK]",
    re.IGNORECASE,
)
COLDEST_START_C = -80.0  # no charge is put in colder
JUMP_C = 100.0
JUMP_C_PER_S = 50.0 / 60.0
MOST_ASKED = 4  # numbers that a channel stays on: more are no open circuits


def look_for_oddities(headings: list[Heading], t: Floats, layout: Layout, lines: np.ndarray, out: Settled) -> None:
    """Ask about, or tell, what no furnace does (see `implausible`).

    t  (n,) rising seconds;  lines  (n,) physical lines
    """
    raw = out.raw
    measured = [i for i, s in enumerate(out.channels) if s.quantity == "temperature" and s.unit_read]
    beyond: list[str] = []
    parts: dict[str, list[str]] = {}
    lows: dict[int, float] = {}
    held: dict[int, list[str]] = {}
    for i in measured:
        spec, heading = out.channels[i], headings[i]
        names = (heading.name, heading.full)
        good = ~np.isnan(out.values[i]) & ((out.flags[i] & OUT_OF_RANGE) == 0)
        if not good.any():
            out.notes.append(f"{heading.name!r} has no value at all")
            continue
        part = _part_of_a_degree(heading.full)
        if part and not (layout.said_of(layout.scales, *names) or layout.believes(*names)):
            parts.setdefault(part, []).append(heading.name)
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
        if is_constant(raw[i]):
            out.notes.append(f"{heading.name!r} never changes")
        if samples := implausible.held_for(raw[i]):
            held.setdefault(samples, []).append(heading.name)
        some = slice(None) if good.all() else good
        own, celsius = raw[i][some], out.values[i][some]
        lows[i] = float(celsius.min())
        _tell_spikes(heading, own, celsius, lines[some], out)
        if not believed:
            _ask_one(heading, own, celsius, t[some], layout, out)
    for samples, those in held.items():
        verb = "changes" if len(those) == 1 else "change"
        every = samples * float(np.median(np.diff(t)))
        out.notes.append(
            f"{listed(those)} {verb} only every {samples} samples ({every:.6g} s), held between: rates over shorter"
            " times are the recorder's steps"
        )
    for part, those in parts.items():
        for pattern, group in grouped(those, [h.name for h in headings if h.name not in those]):
            out.questions.append(
                Question(
                    f"{listed(group)}: by the heading its numbers are {part} of a degree: are they?",
                    f"--scale {quote(f'{pattern}={part}')}, or --believe {quote(pattern)} where they are whole degrees",
                )
            )
    for pattern, group in grouped(beyond, [h.name for h in headings if h.name not in beyond]):
        worst = raw[[h.name for h in headings].index(group[0])]
        scale = 0.1 if np.nanmax(np.abs(worst)) < 20_000.0 else 0.001
        verb = "holds" if len(group) == 1 else "hold"
        out.questions.append(
            Question(
                f"{listed(group)} {verb} values beyond any sensor ({np.nanmin(worst):g} to {np.nanmax(worst):g}): "
                "tenths or thousandths of a degree, the wrong decimal mark, or no temperature?",
                f"--scale {quote(f'{pattern}={scale:g}')}, --channel {quote(pattern + '=other')}, --decimal X,"
                f" or --believe {quote(pattern)}",
            )
        )
    _ask_gauges(headings, raw, layout, out)
    _ask_several(headings, raw, t, lows, layout, lines, out)


def _part_of_a_degree(heading: str) -> str:
    """What part of a degree a heading says that its numbers count; '' where it says none.

    >>> _part_of_a_degree("Oven (0.1 °C)"), _part_of_a_degree("TC 1 [1/100 °C]"), _part_of_a_degree("Part (°C*10)")
    ('0.1', '0.01', '0.1')
    >>> _part_of_a_degree("TC 10 (°C)"), _part_of_a_degree("Zone 1 C")
    ('', '')
    """
    found = _PART.search(heading)
    if not found:
        return ""
    zeros = len(next(g for g in found.groups() if g is not None))
    return f"0.{'0' * (zeros - (found[1] is None))}1"


def _ask_gauges(headings: list[Heading], raw: Floats, layout: Layout, out: Settled) -> None:
    """Pressures below zero, and beyond any gauge: what a recorder writes for a gauge that is off or out of range."""
    for i, spec in enumerate(out.channels):
        if spec.quantity != "pressure" or layout.believes(headings[i].name, headings[i].full):
            continue
        name, below = headings[i].name, int((out.values[i] < 0).sum())
        if below > 0.05 * np.isfinite(out.values[i]).sum():
            out.questions.append(
                Question(
                    f"{name!r} is below zero in {many(below, 'sample')} ({np.nanmin(raw[i]):g} to"
                    f" {np.nanmax(raw[i]):g}): a logarithm, a signal, or a pressure against the atmosphere's?",
                    f"--channel {quote(name + '=other')}, or --believe {quote(name)}",
                )
            )
            continue
        wrong = implausible.beyond_gauges(out.values[i])
        if wrong.any():
            value = float(raw[i][wrong][0])
            out.questions.append(
                Question(
                    f"{name!r} holds {int(wrong.sum())} pressures that no gauge reads ({value:.15g}): off, or out of"
                    " range?",
                    f"--sentinel {quote(f'{name}={value:.15g}')}, or --believe {quote(name)}",
                )
            )


def _tell_spikes(heading: Heading, raw: Floats, celsius: Floats, lines: np.ndarray, out: Settled) -> None:
    found = implausible.spikes(celsius)
    if len(found):
        at = int(found[0])
        line = f" in line {int(lines[at])}"
        out.notes.append(
            f"{heading.name!r} leaves its course for a single sample and comes back"
            f" {many(len(found), 'time')} ({raw[at]:g}{line}"
            + (f"; the lowest {raw[found].min():g}, the highest {raw[found].max():g})" if len(found) > 1 else ")")
        )


def _ask_one(heading: Heading, raw: Floats, celsius: Floats, t: Floats, layout: Layout, out: Settled) -> None:
    name = heading.name
    keep = {number_of(r) for r in layout.readings if not named_value(r)[0]}
    keep |= {number_of(r) for r in layout.said_of(layout.readings, name, heading.full)}
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
    rule = layout.rule(name, heading.full)
    if heading.unit == "k" and not (rule and rule.unit) and celsius[0] < COLDEST_START_C:
        role = rule.role if rule and rule.role else heading.role or "ROLE"
        out.questions.append(
            Question(
                f"{name!r} begins at {raw[0]:g} and would be {celsius[0]:.0f} °C: is its K kelvin, or the type of its"
                " thermocouple?",
                f"--channel {quote(f'{name}={role},c')} (or f, or k)",
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
    lines: np.ndarray, out: Settled,
) -> None:  # fmt: skip
    def believed(i: int) -> bool:
        return layout.believes(headings[i].name, headings[i].full)

    all_names = [h.name for h in headings]
    zero, count = implausible.first_zeros(raw, list(lows))
    if zero and 0.0 not in {number_of(r) for r in layout.readings} and not all(believed(i) for i in zero):
        first = f"row (line {int(lines[0])}) holds" if count == 1 else f"{count} rows (from line {int(lines[0])}) hold"
        out.questions.append(
            Question(
                f"the first {first} an exact 0 in {len(zero)} of {len(lows)} temperature channels, and the next"
                " one does not: not read yet?",
                "--sentinel 0, or --reading 0",
            )
        )
    for i, j, k in implausible.changed_over(raw, t, list(lows)):
        if out.channels[j].quantity == "pressure":
            continue  # over its decades a pressure passes through every number
        if not (believed(i) or believed(j)):
            line = f"line {int(lines[k])}"
            out.questions.append(
                Question(
                    f"from {line} on {all_names[i]!r} goes on where {all_names[j]!r} was, and the other way round: were"
                    " the columns changed over?",
                    f"--believe {quote(all_names[i])} where they were not; else correct the file, or split it",
                )
            )
    _ask_two_units(headings, raw, list(lows), layout, out)
    _ask_kelvin(headings, raw, list(lows), layout, out)
    switched = implausible.unit_switches(out.values, list(lows))
    if switched and not all(believed(i) for i in lows):
        at, unit = switched[0]
        back = f", and back in line {int(lines[switched[1][0]])}" if len(switched) > 1 else ""
        out.questions.append(
            Question(
                f"from line {int(lines[at])} on every temperature goes on as if it were in °{unit.upper()}{back}: was"
                " the recorder's unit switched?",
                '--believe "*" where it was not; else correct these lines, or take the file in by parts (--from, --to'
                " and --join) with each part's unit (--channel)",
            )
        )
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
            return
    units = [s.unit_read for s in out.channels]
    for i, unit in implausible.as_the_others(out.values, temperatures, units):
        name = headings[i].name
        if not layout.believes(name, headings[i].full):
            role = out.channels[i].role or "work"
            out.questions.append(
                Question(
                    f"{name!r} was read in °{units[i].upper()}, and runs as the others do in °{unit.upper()} (highest"
                    f" {np.nanmax(raw[i]):g}): which is it?",
                    f"--channel {quote(f'{name}={role},{unit}')}, or --believe {quote(name)}",
                )
            )


def _ask_kelvin(headings: list[Heading], raw: Floats, temperatures: list[int], layout: Layout, out: Settled) -> None:
    """Channels in °C by their headings alone that begin as a cold load does in kelvin."""
    if layout.unit or not all(out.channels[i].unit_read == "c" for i in temperatures):
        return
    names = [(headings[i].name, headings[i].full) for i in temperatures]
    if any(layout.believes(*n) or getattr(layout.rule(*n), "unit", "") for n in names):
        return
    if implausible.in_kelvin(raw, temperatures, any(out.channels[i].role == "work" for i in temperatures)):
        first, several = np.array([v[~np.isnan(v)][0] for v in raw[temperatures]]), len(temperatures) > 1
        each = " and the others alike" if several else ""
        example = f"{names[0][0]}={out.channels[temperatures[0]].role or 'ROLE'},k"
        out.questions.append(
            Question(
                f"{listed([n[0] for n in names])} {'begin' if several else 'begins'} at {first.min():g}"
                f"{f' to {first.max():g}' if several else ''} °C by the heading, and"
                f" {'none goes' if several else 'it never goes'} below: kelvin, as a cold load begins?",
                f'--channel {quote(example)}{each}, or --believe "*" where it was that hot',
            )
        )


def _about_slipped_rows(raw: Floats, temperatures: list[int], layout: Layout, lines: np.ndarray, out: Settled) -> None:
    """Rows whose cells slipped by a column: asked, or with `--short-rows skip` taken for missing."""
    if len(temperatures) < 3:
        return
    rows = implausible.slipped_rows(raw[temperatures])
    if not len(rows):
        return
    count = many(len(rows), "row")
    where = f" (line {', '.join(str(int(lines[k])) for k in rows[:6])})"
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

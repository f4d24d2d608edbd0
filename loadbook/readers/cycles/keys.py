"""The keys of a cycle file: what each may hold, in which unit, and what it means.

`file` reads cycle files by this table; `template cycles` prints it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Key:
    """One key of a table of a cycle file.

    holds    a dimension of units.DIMENSIONS ('temperature', 'difference', 'rate', 'length', 'pressure', 'leak',
             'duration'), or 'text', 'integer', 'number', 'choice'
    field    the field of Segment or Limit that it fills, where the name differs
    """

    name: str
    holds: str
    meaning: str
    field: str = ""
    choices: tuple[str, ...] = ()
    required: bool = False


def _keys(*keys: Key) -> dict[str, Key]:
    return {key.name: key for key in keys}


CYCLE_KEYS = _keys(
    Key("id", "text", "name of the cycle", "cycle", required=True),
    Key("revision", "text", "its revision; a cycle that a run has used is changed by a new revision", required=True),
    Key("title", "text", "what it is, in a few words", required=True),
    Key("process", "text", "what it is for: stress relief, anneal, harden, temper, age, ...", required=True),
    Key("atmosphere", "text", "what it runs in: air, vacuum, nitrogen, argon, ...", required=True),
)

SEGMENT_KEYS = _keys(
    Key("kind", "choice", "what the furnace does", choices=("heat", "hold", "cool"), required=True),
    Key("target", "temperature", "where the segment goes, or holds", "target_c"),
    Key("asked_rate", "rate", "rate that the program is set to", "asked_rate_c_per_h"),
    Key("rate_max", "rate", "fastest rate allowed", "rate_max_c_per_h"),
    Key("rate_min", "rate", "slowest rate allowed", "rate_min_c_per_h"),
    Key("rate_of", "choice", "whose rate: the control TCs or the fastest work TC", choices=("control", "work")),
    Key("rate_window", "duration", "window of the least-squares slope; 15 min where not stated", "rate_window_min"),
    Key("rate_above", "temperature", "the rate limits bind only above this", "rate_above_c"),
    Key("rate_below", "temperature", "the rate limits bind only below this", "rate_below_c"),
    Key("may_slow_below", "temperature", "cooling: below this the furnace may slow naturally; rate_min binds above it"),
    Key("may_slow_above", "temperature", "heating: above this the furnace may slow; rate_min binds below it"),
    Key("minutes", "duration", 'how long the soak must last (a number is minutes, or "2 h")', "minutes"),
    Key("minutes_max", "duration", "how long the soak may last at most", "minutes_max"),
    Key("band_low", "difference", "how far below the target the hold may be", "band_low_c"),
    Key("band_high", "difference", "how far above the target the hold may be", "band_high_c"),
    Key("band_class", "integer", "a uniformity class instead of band_low and band_high"),
    Key("band_class_unit", "choice", "which edition's figures of the class", choices=("C", "F")),
    Key("on_leaving", "choice", "what leaving the band does to the soak", choices=("restart", "pause", "end")),
    Key("soak_by", "choice", "who must be in the band: every work TC, or the control TCs", choices=("work", "furnace")),
    Key("purpose", "text", "what the segment is for, such as: low hold to check thermocouples"),
    Key("atmosphere", "text", "atmosphere of this segment, where it is not the cycle's"),
    Key("pressure_max", "pressure", "highest pressure allowed in this segment", "pressure_max_mbar"),
    Key("pressure_min", "pressure", "lowest pressure allowed in this segment", "pressure_min_mbar"),
)

_PHASED = {
    "spread": ("spread", "difference", "max", "hottest minus coldest valid work TC"),
    "lead": ("lead", "difference", "max", "furnace ahead of the work (heating), work behind it (cooling)"),
    "pressure": ("pressure", "pressure", "max", "highest pressure"),
    "dew_point": ("dew_point", "temperature", "max", "highest dew point"),
    "oxygen": ("oxygen", "number", "max", "most oxygen, in the recorder's own unit"),
}
PHASES = ("heating", "hold", "cooling")

# key of [limits] -> (quantity, dimension, relation, phase, event)
LIMITS_KEYS: dict[str, tuple[str, str, str, str, str | None]] = {
    **{name: (q, d, r, "any", None) for name, (q, d, r, _) in _PHASED.items()},
    **{f"{name}_{phase}": (q, d, r, phase, None) for name, (q, d, r, _) in _PHASED.items() for phase in PHASES},
    "over_temperature": ("over_temperature", "temperature", "max", "any", None),
    "start_control": ("start_control", "temperature", "max", "start", None),
    "start_work": ("start_work", "temperature", "max", "start", None),
    "heating_rate": ("heating_rate", "rate", "max", "heating", None),
    "cooling_rate": ("cooling_rate", "rate", "max", "cooling", None),
    "heating_rate_work": ("heating_rate_work", "rate", "max", "heating", None),
    "cooling_rate_work": ("cooling_rate_work", "rate", "max", "cooling", None),
    "backfill": ("event_work", "temperature", "max", "any", "gas backfill"),
    "fan_on": ("event_work", "temperature", "max", "any", "fan on"),
    "door": ("event_work", "temperature", "max", "any", "door opened"),
    "unplug": ("event_work", "temperature", "max", "any", "thermocouples unplugged"),
    "leak_rate": ("leak_rate", "leak", "max", "any", None),
    "work_tcs": ("work_tcs", "integer", "min", "any", None),
    "longest_gap": ("gap", "seconds", "max", "any", None),
    "pressure_to_cool": ("pressure_to_cool", "pressure", "max", "any", None),
    "furnace_uniformity": ("furnace_uniformity", "difference", "max", "any", None),
    "gas": ("gas", "text", "min", "any", None),
    "surface": ("surface", "text", "min", "any", None),
}
_LIMITS_MEAN = {
    "over_temperature": "no control, over-temperature or work TC goes above it",
    "start_control": "control TCs at the first sample: at most",
    "start_work": "work TCs at the first sample: at most",
    "heating_rate": "fastest heating of the control TCs",
    "cooling_rate": "fastest cooling of the control TCs",
    "heating_rate_work": "fastest heating of the work TCs",
    "cooling_rate_work": "fastest cooling of the work TCs",
    "backfill": "hottest work TC at the event 'gas backfill'",
    "fan_on": "hottest work TC at the event 'fan on'",
    "door": "hottest work TC at the event 'door opened'",
    "unplug": "hottest work TC at the event 'thermocouples unplugged'",
    "leak_rate": "rise of the pressure between 'leak-up started' and 'leak-up ended'",
    "work_tcs": "least number of valid work TCs at every moment",
    "longest_gap": "longest time between two samples",
    "pressure_to_cool": "highest pressure at which cooling may begin",
    "furnace_uniformity": "widest class and current uniformity survey that the furnace may have",
    "gas": "the gas that may be let in, such as: argon, or: argon or helium",
    "surface": "how the surface must come out, such as: bright, or: bright or straw",
}
LIMITS_OPTIONS = _keys(
    Key("spread_scope", "choice", "within what the spread is taken", choices=("load", "piece", "distance")),
    Key("spread_within", "length", "the distance, where spread_scope is distance", "distance_mm"),
    Key("spread_from", "choice", "from when spread_hold binds; without it from the hold's beginning, while the load"
        " still evens out", choices=("soak start",)),
    Key("rate_window", "duration", "window of the slopes of heating_rate and cooling_rate", "window_min"),
    Key("furnace_class", "integer", "a uniformity class instead of furnace_uniformity"),
    Key("furnace_class_unit", "choice", "which edition's figures of that class", choices=("C", "F")),
)  # fmt: skip

QUANTITY_DIMENSION = {
    "spread": "difference", "lead": "difference", "over_temperature": "temperature", "start_control": "temperature",
    "start_work": "temperature", "heating_rate": "rate", "cooling_rate": "rate", "heating_rate_work": "rate",
    "cooling_rate_work": "rate", "event_work": "temperature", "pressure": "pressure", "leak_rate": "leak",
    "dew_point": "temperature", "oxygen": "number", "work_tcs": "integer", "gap": "seconds", "soak": "duration",
    "time_in_range": "duration", "place_tcs": "integer", "pressure_to_cool": "pressure",
    "furnace_uniformity": "difference",
}  # fmt: skip

LIMIT_KEYS = _keys(
    Key("quantity", "choice", "what is limited", choices=tuple(QUANTITY_DIMENSION), required=True),
    Key("max", "value", "what it must not exceed"),
    Key("min", "value", "what it must not fall below"),
    Key("phase", "choice", "when it binds", choices=("start", *PHASES, "any")),
    Key("segment", "integer", "number of the only segment in which it binds (the first is 1)"),
    Key("scope", "choice", "within what a spread is taken", choices=("load", "piece", "distance")),
    Key("within", "length", "the distance, where scope is distance", "distance_mm"),
    Key("event", "text", "the event, for event_work: gas backfill, door opened, ..."),
    Key("from", "text", "the moment from which it binds: soak start, or an event", "event"),
    Key("place", "text", "words of the place, for place_tcs: thick section, ...", "event"),
    Key("above", "temperature", "binds only while the control TC is above this; low end of time_in_range", "above_c"),
    Key("below", "temperature", "binds only while the control TC is below this; high end of time_in_range", "below_c"),
    Key("window", "duration", "window of the slope, for rates; 15 min where not stated", "window_min"),
    Key(
        "rule",
        "choice",
        "how the limit follows from the thickest section",
        choices=("rate/thickness", "time*thickness"),
    ),
    Key("per", "length", "the thickness that max or min is stated for", "per_mm"),
    Key("cap", "value", "the rule gives never more than this"),
    Key("floor", "value", "the rule gives never less than this"),
    Key("knee", "length", "thickness from which `beyond` counts", "knee_mm"),
    Key("beyond", "value", "what each further `per` adds", "value_beyond"),
    Key("rounding", "choice", "by proportion, or per `per` or fraction of it", choices=("proportion", "fraction")),
)


def key_meanings() -> list[tuple[str, str, str, str]]:
    """Every key of a cycle file, as (table, key, what it holds, what it means), in the order of the example."""

    def described(table: str, keys: dict[str, Key]) -> list[tuple[str, str, str, str]]:
        return [
            (table, k.name, k.holds, k.meaning + (f". One of: {', '.join(k.choices)}" if k.choices else ""))
            for k in keys.values()
        ]

    limits = [("[limits]", name, LIMITS_KEYS[name][1], meaning) for name, meaning in _LIMITS_MEAN.items()]
    phased = [
        ("[limits]", name, holds, f"{text}; also {', '.join(f'{name}_{phase}' for phase in PHASES)}")
        for name, (_, holds, _, text) in _PHASED.items()
    ]
    first = described("[cycle]", CYCLE_KEYS) + described("[[segment]]", SEGMENT_KEYS)
    return [*first, *phased, *limits, *described("[limits]", LIMITS_OPTIONS), *described("[[limit]]", LIMIT_KEYS)]


DEFAULT_PHASE = {"start_control": "start", "start_work": "start", "soak": "hold", "heating_rate": "heating",
                 "heating_rate_work": "heating", "cooling_rate": "cooling", "cooling_rate_work": "cooling"}  # fmt: skip

EXAMPLE = """\
# A cycle of loadbook. Temperatures carry their unit ("620 C", "1150 F"), differences say so ("40 C diff").
[cycle]
id = "SR-620"
revision = "A"
title = "Stress relief, 620 °C, vacuum"
process = "stress relief"
atmosphere = "vacuum"

[[segment]]
kind = "heat"
target = "150 C"
asked_rate = "100 C/h"
rate_max = "110 C/h"

[[segment]]
kind = "hold"
target = "150 C"
minutes = 45
band_low = "10 C diff"
band_high = "10 C diff"
purpose = "low hold to check thermocouples"

[[segment]]
kind = "heat"
target = "620 C"
asked_rate = "100 C/h"
rate_max = "110 C/h"
rate_window = "15 min"
pressure_max = "1e-2 mbar"

[[segment]]
kind = "hold"
target = "620 C"
minutes = "2 h"
band_low = "8 C diff"
band_high = "8 C diff"
on_leaving = "restart"
pressure_max = "1e-3 mbar"

[[segment]]
kind = "cool"
asked_rate = "75 C/h"
rate_max = "85 C/h"
rate_min = "50 C/h"
may_slow_below = "425 C"

[limits]
spread_heating = "40 C diff"
spread_hold = "16 C diff"
spread_from = "soak start"
lead_heating = "120 C diff"
over_temperature = "650 C"
start_control = "40 C"
backfill = "230 C"
door = "120 C"
work_tcs = 4
longest_gap = "5 min"

# A limit that follows from the thickest section in the load:
[[limit]]
quantity = "soak"
segment = 4
min = "60 min"
rule = "time*thickness"
per = "25.4 mm"
floor = "30 min"
rounding = "proportion"
"""


def example(system: str) -> str:
    """EXAMPLE in a system's units, round numbers in either.

    >>> [line for line in example("us").splitlines() if "may_slow" in line or "spread_hold" in line]
    ['may_slow_below = "800 F"', 'spread_hold = "30 F diff"']
    >>> [word for word in ("°C", " C ", "mm", "mbar") if word in example("us").split("\\n", 1)[1]]
    []
    """
    if system != "us":
        return EXAMPLE

    def turned(found: re.Match[str]) -> str:
        value, kind = float(found[1]), found[2]
        if kind:
            return f'"{5 * round(value * 1.8 / 5)} F{kind}"'
        return f'"{10 * round((value * 1.8 + 32) / 10)} F"'

    first, rest = EXAMPLE.split("\n", 1)
    text = first + "\n" + re.sub(r'"(\d+) C( diff|/h)?"', turned, rest)
    return (
        text.replace("SR-620", "SR-1150")
        .replace("620 °C", "1150 °F")
        .replace("25.4 mm", "1 in")
        .replace("mbar", "torr")
    )

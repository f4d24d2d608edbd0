"""How the reader of recorders' files fares on real logs that it was not made from.

    python tests/trials/real_logs.py FOLDER [--descriptions FILE] [--show NAME ...]

FOLDER holds the logs under the names of their descriptions (real_logs.json, in FOLDER unless it is named), and those
of FURTHER below, which are named here by repository, commit and path. None of them is part of the project.

Two users read every log. Both know what the owner of the log knows (OWNERS). The *follower* gives only answers that
the program asks for, with the option that it names. The *persistent* one may use any option besides. The outcome:

  right       every channel of the description with its values and span, nothing else taken for a temperature, and
              what is odd about the log was said
  refused     stopped or asked without end, where the description allows it, with a reason that names the trouble
  lost        stopped or asked without end although the log can be read
  WRONG       read to the end with other values than the description, or with its oddity unsaid
"""

from __future__ import annotations

import argparse
import fnmatch
import json
import re
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.cli.traces import _SEVERAL, _SINGLE, _options
from loadbook.core.errors import LoadbookError
from loadbook.readers.recorder.read import Read, look
from loadbook.readers.recorder.source import open_source

sys.path.insert(0, str(Path(__file__).resolve().parent.parent.parent))
from tests.trials.further_logs import FURTHER

NAMES = {name: several for group, several in ((_SINGLE, False), (_SEVERAL, True)) for name, *_ in group}


@dataclass
class Owner:
    """What the owner of a log knows of it, and what the description asks for.

    roles    (pattern of a column's name, what it is given as): the first that fits, else 'other'
    knows    option -> answer, given when the program asks for that option
    insists  option -> answers that the persistent user gives from the start
    stored   name in the description -> name in the file, where they differ
    said     patterns that the notes or questions must hold by the end, for the log's oddities
    refusal  a pattern of the reason, where refusing is a good outcome
    """

    roles: list[tuple[str, str]] = field(default_factory=lambda: [("*", "work")])
    knows: dict[str, str | list[str]] = field(default_factory=dict)
    insists: dict[str, str | list[str]] = field(default_factory=dict)
    stored: dict[str, str] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    refusal: str = ""
    zone: str = "UTC"
    spans: bool = True


KILN = [("*Rate*", "other"), ("Average*", "ignore"), ("Temperature Sensor*", "work")]
PYROMETER_NAMES = {"Temperature (deg C)": "Temperature", "Power Control (mA)": "Power Control"}
PYROMETER = [("*Temperature*", "control"), ("*", "other")]
DILATOMETER = Owner(
    [("*Temp*", "work"), ("column 3", "work"), ("*", "other")],
    {"start": "2025-01-01T08:00", "time-unit": "s", "unit": "c", "heading": "none", "time": ["column 2"]},
    {"heading": "none", "time": ["column 2"], "unit": "c", "time-unit": "s"},
    {"Temperature": "column 3"},
)  # fmt: skip
OWNERS: dict[str, Owner] = {
    "L01": Owner(KILN, said=["repeating an earlier row"]),
    "L02": Owner(KILN, said=["repeating an earlier row"]),
    "L03": Owner(said=["no value"], knows={"date-order": "day-first"}),
    "L04": Owner(knows={"date-order": "day-first"}, said=["2 gaps", "'T2'.*53|53.*'T2'"]),
    "L05": Owner(
        PYROMETER, {"floor": ["Temperature=800"], "believe": ["Temperature"]}, {}, PYROMETER_NAMES, ["lowest|floor"]
    ),
    "L06": Owner(
        PYROMETER, {"floor": ["Temperature=800"], "believe": ["Temperature"]}, {}, PYROMETER_NAMES, ["lowest|floor"]
    ),
    "L07": Owner([("Untitled", "control"), ("*", "other")], {"unit": "c"}, refusal="changed over"),
    "L08": Owner(
        PYROMETER,
        {
            "start": "2020-03-24T19:22",
            "repeated-times": "spread",
            "unit": "c",
            "floor": ["temperature=800"],
            "believe": ["temperature"],
        },
        {},
        {"temperature_C": "temperature"},
        ["lowest|floor"],
    ),
    "L09": Owner(refusal="heading|block"),
    "L10": Owner(
        [("MEM*", "control"), ("*", "ignore")],
        {"time": ["DATETIME"], "unit": "c", "long": "yes"},
        said=["out of order", "repeating an earlier row"],
        refusal="runs|days|hours",
    ),
    "L11": Owner(
        [("*Probe ? Temp", "work"), ("*IO ? Temp", "work"), ("*", "ignore")],
        {"blank-times": "spread", "unit": "c", "sentinel": ["472", "0"]},
        {"sentinel": ["472", "0"]},
        {f"Probe {i}": f"Probe {i} Temp" for i in range(1, 9)} | {"IO 1": "IO 1 Temp"},
        said=["472"],
    ),
    "L12": Owner(knows={"unit": "c", "short-rows": "skip"}, said=["short row", "slipped|shifted", "62.437"]),
    "L13": Owner(knows={"unit": "c"}),
    "L14": Owner(knows={"date-order": "day-first", "unit": "c"}, said=["2 gaps"], stored={"T1": "Temperatur T1"}),
    "L15": Owner(
        [("K-Type*", "work")],
        {"date-order": "month-first", "zone": "-05:00"},
        {},
        {"K-Type": "K-Type*"},
        zone="Etc/GMT+5",
        said=["-18.91|single"],
    ),
    "L16": Owner(knows={"date-order": "month-first", "zone": "America/Chicago"}, zone="America/Chicago"),
    "L17": Owner(
        [("Thermocouple*", "work"), ("*", "other")],
        {"start": "2020-01-01", "unit": "c", "sentinel": ["0"]},
        said=["exact 0"],
    ),
    "L18": Owner(
        knows={"start": "2020-07-02T18:49:52"},
        zone="America/Chicago",
        stored={"T1": "T1 Temperature", "T2": "T2 Temperature"},
    ),
    "L19": Owner([("Furnace*", "control"), ("Sample*", "work"), ("*", "other")], {"start": "2025-01-08T12:00"}),
    "L20": DILATOMETER,
    "L21": DILATOMETER,
    "L22": Owner(
        [("*Furnace*", "control"), ("*Sample*", "work"), ("*", "other")],
        {"start": "2025-01-01T08:00"},
        refusal="marks|beyond|sensor|thousands",
    ),
    "L23": Owner(
        [("column 2", "work"), ("*", "other")],
        {"start": "2025-01-01T08:00", "time": ["column 1"], "time-unit": "s", "unit": "c"},
        {"time": ["column 1"]},
        {"col 2": "column 2"},
    ),
    "L24": Owner(knows={"start": "2025-01-01T08:00", "time-unit": "s", "unit": "k"}),
    "L25": Owner(
        knows={"start": "2025-01-01T08:00", "time": ["column 1"], "time-unit": "s", "unit": "k"},
        insists={"time": ["column 1"]},
        stored={"temperature": "column 2"},
    ),
    "L26": Owner(
        [("Temperature*", "work"), ("*", "other")],
        {"repeated-times": "spread", "sentinel": ["-1", "0"]},
        {"sentinel": ["-1", "0"]},
        {"Temperature (C)": "Temperature"},
    ),
    "L27": Owner(
        [("*Temperature*", "work"), ("*", "other")],
        {"time": ["Timestamp"], "unit": "c", "believe": ["*Temperature*"]},
        said=["4.2 m|-161|below"],
    ),
    "L28": Owner(
        knows={
            "start": "2025-01-01T08:00",
            "time": ["tick"],
            "time-unit": "ms",
            "unit": "c",
            "scale": ["DS18B20_*=0.001"],
        }
    ),
    "L29": Owner(
        [("tc1", "work"), ("ambient", "other")], {"start": "2024-01-01T08:00", "time-unit": "ms", "unit": "c"}
    ),
    "L30": Owner([("Temperature", "control"), ("*", "other")], {"date-order": "day-first"}),
    "L31": Owner(
        [("TEMPERATURE", "control"), ("*", "other")],
        {
            "sheet": "12.5",
            "start": "2020-01-01T08:00",
            "time-unit": "s",
            "unit": "c",
            "sentinel": ["-0.15"],
            "believe": ["TEMPERATURE"],
        },
        said=["-0.15"],
    ),
    "D02": Owner(refusal="time"),
}
_BENCH = {"start": "2025-01-01T08:00", "unit": "c", "time-unit": "ms"}
_PLACES = [("column 4", "control"), ("*", "other")]
_ZERO_FIRST = ["PT_ECO.TR01_WU314_B15.AA.R2251_ActValue", "PT_ECO.TR02_WU323_B15.AA.R2251_ActValue"]
OWNERS |= {
    "F01": Owner(_PLACES, {**_BENCH, "time": ["column 1"]}, {"time": ["column 1"]}),
    "F02": Owner([("temperature", "control"), ("setpoint", "setpoint"), ("*", "other")], {**_BENCH, "time-unit": "s"}),
    "F03": Owner(_PLACES, {**_BENCH, "time": ["column 2"], "short-rows": "skip"}, {"time": ["column 2"]}),
    "F04": Owner(_PLACES, {**_BENCH, "time": ["column 2"], "short-rows": "skip"}, {"time": ["column 2"]}),
    "F05": Owner(_PLACES, {**_BENCH, "time": ["column 1"]}, {"time": ["column 1"]}),
    "F06": Owner(
        [("temperature", "control"), ("setpoint", "setpoint"), ("*", "other")],
        {**_BENCH, "time-unit": "s", "sheet": "Pid"},
    ),
    "F08": Owner(knows={"unit": "c", "short-rows": "skip"}),
    "F09": Owner(
        [("Temperature*", "work"), ("*", "other")],
        {"repeated-times": "spread", "believe": ["Temperature"]},
        said=["never changes"],
    ),
    "F10": Owner([("MEM*", "control"), ("*", "ignore")], {"time": ["DATETIME"], "unit": "c", "sentinel": ["1370"]}),
    "F11": Owner([("tc1", "work"), ("ambient", "other")], _BENCH),
    "F13": Owner([("*Temp*", "work"), ("*", "other")], {"sheet": "Simple Data"}),
    "F14": Owner([("*Temp*", "work"), ("*", "other")], {"sheet": "70 V"}),
    "F12": Owner(knows={**_BENCH, "time-unit": "s", "unit": "k"}),
    "F15": Owner(knows={"sentinel": [f"{n}=0" for n in _ZERO_FIRST]}),
    "F16": Owner(
        [("*Shelf*", "work"), ("*Ice*", "work"), ("*Product", "work"), ("*", "ignore")],
        {"time-format": "2020 %H:%M-%d/%m", "unit": "c", "repeated-times": "spread", "sentinel": ["83.0"],
         "believe": ["*Ice*"]},
        {"sentinel": ["83.0"]},
    ),
    "F17": Owner(knows={"unit": "c"}),
    "F18": Owner(knows={"date-order": "month-first"}),
    "F19": Owner(
        [("Furnace", "control"), ("Sample", "work"), ("*", "other")],
        {"start": "2024-07-26T18:03:05", "time-unit": "s", "unit": "c"}, said=["2024-07-26T18:03:05"],
    ),
    "F20": Owner(knows={"date-order": "day-first", "unit": "c"}, said=["repeating an earlier row"]),
    "F21": Owner(
        [("Ambient*", "work"), ("Object*", "work")], {"start": "2021-09-18", "repeated-times": "spread"},
        said=["0.21", "2021-09-18"],
    ),
    "F22": Owner(knows={"unit": "c", "short-rows": "skip"}, said=["16 rows", "6 rows whose values slipped"]),
    "F23": Owner(
        [("column 2", "work"), ("*", "other")],
        {**_BENCH, "time": ["column 1"], "time-unit": "min", "skip": ["-1.000000"]}, {"skip": ["-1.000000"]},
    ),
    "F24": Owner(refusal="dates fit no order"),
    "F25": Owner([("CPU_TEMP", "work"), ("*", "other")], {"epoch": "1970"}),
    "F26": Owner([("TEMPERATURA", "control"), ("*", "other")], {"unit": "c"}),
    "F27": Owner([("column 2", "other"), ("*", "work")], {"unit": "c"}, said=["thousandths"]),
    "F28": Owner(knows={"unit": "c", "shape": "long"}),
    "F29": Owner(knows={"unit": "f", "epoch": "1970"}),
    "F30": Owner(),
    "F31": Owner([("??????? Temp", "setpoint"), ("* Temp", "work"), ("*", "other")], {"start": "2025-01-01T08:00"}),
    "F32": Owner(knows={**_BENCH, "time": ["column 1"], "time-unit": "s", "stretch": "7"}, said=["begins again"]),
    "F33": Owner(knows={"unit": "c"}, said=["repeating an earlier row"]),
    "F34": Owner([("*", "other")], {"epoch": "1970"}, refusal="no channel is a temperature"),
    "F35": Owner([("*Temperature", "work"), ("*", "other")]),
    "F36": Owner(knows={"repeated-times": "spread", "sentinel": ["-200.1"]}, said=["single sample", "-200.1"]),
    "F37": Owner(
        [("Set*", "setpoint"), ("Current*", "control"), ("*", "other")],
        {"start": "2025-01-01T08:00", "stretch": "2"}, said=["stretch 2"],
    ),
    "F38": Owner(knows={"unit": "c", "skip": ["____2025"]}, said=["1 heading row", "left out by --skip"]),
    "F39": Owner(
        [("Temperature", "work"), ("*", "other")],
        {"start": "2026-02-11T16:39", "time-kind": "elapsed", "unit": "c", "sentinel": ["Temperature=-45"]},
        said=["-45 1 times"],
    ),
    "F40": Owner(knows={"epoch": "1970", "shape": "long", "unit": "c"}),
    "F41": Owner([("*", "other")], {"shape": "long"}, refusal="no channel is a temperature"),
    "F42": Owner([("temp*", "work"), ("*", "other")], {"epoch": "1970", "unit": "c"}, said=["single sample"]),
    "F43": Owner(knows={"epoch": "1970", "unit": "f"}),
    "F44": Owner([("temperature", "work"), ("*", "other")], {"epoch": "1970", "unit": "c"}),
    "F45": Owner(knows={"unit": "c"}, said=["never changes"]),
    "F46": Owner(knows={**_BENCH, "time": ["column 1"], "time-unit": "s"}),
    "F47": Owner(
        [("C?", "work"), ("A?", "work"), ("*", "other")], {"sheet": "sowing_data", "unit": "f", "stretch": "all"},
        said=["out of order", "'C5' never changes", "begins again"],
    ),
    "F48": Owner(
        [("257", "work"), ("*", "other")],
        {**_BENCH, "time": ["t"], "shape": "long", "scale": ["257=0.01"]},
        {"time": ["t"], "shape": "long", "scale": ["257=0.01"]},
        refusal="no channel is a temperature",
    ),
    "F49": Owner(
        [("T?", "work"), ("T??", "work"), ("T_*", "work"), ("*", "other")],
        {**_BENCH, "time": ["X_Value"], "time-unit": "s", "heading": "1"},
        said=["no value|blank|every|missing"],
    ),
    "F50": Owner(knows={"epoch": "1970"}, said=["gap"]),
    "F51": Owner(knows={**_BENCH, "time": ["column 1"], "stretch": "1"}, said=["begins again"]),
    "F52": Owner(knows={"unit": "c"}),
    "F53": Owner(knows={"unit": "c", "epoch": "1970", "time": ["column 4"]}),
    "F54": Owner(
        knows={"unit": "c", "start": "2025-01-01", "shape": "long"}, said=["one after the other, up to 147 s"],
        spans=False,
    ),
    "F55": Owner([("*", "other")], {"epoch": "1970"}, refusal="cannot belong where the time says"),
    "F56": Owner(
        [("Temp In*", "work"), ("*", "other")],
        {**_BENCH, "time": ["Tempo"], "time-unit": "s", "stretch": "24", "repeated-times": "spread"}, {},
        {"Temp In (C)": "Temp In"}, said=["begins again|stretch"],
    ),
    "F57": Owner(
        [("T_*", "work"), ("*", "other")], {**_BENCH, "time": ["Minuto"], "time-unit": "min", "stretch": "2"},
        said=["begins again|stretch"],
    ),
    "F58": Owner(
        [("* column 5", "work"), ("*", "other")],
        {"epoch": "1970", "time": ["column 2"], "shape": "long", "unit": "c"}, {},
        {n: f"{n} column 5" for n in "1234"},
    ),
    "F59": Owner(knows={"unit": "f"}, refusal="no rows of data|block|table"),
    "F60": Owner(
        [("column 2", "work"), ("column 3", "work"), ("column 4", "work"), ("column 5", "work"), ("column 6", "work"),
         ("*", "other")],
        {**_BENCH, "time": ["column 1"], "stretch": "2"}, said=["begins again"],
    ),
    "F61": Owner(
        [("*Temp*", "work"), ("*", "other")], refusal="cells|heading|columns",
    ),
    "F62": Owner(knows={"unit": "f", "date-order": "month-first"}),
    "F63": Owner(
        [("ExternalTemp", "control"), ("Setpoint", "setpoint"), ("*", "other")], {"unit": "f"}, said=["never changes"],
    ),
    "F64": Owner([("*", "other")], {}, refusal="no channel is a temperature|no rows of data"),
    "F65": Owner(knows={**_BENCH, "time": ["column 1"], "time-unit": "s"}),
    "F66": Owner([("*Temperature*", "work"), ("*", "other")], {"start": "2025-01-01T08:00"}),
    "F67": Owner([("Temp_*", "work"), ("*", "other")], {"start": "2025-01-01T08:00"}),
    "F68": Owner(
        [("column 2", "work,c"), ("column 3", "work,f"), ("column 4", "work,c"), ("*", "other")],
        {**_BENCH, "time": ["column 1"]},
    ),
    "F69": Owner(
        [("AvgTemp*", "control"), ("*", "other")], {"start": "2025-01-01T08:00"}, {},
        {"AvgTemperature_DegC": "AvgTemperature"},
    ),
    "F70": Owner([("*_Temp", "work"), ("*", "other")], {"unit": "c"}),
    "F71": Owner([("Temperature*", "work"), ("*", "other")], {"start": "2025-01-01T08:00"}),
}  # fmt: skip


def truth_of(name: str, entry: dict[str, Any]) -> dict[str, Any]:
    """Channels as (count, lowest, highest) in °C, start and span in seconds (None: not told)."""
    channels: dict[str, tuple[int, float, float]] = {}
    if name.startswith("L07"):
        return {"channels": {}, "start": None, "span": None}
    per_channel = entry.get("channels", {})
    if name.startswith("L31"):
        temp = entry["channels_per_sheet"]["12.5"]["temp"]
        return {"channels": {"TEMPERATURE": (temp["n"] - 5, None, temp["max"])}, "start": None, "span": 423.0}
    for channel, said in per_channel.items():
        part = said.get("valid") or said.get("live") or said.get("in_C") or said
        if "n" not in part and "n" not in said.get("raw", {}):
            channels[channel] = (0, None, None)
            continue
        low, high = part["min"], part["max"]
        unit = str(said.get("unit", "C"))
        if unit == "F":
            low, high = (low - 32) / 1.8, (high - 32) / 1.8
        elif unit.startswith("K"):
            low, high = low - 273.15, high - 273.15
        if name[:3] in ("L05", "L06", "L08"):
            channels[channel] = (part["n"], None, high)
        else:
            channels[channel] = (part["n"], low, high)
    if name.startswith("L12"):  # the lone spike stays in, and is told
        channels["Sensor 1"] = (channels["Sensor 1"][0], channels["Sensor 1"][1], 62.437)
    time = entry.get("time", {})
    start = time.get("start")
    begun = datetime.fromisoformat(start) if start and "T" in start else None
    span = time.get("span_s")
    if span is None and "end_s" in time and "start_s" in time:
        span = time["end_s"] - time["start_s"]
    if span is None and begun is not None and "end" in time:
        span = (datetime.fromisoformat(time["end"]) - begun).total_seconds()
    if span is None and "end_ms" in time:
        span = (time["end_ms"] - time["start_ms"]) / 1000
    return {"channels": channels, "start": begun, "span": span}


# ------------------------------------------------------------------ the two users


def answer(given: dict[str, list[str]], asked: str, owner: Owner, names: Iterable[str]) -> bool:
    """Give what the owner knows of the options that a question or an error names; True where that is new."""
    before = json.dumps(given)
    for option in dict.fromkeys(re.findall(r"--([a-z-]+)", asked)):
        if option == "channel":
            for quoted in re.findall(r'--channel (?:"([^"=]+)=|([^\s"=]+)=)', asked):
                _give_roles(given, quoted[0] or quoted[1], owner, list(names))
        elif option in NAMES and option in owner.knows:
            known = owner.knows[option]
            answers = [known] if isinstance(known, str) else known
            held = given.setdefault(option, [])
            held += [a for a in answers if a not in held]
    return json.dumps(given) != before


def _give_roles(given: dict[str, list[str]], pattern: str, owner: Owner, names: list[str]) -> None:
    held = given.setdefault("channel", [])
    fitting = [n for n in names if fnmatch.fnmatchcase(n.casefold(), pattern.casefold().replace("[", "[[]"))]
    roles = {n: _role(owner, n) for n in fitting or [pattern]}
    if len(set(roles.values())) == 1:
        rules = [f"{pattern}={next(iter(roles.values()))}"]
    else:
        rules = [f"{n}={r}" for n, r in roles.items()]
    held += [r for r in rules if r not in held]


def _role(owner: Owner, name: str) -> str:
    return next((r for p, r in owner.roles if fnmatch.fnmatchcase(name.casefold(), p.casefold())), "other")


@dataclass
class Trial:
    read: Read | None
    said: str
    given: dict[str, list[str]]
    stopped: str = ""


def use(path: Path, owner: Owner, zone: str, start: dict[str, str | list[str]]) -> Trial:
    """Read a log as a user would, answering for as long as answers change anything."""
    given: dict[str, list[str]] = {k: [v] if isinstance(v, str) else list(v) for k, v in start.items()}
    read, stopped, said = None, "", []
    for _ in range(12):
        read, stopped = None, ""
        try:
            read = look(open_source(path), _parsed(given), zone=ZoneInfo(zone))
        except LoadbookError as exc:
            stopped = str(exc)
            said.append(stopped)
            if not answer(given, stopped, owner, []):
                break
            continue
        said += [f"{q.text}: {q.option}" for q in read.questions] + read.notes
        if not read.questions:
            break
        new = [answer(given, q.option, owner, [c.name for c in read.reading.channels]) for q in read.questions]
        if not any(new):
            stopped = "; ".join(f"{q.text}: {q.option}" for q in read.questions)
            break
    return Trial(read, "\n".join(dict.fromkeys(said)), given, stopped)


def _parsed(given: dict[str, list[str]]) -> Any:
    plain: dict[str, Any] = {n.replace("-", "_"): () if several else None for n, several in NAMES.items()}
    for option, values in given.items():
        if option in NAMES:
            plain[option.replace("-", "_")] = tuple(values) if NAMES[option] else values[-1]
    return _options(plain)


# ------------------------------------------------------------------ the outcome


def outcome(trial: Trial, owner: Owner, truth: dict[str, Any]) -> tuple[str, str]:
    """('right', 'refused', 'lost' or 'WRONG', why)."""
    if trial.stopped or trial.read is None:
        good = owner.refusal and re.search(owner.refusal, trial.stopped)
        return ("refused" if good else "lost"), trial.stopped.replace("\n", " ")[:300]
    if owner.refusal and not truth["channels"]:
        return "WRONG", "read to the end, though nothing sound stands in it"
    wrong = differences(trial.read, owner, truth)
    wrong += [f"unsaid: {p}" for p in owner.said if not re.search(p, trial.said)]
    return ("WRONG", "; ".join(wrong)[:400]) if wrong else ("right", "")


def differences(read: Read, owner: Owner, truth: dict[str, Any]) -> list[str]:
    reading, out = read.reading, []
    found = {c.name.casefold(): i for i, c in enumerate(reading.channels)}
    claimed = set()
    for channel, (count, low, high) in truth["channels"].items():
        wanted = owner.stored.get(channel, channel).casefold()
        names = [n for n in found if n == wanted] or [
            n for n in found if fnmatch.fnmatchcase(n, wanted) or n.startswith(wanted)
        ]
        if not names:
            out.append(f"no channel {channel!r} among {list(found)[:5]}")
            continue
        i = found[names[0]]
        claimed.add(i)
        values = reading.values[i][(reading.flags[i] & 7) == 0]
        values = values[~np.isnan(values)]
        if reading.channels[i].quantity not in ("temperature", "dew point") and channel != "ambient":
            out.append(f"{channel!r} is {reading.channels[i].quantity}")
        if low is not None and abs(len(values) - count) > max(12, 0.005 * count):
            out.append(f"{channel!r} has {len(values)} values, {count} expected")
        if low is None and high is None:
            continue
        if not len(values):
            out.append(f"{channel!r} has no value")
            continue
        for name, got, want in (("lowest", values.min(), low), ("highest", values.max(), high)):
            if want is not None and abs(got - want) > 0.06:
                out.append(f"{channel!r} {name} {got:.3f}, {want:.3f} expected")
    for i, spec in enumerate(reading.channels) if 0 < len(truth["channels"]) < 40 else ():
        empty = bool(np.isnan(reading.values[i]).all())
        stated = any(fnmatch.fnmatchcase(spec.name.casefold(), p.casefold()) for p, r in owner.roles if p != "*")
        if i not in claimed and not empty and not stated and spec.role in ("control", "work", "over-temperature"):
            out.append(f"{spec.name!r} was taken for a {spec.role} temperature")
    if truth["start"] is not None and reading.started is not None:
        want = truth["start"]
        want = want if want.tzinfo else want.replace(tzinfo=ZoneInfo(owner.zone))
        if abs((reading.started - want.astimezone(UTC)).total_seconds()) > 20:
            out.append(f"begins {reading.started.isoformat()}, {want.astimezone(UTC).isoformat()} expected")
    if reading.started is None:
        out.append("no start")
    if truth["span"] and owner.spans and abs(float(reading.t_s[-1]) - truth["span"]) > max(3.0, 0.002 * truth["span"]):
        out.append(f"lasts {reading.t_s[-1]:.1f} s, {truth['span']:.1f} s expected")
    return out


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--descriptions", type=Path)
    parser.add_argument("--show", nargs="*", default=None, help="only these logs, with all that was said")
    options = parser.parse_args(arguments)
    described = json.loads((options.descriptions or options.folder / "real_logs.json").read_text(encoding="utf-8"))
    counts: dict[str, Counter[str]] = {"follower": Counter(), "persistent": Counter()}
    for name, entry in {**described, **FURTHER}.items():
        path = options.folder / name
        owner = OWNERS.get(name[:3])
        if owner is None or not path.exists() or (options.show is not None and name[:3] not in options.show):
            continue
        truth = truth_of(name, entry)
        book_zone = "UTC" if owner.zone == "Etc/GMT+5" else owner.zone
        for user, start in (("follower", {}), ("persistent", owner.insists)):
            if user == "persistent" and not owner.insists:
                pass  # the same answers: nothing more to insist on
            else:
                trial = use(path, owner, book_zone, start)
                word, why = outcome(trial, owner, truth)
            counts[user][word] += 1
            print(f"{name[:36]:36} {user:10} {word:8} {why}", flush=True)
            if options.show is not None:
                print(f"  given: {trial.given}\n  " + trial.said.replace("\n", "\n  "))
    for user, count in counts.items():
        total = sum(count.values())
        print(f"{user}: {count['right'] + count['refused']} of {total} right or honestly refused; {dict(count)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

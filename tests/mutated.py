"""Recorder files with a known truth, and the ways in which they get damaged: what the mutation tests are made of."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

START = datetime(2026, 3, 14, 8, 0, 0)
ROWS, STEP_S = 40, 30


def course(i: int, k: int) -> float:
    """Sample i of channel k, °C: close to one another, and no two the same."""
    return round(24.1 + 9.7 * i + 0.3 * (i % 3) - 3.4 * k + 0.1 * ((i * (k + 3)) % 7), 1)


@dataclass
class Clean:
    """A clean file. rows maps the text of each line of data to its time (seconds from the first) and its values.

    width  cells in a whole row;  first the cell of the first value;  options  what the file leaves open
    """

    name: str
    text: str
    sep: str
    width: int
    first: int
    rows: dict[str, tuple[float, list[float]]]
    options: dict[str, Any] = field(default_factory=dict)
    decimal: str = "."
    fahrenheit: bool = False

    def value(self, cell: str) -> float | None:
        """What a cell says literally, in °C; None where it is no number."""
        try:
            number = float(cell.strip().strip('"').replace(self.decimal, "."))
        except ValueError:
            return None
        return (number - 32) / 1.8 if self.fahrenheit else number


def _made(
    name: str, head: list[str], stamp: Callable[[int], str], sep: str = ",", comma: bool = False, f: bool = False,
    first: int = 1, end: str = "\n", **options: Any,
) -> Clean:  # fmt: skip
    rows = {}
    for i in range(ROWS):
        celsius = [course(i, k) for k in range(3)]
        shown = [f"{v * 1.8 + 32 if f else v:.1f}" for v in celsius]
        line = sep.join([stamp(i), *(s.replace(".", ",") if comma else s for s in shown)])
        rows[line] = (float(i * STEP_S), [(float(s) - 32) / 1.8 if f else float(s) for s in shown])
    text = end.join([*head, *rows]) + end
    return Clean(name, text, sep, first + 3, first, rows, options, "," if comma else ".", f)


def _at(fmt: str) -> Callable[[int], str]:
    return lambda i: (START + timedelta(seconds=i * STEP_S)).strftime(fmt)


def clean_files() -> list[Clean]:
    """Files as different recorders write the same run."""
    c = "Time,Control (°C),Work 1 (°C),Work 2 (°C)"
    german = ["Ofen 2;;;", "Charge;4711;;", c.replace(",", ";")]
    fahrenheit = c.replace(",", "\t").replace("°C", "°F")
    iso = "%Y-%m-%d %H:%M:%S"
    below = ["Date Time Control Work1 Work2", "- - degC degC degC"]
    return [
        _made("plain", [c], _at(iso)),
        _made("european", german, _at("%d.%m.%Y %H:%M:%S"), ";", comma=True, end="\r\n"),
        _made("am and pm", [fahrenheit], _at("%m/%d/%Y %I:%M:%S %p"), "\t", f=True),
        _made("apart", [below[0].replace(" ", ";"), "-;-;°C;°C;°C"], _at("%d/%m/%Y;%H:%M:%S"), ";", first=2),
        _made("elapsed", [c.replace("Time", "Elapsed (s)")], lambda i: str(i * STEP_S), zero="2026-03-14T08:00"),
        _made("clock", [c], _at("%H:%M:%S"), start="2026-03-14"),
        _made("offset", [c], _at("%Y-%m-%dT%H:%M:%S+01:00")),
        _made("blanks", below, _at(iso), "   ", first=2),
        _made("months", [c], _at("%d-%b-%Y %H:%M:%S")),
        _made("pieces", ["Year,Month,Day,Hour,Minute,Second" + c[4:]], _at("%Y,%m,%d,%H,%M,%S"), first=6),
        _blocks(_made("blocks", [c], _at(iso))),
        _thousandths(),
    ]


def _blocks(made: Clean) -> Clean:
    """The same file with its heading again in front of every tenth row, a line of the batch before it."""
    head, *rows = made.text.splitlines(keepends=True)
    parts = ["".join([f"Batch {i // 10}\n" if i else "", head, *rows[i : i + 10]]) for i in range(0, ROWS, 10)]
    return replace(made, text="".join(parts))


def _thousandths() -> Clean:
    """Thousandths of a second without zeros before them: .7 is seven."""
    parts = (990, 13, 250, 7, 640, 81)
    made = _made("thousandths", ["Time,Control (°C),Work 1 (°C),Work 2 (°C)"], _at("%Y-%m-%d %H:%M:%S"))
    rows = {}
    for i, (line, (moment, values)) in enumerate(made.rows.items()):
        part = parts[i % len(parts)]
        rows[line.replace(",", f".{part},", 1)] = moment + part / 1000.0, values
    return replace(made, text="\n".join([made.text.splitlines()[0], *rows]) + "\n", rows=rows)


# line, or number of a record -> its moment (seconds from the first), its values by name
Said = dict[int, tuple[float | None, dict[str, float]]]


@dataclass
class Named(Clean):
    """A clean file whose values stand beside their names. said  what a text says, found without the reader."""

    said: Callable[[str], Said] = lambda text: {}


_MOMENT = re.compile(r"(?<!\d)(\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d)(?![\d:.])")
_BESIDE = re.compile(r"([a-z]+\d?)\s?[=:]\s*([-+]?\d+(?:[.,]\d*)?(?:[eE][-+]?\d+)?)(?![\d.])")


def _after(moment: str) -> float:
    return (datetime.fromisoformat(moment) - START).total_seconds()


def _by_line(text: str) -> Said:
    out: Said = {}
    for number, line in enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), start=1):
        found = _MOMENT.search(line)
        try:
            moment = _after(found[1]) if found else None
        except ValueError:
            moment = None
        out[number] = moment, {name: float(v.replace(",", ".")) for name, v in _BESIDE.findall(line)}
    return out


def _number(value: Any) -> float | None:
    try:
        return float(value)
    except (TypeError, ValueError):
        return None


def _record(record: Any, epoch: float) -> tuple[float | None, dict[str, float]]:
    if not isinstance(record, dict):
        return None, {}
    values = {str(k): v for k, value in record.items() if (v := _number(value)) is not None}
    time = values.pop("time", None)
    if time is None and isinstance(record.get("time"), str):
        return _by_line(record["time"])[1][0], values
    return None if time is None else time - epoch, values


def _parsed(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _by_record(text: str) -> Said:
    """An array of records, or a list a name."""
    data = _parsed(text)
    if isinstance(data, dict) and all(isinstance(v, list) for v in data.values()):
        data = [dict(zip(data, row, strict=False)) for row in zip(*data.values(), strict=False)]
    return {i: _record(r, _EPOCH) for i, r in enumerate(data, start=1)} if isinstance(data, list) else {}


def _by_object(text: str) -> Said:
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return {i: _record(_parsed(line.strip().strip("[],")), _EPOCH) for i, line in enumerate(lines, start=1)}


_EPOCH = 1_773_471_600.0  # START on the clocks of Madrid


def named_files() -> list[Named]:
    """The same run as logs, pairs and JSON have it."""
    names = ("control", "work1", "work2")
    rows = [(float(i * STEP_S), [course(i, k) for k in range(3)]) for i in range(ROWS)]
    stamps = [_at("%Y-%m-%d %H:%M:%S")(i) for i in range(ROWS)]
    roles = {"channel": ("control=control", "work*=work"), "unit": "c"}

    def made(name: str, sep: str, lines: list[str], said: Callable[[str], Said], text: str = "", **more: Any) -> Named:
        body = text or "\n".join(lines) + "\n"
        return Named(name, body, sep, 4, 1, dict(zip(lines, rows, strict=True)), {**roles, **more}, said=said)

    shown = [[f"{n}={v}" for n, v in zip(names, values, strict=True)] for _, values in rows]
    log = [f"{t} [INFO] oven: {', '.join(s)}" for t, s in zip(stamps, shown, strict=True)]
    between = "\n".join([*log[:7], "[WARN] the door was opened", *log[7:]]) + "\n"
    records = [
        {"time": int(_EPOCH + moment)} | dict(zip(names, values, strict=True)) for moment, values in rows
    ]  # fmt: skip
    objects = [json.dumps(r) for r in records]
    lists = {"time": stamps} | {n: [v[k] for _, v in rows] for k, n in enumerate(names)}
    return [
        made("log", ", ", log, _by_line, between),
        made("pairs", " ", [f"{t} {' '.join(s)}" for t, s in zip(stamps, shown, strict=True)], _by_line),
        made("objects", ", ", objects, _by_object, epoch="1970"),
        made("array", ", ", objects, _by_record, f"[{', '.join(objects)}]", epoch="1970"),
        made("array of lines", ", ", objects, _by_object, "[" + ",\n".join(objects) + "]", epoch="1970"),
        made("lists", ", ", objects, _by_record, json.dumps(lists)),
    ]


SIGNS = "0123456789.,;:-/ \t\"'xC°F+eE\n"
ODD_CELLS = (
    "nan", "inf", "-inf", "1e400", "1e-400", "9999", "----", "OPEN", "xyz", "1e5", "12345678901234567890", "-0",
    "0x10", "1_000", "\u0663\u0664\u0665", "\uff11\uff12\uff13", "1.2.3", "1,2", "12 3", "=1+1", "TRUE", "#DIV/0!",
    "", "\x1b[31m", "½", "3.4e", "+",
)  # fmt: skip


def _lines(text: str) -> list[str]:
    return text.splitlines(keepends=True)


def mutate(clean: Clean, seed: int) -> tuple[str, str]:
    """(what was done, the damaged text). The same seed gives the same."""
    rng = random.Random(f"{clean.name} {seed}")
    text = clean.text
    if rng.random() < 0.25:  # two at once
        text = _once(clean, text, rng)[1]
    what, text = _once(clean, text, rng)
    return what, text


def _once(clean: Clean, text: str, rng: random.Random) -> tuple[str, str]:
    lines = _lines(text) or ["\n"]
    at = rng.randrange(len(lines))
    spot = rng.randrange(max(1, len(text)))
    body = lines[at].rstrip("\r\n")
    end = lines[at][len(body) :]
    cells = body.split(clean.sep)
    cell = rng.randrange(len(cells))

    def row(new: list[str]) -> str:
        return "".join([*lines[:at], clean.sep.join(new) + end, *lines[at + 1 :]])

    def moved(order: list[str]) -> str:
        return "".join(order)

    other = rng.randrange(len(lines))
    without = [*lines[:at], *lines[at + 1 :]]
    choices: dict[str, Callable[[], str]] = {
        "sign replaced": lambda: text[:spot] + rng.choice(SIGNS) + text[spot + 1 :],
        "sign lost": lambda: text[:spot] + text[spot + 1 :],
        "sign added": lambda: text[:spot] + rng.choice(SIGNS) + text[spot:],
        "line lost": lambda: moved(without),
        "line twice": lambda: moved([*lines[: at + 1], *lines[at:]]),
        "line elsewhere": lambda: moved([*without[:other], lines[at], *without[other:]]),
        "line elsewhere too": lambda: moved([*lines[:other], lines[at], *lines[other:]]),
        "cell lost": lambda: row([*cells[:cell], *cells[cell + 1 :]]),
        "cell twice": lambda: row([*cells[: cell + 1], *cells[cell:]]),
        "cell added": lambda: row([*cells[:cell], "", *cells[cell:]]),
        "cells swapped": lambda: row([*cells[:cell], *reversed(cells[cell : cell + 2]), *cells[cell + 2 :]]),
        "cell blank": lambda: row([*cells[:cell], "", *cells[cell + 1 :]]),
        "cell odd": lambda: row([*cells[:cell], rng.choice(ODD_CELLS), *cells[cell + 1 :]]),
        "cut off": lambda: text[:spot],
        "beginning lost": lambda: text[spot:],
        "twice": lambda: text + text,
        "line end lost": lambda: moved([*lines[:at], body, *lines[at + 1 :]]),
        "block lost": lambda: text[:spot] + text[spot + rng.randrange(2, 200) :],
        "block twice": lambda: text[: spot + rng.randrange(2, 200)] + text[spot:],
        "heading again": lambda: moved([*lines[:other], lines[0], *lines[other:]]),
        "column lost": lambda: _column(clean, lines, cell, lambda c: []),
        "column twice": lambda: _column(clean, lines, cell, lambda c: [c, c]),
        "column odd": lambda: _column(clean, lines, cell, lambda c: [rng.choice(ODD_CELLS)]),
        "columns joined": lambda: text.replace(clean.sep, rng.choice(SIGNS), rng.choice((1, 5, 10_000))),
        "marks changed": lambda: text.replace(clean.decimal, rng.choice(".,;' "), rng.choice((1, 5, 10_000))),
    }
    what = rng.choice(sorted(choices))
    return what, choices[what]()


def _column(clean: Clean, lines: list[str], cell: int, new: Callable[[str], list[str]]) -> str:
    out = []
    for line in lines:
        body = line.rstrip("\r\n")
        cells = body.split(clean.sep)
        if cell < len(cells):
            cells[cell : cell + 1] = new(cells[cell])
        out.append(clean.sep.join(cells) + line[len(body) :])
    return "".join(out)

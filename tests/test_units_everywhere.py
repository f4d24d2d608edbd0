"""Every command on one small book in both unit systems: what it says to people is in the book's units, and in no other.

The commands come from the command line itself: one that is not called here fails the test. Keys and figures of the
machines' formats (JSON, CSV) stay in the units kept inside; sentences in them are the reader's.
"""

from __future__ import annotations

import json
import re
import subprocess
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import numpy as np
import pytest

from loadbook.analysis.trace.model import Trace
from loadbook.cli.main import cli
from loadbook.queries.recompute import recompute
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .answerbook import ORDER, UNITS, tables
from .judgedbook import book_with, put_run
from .shops import SETTINGS, Shop
from .test_clauses_vacuum import CYCLE, Load

SYSTEMS = ("us", pytest.param("si", marks=pytest.mark.thorough))
Command = Callable[..., subprocess.CompletedProcess[str]]

# what may not be read in a book of the system; a figure stands before a unit that is also a word
STRAY = {
    "us": re.compile(
        r"°C|µm|μm|\bmbar\b|(?<=\d) ?(?:mm|cm|K|um|kPa|hPa|Pa)\b(?!-)|(?<![\w-])(?:mm|um)\b(?! ?Hg)"
        r"|\bc_diff\b|\b(?:[a-z]\w*_)?c_per_h\b|\b[a-z]\w*_(?:c|mm|um|mbar|kg)\b"
    ),
    "si": re.compile(
        r"°F|\b[a-z]\w*_(?:f|in|thou|torr|lb)\b|\btorr\b|\bmicrons?\b|\bthou\b|thousandths|0\.001 in\b|\bBtu\b|f_per_h"
        r"|(?<=\d) in\b(?! (?:run|the|all|each|every|segment|one|a|10|R-\w+)\b)"
    ),
}
# what is no text of the program for the reader of this book, by command, and why
ALLOWED = {
    "explain": "the vocabulary defines what is kept inside; it is asked for outside of any book",
    "template": "a file's columns carry the unit in which they are typed, chosen with --units",
    "demo": "says the units of the demo book that it makes",
    "new": "names the choice itself",
    "trace layout show": "a layout is the shop's own description of its recorder's file",
    "sql": "columns of the book as they are kept; their names carry the unit",
    "export": "the book's rows as they are kept; their names carry the unit",
    "group sql": "as sql",
    "group effect": "its own sentences still begin with keys, which end in the unit kept inside",
    "page book": "writes the other pages into a folder",
    "group publish": "says counts of files only",
    "restore": "says names of files only",
    "watch drop": "says the folder's name only",
}


def detached(trace: Trace) -> Trace:
    """One work TC that jumps, one that freezes and one that comes off, so that evidence has figures to say."""
    values = trace.values.copy()
    work = trace.rows("work")
    hours = trace.t_s / 3600.0
    values[work[0], (hours > 3.0) & (hours < 4.2)] -= 25.0
    stuck = (hours > 2.0) & (hours < 3.5)
    values[work[1], stuck] = values[work[1], int(np.argmax(stuck))]
    return Trace(trace.t_s, values, trace.flags, trace.channels, trace.events, trace.run, trace.started)


def make_book(path: Path, units: str) -> BookFolder:
    """Runs kept, broken and with faults, without a cycle, on paper; a history of movement to answer from."""
    book = book_with(path, CYCLE, units)
    put_run(book, CYCLE, Load().trace(), "R-kept")
    put_run(book, CYCLE, Load(door_f=262.0, fast_cool=(1100.0, 1030.0, 150.0)).trace(), "R-broken")
    put_run(book, CYCLE, detached(Load().trace()), "R-faults")
    put_run(book, None, Load().trace(), "R-no-cycle")
    drawn = Shop("setup", 24, 6, seed=3).history()
    history = tables(drawn, 0.002)
    history["part"] = [{**row, "customer": "C"} for row in history["part"]]
    read = {"gauge": "G1", "held": "free", "datum": "A", "surface": "cleaned", "already_at_20c": 1, "repeat": 1}
    reading = {"part": "00123", "serial": "007", "characteristic": "bore", "run": "R-kept", **read}
    with book.write() as conn:
        add_intake(conn, "test", {name: history[name] for name in ORDER}, rows_read=1)
        conn.executemany(
            "INSERT INTO parameter (run, parameter, value, unit, source) VALUES (?, ?, ?, ?, 'asked')",
            [
                (r.run, name, float(getattr(r, name)), UNITS.get(name, "c_per_h"))
                for r in drawn.drop_duplicates("run").itertuples() for name in SETTINGS
            ],
        )  # fmt: skip
        add_intake(
            conn, "test",
            {
                "characteristic": [{"part": "00123", "characteristic": "bore", "kind": "inside diameter", "scale": "um",
                                    "nominal_mm": 80.0, "lower_mm": 79.9, "upper_mm": 80.1}],
                "reading": [{**reading, "stage": "before", "value_mm": 80.01}, {**reading, "stage": "after",
                                                                               "value_mm": 80.034}],
                "approval": [{"run": "R-kept", "role": "metallurgist", "person": "A B", "decision": "accepted",
                              "at": "2026-03-04T10:00:00Z"}],
            },
            rows_read=1,
        )  # fmt: skip
    for one in recompute(book, ["R-kept", "R-broken", "R-faults", "R-no-cycle"]):
        assert one.damage is None
    return book


@pytest.fixture(scope="module", params=SYSTEMS)
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, BookFolder, Path]:
    folder = tmp_path_factory.mktemp(f"units-{request.param}")
    return request.param, make_book(folder / "book", request.param), folder


def commands(group: click.Group = cli, path: str = "") -> Iterator[str]:
    """Every command of the command line, as it is typed."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found, full = group.get_command(context, name), f"{path} {name}".strip()
        if isinstance(found, click.Group):
            yield from commands(found, full)
        else:
            yield full


CHART = """Time,TC 1,TC 2,P
2026-03-02 08:00:00,70.5,71.5,1000
2026-03-02 08:00:30,90.5,91.5,900
2026-03-02 08:01:00,110.5,111.5,800
2026-03-02 08:01:30,130.5,131.5,700
"""
READING = ("--unit", "{degree}", "--channel", "TC 1=control", "--channel", "TC 2=work",
           "--channel", "P=pressure,{pressure}")  # fmt: skip

# a command -> the words behind it, once or several times; {names} are files of the test's folder
CALLS: dict[str, list[list[str]]] = {
    "new": [["{folder}/made-new", "--units", "{units}"]],
    "demo": [],
    "template": [["parts", "--units", "{units}"]],
    "take": [["gauges", "{folder}/gauges.csv"]],
    "add": [["gauges", "gauge=G-7", "kind=micrometer", "resolution_um=1"]],
    "amend": [["parts", "00123", "section_thick_{length}={thick}", "--why", "drawing"]],
    "list": [[kind] for kind in ("runs", "parameters", "findings", "readings", "parts", "cycles", "furnaces", "gauges",
                                 "channels", "characteristics", "pieces")],
    "show": [["run", "R-broken"], ["piece", "R-kept"], ["part", "00123"], ["furnace", "F2"], ["cycle", CYCLE.cycle]],
    "find": [["frozen"], ["noise"]],
    "trace look": [["{folder}/chart.csv", *READING]],
    "trace take": [["{folder}/chart.csv", "--run", "R00001", *READING]],
    "trace layout list": [[]],
    "trace layout save": [["furnace 2", "{folder}/chart.csv", *READING]],
    "trace layout show": [],
    "judge": [[], *([run, "--every"] for run in ("R-kept", "R-broken", "R-faults", "R-no-cycle")),
              ["R-faults", "--format", "json"]],
    "confirm fault": [["R-faults", "TC 2", "--kind", "frozen", "--decision", "confirmed", "--person", "A B",
                       "--why", "stuck input"]],
    "confirm reading": [["1", "--decision", "refused", "--person", "A B", "--why", "read again"]],
    "cycle plan": [["00123", "--cycle", CYCLE.cycle, "--max-lag", "20 F diff"],
                   ["00123", "--cycle", CYCLE.cycle, "--film", "50"],
                   ["00123", "--cycle", CYCLE.cycle, "--section", "40 x 60 mm", "--yield", "100 ksi", "--yield",
                    "150 MPa at 600 C", "--modulus", "30 msi", "--max-sag", "2 mil"]],
    "cycle review": [[CYCLE.cycle], [CYCLE.cycle, "--format", "json"]],
    "moved": [[], ["--by", "setup"]],
    "needs": [[]], "precheck": [["R-kept"], ["R-faults"]], "keep-links": [["{folder}/kept.links"]],
    "follow": [["{folder}/chart.csv", "--run", "R00002", "--once", *READING]],
    "effect": [["--companions", "--asked"], ["--of", "Heating rate, peak", "--asked"],
               ["--asked", "--format", "json"]],
    "answer": [["--part", "{part}"], ["--part", "{part}", "--with", "heating rate=100 F/h"],
               ["--part", "{part}", "--with", "hold temperature=600 C", "--format", "json"]],
    "trial": [["outside diameter", "--of", "heating rate", "--runs", "3", "--low", "100 F/h", "--high", "250 F/h"]],
    "choose": [["--part", "{part}", "--tolerance", "0.2 mm"]], "shop": [["--name", "A"], []],
    "backtest": [[]],
    "chart effect": [["--of", "Heating rate, peak", "--asked"]], "chart moved": [[]], "chart run": [["R-kept"]],
    "report": [["broken_clauses"], ["month_summary"], ["furnaces_compared"], ["heating_rate_bands"], ["worst_movers"]],
    "sql": [],
    "page answer": [["{answer}"]], "page month": [["2026-03"]],
    "page run": [["R-faults"], ["R-broken"]], "page precheck": [["R-kept"]], "page part": [["{part}"], ["00123"]],
    "page piece": [["00123", "007"]], "page customer": [["C"]], "page furnace": [["F2"]], "page book": [],
    "export": [["2026-03"]],
    "explain": [],
    "recompute": [["R-kept"]],
    "group answer": [["{folder}/group", "--part", "{part}"]], "group effect": [["{folder}/group", "--asked"]],
    "group moved": [["{folder}/group"]],
    "group plants": [["{folder}/group"], ["{folder}/group", "--month", "2026-03"]], "group publish": [],
    "group recompute": [["{folder}/group"]],
    "group report": [["{folder}/group", "furnaces_compared"], ["{folder}/group", "movement_by_setup"]],
    "group sql": [], "group verify": [["{folder}/group"]],
    "verify": [[]],
    "watch add": [["{folder}", "--furnace", "F2", "--names", "nothing*"]], "watch list": [[]], "watch drop": [],
    "watch run": [["{folder}", "--furnace", "F2", "--names", "nothing*", "--once"]], "watch status": [[]],
    "backup": [["{folder}/copy"]],
    "pack": [["--before", "2027-01"]],
    "restore": [],
    "upgrade": [[]],
}  # fmt: skip


def test_every_command_is_walked() -> None:
    """The table above is the command line's own tree."""
    assert sorted(CALLS) == sorted(commands())


def strays(text: str, system: str) -> list[str]:
    """What stands in a text in the other system's units, with the words around it."""
    return [text[max(0, m.start() - 50) : m.end() + 20].replace("\n", " ") for m in STRAY[system].finditer(text)]


def read_file(path: Path) -> str:
    """What a reader of a file reads: a page without its markup, style and program; every text of a workbook."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            names = [n for n in book.namelist() if n.endswith(".xml") and "styles" not in n and "theme" not in n]
            return "\n".join(re.sub(r"<[^>]*>", " ", book.read(n).decode("utf-8")) for n in names)
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"<(style|script)\b.*?</\1>", " ", text, flags=re.S)
    return re.sub(r"<[^>]*>", " ", text)


@pytest.mark.parametrize("command", sorted(set(CALLS) - set(ALLOWED)))
def test_no_stray_unit(command: str, made: tuple[str, BookFolder, Path], inside: Command, tmp_path: Path) -> None:
    system, book, folder = made
    (folder / "chart.csv").write_text(CHART, encoding="utf-8")
    (folder / "gauges.csv").write_text("gauge,kind,resolution_um\nG-8,micrometer,1\n", encoding="utf-8")
    target = folder / "group"
    if command.startswith("group ") and not target.exists():
        done = inside("group", "publish", str(target), "--plant", "P1", "--book", str(book.path))
        assert done.returncode == 0, done.stderr
    part = book.read().execute("SELECT part FROM part WHERE part <> '00123' ORDER BY part").fetchone()[0]
    degree, pressure, length = ("f", "torr", "in") if system == "us" else ("c", "mbar", "mm")
    names = {
        "length": length,
        "answer": "",
        "degree": degree,
        "pressure": pressure,
        "folder": str(folder),
        "units": system,
        "thick": "1.6" if system == "us" else "41",
        "part": part,
    }
    if command == "page answer":
        saved = inside("answer", "--part", part, "--save", "--book", str(book.path))
        names["answer"] = str(book.read().execute("SELECT max(answer_id) FROM answer").fetchone()[0])
        assert saved.returncode == 0, saved.stderr
    for number, words in enumerate(CALLS[command]):
        given = [w.format(**names) if "{" in w else w for w in words]
        output = tmp_path / f"out{number}"
        if command.startswith("page "):
            output = output.with_suffix(".html")
            given += ["--output", str(output)]
        elif command == "export":
            output = output.with_suffix(".xlsx")
            given += ["--output", str(output)]
        if "--book" not in given and command not in ("new", "demo", "template") and not command.startswith("group "):
            given += ["--book", str(book.path)]
        done = inside(*command.split(), *given)
        assert done.returncode in (0, 3), f"{command} {given}: {done.stderr}"
        said = done.stdout
        if "json" in given:
            said = "\n".join(_sentences(json.loads(done.stdout)))
        if output.exists():
            said += read_file(output)
        assert not strays(said + done.stderr, system), f"{command} {given} in a book of {system} units"
        # nor a figure of a sentence that nobody filled in, nor a character that a page had to make visible
        assert not re.search(r"\{-?[\w. ]+\}|\\x[0-9a-f]{2}|\\u[0-9a-f]{4}", said), f"{command} {given}"


def _sentences(value: object) -> Iterator[str]:
    """The texts for people in JSON: what has words in it, beside codes, keys and names."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if key not in ("code", "codes", "figures", "unit"):
                yield from _sentences(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _sentences(inner)
    elif isinstance(value, str) and " " in value:
        yield value

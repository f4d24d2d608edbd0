"""A damaged recorder file never gives a wrong number: it is refused, asked about, or read as what still stands in it.

Each clean file's truth is known line by line. After damage, every line that is whole must come out with its own time
and values; of a damaged line only what its own cells literally say, or nothing.
"""

from __future__ import annotations

import io
import random
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from loadbook.analysis.trace.model import DUPLICATE_TIME
from loadbook.core.errors import LoadbookError
from loadbook.readers.recorder.layout import Layout
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.read import Read, lasting, look
from loadbook.readers.recorder.source import Source, open_source

from .mutated import ROWS, START, STEP_S, Clean, Named, clean_files, course, mutate, named_files
from .otherbooks import ERROR, Formula, ods, xls
from .thinned import thinned

MADRID = ZoneInfo("Europe/Madrid")
FILES = {c.name: c for c in (*clean_files(), *named_files())}
ZERO = START.replace(tzinfo=MADRID).astimezone(UTC)


def read(data: bytes, options: Options, layout: Layout | None = None) -> Read | str:
    """What is read, or 'refused' or 'asked'."""
    try:
        found = look(Source("chart", data), options, layout=layout, zone=MADRID)
    except LoadbookError as exc:
        assert len(str(exc)) < 20_000
        return "refused"
    return "asked" if found.questions else found


def cells_of(line: str, clean: Clean) -> list[str]:
    return line.split(clean.sep) if clean.sep.strip() or clean.sep == "\t" else line.split()


def digits_of_time(line: str, clean: Clean) -> int:
    return sum(c.isdecimal() for cell in cells_of(line, clean)[: clean.first] for c in cell)


def wrong(clean: Clean, text: str, found: Read) -> list[str]:
    """Every number of a reading that its file does not hold."""
    reading = found.reading
    assert reading.started is not None
    if clean.sep != "," and "." not in text:
        clean = replace(clean, decimal=",")  # every mark in it was changed
    filled_in = any("filling in the blanks" in n for n in found.notes)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    widths = Counter(len(cells_of(x, clean)) for x in lines)
    usual = digits_of_time(next(iter(clean.rows)), clean)
    out, met = [], set()
    for k, number in enumerate(reading.lines):
        line, values = lines[number - 1], reading.values[:, k]
        at = (reading.started - ZERO + timedelta(seconds=float(reading.t_s[k]))).total_seconds()
        if line in clean.rows:
            met.add(line)
            moment, true = clean.rows[line]
            if abs(at - moment) > 1e-3:
                out.append(f"line {number} {line!r} stands at {at} s")
            if len(values) == len(true) and not np.allclose(values, true, atol=1e-6):
                out.append(f"line {number} {line!r} came out as {values.tolist()}")
            elif not all(np.isclose(true, v, atol=1e-6).any() for v in values if not np.isnan(v)):
                out.append(f"line {number} {line!r} holds no {values.tolist()}")
            continue
        cells = cells_of(line, clean)
        while len(cells) > clean.width == widths.most_common(1)[0][0] and not cells[-1].strip():
            cells.pop()
        said = [clean.value(c) for c in cells]
        if len(cells) == clean.width and len(values) == 3:
            good = [
                np.isnan(v) or (w is not None and abs(v - w) < 1e-6) for v, w in zip(values, said[-3:], strict=True)
            ]
            if not filled_in and not all(good):
                out.append(f"line {number} {line!r} does not say {values.tolist()}")
        elif widths[len(cells)] < 0.4 * len(lines) and number < len(lines) and not np.isnan(values).all():
            out.append(f"line {number} {line!r} has another width, and gave {values.tolist()}")
        timed = clean.name not in ("elapsed", "blanks", "thousandths") and len(cells) == clean.width
        its_own = any(
            abs(at - moment) < 1e-3 and len(values) == len(true) and np.allclose(values, true)
            for moment, true in clean.rows.values()
        )
        if timed and digits_of_time(line, clean) != usual and not its_own:
            out.append(f"line {number} {line!r} was read as {at} s")
    lost = [x for x in lines if x in clean.rows and x not in met]
    said_so = reading.counts.duplicates + reading.counts.repeated > 0 or any("left out" in n for n in found.notes)
    if lost and not said_so and not filled_in:
        out.append(f"{len(lost)} whole lines are gone without a word, such as {lost[0]!r}")
    flagged = int((reading.flags & DUPLICATE_TIME > 0).any(axis=0).sum())
    above = sum(int(n.split()[0]) for n in found.notes if "above the heading" in n)
    if len(set(lost)) > flagged + above and not filled_in:
        out.append(f"{len(set(lost))} whole lines are gone, {flagged} times flagged")
    return out


def wrong_beside_its_name(clean: Named, text: str, found: Read) -> list[str]:
    """Every number of a reading that its line or record does not hold beside that name, or at that time."""
    reading, said, out = found.reading, clean.said(text), []
    assert reading.started is not None
    zero = (reading.started - ZERO).total_seconds()
    filled_in = any("filling in the blanks" in n for n in found.notes)
    own = {moment for moment, _ in clean.rows.values()}
    met = set()
    for k, number in enumerate(reading.lines):
        moment, values = said.get(int(number), (None, {}))
        at = zero + float(reading.t_s[k])
        met.add(int(number))
        if (moment is None and round(at, 3) not in own) or (moment is not None and abs(at - moment) > 1e-3):
            out.append(f"line {number} stands at {at} s, and says {moment}")
        beside = [v for m, v in said.values() if m is not None and abs(m - at) < 1e-3] if filled_in else [values]
        for channel, value in zip(reading.channels, reading.values[:, k], strict=True):
            if not np.isnan(value) and not any(abs(v.get(channel.name, np.inf) - value) < 1e-6 for v in beside):
                out.append(f"line {number} has no {channel.name} = {value}")
    whole = [
        n for n, (moment, values) in said.items() if moment is not None and {"control", "work1", "work2"} <= {*values}
    ]
    lost = [n for n in whole if n not in met]
    told = reading.counts.duplicates + reading.counts.repeated > 0 or any("left out" in n for n in found.notes)
    if lost and not told and not filled_in:
        out.append(f"{len(lost)} whole lines are gone without a word, such as {lost[0]}")
    return out


def hunt(name: str, seeds: range) -> Counter[str]:
    clean = FILES[name]
    plain = Options.named(**clean.options)
    settled = read(clean.text.encode(), plain)
    faults_of = wrong_beside_its_name if isinstance(clean, Named) else wrong
    assert isinstance(settled, Read) and not faults_of(clean, clean.text, settled)
    layout = lasting(settled, "kept")
    told: Counter[str] = Counter()
    for seed in seeds:
        what, text = mutate(clean, seed)
        for kept in (None, layout):
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                found = read(text.encode("utf-8", "replace"), plain, kept) if text.strip() else "refused"
            told[found if isinstance(found, str) else "read"] += 1
            if isinstance(found, Read):
                faults = faults_of(clean, text, found)
                assert not faults, f"{name}, seed {seed}, {what}, layout {kept is not None}: {faults}\n{found.notes}"
    return told


@pytest.mark.parametrize("name", thinned(FILES, 2))
def test_a_damaged_file_gives_no_wrong_number(name: str) -> None:
    told = hunt(name, range(25))
    assert told["read"] and told["refused"], told


@pytest.mark.long
@pytest.mark.parametrize("name", FILES)
def test_a_damaged_file_gives_no_wrong_number_at_length(name: str) -> None:
    told = hunt(name, range(25, 2025))
    print(f"\n{name}: {dict(told)}")


def sheet(rng: random.Random | None) -> tuple[bytes, set[tuple[int, int]]]:
    """A workbook of the same run, with some cells damaged: its bytes and the places that were."""
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    page = book.add_worksheet("Data")
    moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    for column, name in enumerate(("Time", "Control (°C)", "Work 1 (°C)", "Work 2 (°C)")):
        page.write_string(0, column, name)
    for i in range(ROWS):
        page.write_datetime(i + 1, 0, START + timedelta(seconds=i * STEP_S), moment)
        for k in range(3):
            page.write_number(i + 1, k + 1, course(i, k))
    touched = set()
    for _ in range(rng.randrange(1, 4) if rng else 0):
        assert rng is not None
        row, column = rng.randrange(ROWS + 2), rng.randrange(5)
        touched.add((row, column))
        write, *values = rng.choice(
            [
                (page.write_string, rng.choice(("", "x", "OPEN", "20,5", "1e400", "2026-03-14", "="))),
                (page.write_boolean, True),
                (page.write_formula, "=1/0", None, "#DIV/0!"),
                (page.write_formula, "=A1", None, ""),
                (page.write_number, rng.choice((-1e300, 1e308, 0.0, 46095.0, -40.0))),
                (page.write_datetime, datetime(2026, 3, 14), moment),
                (page.write_blank, None, moment),
            ]
        )
        write(row, column, *values)
    book.close()
    return out.getvalue(), touched


def test_a_damaged_workbook_gives_no_wrong_number() -> None:
    whole = read(sheet(None)[0], Options())
    assert isinstance(whole, Read)
    true = whole.reading.values
    told: Counter[str] = Counter()
    for seed in range(60):
        data, touched = sheet(random.Random(seed))
        found = read(data, Options())
        told[found if isinstance(found, str) else "read"] += 1
        if isinstance(found, str) or found.reading.values.shape[0] != 3:
            continue
        for k, row in enumerate(found.reading.lines):
            for channel in range(3):
                value = found.reading.values[channel, k]
                if (row - 1, channel + 1) not in touched and 2 <= row <= ROWS + 1:
                    assert value == true[channel, row - 2], (seed, row, channel, touched)
    assert told["read"] and told["refused"] + told["asked"], told


@pytest.mark.parametrize("make", [xls, ods])
def test_a_damaged_workbook_of_another_form_gives_no_wrong_number(make: Callable[..., bytes]) -> None:
    rows: list[list[Any]] = [["Time", "Control (°C)", "Work 1 (°C)", "Work 2 (°C)"]]
    rows += [[START + timedelta(seconds=i * STEP_S), *(course(i, k) for k in range(3))] for i in range(ROWS)]
    told: Counter[str] = Counter()
    for seed in range(60):
        rng = random.Random(seed)
        damaged, touched = [list(r) for r in rows], set()
        for _ in range(rng.randrange(1, 4)):
            row, column = rng.randrange(ROWS + 1), rng.randrange(4)
            touched.add((row, column))
            damaged[row][column] = rng.choice(
                [None, "", "x", "OPEN", "20,5", True, ERROR, 1e300, 0.0, 46095.0, START, Formula(-40.0)]
            )
        if rng.random() < 0.3:
            gone = rng.randrange(1, ROWS)
            del damaged[gone]
            touched = {(r - (r > gone), c) for r, c in touched}
        found = read(make({"Data": damaged}), Options())
        told[found if isinstance(found, str) else "read"] += 1
        if isinstance(found, str) or found.reading.values.shape[0] != 3:
            continue
        for k, line in enumerate(found.reading.lines):
            for channel in range(3):
                value, cell = found.reading.values[channel, k], damaged[line - 1][channel + 1]
                assert (line - 1, channel + 1) in touched or value == cell, (seed, line, channel)
    assert told["read"] and told["refused"] + told["asked"], told


def test_files_of_the_folder_cut_anywhere_never_end_in_a_fault() -> None:
    """Every clean fixture, cut at places spread through it: an answer or one of our errors, no other."""
    from .test_recorder_files import FOLDER, INDEX, options_of

    rng = random.Random(7)
    for entry in INDEX:
        if "error" in entry:
            continue
        data = open_source(FOLDER / entry["file"]).data
        for _ in range(4):
            cut = data[: rng.randrange(1, len(data))]
            if cut.strip(b"\x00\xff\xfe \r\n"):
                read(cut, options_of(entry))

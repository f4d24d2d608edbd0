"""Every file of fixtures/recorders comes out exactly as index.toml says, or stops with exactly that error."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from loadbook.core import times
from loadbook.core.errors import LoadbookError
from loadbook.readers.recorder.layout import Layout, from_toml
from loadbook.readers.recorder.normalise import normalise
from loadbook.readers.recorder.options import Options, stop
from loadbook.readers.recorder.read import Read, lasting, look, read_raw
from loadbook.readers.recorder.source import Source, open_source
from loadbook.readers.recorder.start_said import start_of

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "recorders"
INDEX: list[dict[str, Any]] = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))["file"]
MADRID = ZoneInfo("Europe/Madrid")
COUNTED = ("missing", "open", "repeated", "duplicates", "backwards", "gaps")


def options_of(entry: dict[str, Any]) -> Options:
    given = {k: tuple(v) if isinstance(v, list) else v for k, v in entry.get("options", {}).items()}
    return Options.named(**given)


def taken(source: Source, options: Options, layout: Layout | None = None) -> Read:
    read = look(source, options, layout=layout, zone=MADRID)
    stop(read.questions, source.name)
    return read


def compare(read: Read, entry: dict[str, Any]) -> None:
    reading = read.reading
    assert reading.started is not None
    assert times.stored(reading.started) == entry["start"]
    assert (reading.counts.rows, reading.counts.samples) == (entry["rows"], entry["samples"])
    assert [f"{c.name} {c.role} {c.quantity} {c.unit_read}" for c in reading.channels] == entry["channels"]
    assert reading.t_s[0] == 0.0
    assert reading.t_s[-1] == entry["seconds"]
    assert (np.diff(reading.t_s) > 0).all()
    np.testing.assert_allclose(reading.values[:, 0], entry["first"], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(reading.values[:, -1], entry["last"], rtol=1e-9, atol=1e-9)
    expected = dict.fromkeys(COUNTED, 0) | entry.get("counts", {})
    assert {name: getattr(reading.counts, name) for name in COUNTED} == expected
    flagged = (reading.flags & 3) > 0
    assert (np.isnan(reading.values) == flagged).all()
    assert set(entry.get("notes", [])) <= set(read.notes)


@pytest.mark.parametrize("entry", INDEX, ids=[f"{e['file']}: {e['about']}"[:60] for e in INDEX])
def test_file(entry: dict[str, Any]) -> None:
    if "error" in entry:
        with pytest.raises(LoadbookError) as caught:
            taken(open_source(FOLDER / entry["file"]), options_of(entry))
        assert str(caught.value) == entry["error"]
    else:
        compare(taken(open_source(FOLDER / entry["file"]), options_of(entry)), entry)


@pytest.mark.parametrize("entry", [e for e in INDEX if "error" not in e], ids=lambda e: str(e["file"]))
def test_file_by_its_kept_layout(entry: dict[str, Any]) -> None:
    """Once settled and kept as TOML, the layout alone reads the file, and gives the same."""
    source = open_source(FOLDER / entry["file"])
    options = options_of(entry)
    kept = from_toml(lasting(taken(source, options), "kept").to_toml())
    own = Options(start=options.start, fold=options.fold, zero=options.zero, stretch=options.stretch)
    compare(taken(source, own, kept), entry)


@pytest.mark.parametrize("entry", [e for e in INDEX if "error" not in e], ids=lambda e: str(e["file"]))
def test_quick_and_careful_reading_agree(entry: dict[str, Any]) -> None:
    source, options = open_source(FOLDER / entry["file"]), options_of(entry)
    layout = taken(source, options).layout
    start = start_of(source, layout)[0] if options.start == "file" else options.start
    both = [
        normalise(
            read_raw(source, layout, careful=careful),
            layout,
            start=start,
            zero=options.zero,
            stretch=options.stretch,
            fold=options.fold,
            zone=MADRID,
        )
        for careful in (False, True)
    ]
    np.testing.assert_array_equal(both[0].values, both[1].values)
    np.testing.assert_array_equal(both[0].flags, both[1].flags)
    np.testing.assert_array_equal(both[0].t_s, both[1].t_s)
    np.testing.assert_array_equal(both[0].lines, both[1].lines)
    assert both[0].started == both[1].started
    assert both[0].channels == both[1].channels


def test_index_covers_every_file_and_the_files_are_what_the_script_makes(tmp_path: Path) -> None:
    names = {p.name for p in FOLDER.iterdir() if p.name[:2].isdigit()}
    assert names == {e["file"] for e in INDEX}
    assert len(names) >= 30
    import importlib.util

    spec = importlib.util.spec_from_file_location("make_recorders", FOLDER / "make.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.HERE = tmp_path
    for make in module.MAKERS:
        make()
    for name in sorted(names):
        if not name.endswith(".xlsx"):  # a zip holds the time it was made
            assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes(), name


def test_a_formula_value_of_the_index_is_right() -> None:
    """The course that make.py states, against two lines of the index worked by hand."""
    by_name = {e["file"]: e for e in INDEX if "error" not in e}
    assert math.isclose(by_name["07_thousands.csv"]["last"][0], (1042.5 - 32) / 1.8, abs_tol=1e-8)
    assert math.isclose(by_name["51_vacuum.csv"]["first"][2], 1333.22368421, abs_tol=1e-7)

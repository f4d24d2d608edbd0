"""Values made to harm come out as text: in every format, in errors and notes, in file names and in the workbook."""

from __future__ import annotations

import csv
import io
import json
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from loadbook.cli.main import cli
from loadbook.render.tables import csv_cell, emit, exact, plain
from loadbook.store.book import BookFolder

HOSTILE = {
    "formula": "=HYPERLINK(\"http://x\",\"y\")", "sum": "@SUM(1)", "plus": "+1+cmd|' /C calc'!A0", "minus": "-2+3",
    "tab": "\t=1+1", "return": "\r=1+1", "line": "\n=1+1", "wide": "\uff1d1+1", "blank first": " =1+1",
    "colour": "\x1b[31mred\x1b[0m", "title": "\x1b]0;owned\x07", "c1": "\x9b31m", "bell": "\x07\x08\x7f",
    "markup": "[bold red]x[/] [/x] [link=http://x]y[/link]", "html": "<script>alert(1)</script>&lt;b&gt;\"'",
    "markdown": "a|b `c` *d* _e_ ![x](javascript:1) ~~f~~ $g$ \\ # h", "direction": "\u202egnp.exe\u2066\u200b",
    "nul": "a\x00b", "lone": "\udcff\ud800", "quotes": "'\"; DROP TABLE run; --", "path": "../../etc/passwd",
    "long": "x" * 40_000, "emoji": "\U0001f468\u200d\U0001f527",
}  # fmt: skip
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d")


def steers(text: str) -> set[str]:
    """Characters of a text that a terminal would act on, or that turn its direction."""
    return {c for c in text if not c.isprintable() and c not in "\n\t"}


def listing(fmt: str | None, *, names: list[str] | None = None) -> str:
    out = io.StringIO()
    rows = [[name, value] for name, value in HOSTILE.items()]
    emit(names or ["name", "value"], rows, fmt, title=HOSTILE["colour"], note=None, out=out)
    return out.getvalue()


@pytest.mark.parametrize("fmt", ["table", "csv", "json", "ndjson", "markdown"])
def test_no_format_lets_a_value_steer_the_terminal(fmt: str) -> None:
    assert not steers(listing(fmt))
    assert not steers(listing(fmt, names=["na\x1b[31mme", "=\x9bcmd()"]))


def test_json_gives_every_value_back_exactly() -> None:
    assert {r["name"]: r["value"] for r in json.loads(listing("json"))} == HOSTILE
    assert {r["name"]: r["value"] for r in map(json.loads, listing("ndjson").splitlines())} == HOSTILE


def test_csv_holds_no_formula_and_one_row_a_row() -> None:
    """The choice: a leading apostrophe, as spreadsheets show it to be text. Numbers are numbers, also below zero."""
    header, *rows = csv.reader(io.StringIO(listing("csv", names=["=name", "@value"])))
    assert header == ["'=name", "'@value"]
    assert [r[0] for r in rows] == list(HOSTILE)
    for _, value in rows:
        assert not value.lstrip(" ").startswith(FORMULA_SIGNS), value
    assert csv_cell(-2.5) == "-2.5" and csv_cell("-2.5") == "'-2.5" and csv_cell("x-1") == "x-1"


def test_markdown_keeps_its_columns_and_shows_no_markup() -> None:
    lines = listing("markdown").splitlines()
    assert len(lines) == len(HOSTILE) + 2
    for line in lines[2:]:
        bare = line.replace("\\\\", "").replace("\\|", "")
        assert bare.count("|") == 3, line
        for mark in "<>`*_[~$&":
            assert f"\\{mark}" in line or mark not in line.replace(f"\\{mark}", ""), (mark, line)


def test_a_terminal_shows_markup_and_control_characters_as_text(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("COLUMNS", "500")
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "dumb")
    out = Terminal()
    short = {k: v for k, v in HOSTILE.items() if k != "long"}
    emit(["name", "value"], [[k, v] for k, v in short.items()], None, title="\x1b[2J", out=out)
    shown = out.getvalue()
    assert not steers(shown)
    for value in short.values():
        assert plain(value).strip() in shown


def test_parquet_keeps_every_value(tmp_path: Path) -> None:
    import duckdb

    path = tmp_path / "x.parquet"
    some = {k: v for k, v in HOSTILE.items() if k != "lone"}
    with path.open("w", encoding="utf-8") as out:
        emit(["name", "value"], [[k, v] for k, v in some.items()], "parquet", out=out)
    assert dict(duckdb.sql(f"SELECT name, value FROM '{path.as_posix()}'").fetchall()) == some


def test_the_workbook_holds_texts_no_formulas_and_no_links(book: BookFolder, tmp_path: Path) -> None:
    from loadbook.render.workbook.file import Workbook

    path = tmp_path / "x.xlsx"
    made = Workbook(path, "si", book.zone)
    made.sheet("Sheet", ["name", "value"], [[k, v] for k, v in HOSTILE.items()])
    made.close()
    with zipfile.ZipFile(path) as archive:
        for name in archive.namelist():
            text = archive.read(name).decode("utf-8", "replace")
            if name.startswith("xl/worksheets/") and name.endswith(".xml"):
                assert "<f>" not in text and "<hyperlink" not in text
            assert not [n for n in archive.namelist() if "externalLink" in n]
    from python_calamine import CalamineWorkbook

    rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_name("Sheet").to_python()
    assert {r[0]: r[1] for r in rows[1:] if r[0] not in ("long", "blank first")} == {
        k: plain(v) for k, v in HOSTILE.items() if k not in ("long", "blank first")
    }


@pytest.fixture
def ask(book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    book.close()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOADBOOK_BOOK", str(book.path))
    return lambda *words: CliRunner().invoke(cli, list(words))


@pytest.mark.parametrize(
    "words",
    [
        ("list", "\x1b[31mfoo"), ("\x1b[31mfoo",), ("list", "parts", "--\x1b[31mfoo"), ("--\x1b[31mfoo",),
        ("list", "parts", "--format", "\x1b[31m"), ("show", "parts", "\x1b[31m"), ("show", "parts", "\udcff"),
        ("list", "parts", "--part", "\udcff"), ("take", "parts", "no\x1b[31m.csv"), ("trace", "look", "no\x1b[31m"),
        ("trace", "look", "no\x00"), ("take", "parts", "x" * 5000), ("explain", "\x1b[31m"), ("judge", "\x1b[31m"),
        ("add", "parts", "part=\x1b[31m\x00", "material=\x9b"), ("amend", "parts", "00123", "\x1b=\x1b", "--why", "x"),
        ("list", "parts", "--where", "\x1b[31m"), ("list", "parts", "--since", "\x1b[31m"), ("report", "\x1b[31m"),
        ("restore", "no\x1b[31m.zip", "x\x1b"), ("verify", "--last-link", "\x1b[31m"),
        ("list", "parts", "--book", "\x1b"),
        ("trace", "look", "x", "--channel", "\x1b[31m"), ("trace", "layout", "show", "\x1b[31m"),
        ("cycle", "review", "\x1b[31m"), ("template", "\x1b[31m"), ("export", "\x1b[31m", "-o", "x.xlsx"),
    ],
)  # fmt: skip
def test_an_error_shows_what_was_typed_as_text(ask: Callable[..., Result], words: tuple[str, ...]) -> None:
    done = ask(*words)
    assert done.exit_code in (1, 2, 3), done.output
    assert not steers(done.output), (words, steers(done.output))
    assert "unexpected fault" not in done.output and "Traceback" not in done.output, done.output


def test_file_names_that_are_made_to_harm(ask: Callable[..., Result], tmp_path: Path) -> None:
    chart = Path(__file__).parent.parent / "fixtures" / "recorders" / "01_plain.csv"
    for name in ("e\x1b[31mvil.csv", os.fsdecode(b"b\xff.csv"), "-rf.csv", "=1+1.csv", "<b>.csv", "a\nb.csv"):
        path = tmp_path / name
        path.write_bytes(chart.read_bytes())
        for words in (("trace", "look", str(path)), ("take", "parts", str(path)), ("restore", str(path), "new")):
            done = ask(*words)
            assert not steers(done.output), (words, done.output)
            assert done.exit_code in (0, 1, 3) and "unexpected fault" not in done.output, done.output
        path.write_text("material,family\n" + f"m{len(name)},low-alloy steel\n")
        done = ask("take", "materials", str(path))
        assert done.exit_code == 0 and not steers(done.output), done.output
        path.unlink()
    assert ask("verify").exit_code == 0
    done = ask("list", "intakes", "--format", "json")
    assert done.exit_code == 0 and not steers(done.output)


def test_file_names_made_from_what_the_book_holds_stay_in_their_folder(
    ask: Callable[..., Result], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    done = ask("backup", str(out / "b\x1b[31m.zip"))
    assert done.exit_code == 0 and not steers(done.output)
    assert len(list(out.iterdir())) == 1


def test_exact_keeps_and_plain_shows() -> None:
    for value in HOSTILE.values():
        assert exact(value) == value
        assert not steers(plain(value)) and "\n" not in plain(value)

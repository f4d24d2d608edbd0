"""Bad files at every door: random bytes, edits of good files, giants, special files. One of our errors, or an answer.

The long form tries thousands: python -m pytest tests/test_bad_files.py tests/test_recorder_mutated.py -m long -s
"""

from __future__ import annotations

import io
import os
import random
import signal
import struct
import sys
import warnings
import zipfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loadbook.core import outside
from loadbook.core import outside as filelimits
from loadbook.core.errors import IntakeError, LoadbookError, NotFoundError
from loadbook.core.vocabulary.intake_kinds import KINDS
from loadbook.readers.cycles.file import take_cycle_file
from loadbook.readers.cycles.keys import EXAMPLE
from loadbook.readers.recorder.layout import from_toml
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.read import look
from loadbook.readers.recorder.source import open_source
from loadbook.readers.tables.cells import read_sheet
from loadbook.readers.tables.take import take_file
from loadbook.readers.tables.template import header_and_example
from loadbook.readers.workbook import open_book
from loadbook.readers.workbook_archive import safe_workbook
from loadbook.store import backup, sql_files
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

from .conftest import small_rows
from .otherbooks import container, ods, ods_of, xls
from .thinned import thinned

ROOT = Path(__file__).resolve().parent.parent
FEW = settings(derandomize=True, max_examples=40, deadline=None, suppress_health_check=list(HealthCheck), database=None)
MANY = settings(FEW, max_examples=3000)
LAYOUT = """encoding = "utf-8"
delimiter = ","
time_columns = ["Time"]
time_kind = "clock"
time_format = "%Y-%m-%d %H:%M:%S"
open_values = ["****"]
[[channel]]
name = "TC *"
role = "work"
unit = "f"
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bad")
    book = BookFolder.create(folder / "book", zone="Europe/Madrid")
    with book.write() as conn:
        add_intake(conn, "parts", small_rows(), rows_read=8)
    backup.backup(book, folder / "good.zip")
    book.close()
    return folder


def recorder(place: Path, path: Path) -> None:
    for options in (Options(), Options(start="2026-03-14", unit="c", short_rows="blank", repeated_times="spread")):
        look(open_source(path), options)


def intake(place: Path, path: Path) -> None:
    with BookFolder.open(place / "book") as book:
        for kind in [k for k in KINDS if k.kind != "parts"][:: max(1, len(KINDS) // 4)]:
            with pytest.raises(LoadbookError):
                take_file(book, kind.kind, path, dry_run=True)
        take_file(book, "parts", path, dry_run=True)


def cycle(place: Path, path: Path) -> None:
    with BookFolder.open(place / "book") as book:
        take_cycle_file(book, path, dry_run=True)


def layout(place: Path, path: Path) -> None:
    from_toml(path.read_bytes().decode("utf-8", "replace"))


def sql(place: Path, path: Path) -> None:
    sql_files.read(path)


def restored(place: Path, path: Path) -> None:
    import shutil

    target = place / "restored"
    try:
        backup.restore(path, target).close()
    finally:
        shutil.rmtree(target, ignore_errors=True)
    assert not [p for p in place.iterdir() if p.name.startswith(".restored")]


def opened(place: Path, path: Path) -> None:
    folder = place / "other"
    folder.mkdir(exist_ok=True)
    (folder / "book.sqlite").write_bytes(path.read_bytes())
    try:
        with BookFolder.open(folder) as book:
            assert book.units in ("si", "us") and book.zone
    finally:
        for file in folder.iterdir():
            file.unlink()


def good_files() -> dict[str, tuple[Callable[[Path, Path], None], list[bytes]]]:
    """Each reader with the good files that are damaged for it."""
    charts = [p for p in sorted((ROOT / "fixtures" / "recorders").iterdir()) if p.name[:2].isdigit()]
    tables = [p for p in sorted((ROOT / "fixtures" / "intake").iterdir()) if p.suffix in (".csv", ".xlsx")]
    cycles = sorted((ROOT / "fixtures" / "shop" / "cycles").glob("*.toml"))
    reports = sorted((ROOT / "schema" / "reports").glob("*.sql"))
    return {
        "recorder": (recorder, [p.read_bytes() for p in charts if p.stat().st_size < 30_000]),
        "intake": (intake, [p.read_bytes() for p in tables]),
        "template": (intake, [header_and_example(k, system="si").encode() for k in KINDS]),
        "cycle": (cycle, [*(p.read_bytes() for p in cycles), EXAMPLE.encode()]),
        "layout": (layout, [LAYOUT.encode()]),
        "sql": (sql, [p.read_bytes() for p in reports]),
        "restore": (restored, []),
        "book": (opened, []),
    }


READERS = good_files()
SNIPPETS = [
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b",", b";", b"\t", b"\n", b"\r", b"1e400", b"nan", b"inf", b"-",
    b"9" * 400, b"\xe2\x80\xae", b"\x1b[2J", b"=1+1", b"[" * 300, b"{" * 300, b'"""', b"'''", b"#", b"\xed\xa0\x80",
    b"9999-12-31T23:59:59", b"10000-01-01", b"2026-02-30", b"\x85", b"\x0b", b"x" * 5000, b" " * 5000, b":", b"=", b"(",
    b"a." * 400, b"*" * 50, b"1" * 5000,
]  # fmt: skip
EDIT = st.tuples(
    st.floats(0, 1), st.integers(0, 200), st.one_of(st.sampled_from(SNIPPETS), st.binary(max_size=8)), st.integers(0, 5)
)


def edited(data: bytes, edits: list[tuple[float, int, bytes, int]]) -> bytes:
    for share, length, new, way in edits:
        at = int(share * len(data))
        if way == 0:
            data = data[:at] + new + data[at:]
        elif way == 1:
            data = data[:at] + new + data[at + length :]
        elif way == 2:
            data = data[:at]
        elif way == 3:
            data = data[: at + length] + data[at:]
        elif way == 4 and at < len(data):
            data = data[:at] + bytes([data[at] ^ (1 << length % 8)]) + data[at + 1 :]
        else:
            lines = data.split(b"\n")
            lines.insert(int(share * len(lines)), lines[length % len(lines)])
            data = b"\n".join(lines)
    return data


def hurry(*_: object) -> None:
    raise TimeoutError("a reader took more than 20 s")


def tried(place: Path, name: str, data: bytes) -> None:
    """A file through its reader, within 20 s: it works, or ends in an error of ours that can be shown."""
    path = place / "file"
    path.write_bytes(data)
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, hurry)
        signal.setitimer(signal.ITIMER_REAL, 20)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            READERS[name][0](place, path)
    except LoadbookError as exc:
        assert exc.exit_code in (1, 2, 3) and len(str(exc)) < 100_000
    finally:
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_REAL, 0)


def seeds(place: Path, name: str) -> list[bytes]:
    if name == "restore":
        return [(place / "good.zip").read_bytes()]
    return [(place / "book" / "book.sqlite").read_bytes()] if name == "book" else READERS[name][1]


@pytest.mark.parametrize("name", thinned(READERS, 2))
def test_edits_of_good_files_and_random_bytes(place: Path, name: str) -> None:
    _hunt(place, name, FEW)


@pytest.mark.long
@pytest.mark.parametrize("name", READERS)
def test_edits_of_good_files_and_random_bytes_at_length(place: Path, name: str) -> None:
    _hunt(place, name, MANY)


def _hunt(place: Path, name: str, how: settings) -> None:
    good = seeds(place, name)

    @how
    @given(
        st.integers(0, len(good) - 1), st.lists(EDIT, min_size=1, max_size=5), st.binary(max_size=300), st.booleans()
    )
    def hunt(which: int, edits: list[tuple[float, int, bytes, int]], noise: bytes, only_noise: bool) -> None:
        tried(place, name, noise if only_noise and len(edits) == 1 else edited(good[which], edits))

    hunt()


# -- workbooks ------------------------------------------------------------------------------------------------------

TEXT = '<c r="%s" t="inlineStr"><is><t>%s</t></is></c>'
CELLS = (
    f'<row r="1">{TEXT % ("A1", "part")}{TEXT % ("B1", "material")}</row>'
    f'<row r="2">{TEXT % ("A2", "p1")}{TEXT % ("B2", "42CrMo4")}</row>'
)
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"


def workbook(rows: str, *, before: str = "", dimension: str = "", extra: dict[str, bytes] | None = None) -> bytes:
    out = io.BytesIO()
    sheet = f'{before}<worksheet xmlns="{MAIN}">{dimension}<sheetData>{rows}</sheetData></worksheet>'
    relation = (
        f'<Relationships xmlns="{PACKAGE}"><Relationship Id="rId1" Type="{OFFICE}/%s" Target="%s"/></Relationships>'
    )
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("_rels/.rels", relation % ("officeDocument", "xl/workbook.xml"))
        archive.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets><sheet name="S" sheetId="1" r:id="rId1"/></sheets>'
            "</workbook>",
        )
        archive.writestr("xl/_rels/workbook.xml.rels", relation % ("worksheet", "worksheets/sheet1.xml"))
        archive.writestr("xl/worksheets/sheet1.xml", sheet)
        for name, data in (extra or {}).items():
            archive.writestr(name, data)
    return out.getvalue()


LAUGHS = "<!DOCTYPE l [<!ENTITY a0 'aaaaaaaaaa'>" + "".join(
    f"<!ENTITY a{i} '{f'&a{i - 1};' * 10}'>" for i in range(1, 10)
) + "]>"  # fmt: skip
OLD = b"\x09\x08\x10\0\0\x06\x05\0" + bytes(12) + b"\x0a\0\0\0"
CORNER = struct.pack("<HHHHHd", 0x0203, 14, 0xFFFF, 0xFFFF, 15, 1.0)
WIDE = struct.pack("<HHHHHd", 0x0203, 14, 60_000, 1, 15, 1.0)
REPEATS = (
    '<table:table><table:table-row><table:table-cell office:value-type="string"><text:p>a%s</text:p></table:table-cell>'
    '</table:table-row><table:table-row table:number-rows-repeated="%d"><table:table-cell office:value-type="float"'
    ' office:value="1" table:number-columns-repeated="%d"/></table:table-row></table:table>'
)


def old(record: bytes, sheets: int = 1) -> bytes:
    """An .xls with one more record in each of its sheets."""
    return xls({f"S{i}": [["Time", 1.0]] for i in range(sheets)}, more=record)


def shared_cells(first: int, last: int, cells: int) -> bytes:
    """An .xlsx with two texts of so many characters, whose cells all point to the last."""
    texts = "".join(f"<si><t>{'x' * n}</t></si>" for n in (first, last))
    row = '<c t="s"><v>1</v></c>' * 1000
    return workbook(
        f"<row>{row}</row>" * (cells // 1000),
        extra={"xl/sharedStrings.xml": f'<sst xmlns="{MAIN}">{texts}</sst>'.encode()},
    )


def old_shared_cells(first: int, last: int, cells: int) -> bytes:
    """The same as an .xls; the first text goes on in a second record, where its characters are narrow."""
    half = first // 2
    wide = struct.pack("<HB", first, 1) + "x".encode("utf-16-le") * half
    narrow = b"\0" + b"x" * (first - half) + struct.pack("<HB", last, 0) + b"x" * last
    records = struct.pack("<HHII", 0x00FC, 8 + len(wide), 2, 2) + wide
    records += struct.pack("<HH", 0x003C, len(narrow)) + narrow
    listed = struct.pack("<HHIBBBB", 0x0085, 9, 20 + len(records) + 13 + 4, 0, 0, 1, 0) + b"S"
    sheet = b"".join(struct.pack("<HHHHHI", 0x00FD, 10, k // 200, k % 200, 15, 1) for k in range(cells))
    return container(OLD[:20] + records + listed + b"\x0a\0\0\0" + OLD[:20] + sheet + b"\x0a\0\0\0")


def circle(book: bytes) -> bytes:
    """An .xls whose stream goes round: the table of sectors is the last sector of such a small book."""
    table = bytearray(book[-512:])
    struct.pack_into("<I", table, 4, 1)
    return book[:-512] + bytes(table)


WORKBOOKS: dict[str, tuple[Callable[[], bytes], str]] = {
    "a cell at the far corner": (lambda: workbook(f'{CELLS}<row><c r="XFD1048576"/></row>'), "16,384 columns"),
    "a row beyond any sheet": (lambda: workbook(f'{CELLS}<row r="9"><c r="A4294967290"/></row>'), "no sheet has"),
    "a column beyond any sheet": (lambda: workbook(f'{CELLS}<row r="9"><c r="ZZZZZZ9"/></row>'), "no sheet has"),
    "an escaped reference": (lambda: workbook(f'{CELLS}<row r="9"><c r="&#88;FD1048576"/></row>'), "no sheet has"),
    "a million columns": (lambda: workbook(f'<row r="1">{"<c/>" * 1_000_000}</row>'), "1,000,000 columns"),
    "a far row, cells that follow": (lambda: workbook(f'<row r="900000">{"<c/>" * 1500}</row>'), "columns"),
    "rows without end": (lambda: workbook("<row/>" * 4_300_000), "more than"),
    "a bomb": (lambda: workbook(CELLS, extra={"xl/sharedStrings.xml": bytes(300_000_000)}), "more than 256 MiB"),
    "a text that many cells share": (lambda: shared_cells(9, 30_000, 10_000), "256 MiB of text"),
    "an old text that many cells share": (lambda: old_shared_cells(6_000, 4_000, 70_000), "256 MiB of text"),
    "an entity from outside": (
        lambda: workbook(CELLS.replace("p1", "&e;"), before='<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'),
        "&e;",
    ),
    "entities of entities": (lambda: workbook(CELLS.replace("p1", "&a9;"), before=LAUGHS), "&a9;"),
    "a giant cell": (lambda: workbook(CELLS.replace("p1", "x" * 4_000_000)), "more than 32,767 characters"),
    "another office's format": (lambda: _zip({"content.xml": b"<x/>", "mimetype": b"x"}), "not an XLSX workbook"),
    "a packed export": (lambda: _zip({"log.csv": b"Time,TC 1", "b.csv": b""}), "an archive of log.csv, b.csv"),
    "a part twice": (lambda: workbook(CELLS, extra={"XL/workbook.xml": b"<x/>"}), "twice"),
    "an old workbook of nothing": (lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(5000), "no size that is used"),
    "an old document that is no workbook": (lambda: container(OLD, "WordDocument"), "no workbook is in it"),
    "an old cell at the far corner": (lambda: old(CORNER), "65,536 rows and 65,536 columns"),
    "many old cells in one record": (
        lambda: old(struct.pack("<HHHH", 0x00BE, 6 + 2 * 4000, 60_000, 0) + bytes(2 + 2 * 4000)), "4,000 columns"
    ),
    "far cells on many old sheets": (lambda: old(WIDE, sheets=300), "in all sheets"),
    "an old workbook that is locked": (lambda: container(OLD[:20] + b"\x2f\0\0\0" + OLD[20:]), "password"),
    "an old workbook going in a circle": (lambda: circle(xls({"S": [[1.0]]})), "in a circle"),
    "a workbook before 1993": (lambda: container(b"\x09\x04\x06\0" + bytes(600)), "before 1993"),
    "an open document of repeats": (lambda: ods_of(REPEATS % ("", 10_000, 1500)), "10,000,000 cells"),
    "an open document of blank rows": (lambda: ods_of(REPEATS % ("", 9_999_999, 1) * 2), "10,000,000 cells"),
    "an open document too wide": (lambda: ods_of(REPEATS % ("", 1, 5000)), "5,000 columns"),
    "an open document of many repeats": (lambda: ods_of(REPEATS % ("", 99_999_999, 1)), "more often than"),
    "an open document's entities": (lambda: ods_of("<table:table/>", LAUGHS), "entities of its own"),
    "an open document's giant cell": (lambda: ods_of(REPEATS % ("x" * 40_000, 1, 1)), "32,767 characters"),
}  # fmt: skip


@pytest.mark.parametrize("make", [shared_cells, old_shared_cells])
def test_a_long_text_to_which_few_cells_point_is_no_harm(make: Callable[[int, int, int], bytes]) -> None:
    rows = open_book(make(7_000, 9, 40_000), "x").rows("S")
    assert sum(map(len, rows)) == 40_000 and {c for row in rows for c in row} == {"x" * 9}


def _zip(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


@pytest.mark.parametrize("name", WORKBOOKS)
def test_a_workbook_made_to_harm_is_refused_with_its_reason(place: Path, name: str) -> None:
    make, said = WORKBOOKS[name]
    path = place / "x.xlsx"
    path.write_bytes(make())
    for reader in (lambda: look(open_source(path), Options()), lambda: read_sheet(path)):
        with pytest.raises(LoadbookError) as caught:
            reader()
        assert said in str(caught.value) and len(str(caught.value)) < 1000


@pytest.mark.parametrize("make", [xls, ods])
def test_bytes_changed_in_a_workbook_of_another_form_end_in_an_answer_or_an_error(
    place: Path, make: Callable[..., bytes]
) -> None:
    whole = make({"Data": [["Time", "Control (°C)"], *[[datetime(2026, 3, 14, 8, i), 20.0 + i] for i in range(30)]]})
    rng = random.Random(4)
    path = place / "x"
    told = {"answered": 0, "refused": 0}
    for _ in range(150):
        data = bytearray(whole)
        for _ in range(rng.randrange(1, 4)):
            data[rng.randrange(len(data))] = rng.randrange(256)
        path.write_bytes(bytes(data[: rng.randrange(len(data))] if rng.random() < 0.1 else data) or b"x")
        for reader in (lambda: look(open_source(path), Options()), lambda: read_sheet(path)):
            try:
                reader()
                told["answered"] += 1
            except LoadbookError as exc:
                assert len(str(exc)) < 3000
                told["refused"] += 1
    assert all(told.values()), told


def test_a_declared_size_that_is_not_so_harms_nothing(place: Path) -> None:
    """Ten million rows declared, two there."""
    path = place / "x.xlsx"
    path.write_bytes(workbook(CELLS, dimension='<dimension ref="A1:XFD10000000"/>'))
    with BookFolder.open(place / "book") as book:
        assert take_file(book, "parts", path, dry_run=True).read == 1


def test_rows_without_cells_take_no_room() -> None:
    """A row at the end of the sheet that only has a height, as office programs write them."""
    assert safe_workbook("x", workbook(f'{CELLS}<row r="1048576" ht="12"/>'))


# -- the limits, and files that are none ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: b"Time," + b",".join(b"T%d" % i for i in range(1_000_000)) + b"\n1,2\n", "more than 2,000 columns"),
        (lambda: b"a,b\n" + b"1,2\n" * (filelimits.MOST_ROWS + 1), "more than 5,000,000 rows"),
        (lambda: (b"," * 1999 + b"1\n") * 5100, "more than 10,000,000 cells"),
        (lambda: b"Time,T\n2026-03-14 08:00," + b"1" * 40_000 + b"\n", "field larger than field limit (32767)"),
        (lambda: bytes([48]) * (filelimits.LARGEST_FILE + 1), "larger than 128 MiB"),
    ],
    ids=["columns", "rows", "cells", "cell", "file"],
)  # fmt: skip
@pytest.mark.long
def test_a_file_over_a_limit_is_refused_with_the_limit_named(place: Path, make: Callable[[], bytes], said: str) -> None:
    path = place / "big.csv"
    path.write_bytes(make())
    with pytest.raises(LoadbookError, match=said.replace("(", r"\(").replace(")", r"\)")):
        recorder(place, path)
    path.unlink()


def test_an_intake_file_of_too_many_rows(place: Path) -> None:
    path = place / "big.csv"
    path.write_bytes(b"part,material\n" + b"p,m\n" * (filelimits.MOST_RECORDS + 1))
    with BookFolder.open(place / "book") as book, pytest.raises(LoadbookError, match="more than 250,000 rows"):
        take_file(book, "parts", path)


@pytest.mark.parametrize(
    "kind", ["pipe", "device", "folder", "endless link", "nothing", "NUL", "long name", "a process's"]
)
def test_what_is_no_ordinary_file_is_refused_at_once(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "f.csv"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    elif kind == "endless link":
        path.symlink_to(path)
    elif kind == "NUL":
        path = tmp_path / "f\0.csv"
    elif kind == "long name":
        path = tmp_path / ("x" * 5000)
    elif kind == "a process's":
        path = Path("/proc/self/mem")
    with pytest.raises(LoadbookError):
        outside.read_file(path)
    if kind in ("nothing", "NUL"):
        with pytest.raises(NotFoundError):
            outside.read_file(path)
    if kind == "pipe":
        pipe = tmp_path / "f.sql"
        path.rename(pipe)
        found, wrong = sql_files.reports(tmp_path)
        assert found and len(wrong) == 1 and "not a regular file" in wrong[0]


def test_a_link_to_a_good_file_is_read(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("x")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    (tmp_path / "sub").mkdir()
    assert outside.read_file(tmp_path / "sub" / ".." / "b") == b"x"


@pytest.mark.parametrize(
    "text",
    ["a = " + "[" * 5000, "a = " + "{b=" * 5000, "a." * 100_000 + "b = 1", "[" + "a." * 50 + "b]",
     "x = " + "9" * 10_000, "\n".join("[" * 1 + "a." * i + "b]" for i in range(1, 29)), "x = '''" + "y" * 1_000_001],
)  # fmt: skip
def test_toml_too_deep_or_too_long_is_told(text: str) -> None:
    with pytest.raises(outside.NoToml):
        outside.toml_of(text)


@pytest.mark.parametrize(
    "name", ["undefined", "zip", "rot13", "idna", "punycode", "unicode_escape", "x" * 500, "", "\0"]
)
def test_an_encoding_that_no_file_has(name: str) -> None:
    with pytest.raises(LoadbookError):
        outside.checked_encoding(name)


@pytest.mark.long
@pytest.mark.parametrize("name", [*WORKBOOKS, "text at the limit", "workbook at the limit"])
def test_memory_and_time_at_the_limits(place: Path, name: str) -> None:
    """Each in a process of its own: its largest memory and its time, printed for the contributors' guide."""
    import time

    path = place / "limit"
    if name == "text at the limit":
        path.write_bytes(b"Time" + b",".join([b"", *(b"Work %d (C)" % i for i in range(9))]) + b"\n")
        with path.open("ab") as out:
            for i in range(900_000):
                out.write(b"2026-03-%02d %02d:%02d:%02d" % (1 + i // 86400, i // 3600 % 24, i // 60 % 60, i % 60))
                out.write(b",612.3" * 9 + b"\n")
    elif name == "workbook at the limit":
        cells = "".join(f'<c r="{c}%d"><v>612.3</v></c>' for c in "ABCDEFGHIJ")
        path.write_bytes(workbook("".join(f'<row r="{i}">{cells % ((i,) * 10)}</row>' for i in range(1, 800_000))))
    else:
        path.write_bytes(WORKBOOKS[name][0]())
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        code = 0
        try:
            recorder(place, path)
        except LoadbookError:
            code = 1
        except BaseException:
            code = 9
        os._exit(code)
    _, status, used = os.wait4(child, 0)
    seconds, memory = time.monotonic() - began, used.ru_maxrss / 1024
    path.unlink()
    print(f"\n{name}: {memory:.0f} MB, {seconds:.1f} s, exit {os.waitstatus_to_exitcode(status)}", file=sys.stderr)
    assert os.waitstatus_to_exitcode(status) in (0, 1)
    assert memory < 4000


def test_problems_name_the_sheet() -> None:
    with pytest.raises(IntakeError) as caught:
        safe_workbook("chart.xlsx", WORKBOOKS["a cell at the far corner"][0]())
    assert "chart.xlsx: the cells of xl/worksheets/sheet1.xml span" in str(caught.value)

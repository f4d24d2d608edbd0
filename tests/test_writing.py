"""The one way onto the disk: exclusive, whole, through no link; and that no other module writes a file."""

from __future__ import annotations

import ast
import os
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from loadbook.core import outside, writing
from loadbook.core.errors import DamageError, LoadbookError, UsageError
from loadbook.store import holder
from loadbook.store.book import BookFolder
from loadbook.store.engine import engine
from loadbook.store.verify import verify

Run = Callable[..., subprocess.CompletedProcess[str]]
ROOT = Path(__file__).resolve().parent.parent
ONE_WRITER = "loadbook/core/writing.py"


# -- what stands in the way ----------------------------------------------------------------------


def a_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(os.path.relpath(path))


THINGS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "a link to a file": ("a link", lambda p: p.symlink_to(p.parent / "secret")),
    "a link to nothing": ("a link", lambda p: p.symlink_to(p.parent / "nothing")),
    "a link to itself": ("a link", lambda p: p.symlink_to(p)),
    "a link to a device": ("a link", lambda p: p.symlink_to("/dev/null")),
    "a pipe": ("a pipe", lambda p: os.mkfifo(p)),
    "a socket": ("a socket", a_socket),
    "a folder": ("a folder", lambda p: p.mkdir()),
}


@pytest.mark.parametrize("thing", THINGS)
@pytest.mark.parametrize("over", [False, True])
def test_nothing_but_a_file_is_written_over(
    thing: str, over: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # a socket's path is short
    (tmp_path / "secret").write_text("as it was")
    what, make = THINGS[thing]
    path = tmp_path / "x"
    make(path)
    before = path.lstat()
    assert writing.strange(path) == what
    with pytest.raises(UsageError, match=what.split()[-1]) as caught:
        writing.put(path, b"new", over=over)
    assert caught.value.where == str(path) and caught.value.remedy
    assert path.lstat().st_ino == before.st_ino
    assert sorted(p.name for p in tmp_path.iterdir()) == ["secret", "x"]
    assert (tmp_path / "secret").read_text() == "as it was"


def test_a_device_is_never_written_or_replaced() -> None:
    for name in ("/dev/stdout", "/dev/null", "/dev/full"):
        found = os.lstat(name)
        with pytest.raises(UsageError, match=r"a (link|device)"):
            writing.put(Path(name), b"x", over=True)
        assert os.lstat(name).st_ino == found.st_ino


def test_a_part_is_new_or_not_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a name was foreseen all the same, another one is taken; where every one was, nothing is written."""
    (tmp_path / "secret").write_text("as it was")
    chances = iter([b"\0\0\0\0", b"\0\0\0\1"])
    monkeypatch.setattr(os, "urandom", lambda _: next(chances))
    foreseen = tmp_path / f".x.{writing.machine()}-{os.getpid()}-00000000.part"
    foreseen.symlink_to(tmp_path / "secret")
    writing.put(tmp_path / "x", b"new")
    assert (tmp_path / "x").read_bytes() == b"new" and foreseen.is_symlink()
    monkeypatch.setattr(os, "urandom", lambda _: b"\0\0\0\0")
    with pytest.raises(FileExistsError):
        writing.put(tmp_path / "x", b"newer", over=True)
    assert (tmp_path / "x").read_bytes() == b"new"
    assert (tmp_path / "secret").read_text() == "as it was"


def test_a_part_leaves_nothing_but_what_was_placed(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), writing.Part(tmp_path / "x") as part:
        part.path.with_name(part.path.name + "-journal").write_text("SQLite's")
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []
    with writing.FolderPart(tmp_path / "f") as folder:
        (folder.path / "a").write_text("1")
    assert list(tmp_path.iterdir()) == []
    with writing.FolderPart(tmp_path / "f") as folder:
        (folder.path / "a").write_text("1")
        folder.place()
    assert (tmp_path / "f" / "a").read_text() == "1"


@pytest.mark.parametrize("kind", ["link", "pipe", "file"])
def test_a_folder_takes_no_other_things_place(kind: str, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    path = tmp_path / "f"
    make: dict[str, Callable[[], object]] = {
        "link": lambda: path.symlink_to(tmp_path / "elsewhere"), "pipe": lambda: os.mkfifo(path), "file": path.touch,
    }  # fmt: skip
    make[kind]()
    with pytest.raises(UsageError, match=f"this is a {kind}"), writing.FolderPart(path) as folder:
        folder.place()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["elsewhere", "f"]


def test_no_folder_on_the_way_is_a_link(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "base").symlink_to(tmp_path / "elsewhere")  # the user's own choice
    writing.make_folder(tmp_path / "base" / "a" / "b", below=tmp_path / "base")
    (tmp_path / "base" / "a" / "c").symlink_to(tmp_path / "elsewhere" / "a" / "b")
    with pytest.raises(UsageError, match="this is a link in the place of a folder"):
        writing.make_folder(tmp_path / "base" / "a" / "c" / "d", below=tmp_path / "base")
    assert list((tmp_path / "elsewhere" / "a" / "b").iterdir()) == []


def test_sweeping_removes_a_link_and_not_what_it_leads_to(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "a").write_text("as it was")
    left = tmp_path / f".x.{writing.machine()}-{ended.pid}-0123abcd.part"
    left.symlink_to(tmp_path / "elsewhere")
    assert writing.sweep(tmp_path) == [left]
    assert (tmp_path / "elsewhere" / "a").read_text() == "as it was"


# -- the holder's note ---------------------------------------------------------------------------


@pytest.mark.parametrize("thing", THINGS)
def test_the_holders_note_is_no_way_into_another_file(
    thing: str, book: BookFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Put there while the book is open; before that it is not opened at all."""
    monkeypatch.chdir(book.path)
    (book.path / "secret").write_text('{"who": "nobody"}')
    what, make = THINGS[thing]
    note = book.path / "book.sqlite.held"
    make(note)
    inode = note.lstat().st_ino
    with pytest.raises(UsageError, match=what.split()[-1]), book.write() as conn:
        conn.execute("INSERT INTO setting (name, value) VALUES ('x', 'y')")
    assert not book.read().in_transaction, "the book is let go"
    assert book.setting("x") == ""
    assert note.lstat().st_ino == inode
    assert (book.path / "secret").read_text() == '{"who": "nobody"}'
    assert "nobody" not in holder.words(book.file)
    with pytest.raises(DamageError, match=f"book.sqlite.held is {what}, not a file: the book is not opened"):
        BookFolder.open(book.path)


def test_a_note_that_is_nested_too_deep_or_too_long_says_nothing(book: BookFolder) -> None:
    for text in ("[" * 3999, '"' + "x" * 5000 + '"', "\xff", ""):
        (book.path / "book.sqlite.held").write_text(text, encoding="latin-1")
        assert "held by" not in holder.words(book.file)


def test_reading_waits_for_no_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "file")
    (tmp_path / "file").write_text("text")
    with pytest.raises(outside.NoRegularFile):
        outside.opened(tmp_path / "pipe")
    with pytest.raises(outside.NoRegularFile):
        outside.opened(tmp_path / "link")
    with pytest.raises(LoadbookError, match="not a regular file"):
        outside.read_file(tmp_path / "pipe")
    assert outside.read_file(tmp_path / "link") == b"text"


def test_the_engine_spills_into_no_folder_of_a_stranger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`.tmp` of the current folder is where it would go by itself."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / ".tmp").symlink_to(tmp_path / "elsewhere")
    written = []
    with engine(memory_limit="60MB", threads=1) as conn:
        spill = Path(str(conn.execute("SELECT current_setting('temp_directory')").fetchall()[0][0]))
        conn.execute("CREATE TABLE t AS SELECT hash(range) AS h, range FROM range(8_000_000)")
        written = list(spill.iterdir())
        assert list((tmp_path / "elsewhere").iterdir()) == []
    assert written, "the test makes it spill"
    assert not spill.exists()


def test_without_temporary_files_the_engine_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> str:
        raise FileNotFoundError("No usable temporary directory found")

    monkeypatch.setattr(tempfile, "gettempdir", none)
    with engine() as conn:
        assert conn.execute("SELECT sum(range) FROM range(1000)").fetchall() == [(499500,)]


# -- commands that make a folder -----------------------------------------------------------------


@pytest.mark.parametrize("words", [("demo", "taken"), ("demo", "new", "--files", "taken")])
@pytest.mark.parametrize("kind", ["link", "pipe", "file"])
def test_the_demo_is_made_behind_no_link(words: tuple[str, ...], kind: str, tmp_path: Path, inside: Run) -> None:
    (tmp_path / "elsewhere").mkdir()
    path = tmp_path / "taken"
    {"link": lambda: path.symlink_to("elsewhere"), "pipe": lambda: os.mkfifo(path), "file": path.touch}[kind]()
    done = inside(*words)
    assert done.returncode == 2 and f"taken: this is a {kind}. Name the folder to make, a new one" in done.stderr
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["elsewhere", "taken"]


def test_a_book_is_restored_into_no_folder_that_is_in_use(book: BookFolder, tmp_path: Path, inside: Run) -> None:
    assert inside("backup", "b.zip", "--book", "book").returncode == 0
    (tmp_path / "here").mkdir()
    for name in (".", "../here/.."):
        done = inside("restore", "../b.zip", name, cwd=tmp_path / "here")
        assert done.returncode == 2 and "this folder is in use. Name the folder to make" in done.stderr
    assert list((tmp_path / "here").iterdir()) == []


def test_a_new_book_takes_no_log_of_another(tmp_path: Path, inside: Run) -> None:
    """SQLite would read into the new book what another one's log says."""
    for end in ("-wal", "-journal"):
        folder = tmp_path / f"new{end}"
        folder.mkdir()
        (folder / f"book.sqlite{end}").write_bytes(b"x")
        done = inside("new", str(folder))
        assert done.returncode == 2 and "Choose another folder, or move it away" in done.stderr
        assert [p.name for p in folder.iterdir()] == [f"book.sqlite{end}"]


def test_verify_names_an_unfinished_note_and_who_removes_it(book: BookFolder) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    left = book.path / f".book.sqlite.held.{writing.machine()}-{ended.pid}-0123abcd.part"
    left.touch()
    assert [x for x in verify(book).leftover if "the next command that writes removes it" in x and left.name in x]
    with book.write():
        pass
    assert not left.exists() and verify(book).leftover == []


# -- the sources ---------------------------------------------------------------------------------

# what may stand outside the one writer, and why
ALLOWED = {
    ("loadbook/core/outside.py", "os.open"): "reads: the flags are looked at below",
    ("loadbook/core/outside.py", "os.fdopen"): "reads",
    ("loadbook/cli/streams.py", "os.open"): "the null device",
    ("loadbook/cli/streams.py", "open"): "a standard stream, by its number",
    ("loadbook/store/sandbox_child.py", "os.fdopen"): "a child's own output",
    ("loadbook/store/sandbox.py", "tempfile.SpooledTemporaryFile"): "a file without a name",
    ("loadbook/store/backup.py", "zipfile.ZipFile"): "into an open part",
    ("loadbook/store/backup.py", "shutil.copyfileobj"): "into an open part",
    ("loadbook/store/backup.py", "sqlite3.connect"): "into a part; and a restored file, before it has its name",
    (
        "loadbook/store/book.py",
        "sqlite3.connect",
    ): "into a part; and the book itself, looked at before",
    ("loadbook/store/rehearsal.py", "sqlite3.connect"): "into a folder of its own",
    ("loadbook/readers/workbook_archive.py", "zipfile.ZipFile"): "in memory",
    ("loadbook/readers/workbook.py", "zipfile.ZipFile"): "in memory",
    ("loadbook/render/workbook/file.py", "xlsxwriter.Workbook"): "into an open part",
    ("loadbook/render/charts/file.py", "drawn.save"): "in memory",
    ("loadbook/store/handed.py", "COPY"): "into memory",
    ("loadbook/store/engine.py", "duckdb.connect"): "in memory; it says where it may spill",
    ("loadbook/group/target.py", "_fs.makedirs"): "an object store",
    ("loadbook/group/target.py", "_fs.pipe_file"): "an object store",
}
_METHODS = {
    "write_text", "write_bytes", "touch", "mkdir", "makedirs", "symlink_to", "hardlink_to", "mkfifo", "truncate",
    "to_parquet", "to_csv", "to_excel", "to_pickle", "to_feather", "savefig", "save", "pipe_file", "chmod",
    "tofile", "extractall",
}  # fmt: skip
_OF_MODULES = {
    "os": {"open", "fdopen", "link", "symlink", "rename", "renames", "replace", "mkdir", "makedirs", "mkfifo", "mknod",
           "truncate", "chmod"},
    "shutil": {"copy", "copy2", "copyfile", "copytree", "copyfileobj", "move", "make_archive", "unpack_archive"},
    "tempfile": {"NamedTemporaryFile", "TemporaryFile", "SpooledTemporaryFile", "TemporaryDirectory", "mkstemp",
                 "mkdtemp", "mktemp"},
    "xlsxwriter": {"Workbook"}, "duckdb": {"connect"}, "sqlite3": {"connect"}, "zipfile": {"ZipFile"},
    "io": {"open", "FileIO"}, "gzip": {"open"}, "tarfile": {"open"}, "np": {"save", "savez", "savetxt", "memmap"},
    "pq": {"write_table"}, "fcntl": {"flock", "lockf"}, "msvcrt": {"locking"},
}  # fmt: skip


def dotted(node: ast.expr) -> str:
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}".lstrip(".")
    return node.id if isinstance(node, ast.Name) else ""


def mode_of(call: ast.Call, place: int) -> str | None:
    """The mode that a call of open names: 'r' where none is, None where it cannot be read."""
    given = [k.value for k in call.keywords if k.arg == "mode"] or call.args[place : place + 1]
    if not given:
        return "r"
    return given[0].value if isinstance(given[0], ast.Constant) and isinstance(given[0].value, str) else None


def in_memory(call: ast.Call) -> bool:
    first = call.args[0] if call.args else None
    return isinstance(first, ast.Constant) and first.value == ":memory:"


def writes(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """(line, what) of every call that may write a file or make a folder, and of every COPY in a text."""
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr | ast.Constant):
            parts = node.values if isinstance(node, ast.JoinedStr) else [node]
            text = "".join(str(p.value) for p in parts if isinstance(p, ast.Constant) and isinstance(p.value, str))
            if text.lstrip().startswith(("COPY ", "ATTACH ", "EXPORT ", "VACUUM INTO", "INSTALL ")):
                yield node.lineno, text.split()[0]
        if isinstance(node, ast.ImportFrom) and node.module in _OF_MODULES:
            for alias in node.names:
                if alias.name in _OF_MODULES[node.module]:
                    yield node.lineno, f"{node.module}.{alias.name}"
        if not isinstance(node, ast.Call):
            continue
        name = dotted(node.func)
        head, _, last = name.rpartition(".")
        head = head.rpartition(".")[2]
        if name == "open":
            mode = mode_of(node, 1)
            if mode is None or set(mode) & set("wax+"):
                yield node.lineno, "open"
        elif head in _OF_MODULES and last in _OF_MODULES[head]:
            reads = last == "ZipFile" and mode_of(node, 1) == "r"
            if not reads and not (head == "sqlite3" and in_memory(node)):
                yield node.lineno, f"{head}.{last}"
        elif isinstance(node.func, ast.Attribute):
            last = node.func.attr
            if last in _METHODS:
                yield node.lineno, f"{head}.{last}".lstrip(".")
            elif last == "open":  # Path.open; a class of ours has an open too, which takes no mode
                mode = mode_of(node, 0)
                if mode is not None and len(mode) < 4 and set(mode) & set("wax+"):
                    yield node.lineno, "Path.open"
            elif last in ("rename", "replace") and len(node.args) == 1 and not node.keywords:
                yield from [] if in_words(node) else [(node.lineno, f"Path.{last}")]


def in_words(call: ast.Call) -> bool:
    """A call whose first argument is written out: so a column gets a name, no file."""
    return isinstance(call.args[0], ast.Constant)


def found_in(path: Path) -> list[tuple[int, str]]:
    return sorted(set(writes(ast.parse(path.read_text(encoding="utf-8")))))


def test_no_other_module_writes() -> None:
    wrong, used = [], set()
    for path in sorted([*(ROOT / "loadbook").rglob("*.py"), *(ROOT / "fixtures" / "shop").rglob("*.py")]):
        name = path.relative_to(ROOT).as_posix()
        if name == ONE_WRITER:
            continue
        for line, what in found_in(path):
            if (name, what) in ALLOWED:
                used.add((name, what))
            else:
                wrong.append(f"{name}:{line} {what}")
    assert not wrong, f"{ONE_WRITER} is the one way onto the disk:\n" + "\n".join(wrong)
    assert used == set(ALLOWED), f"not needed any more: {sorted(set(ALLOWED) - used)}"
    text = (ROOT / "loadbook/core/outside.py").read_text(encoding="utf-8")
    assert not any(flag in text for flag in ("O_WRONLY", "O_RDWR", "O_CREAT", "O_TRUNC", "O_APPEND"))


def test_the_search_finds_what_it_is_for() -> None:
    """Each line writes; the search knows it."""
    lines = """\
open(p, "w")
open(p, mode)
p.open("ab")
p.open(mode="x")
p.write_text("x")
p.write_bytes(b"x")
os.open(p, os.O_WRONLY | os.O_CREAT)
os.replace(a, b)
a.replace(b)
a.rename(b)
a.mkdir(exist_ok=True)
shutil.copy(a, b)
shutil.move(a, b)
tempfile.mkstemp(dir=p)
zipfile.ZipFile(p, "w")
sqlite3.connect(p)
duckdb.connect(p)
duckdb.connect(":memory:")
conn.execute(f"COPY t TO '{p}'")
frame.to_csv(p)
xlsxwriter.Workbook(p)
archive.extractall(p)
from shutil import copyfile
chart.save(p)
p.symlink_to(a)
fcntl.flock(f, 2)"""
    found = {line for line, _ in writes(ast.parse(lines))}
    missed = [text for number, text in enumerate(lines.splitlines(), 1) if number not in found]
    assert missed == []
    fine = (
        'open(p)\np.open("rb")\nBook.open(path)\ntext.replace("a", "b")\nreplace(x, y=1)\nsqlite3.connect(":memory:")'
    )
    assert list(writes(ast.parse(fine))) == []

"""The rows of the table: what is measured on a book, and against what."""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from loadbook.store.book import BookFolder

from . import bare
from .book import made
from .timing import Cost, Line, here, in_turn, peak_mb, process


@dataclass(frozen=True)
class Ground:
    """What a row is measured on: the book, a folder for what is made on the way, how often each side runs.

    small  a tiny book, of which only the form of the table is asked
    """

    book: Path
    folder: Path
    times: int
    small: bool

    def run(self) -> str:
        """A run in the middle of the history."""
        with BookFolder.open(self.book) as book:
            rows = book.read().execute("SELECT run FROM run ORDER BY started").fetchall()
        return str(rows[len(rows) // 2][0])

    def month(self) -> str:
        """The month of that run."""
        with BookFolder.open(self.book) as book:
            rows = book.read().execute("SELECT started FROM run ORDER BY started").fetchall()
        return str(rows[len(rows) // 2][0])[:7]


def _cold(*words: str) -> Callable[[], Cost]:
    return lambda: process(["-m", "loadbook", *words], good=(0, 3))


def _script(text: str, *words: str) -> Callable[[], Cost]:
    return lambda: process(["-c", text, *words])


def help_(ground: Ground) -> list[Line]:
    ours, other = in_turn(_cold("--help"), _script("import click, rich.console"), ground.times)
    return [Line("--help", ours, other, "2 x")]


def listing(ground: Ground) -> list[Line]:
    """The standard library's sqlite3 in a cold process, printing JSON, is the reference."""
    book, file, run = str(ground.book), str(ground.book / "book.sqlite"), ground.run()
    listed = _cold("list", "runs", "--limit", "50", "--format", "json", "--book", book)
    shown = _cold("show", "run", run, "--format", "json", "--book", book)
    return [
        Line("list runs, first 50", *in_turn(listed, _script(bare.LIST_RUNS, file), ground.times), "4 x"),
        Line("show run", *in_turn(shown, _script(bare.SHOW_RUN, file, run), ground.times), "4 x"),
    ]


def take_readings(ground: Ground) -> list[Line]:
    """Both readings of every piece of a book without readings, from one CSV file."""
    from loadbook.readers.tables.take import take_file
    from loadbook.store.records import add_intake
    from tests.answerbook import ORDER, tables

    from .book import history

    runs = 20 if ground.small else 5_000
    rows = tables(history(runs, 2.0))
    with tempfile.TemporaryDirectory(dir=ground.folder) as name:
        folder = Path(name)
        file = folder / "readings.csv"
        _written(file, rows["reading"])
        with BookFolder.create(folder / "empty") as empty, empty.write() as conn:
            add_intake(conn, "test", {t: rows[t] for t in ORDER if t != "reading"}, rows_read=1)
        taken = iter(range(ground.times))

        def ours() -> Cost:
            copy = folder / f"book{next(taken)}"
            shutil.copytree(folder / "empty", copy)
            with BookFolder.open(copy) as book:
                cost = here(lambda: take_file(book, "readings", file))
            shutil.rmtree(copy)
            return cost

        other = lambda: here(lambda: bare.readings(file, folder / "bare.sqlite"))  # noqa: E731
        costs = in_turn(ours, other, ground.times)
    return [Line(f"take readings, {len(rows['reading']):,} rows", *costs, "3 x")]


def _written(file: Path, rows: list[dict[str, object]]) -> None:
    import csv

    columns = [c for c in rows[0] if c not in ("already_at_20c", "repeat")]
    with file.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, columns, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)


def trace_take(ground: Ground) -> list[Line]:
    """One file of 12 channels x 8,640 rows at a time, into a run with a cycle of 14 clauses."""
    from loadbook.readers.recorder.kept_layouts import kept_layout, save_layout
    from loadbook.readers.recorder.options import Options
    from loadbook.readers.recorder.read import lasting, look
    from loadbook.readers.recorder.source import open_source
    from loadbook.readers.recorder.take import take_trace

    from .recorderfiles import FORMATS, shop_without_traces, write_file

    samples, count = (200, 2) if ground.small else (8_640, 3 * ground.times)
    lines = []
    for name, fmt in FORMATS.items():
        with tempfile.TemporaryDirectory(dir=ground.folder) as where:
            folder = Path(where)
            book = shop_without_traces(folder / "book", count)
            files = [write_file(folder / f"chart{i}.csv", fmt, i, samples) for i in range(count)]
            save_layout(book, lasting(look(open_source(files[0]), Options()), "recorder"), "recorder")
            layout = kept_layout(book.read(), "recorder")
            left, right = iter(range(count)), iter(range(count))

            def ours() -> Cost:
                i = next(left)  # noqa: B023
                return here(lambda: take_trace(book, files[i], f"R{i}", layout=layout))  # noqa: B023

            def other() -> Cost:
                i = next(right)  # noqa: B023
                return here(lambda: bare.trace_file(files[i], fmt, folder / f"bare{i}.parquet"))  # noqa: B023

            costs = in_turn(ours, other, count)
            book.close()
        lines.append(Line(f"trace take, 12 x {samples:,}, {name} dates", *costs, "2 x"))
    return lines


def recompute(ground: Ground) -> list[Line]:
    """Per run: `recompute` with one worker and with two, against a bare NumPy pass over the same files."""
    from .recomputing import lines

    long = made(ground.folder, 4 if ground.small else 200, 200 if ground.small else 8_640)
    long.close()
    return [*lines(long.path, 4 if ground.small else 200), *lines(ground.book, 4 if ground.small else 200)]


def sql(ground: Ground) -> list[Line]:
    """Aggregates over `samples` in a session, against the bare engine on the same list of files; then the child."""
    from loadbook.store import sandbox, session
    from loadbook.store.trace_files import quoted

    queries = {
        "sql: count and mean of samples": ("SELECT count(*), avg(value) FROM {}", "1.5 x"),
        "sql: samples by run and channel": (
            "SELECT run, channel, avg(value), max(value) FROM {} GROUP BY run, channel", "1.2 x"
        ),
        "sql: samples above 300, by run": ("SELECT run, count(*) FROM {} WHERE value > 300 GROUP BY run", "1.2 x"),
    }  # fmt: skip
    lines = []
    with BookFolder.open(ground.book) as book:
        started = here(lambda: session.start(book, {"samples"}).connection.close())
        made_session = session.start(book, {"samples"})
        listed = "read_parquet([" + ", ".join(quoted(f) for f in made_session.files) + "])"
        for name, (text, aim) in queries.items():
            costs = in_turn(
                lambda: here(lambda: made_session.rows(text.replace("{}", "samples"))),  # noqa: B023
                lambda: here(lambda: made_session.connection.execute(_bare(text, listed)).fetchall()),  # noqa: B023
                min(3, ground.times),
            )
            lines.append(Line(name, *costs, aim))
        made_session.connection.close()
        child, _ = in_turn(lambda: here(lambda: sandbox.run_query(book, "SELECT 1")), None, ground.times)
    lines.append(Line("sql: the list of files, once a session", started, None, "-"))
    lines.append(Line("sql: the child's start (wall)", child, None, "-"))
    return lines


def _bare(text: str, files: str) -> str:
    """The same over the files by themselves; a run is a file there (copies of a file name one run)."""
    return text.replace("run", "file_index").replace("{}", files)


def questions(ground: Ground) -> list[Line]:
    """Cold processes, over the whole book: the reference pairs the readings and takes the same sums."""
    book, file = str(ground.book), str(ground.book / "book.sqlite")
    moved = _cold("moved", "--by", "setup", "--format", "json", "--book", book)
    effect = _cold("effect", "outside diameter", "--format", "json", "--book", book)
    words = ("answer", "--part", "PN-000", "--format", "json", "--book", book)
    one = _cold("moved", "--part", "PN-000", "--format", "json", "--book", book)
    return [
        Line("moved", *in_turn(moved, _script(bare.MOVED, file), ground.times), "3 s"),
        Line("moved of one part", *in_turn(one, None, ground.times), "-"),
        Line("effect", *in_turn(effect, _script(bare.EFFECT, file), ground.times), "3 s"),
        Line(
            "answer",
            *in_turn(_cold(*words), _script(bare.MOVED, file), ground.times),
            "5 s, 2 GB",
            f"at most {peak_mb(words):.0f} MB",
        ),
    ]


def answer_small(ground: Ground) -> list[Line]:
    """A shop of 400 runs of ten pieces, without traces."""
    book = made(ground.folder, 10 if ground.small else 400, 0)
    book.close()
    words = ("answer", "--part", "PN-000", "--format", "json", "--book", str(book.path))
    return [Line("answer, 400 runs x 10 pieces", *in_turn(_cold(*words), None, ground.times), "1.5 s")]


def pages(ground: Ground) -> list[Line]:
    """The page of one run; a month's workbook: of this book, and of a month with 50,000 readings."""
    with tempfile.TemporaryDirectory(dir=ground.folder) as name:
        out = Path(name)
        page = _cold("page", "run", ground.run(), "-o", str(out / "run.html"), "--force", "--book", str(ground.book))
        month = _cold("export", ground.month(), "-o", str(out / "month.xlsx"), "--book", str(ground.book))
        lines = [Line("page run", *in_turn(page, None, ground.times), "3 s")]
        lines.append(Line("export of a month", *in_turn(_fresh(month, out), None, ground.times), "10 s"))
        runs = 10 if ground.small else 2_500
        busy = made(ground.folder, runs, 0, 0.02)  # a week
        busy.close()
        words = ("export", "2006-01", "-o", str(out / "month.xlsx"), "--book", str(busy.path))
        costs = in_turn(_fresh(_cold(*words), out), None, min(2, ground.times))
        lines.append(Line(f"export of a month, {runs * 20:,} readings", *costs, "10 s"))
    return lines


def _fresh(work: Callable[[], Cost], folder: Path) -> Callable[[], Cost]:
    def once() -> Cost:
        for file in folder.glob("*.xlsx"):
            file.unlink()
        return work()

    return once


def verify(ground: Ground) -> list[Line]:
    """The whole check against SHA-256 of every file of the book; then the trace files by themselves."""
    from loadbook.store.book import TRACES
    from loadbook.store.verify import verify as check

    wall: list[float] = []
    cpu: list[float] = []

    def told(_done: int, _all: int) -> None:  # called after each trace file, when all else was checked
        wall.append(time.perf_counter())
        cpu.append(time.process_time())

    with BookFolder.open(ground.book) as book:
        whole = here(lambda: check(book, told))
        every = here(lambda: bare.hashed(ground.book))
        files = Cost(wall[-1] - wall[0], cpu[-1] - cpu[0])
        hashed = here(lambda: bare.hashed(ground.book / TRACES))
        found = check(book)
        if found.wrong:
            raise RuntimeError(f"the book is not as it was made: {found.wrong[:3]}")
    return [
        Line("verify: chain, seals, keys and files", whole, every, "1.5 x"),
        Line("verify: the trace files alone", files, hashed, "1.5 x"),
    ]


ROWS: dict[str, Callable[[Ground], list[Line]]] = {
    "help": help_, "list": listing, "take-readings": take_readings, "trace-take": trace_take, "recompute": recompute,
    "sql": sql, "questions": questions, "answer-400": answer_small, "pages": pages, "verify": verify,
}  # fmt: skip
ONCE = ("help", "take-readings", "trace-take", "answer-400")  # the same whatever the size of the book

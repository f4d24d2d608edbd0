"""Many files at once: each one's run found, what is settled taken in run by run, what is open listed by form.

    folder -> files -> the run of each (its name, a table, or a furnace and the time) -> run by run, its files together
    -> take.py, one transaction for some runs -> what is left, under one question for all files of one form

Every run is taken in whole or not at all, so that a command that was interrupted is simply repeated: files that are in
the book are known by their SHA-256. Some runs share a transaction (AT_ONCE, AT_MOST_S), since a disk takes its time
over each; where one of them is refused, each is taken by itself. The answers given (options, a layout) are for files of
one form: the same columns, units and delimiter. A file of another form is not read by them; `--like` names a file of
each form that they are for.
"""

from __future__ import annotations

import os
import re
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from fnmatch import fnmatchcase
from pathlib import Path

from loadbook.core import times
from loadbook.core.errors import IntakeError, LoadbookError, NotFoundError, OpenQuestion, Problem, UsageError
from loadbook.core.outside import name_of
from loadbook.core.progress import Progress
from loadbook.readers.tables.cells import CellOf, Sheet, read_sheet
from loadbook.store.book import FILE, TRACES, BookFolder

from .kept_layouts import KeptLayout, kept_layout
from .known_forms import KnownForms
from .options import Options, stop
from .part import Part, asked_of, pieces_of
from .places import Form
from .read import Read, look
from .source import Source, open_source
from .take import LONG_HOURS, ChangedMeanwhile, Ready, TakenTrace, Wanted, make_ready, put_in, take_files

IN_FULL = 20  # runs that are told one by one: of more the channels are not kept in memory
AT_ONCE = 25  # runs of one transaction
AT_MOST_S = 5.0  # after which the runs that are ready go in, however few they are
LEAST_SHARE = 0.1  # of the file, or of the run where it is shorter: less of one in the other is no match
Became = Callable[[Path, str, TakenTrace | LoadbookError], None]  # file, its run or '', what became of it

_TABLE = ("files", "run", "furnace", "layout", "channels", "from", "to")


class AnotherForm(OpenQuestion):
    """A file of another form than the answers given are for."""


_ABOUT_TIMES = ("--date-order", "--epoch", "--time-unit", "--time-kind")  # their answers move a file to another day


class NoRun(NotFoundError):
    """A file whose run is not found."""


class SeveralRuns(OpenQuestion):
    """A file in whose time several runs lie; `runs` names them."""

    def __init__(self, question: str, runs: Sequence[str], *, where: str) -> None:
        super().__init__(question, where=where, option="--run RUN with --from and --to, once for each")
        self.runs = tuple(runs)


@dataclass(frozen=True)
class Finder:
    """How a file's run is found; one of the four is given.

    table  a CSV or XLSX with the column files (a pattern of names) and run or furnace; also layout, channels (with ;
           between them), from and to, so that one file may be several runs'
    """

    run: str = ""
    pattern: re.Pattern[str] | None = None
    furnace: str = ""
    table: Path | None = None


@dataclass
class Left:
    """Files that were not taken for one and the same reason, as the first of them puts it."""

    files: list[str]
    why: str


@dataclass
class Bulk:
    """What became of many files: counts of files, and of the runs taken the verdicts."""

    files: int = 0
    went_in: int = 0
    already: int = 0
    taken: list[TakenTrace] = field(default_factory=list)
    left: list[Left] = field(default_factory=list)

    @property
    def runs(self) -> int:
        return len(self.taken)

    @property
    def not_taken(self) -> int:
        return len({f for left in self.left for f in left.files})

    @property
    def verdicts(self) -> Counter[str]:
        return Counter(t.verdict for t in self.taken)

    @property
    def broken(self) -> list[str]:
        return [t.run for t in self.taken if t.verdict == "broken"]


@dataclass(frozen=True)
class _Waiting:
    """A run that is ready to go in, with its files."""

    ready: Ready
    wanted: list[Wanted]
    shas: list[str]
    form: Form | None


@dataclass(frozen=True)
class _Row:
    """One row of the table of runs."""

    line: int
    pattern: str
    run: str
    furnace: str
    part: Part
    layout: KeptLayout | None


class _Left:
    """Gathers what is not taken under one reason for all files of a form."""

    def __init__(self) -> None:
        self.found: dict[object, Left] = {}

    def add(self, names: Sequence[str], exc: LoadbookError, form: Form | None) -> None:
        key: object = type(exc)
        if isinstance(exc, OpenQuestion) and not isinstance(exc, AnotherForm):
            key = exc.what if form is None else exc.option
        elif not isinstance(exc, AnotherForm):
            key = re.sub(r"'[^']*'|\d+", "", exc.what)[:40]  # what differs from file to file stands in quotes or later
        left = self.found.setdefault((type(exc), form, key), Left([], str(exc)))
        left.files += names


def take_all(
    book: BookFolder, paths: Sequence[Path], finder: Finder, options: Options, layout: KeptLayout | None, part: Part,
    *, like: Sequence[Path] = (), forms: Collection[Form] = (), dry_run: bool = False, told: Progress | None = None,
    became: Became | None = None,
) -> Bulk:  # fmt: skip
    """Take all files in that are settled.

    paths    files and folders (with all that is in them)
    like     files of the forms that the options and the layout are for; () is the first file's
    forms    these forms themselves
    dry_run  nothing is written: `taken` is what would go in
    told     told(what, done, all)
    became   called for each file as soon as it is settled, or not
    Raises   UsageError, NotFoundError where the command itself cannot be carried out; what is wrong with a file is in
             `left`
    """
    taking = _Taking(book, finder, options, layout, part, dry_run, told, became)
    taking.forms = set(forms)
    return taking.all(paths, like)


class _Taking:
    def __init__(
        self, book: BookFolder, finder: Finder, options: Options, layout: KeptLayout | None, part: Part, dry_run: bool,
        told: Progress | None, became: Became | None,
    ) -> None:  # fmt: skip
        self.book, self.finder, self.options, self.layout, self.part = book, finder, options, layout, part
        self.dry_run, self.told, self.became = dry_run, told, became
        self.names: dict[Path, str] = {}
        self.rows = _table(book, finder.table, part, layout) if finder.table else []
        self.answered = layout is not None or options != Options() or any(r.layout for r in self.rows)
        self.forms: set[Form] = set()
        self.form: Form | None = None  # of the file read last
        self.left = _Left()
        self.held = held_files(book)
        self.known_forms = KnownForms(options)
        self.windows: dict[str, list[tuple[str, float, float]]] = {}
        self.waiting: list[_Waiting] = []
        self.waiting_since = 0.0

    def all(self, paths: Sequence[Path], like: Sequence[Path]) -> Bulk:
        files = list(dict.fromkeys(files_in(paths)))
        if not files:
            raise UsageError("there are no files in it", where=", ".join(map(str, paths)), remedy="Name another folder")
        self.part.asked(self.book.zone)  # moments that are none end the command, not every file
        if self.options.start not in ("", "run") and len(files) > 1 and not self.finder.run:
            raise UsageError("--start with a moment is about one file", remedy="For many: --start run")
        roots = [p for p in paths if p.is_dir()]
        self.names = {f: _shown(f, roots) for f in files}
        if self.answered and not self.forms:
            self.forms = self._answered_forms(files, like)
        done = Bulk(len(files))
        runs: dict[str, list[Wanted]] = defaultdict(list)
        for number, file in enumerate(files, 1):
            self._say("looking at files", number, len(files), every=self.finder.run == "")
            try:
                for run, wanted in self._runs_of(file):
                    runs[run].append(wanted)
            except LoadbookError as exc:
                self._not_taken([file], "", exc)
        try:
            for number, (run, of_run) in enumerate(runs.items(), 1):
                self._say("runs", number, len(runs))
                self._one(run, of_run, done)
            self._put_in(done)
        finally:
            for one in self.waiting:
                one.ready.discard()
        done.left = list(self.left.found.values())
        return done

    def _say(self, what: str, number: int, of: int, every: bool = True) -> None:
        if self.told is not None and every:
            self.told(what, number, of)

    def _one(self, run: str, wanted: list[Wanted], done: Bulk) -> None:
        self.form = None
        try:
            opened = [(open_source(w.path), w) for w in wanted]
            shas = [source.sha256 for source, _ in opened]
            if self._in_the_book(run, wanted, shas):
                done.already += len(wanted)
                self._say_became(wanted, run, TakenTrace(run, "", already=True))
                return
            if {*shas} & {sha for one in self.waiting for sha in one.shas}:
                self._put_in(done)  # whether the same file may be two runs' is asked of the book
            made = make_ready(
                self.book, run, opened, self.options, seen=self._seen, held=self.held, dry_run=self.dry_run,
                known_forms=self.known_forms,
            )  # fmt: skip
        except LoadbookError as exc:
            self._not_taken([w.path for w in wanted], run, exc)
            return
        if isinstance(made, TakenTrace):
            self._taken(made, run, wanted, shas, done)
            return
        self.waiting_since = self.waiting_since if self.waiting else time.monotonic()
        self.waiting.append(_Waiting(made, wanted, shas, self.form))
        if len(self.waiting) >= AT_ONCE or time.monotonic() - self.waiting_since > AT_MOST_S:
            self._put_in(done)

    def _put_in(self, done: Bulk) -> None:
        """Put the runs that are ready into the book: together, else each by itself."""
        waiting, self.waiting = self.waiting, []
        if not waiting:
            return
        try:
            for one, taken in zip(waiting, put_in(self.book, [w.ready for w in waiting]), strict=True):
                self._taken(taken, one.ready.seen.run, one.wanted, one.shas, done)
            return
        except LoadbookError as exc:
            if len(waiting) == 1 and not isinstance(exc, ChangedMeanwhile):
                self.form = waiting[0].form
                self._not_taken([w.path for w in waiting[0].wanted], waiting[0].ready.seen.run, exc)
                return
        for one in waiting:
            self.form, run = one.form, one.ready.seen.run
            try:
                taken = take_files(
                    self.book, run, one.wanted, self.options, seen=self._seen, held=self.held,
                    known_forms=self.known_forms,
                )  # fmt: skip
                self._taken(taken, run, one.wanted, one.shas, done)
            except LoadbookError as exc:
                self._not_taken([w.path for w in one.wanted], run, exc)

    def _taken(self, taken: TakenTrace, run: str, wanted: list[Wanted], shas: list[str], done: Bulk) -> None:
        self._say_became(wanted, run, taken)
        if taken.already:
            done.already += len(wanted)
            return
        done.went_in += len(taken.files)
        done.already += len(wanted) - len(taken.files)
        done.taken.append(taken if len(done.taken) < IN_FULL else replace(taken, channels=()))
        if not self.dry_run:
            for one, sha in zip(wanted, shas, strict=True):
                self.held.setdefault(sha, set()).add((run, one.part.asked(self.book.zone, self.options)))

    def _not_taken(self, files: Sequence[Path], run: str, exc: LoadbookError) -> None:
        self.left.add([self.names[f] for f in files], exc, self.form)
        for file in files if self.became is not None else ():
            self.became(file, run, exc)  # type: ignore[misc]

    def _say_became(self, wanted: Sequence[Wanted], run: str, taken: TakenTrace) -> None:
        for path in dict.fromkeys(w.path for w in wanted) if self.became is not None else ():
            self.became(path, run, taken)  # type: ignore[misc]

    def _in_the_book(self, run: str, wanted: Sequence[Wanted], shas: Sequence[str]) -> bool:
        """Are these very files, as far as they are asked for, in the run's trace."""
        return all(
            (run, w.part.asked(self.book.zone, self.options)) in self.held.get(sha, ())
            for w, sha in zip(wanted, shas, strict=True)
        )

    # -- forms ---------------------------------------------------------------------------------------

    def _answered_forms(self, files: Sequence[Path], like: Sequence[Path]) -> set[Form]:
        """The forms that the answers are for. Raises what reading a file of `like` raises."""
        if like:
            return {_form(self._look(open_source(f), self.layout)) for f in like}
        for file in files:
            try:
                return {_form(self._look(open_source(file), self.layout))}
            except LoadbookError:
                continue  # it will be said of it when its turn comes
        return set()

    def _seen(self, source: Source, read: Read) -> None:
        """Raises OpenQuestion for a file of another form than the answers are for."""
        self.form = _form(read)
        if not self.answered or not self.forms or self.form in self.forms:
            return
        if _form(self._look(source, self.layout)) not in self.forms:  # the file alone, without its run
            raise AnotherForm(
                f"another form than the answers are for: {_difference(next(iter(self.forms)), self.form)}",
                where=source.name, option=f'--like "{source.name}", if the same answers hold; else by a command apart',
            )  # fmt: skip

    def _look(self, source: Source, layout: KeptLayout | None, part: Part | None = None) -> Read:
        return look(
            source, self.options, layout=layout.layout if layout else None, zone=self.book.zone,
            channels=(part or self.part).channels, known_forms=self.known_forms,
        )  # fmt: skip

    # -- runs ----------------------------------------------------------------------------------------

    def _runs_of(self, file: Path) -> Iterator[tuple[str, Wanted]]:
        """The runs that a file is the trace of. Raises LoadbookError where none, or not one, is found."""
        self.form = None
        finder, wanted = self.finder, Wanted(file, self.part, self.layout)
        if finder.run:
            yield finder.run, wanted
        elif finder.pattern is not None:
            match = finder.pattern.search(file.name)
            if match is None:
                raise NoRun(
                    f"no run is found in the name {file.name!r}", remedy="Correct --run-from-name, or use --run"
                )
            yield match.group(1) if match.groups() else match.group(0), wanted
        elif finder.furnace:
            yield self._by_time(finder.furnace, wanted), wanted
        else:
            rows = [r for r in self.rows if fnmatchcase(self.names[file].casefold(), r.pattern)
                    or fnmatchcase(file.name.casefold(), r.pattern)]  # fmt: skip
            if not rows:
                raise NotFoundError(
                    f"no row of {finder.table} fits", where=self.names[file], remedy="Add one to the table"
                )
            if len(rows) > 1 and not all(r.part.channels or r.part.begins or r.part.ends for r in rows):
                lines = " and ".join(str(r.line) for r in rows)
                raise OpenQuestion(
                    f"lines {lines} of {finder.table} both fit: which is it?", where=self.names[file],
                    option="one pattern that fits, or channels, from and to in each of the rows",
                )  # fmt: skip
            for row in rows:
                wanted = Wanted(file, row.part, row.layout)
                yield row.run or self._by_time(row.furnace, wanted), wanted

    def _by_time(self, furnace: str, wanted: Wanted) -> str:
        """The one run of a furnace in whose time a file lies."""
        windows = self._windows(furnace)
        source = open_source(wanted.path)
        asked = wanted.part.asked(self.book.zone, self.options)
        before = [run for run, of in self.held.get(source.sha256, ()) if of == asked]
        if len(before) == 1:
            return before[0]
        read = self._look(source, wanted.layout, wanted.part)
        self._seen(source, read)
        if read.reading.started is None:
            raise OpenQuestion(
                "nothing in the file says on which day it was recorded", where=source.name,
                option="--run RUN and --start MOMENT, or a table with its run: --runs TABLE",
            )  # fmt: skip
        first = read.reading.started.timestamp()
        last = first + float(read.reading.t_s[-1])
        found = []
        for run, begins, ends in windows:
            shared = min(last, ends) - max(first, begins)
            if shared > 0 and shared >= LEAST_SHARE * min(last - first, ends - begins):
                found.append(run)
        if len(found) == 1:
            return found[0]
        a, b = (
            times.shown(times.stored(read.reading.started + timedelta(seconds=s)), self.book.zone)
            for s in (0.0, last - first)
        )
        if not found:
            stop([q for q in read.questions if q.option.startswith(_ABOUT_TIMES)], source.name)
            raise NoRun(
                f"no run of furnace {furnace!r} has its time, {a} to {b}", where=source.name,
                remedy="Take the run in first, or name the file's run: --run RUN",
            )  # fmt: skip
        raise SeveralRuns(
            f"{len(found)} runs of furnace {furnace!r} lie in its time, {a} to {b}: {', '.join(found[:6])}",
            found, where=source.name,
        )  # fmt: skip

    def _windows(self, furnace: str) -> list[tuple[str, float, float]]:
        """(run, from, to) of a furnace's runs in seconds since 1970; one without an end goes on to the next."""
        if furnace not in self.windows:
            conn = self.book.read()
            if conn.execute("SELECT 1 FROM furnace WHERE furnace = ?", (furnace,)).fetchone() is None:
                raise NotFoundError(f"the book has no furnace {furnace!r}", remedy="See: loadbook list furnaces")
            rows = conn.execute(
                "SELECT run, started, ended FROM run WHERE furnace = ? AND status <> 'void' ORDER BY started",
                (furnace,),
            ).fetchall()
            begins = [times.from_stored(r["started"]).timestamp() for r in rows]
            out = []
            for i, row in enumerate(rows):
                longest = begins[i] + LONG_HOURS * 3600
                following = min(begins[i + 1], longest) if i + 1 < len(rows) else longest
                ends = times.from_stored(row["ended"]).timestamp() if row["ended"] else following
                out.append((row["run"], begins[i], ends))
            self.windows[furnace] = out
        return self.windows[furnace]


def first_form(book: BookFolder, files: Iterable[Path], layout: KeptLayout) -> tuple[Form, str] | None:
    """The form of the first of some files that a layout reads without a question, and that file's name; None where it
    reads none of them so. (The day of a file's times may still be asked: it is no part of a form.)"""
    for file in files:
        try:
            source = open_source(file)
            read = look(source, Options(), layout=layout.layout, zone=book.zone)
        except LoadbookError:
            continue
        if all(q.option.startswith("--start") for q in read.questions):
            return _form(read), source.name
    return None


def form_like(book: BookFolder, file: Path, layout: KeptLayout) -> Form:
    """The form of one file. Raises what reading it raises."""
    return _form(look(open_source(file), Options(), layout=layout.layout, zone=book.zone))


def _form(read: Read) -> Form:
    layout = read.layout
    return Form(
        layout.encoding == "workbook", layout.delimiter, layout.shape, layout.time_kind, layout.time_columns,
        tuple((c.name, c.unit_read) for c in read.reading.channels),
    )  # fmt: skip


def _difference(known: Form, form: Form) -> str:
    parts = []
    for word, here, there in (("it has", form, known), ("it lacks", known, form)):
        names = [f"{n} in {u}" if u else n for n, u in here.channels if (n, u) not in there.channels]
        if names:
            parts.append(f"{word} {', '.join(names[:4])}")
    return "; ".join(parts) or "its columns stand otherwise, or its delimiter or time columns are others"


def held_files(book: BookFolder) -> dict[str, set[tuple[str, str]]]:
    """SHA-256 of a file -> the runs whose trace it is in, each with what of it was asked for."""
    held: dict[str, set[tuple[str, str]]] = {}
    for row in book.read().execute("SELECT * FROM trace WHERE state = 'current'"):
        for piece in pieces_of(row):
            held.setdefault(piece["sha256"], set()).update((row["run"], asked) for asked in asked_of(piece))
    return held


def files_in(paths: Sequence[Path]) -> Iterator[Path]:
    """The files named, and all in the folders named, in order; no hidden ones, none of a book's own, no links."""
    for path in paths:
        if not path.is_dir():
            yield path
            continue
        for folder, below, names in os.walk(path):
            below[:] = sorted(b for b in below if not b.startswith("."))
            if FILE in names:  # a book's own files are none of a recorder
                below[:] = [b for b in below if b != TRACES]
                names = [n for n in names if not n.startswith(FILE)]
            for name in sorted(names):
                file = Path(folder, name)
                if not name.startswith(".") and file.is_file() and not file.is_symlink():
                    yield file


def _shown(file: Path, roots: Sequence[Path]) -> str:
    for root in roots:
        if file.is_relative_to(root):
            return file.relative_to(root).as_posix()
    return name_of(file)


def _table(book: BookFolder, path: Path, part: Part, layout: KeptLayout | None) -> list[_Row]:
    """The rows of the table of runs. Raises IntakeError with every row that is wrong."""
    sheet = read_sheet(path)
    header = [h.strip().casefold() for h in sheet.header]
    unknown = [h for h in header if h and h not in _TABLE]
    if unknown or "files" not in header or not {"run", "furnace"} & {*header}:
        wrong = f"the column {unknown[0]!r}" if unknown else f"only {', '.join(header)}"
        raise IntakeError(
            f"the table of runs has {wrong}", [Problem(f"its columns are {', '.join(_TABLE)}", sheet.name, 1)],
            remedy="It needs files, and run or furnace",
        )  # fmt: skip
    mend = "Delete the row or show it plainly"
    problems = sheet.problems + [Problem(w, sheet.name, sheet.lines[i], c, remedy=mend) for i, c, w in sheet.doubts]
    rows = []
    for i, line in enumerate(sheet.lines):
        cells = {h: _cell(sheet, header, h, i) for h in _TABLE}
        problems += [Problem(c.why, sheet.name, line, h, c, c.remedy) for h, c in cells.items() if c.why]
        cell = {h: c.shown for h, c in cells.items()}
        if not cell["files"] or bool(cell["run"]) == bool(cell["furnace"]):
            problems.append(Problem("a row needs files, and either run or furnace", sheet.name, line))
            continue
        channels = tuple(c.strip() for c in cell["channels"].split(";") if c.strip())
        own = replace(part, channels=channels or part.channels, begins=cell["from"] or part.begins,
                      ends=cell["to"] or part.ends)  # fmt: skip
        own.asked(book.zone)  # moments that are none are an error here
        kept = kept_layout(book.read(), cell["layout"]) if cell["layout"] else layout
        rows.append(_Row(line, cell["files"].casefold(), cell["run"], cell["furnace"], own, kept))
    if problems:
        raise IntakeError("the table of runs is not whole", problems, remedy="Nothing was taken in")
    return rows


def _cell(sheet: Sheet, header: Sequence[str], name: str, i: int) -> CellOf:
    value = sheet.columns[header.index(name)][i] if name in header else None
    return value if isinstance(value, CellOf) and name not in ("from", "to") else CellOf((value or "").strip())

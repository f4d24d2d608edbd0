"""The standing intake: folders looked at again and again, each recorder's file taken in once it is whole.

    a look: the folder listed -> files that stood unchanged for the quiet time -> read once: last line whole, digest
    -> already in the book, or `bulk.take_all` -> the run's page -> what became of each, noted

It is plain polling, as `growing` is, and for its reasons. Nothing in a watched folder is moved or changed.

What was seen of each file is noted in the book's folder, `watch/`, one file a place: an index only, so that a file is
not read again at each look. What is in the book is asked of the book, by the digest of the file's bytes: a lost or an
old note, a book brought back from a backup, a kill at any moment and a second watcher at the same folder are all the
same to it. So there is no lock: two watchers may both read a file, and the transaction of the first one decides.
"""

from __future__ import annotations

import contextlib
import glob
import hashlib
import json
import sqlite3
import time
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from io import BytesIO
from pathlib import Path

from loadbook.core import writing
from loadbook.core.errors import BusyError, IntakeError, LoadbookError, NotFoundError, OpenQuestion
from loadbook.core.outside import LARGEST_FILE, read_file
from loadbook.core.phrases import many
from loadbook.store import revision
from loadbook.store.book import BookFolder

from . import places
from .bulk import AnotherForm, Finder, SeveralRuns, files_in, first_form, held_files, take_all
from .growing import whole_lines
from .kept_layouts import KeptLayout, kept_layout
from .options import Options
from .part import Part, pieces_of
from .places import Form, Place, command
from .source import Source
from .take import OtherTrace, TakenTrace

FOLDER = "watch"  # in the book's folder
OLD_S = 2 * 3600.0  # a file last written so long ago is quiet at first sight: a file server's clock may be an hour off
AGAIN_S = 3600.0  # what waits is tried again after so long, and whenever one of SETTLES changed
FEW = 20  # files among which one is looked for that the layout reads
NOTE_S = 60.0  # how often the moment of the last look is noted
SETTLES = ("run", "furnace", "layout", "trace", "channel", "setting")  # tables whose rows may settle what waits
_ONCE = ("--start", "--zero", "--fold", "--stretch", "--from", "--to", "--whole", "--overlap", "--run")

Say = Callable[[str], None]
Page = Callable[[Place, str], str]  # writes a run's page, gives its path; raises LoadbookError, OSError


@dataclass
class Entry:
    """A file as it was seen last: its size, time [ns], and since when [s since 1970] it has been so.

    sha256    of its bytes, once it was read
    run       whose trace it is;  page  its page is still to be written
    why, settle  why it waits, and the commands that settle it;  waits  since when
    tried, by  when it was read last, and the state of the tables that may settle it
    runs      where several runs lie in it: the file is settled when it is in the trace of each
    unread    it could not be read at the last look
    """

    size: int
    mtime_ns: int
    since: float
    sha256: str = ""
    run: str = ""
    page: bool = False
    why: str = ""
    settle: tuple[str, ...] = ()
    waits: float = 0.0
    tried: float = 0.0
    by: str = ""
    runs: tuple[str, ...] = ()
    unread: bool = False


@dataclass
class Notes:
    """What was seen of one place. looked and away: seconds since 1970; away 0 where the folder is there."""

    folder: str
    files: dict[str, Entry] = field(default_factory=dict)
    looked: float = 0.0
    away: float = 0.0

    @property
    def waiting(self) -> dict[str, Entry]:
        return {name: e for name, e in self.files.items() if e.why and not e.run}

    @property
    def growing(self) -> dict[str, Entry]:
        """Files that are still written, or were just seen for the first time."""
        return {name: e for name, e in self.files.items() if not e.why and not e.run}


def notes_of(book: BookFolder) -> list[Notes]:
    """What the last looks noted, as the book stands now: what a person settled meanwhile waits no more."""
    held = held_files(book)
    found = []
    for path in sorted((book.path / FOLDER).glob("*.json")):
        notes = _read(path)
        if notes is not None:
            for entry in notes.files.values():
                _settle(entry, held)
            found.append(notes)
    return found


def forget(book: BookFolder, folder: str) -> None:
    """Take away what was noted of a folder that is watched no more."""
    with contextlib.suppress(OSError):
        _path(book, folder).unlink(missing_ok=True)


def _settle(entry: Entry, held: dict[str, set[tuple[str, str]]]) -> None:
    """Says of a file that is in the book whose trace it is, and of one that is no more that it is not."""
    runs = sorted({run for run, _ in held.get(entry.sha256, ())})
    entry.run = runs[0] if runs and {*entry.runs} <= {*runs} else ""
    if entry.run:
        entry.why, entry.settle, entry.runs = "", (), ()


def quiet(entry: Entry, quiet_min: float, now: float) -> bool:
    """Has a file stood unchanged for so long?"""
    return now - entry.since >= 60.0 * quiet_min or now - entry.mtime_ns / 1e9 >= OLD_S + 60.0 * quiet_min


def whole(source: Source, open_end: bool) -> bool:
    """Has a file's last line its end? open_end: its recorder writes none."""
    if source.is_workbook:
        return source.data[:2] != b"PK" or zipfile.is_zipfile(BytesIO(source.data))
    return whole_lines(source.data) == source.data or (open_end and not source.data.endswith(b"\x00"))


class Standing:
    """Watches the book's places, or the places given. say: one line an event; page: as Page, None writes none."""

    def __init__(self, book: BookFolder, given: Sequence[Place] | None, say: Say, page: Page | None = None) -> None:
        self.book, self.given, self.say, self.page = book, given, say, page
        self.notes: dict[str, Notes] = {}
        self.broken: list[str] = []  # runs taken in whose cycle was broken
        self._held: dict[str, set[tuple[str, str]]] = {}
        self._withdrawn: dict[str, str] = {}
        self.places: list[Place] = []
        self._state: object = None
        self._tables: dict[str, object] = {}
        self._by = ""
        self._away: set[str] = set()
        self._begun: set[str] = set()
        self._pages_not_written: dict[str, str] = {}

    def look(self) -> None:
        """One look at every place. Raises LoadbookError, sqlite3.Error where the book cannot be used."""
        try:
            self._ask_the_book()
            for place in self.places:
                self._look_at(place)
        except BaseException:
            self._state = None  # the next opening of the book counts anew
            raise

    @property
    def waiting(self) -> int:
        """How many files wait; a folder that cannot be read counts as one."""
        return sum(len(self._notes(p).waiting) + (p.folder in self._away) for p in self.places)

    def _ask_the_book(self) -> None:
        state = self.book.state()
        if state == self._state:
            return
        tables = revision.of_tables(self.book.read())
        before, self._tables = self._tables, dict(tables)
        self._by = hashlib.sha256(repr([tables.get(t) for t in SETTLES]).encode()).hexdigest()[:16]
        if before.get("setting") != tables.get("setting") or not self.places:
            self.places = list(self.given) if self.given is not None else places.places(self.book)
        if before.get("trace") != tables.get("trace"):
            self._held = held_files(self.book)
            self._withdrawn = {
                piece["sha256"]: row["run"]
                for row in self.book.read().execute("SELECT * FROM trace WHERE state <> 'current'").fetchall()
                for piece in pieces_of(row)
                if piece["sha256"] not in self._held
            }
            for notes in self.notes.values():
                for entry in notes.files.values():
                    _settle(entry, self._held)
        self._state = state

    # -- one place ---------------------------------------------------------------------------------

    def _look_at(self, place: Place) -> None:
        notes = self._notes(place)
        now = time.time()
        try:
            there = _listed(place)
        except OSError as exc:
            self._away.add(place.folder)
            self._is_away(notes, f"cannot be read ({exc.strerror or exc}): waiting for it", now)
            return
        self._away.discard(place.folder)
        if notes.files and not there:  # so a drive looks that is not mounted
            self._is_away(notes, f"is empty, where {many(len(notes.files), 'file')} were: is its drive away?", now)
            return
        changed = False
        if notes.away:
            self.say(f"{place.folder} is there again, after {_lasted(now - notes.away)}")
            notes.away, changed = 0.0, True
        gone = [n for n in notes.files if n not in there]
        for name in gone:
            del notes.files[name]
        if gone:  # what waits may have waited for one of them
            changed = True
            for waiting in notes.waiting.values():
                waiting.by = ""
        for name, (_, size, mtime_ns) in there.items():
            entry = notes.files.get(name)
            if entry is None or (entry.size, entry.mtime_ns) != (size, mtime_ns):
                notes.files[name] = Entry(size, mtime_ns, now)
                changed = True
        first = place.folder not in self._begun
        due = {name: there[name][0] for name, e in notes.files.items() if self._due(place, e, now)}
        if due or changed or now - notes.looked > NOTE_S:
            notes.looked = now
            self._take(place, notes, due, now)
            self._note(notes)
        if first:
            self.say(_summary(place, notes))
            self._begun.add(place.folder)

    def _is_away(self, notes: Notes, how: str, now: float) -> None:
        if not notes.away:
            notes.away = now
            self.say(f"{notes.folder} {how}")
            self._note(notes)

    def _due(self, place: Place, entry: Entry, now: float) -> bool:
        """Is there anything to do about a file?"""
        if entry.run:
            return entry.page and bool(place.pages)
        if entry.why and not entry.unread:
            return now - entry.tried >= AGAIN_S or entry.by != self._by
        return quiet(entry, place.quiet_min, now)

    def _take(self, place: Place, notes: Notes, due: dict[str, Path], now: float) -> None:
        new: dict[Path, tuple[str, Entry]] = {}
        for name, path in due.items():
            entry = notes.files[name]
            if not entry.run and self._read(place, name, entry, path, now):
                new[path] = name, entry
        if new:
            self._note(notes)  # should we be killed: their pages are still to be written
            self._take_new(place, new)
        for name in due:
            self._write_page(place, notes.files[name])

    def _read(self, place: Place, name: str, entry: Entry, path: Path, now: float) -> bool:
        """Reads a file once; True where it is whole and new to the book."""
        try:
            source = Source(path.name, read_file(path, LARGEST_FILE))
        except LoadbookError as exc:
            self._not_now(place, name, entry, exc.what)
            return False
        entry.unread, entry.tried = False, now
        entry.sha256 = source.sha256
        _settle(entry, self._held)
        if entry.run:
            if place.folder in self._begun:
                self.say(f"{_named(place, name)}: in the book already, as the trace of {entry.run}")
            return False
        entry.page = bool(place.pages)
        if source.data and not whole(source, place.open_end):
            self._waits(
                place, name, entry, "its last line has no end: it may be cut off, or be written still",
                command("trace", "take", str(path), *place.words()),
                command("watch", "add", place.folder, "--open-end"),
            )  # fmt: skip
            return False
        if entry.sha256 in self._withdrawn:
            run = self._withdrawn[entry.sha256]
            self._waits(
                place, name, entry, f"it was the trace of run {run}, which was withdrawn",
                command("trace", "take", str(path), "--run", run, *_by(place)),
            )  # fmt: skip
            return False
        return True

    def _take_new(self, place: Place, new: dict[Path, tuple[str, Entry]]) -> None:
        def became(path: Path, run: str, what: TakenTrace | LoadbookError) -> None:
            name, entry = new[path]
            if isinstance(what, TakenTrace):
                entry.run, entry.why, entry.settle = what.run, "", ()
                self._held.setdefault(entry.sha256, set()).add((what.run, ""))
                self.say(f"{_named(place, name)}: {_taken_words(what)}")
                if what.verdict == "broken":
                    self.broken.append(what.run)
                return
            if isinstance(what, SeveralRuns):
                entry.runs = what.runs
                _settle(entry, self._held)
                if entry.run:
                    return
            if isinstance(what, BusyError):
                self._not_now(place, name, entry, what.what)
            else:
                self._waits(place, name, entry, _reason(what, path.name), *_settles(place, path, run, what))

        try:
            layout = kept_layout(self.book.read(), place.layout) if place.layout else None
            forms = self._forms(place, layout)
        except LoadbookError as exc:
            for path in new:
                became(path, "", exc)
            return
        finder = Finder(pattern=places.expression(place), furnace=place.furnace)
        try:
            take_all(self.book, list(new), finder, Options(), layout, Part(), forms=forms, became=became)
        except (LoadbookError, sqlite3.Error, OSError):
            raise  # it is the book, or its disk
        except Exception as exc:  # one file that the program fails at must not keep the others out
            if len(new) > 1:
                for path, one in new.items():
                    if not one[1].run:
                        self._take_new(place, {path: one})
                return
            ((path, (name, entry)),) = new.items()
            why = f"an unexpected fault in the program: {type(exc).__name__}: {_line(str(exc))}"
            self._waits(place, name, entry, why, command("--traceback", "trace", "take", str(path), *place.words()))

    def _forms(self, place: Place, layout: KeptLayout | None) -> tuple[Form, ...]:
        """The forms that a place's layout is for; of a place that has none yet the first file's, kept from now on."""
        if place.forms or layout is None:
            return place.forms
        files = [path for path, _, _ in _listed(place).values()]
        found = first_form(self.book, files[:FEW], layout)
        if found is None:
            return ()
        form, name = found
        if self.given is None:
            places.put(self.book, replace(place, forms=(form,)), f"the form of {name}, the first file")
        self.places = [replace(p, forms=(form,)) if p == place else p for p in self.places]
        return (form,)

    def _write_page(self, place: Place, entry: Entry) -> None:
        if not (entry.run and entry.page and place.pages) or self.page is None:
            return
        runs = sorted({run for run, _ in self._held.get(entry.sha256, ())}) or [entry.run]
        try:
            written = [self.page(place, run) for run in runs]
        except (LoadbookError, OSError) as exc:
            why = _line(str(exc))
            if self._pages_not_written.get(entry.run) != why:
                self._pages_not_written[entry.run] = why
                self.say(f"the page of {entry.run} was not written ({why}): it is tried again")
            return
        entry.page = False
        for run, path in zip(runs, written, strict=True):
            self.say(f"page of {run}: {path}")

    # -- what is told and noted --------------------------------------------------------------------

    def _waits(self, place: Place, name: str, entry: Entry, why: str, *settle: str) -> None:
        if why != entry.why:
            end = "" if why.endswith((".", "?")) else "."
            self.say(f"{_named(place, name)} waits: {why}{end} Settle it: {', or '.join(settle)}")
        entry.why, entry.settle, entry.waits, entry.by = why, settle, entry.waits or time.time(), self._by

    def _not_now(self, place: Place, name: str, entry: Entry, why: str) -> None:
        """A file that is locked, or a book that is busy: the next look tries again."""
        if why != entry.why:
            self.say(f"{_named(place, name)} cannot be taken just now: {why}. It is tried again")
        entry.why, entry.settle, entry.unread = why, (), True
        entry.waits = entry.waits or time.time()

    def _notes(self, place: Place) -> Notes:
        if place.folder not in self.notes:
            path = _path(self.book, place.folder)
            writing.sweep(path.parent)
            found = _read(path)
            notes = found if found is not None and found.folder == place.folder else Notes(place.folder)
            notes.looked = notes.away = 0.0
            for entry in notes.files.values():
                _settle(entry, self._held)
            self.notes[place.folder] = notes
        return self.notes[place.folder]

    def _note(self, notes: Notes) -> None:
        path = _path(self.book, notes.folder)
        with contextlib.suppress(OSError, LoadbookError):  # it is an index: without it files are read once more
            writing.make_folder(path.parent, below=self.book.path)
            writing.put(path, json.dumps(asdict(notes)).encode(), over=True, lasting=False)


def _path(book: BookFolder, folder: str) -> Path:
    name = hashlib.sha256(folder.encode("utf-8", "surrogatepass")).hexdigest()[:16]
    return book.path / FOLDER / f"{name}.json"


def _listed(place: Place) -> dict[str, tuple[Path, int, int]]:
    """Name below the folder -> (path, size, time) of every file of a place. Raises OSError where it is not there."""
    next(iter(place.path.iterdir()), None)  # a folder that is away, or may not be read
    found = {}
    for path in files_in([place.path]):
        if place.holds(path.name):
            with contextlib.suppress(OSError):  # it went away meanwhile
                seen = path.stat()  # not the folder's own entry: Windows brings that up to date when a file is closed
                found[path.relative_to(place.path).as_posix()] = path, seen.st_size, seen.st_mtime_ns
    return found


def _read(path: Path) -> Notes | None:
    """Notes as they were written; None where they cannot be read, which costs another reading of the files."""
    try:
        said = json.loads(read_file(path, links=False))
        known = {f.name for f in fields(Entry)}
        files = {n: Entry(**{k: v for k, v in e.items() if k in known}) for n, e in said["files"].items()}
        for entry in files.values():
            entry.runs, entry.settle = tuple(entry.runs), tuple(map(str, entry.settle))
            if not isinstance(entry.since + entry.mtime_ns + entry.size + entry.tried + entry.waits, float):
                return None
        return Notes(str(said["folder"]), files, float(said["looked"]), float(said["away"]))
    except (LoadbookError, OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


# -- words ---------------------------------------------------------------------------------------


def _summary(place: Place, notes: Notes) -> str:
    held = sum(bool(e.run) for e in notes.files.values())
    said = [f"{held} in the book"]
    said += [f"{len(notes.waiting)} waiting"] if notes.waiting else []
    said += [f"{len(notes.growing)} still written or just seen"] if notes.growing else []
    return f"{place.folder} (run {place.finds}): {many(len(notes.files), 'file')}, {', '.join(said)}"


def _taken_words(taken: TakenTrace) -> str:
    if taken.already:
        return f"already in the book as the trace of {taken.run}"
    told = {"kept": "the cycle was kept", "broken": "THE CYCLE WAS BROKEN", "no cycle": "no cycle to judge by"}
    verdict = told.get(taken.verdict, taken.verdict)
    names = {"broken": taken.broken, "cannot be told": taken.untold}.get(taken.verdict, ())
    faults = f"; suspected: {', '.join(taken.faults)}" if taken.faults else ""
    return f"taken in as the trace of {taken.run}; {verdict}{': ' if names else ''}{', '.join(names)}{faults}"


def _reason(exc: LoadbookError, name: str) -> str:
    """An error as one line, with the first of its problems."""
    text = _line(exc.what).replace("than the answers are for", "than its layout is for")
    if isinstance(exc, IntakeError) and exc.problems:
        text += f" ({_line(str(exc.problems[0])).removeprefix(f'{name}: ').removeprefix(f'{name}:')})"
    if isinstance(exc, NotFoundError):
        text += ": take the run in, and the file goes in by itself; or name its run"
    return text


def _named(place: Place, name: str) -> str:
    """A file as the log names it: with its folder, since several are watched."""
    return f"{place.path.name or place.folder}/{name}"


def _line(text: str) -> str:
    return " ".join(text.split())


def _by(place: Place) -> list[str]:
    return ["--layout", place.layout] if place.layout else []


def _settles(place: Place, path: Path, run: str, exc: LoadbookError) -> list[str]:
    """The commands of which one settles what keeps a file out (of several runs: each one its run)."""
    take = ["trace", "take", str(path), *_by(place), "--run"]
    if isinstance(exc, AnotherForm):
        return [command("watch", "add", place.folder, "--like", str(path))]
    if isinstance(exc, SeveralRuns):
        return [command(*take, one) for one in exc.runs]
    if isinstance(exc, OtherTrace):
        more = command(*take, run, "--join", *(["--overlap", "last"] if path.name in exc.names else []))
        return [more, command("amend", "traces", exc.trace_id, "state=withdrawn", "--why", "TEXT")]
    if isinstance(exc, OpenQuestion) and exc.option.startswith("--"):
        if place.layout and not exc.option.startswith(_ONCE):
            take = ["trace", "layout", "save", place.layout, str(path), "--layout", place.layout]
            return [f"{command(*take)} {_line(exc.option)}"]
        return [f"{command(*take, run or 'RUN')} {_line(exc.option).removeprefix('--run RUN and ')}"]
    leave_out = (
        [command("watch", "add", place.folder, "--except", glob.escape(path.name))]
        if isinstance(exc, IntakeError)
        else []
    )
    return leave_out if leave_out and _is_empty(path) else [command(*take, run or "RUN"), *leave_out]


def _is_empty(path: Path) -> bool:
    with contextlib.suppress(OSError):
        return path.stat().st_size == 0
    return False


def _lasted(seconds: float) -> str:
    """A stretch of time in words.

    >>> _lasted(40), _lasted(3700), _lasted(200_000)
    ('40 s', '62 min', '55.6 h')
    """
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 4 * 3600 else f"{seconds / 3600:.1f} h"

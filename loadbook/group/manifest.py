"""Manifests and pointers: how a publication becomes visible in one step.

    plants/FOLDER/2025-03/reading-DIGEST.parquet    files under names made of their contents
    plants/FOLDER/2025-03/tables-DIGEST.json        a list of a month's tables; traces-DIGEST.json one of its traces
    plants/FOLDER/2023/tables-DIGEST.json           the tables of a year that is over (periods.py); its traces by month
    plants/FOLDER/2023-01/traces-DIGEST.parquet     a pack: the traces of such a month, each as it is (store/packs.py)
    plants/FOLDER/reference/tables-DIGEST.json      the tables that are not kept by period
    plants/FOLDER/manifest-DIGEST.json              names these lists with digests: all of one publication
    plants/FOLDER/unnamed-DIGEST.json               what waits to be removed: for publications, no reader needs it
    plants/FOLDER/current-000017.json               the pointer, written last: which manifest counts

The same below recomputed/ for what a group computed. A reader takes pointer and manifest, and of the lists those that
its question needs. A publication writes the lists of months that changed, and names the others as they are.

The pointer of the highest number counts. A publication reads it first, and ends by making the next one, which succeeds
only where nobody made that number before: of two at the same time one comes first, and the other is told so. No lock
is needed, so none is left by a killed command.

Nothing that anyone may still need is removed. What a publication no longer names counts as unnamed KEEP later, so that
readers who began with it have that long; what nobody ever named (a killed command left it), from when it was found. A
file goes KEEP after it counts as unnamed, with a publication that came first. In the first half of that time a
publication may take such a file as its own, and must have ended within that half; after it, never.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any, NamedTuple

from loadbook.core import times
from loadbook.core.errors import DamageError, NotFoundError, StrangeFileError, UsageError
from loadbook.core.outside import LARGEST_MANIFEST

from .published import BY_RUN, RECORD
from .target import Store, checked_name

FORMAT = 3
_READ = (2, FORMAT)  # 2 knew no years and no packs
PLANTS = "plants"
RECOMPUTED = "recomputed"
TRACE = "trace_file"  # the table of the traces themselves
REFERENCE = "reference"  # the folder of what is not kept by period
ANEW = "Publish again from the plant's book: loadbook group publish TARGET --plant NAME"
_PART = re.compile(rf"(?:\d{{4}}(?:-\d{{2}})?|{REFERENCE})/(?:tables|traces)")
_BY_PERIOD = {*BY_RUN, RECORD}
KEEP = timedelta(hours=48)  # for readers, and for publications under way; clocks may differ by some hours
LONGEST_NAME = 80


def plant_name(text: str) -> str:
    """A plant's name as it is kept: normalised, without spaces at its ends.

    Raises UsageError for an empty or very long one, control characters, or a '/', which parts plant and record.
    """
    name = unicodedata.normalize("NFC", text).strip()
    wrong = [c for c in name if unicodedata.category(c).startswith(("C", "Z")) and c != " "]
    if not name or len(name) > LONGEST_NAME or wrong or "/" in name:
        raise UsageError(
            f"{text!r} cannot be a plant's name",
            remedy=f"Take 1 to {LONGEST_NAME} characters without '/', line breaks and control characters",
        )
    return name


def folder_of(name: str) -> str:
    """A folder's name that is safe on every disk and store: what is plain in the plant's name, and a digest of all.

    >>> folder_of("Werk Süd/../x"), folder_of("CON") != folder_of("con")
    ('werk-sud-x-6dce2f17', True)
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    words = "-".join(re.findall(r"[a-z0-9]+", plain))[:40].strip("-") or "plant"
    return f"{words}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


class OldFormError(DamageError):
    """A publication of an earlier version, whose form is not read any more."""


class Packed(NamedTuple):
    """A trace in a pack: whose it is, its digest, and where its bytes stand."""

    run: str
    sha256: str
    at: int
    bytes: int

    @property
    def said(self) -> tuple[str, str]:
        """What `Entry.said` says of it."""
        return f"{TRACE} of {self.run}", self.sha256


@dataclass(frozen=True)
class Entry:
    """One published file.

    period   a month ('2026-03'), a year that is over, or None where the table is not kept by period
    sha256   of the bytes;  content  digest of the rows
    months   of a year: how many rows each month has
    run      of a trace;  packed  the traces of a pack
    """

    table: str
    period: str | None
    path: str
    sha256: str
    bytes: int
    rows: int
    content: str
    run: str | None = None
    months: Mapping[str, int] = field(default_factory=dict)
    packed: tuple[Packed, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return {k: v for k, v in self.__dict__.items() if v is not None and v != () and v != {}}

    @property
    def runs(self) -> list[str]:
        """Whose traces the file holds."""
        return [self.run] if self.run is not None else [p.run for p in self.packed]

    @property
    def said(self) -> list[tuple[str, str]]:
        """What the file says, whatever its bytes: (table, digest), of a pack for each trace."""
        return [p.said for p in self.packed] or [(self.table, self.content)]

    def rows_of(self, month: str) -> int:
        """How many of its rows are of a month."""
        return self.months.get(month, 0) if self.months else self.rows


@dataclass(frozen=True)
class Part:
    """A list of files as a manifest names it.

    name    'PERIOD/tables', 'MONTH/traces' or 'reference/tables';  path, sha256, bytes  of the list itself
    files   how many it names;  content  digest of what they say, whatever their bytes
    """

    name: str
    path: str
    sha256: str
    bytes: int
    files: int
    content: str

    @property
    def folder(self) -> str:
        return self.name.partition("/")[0]


def part_name(period: str | None, traces: bool = False) -> str:
    """The name of the list that a period's files stand in; of traces a month's."""
    return f"{period or REFERENCE}/{'traces' if traces else 'tables'}"


def samples_name(folder: str, sha256: str) -> str:
    """The name of a published trace, whether a file has it or it stands in a pack of that folder."""
    return f"{folder}/samples-{sha256[:32]}.parquet"


def content_of_files(contents: Iterable[tuple[str, str]]) -> str:
    """A digest of what the files of a list say, from (table, digest of its rows)."""
    return hashlib.sha256(json.dumps(sorted(contents)).encode()).hexdigest()[:32]


@dataclass(frozen=True)
class Files:
    """A list of files in the making."""

    name: str
    entries: Sequence[Entry]

    @cached_property
    def text(self) -> bytes:
        """Canonical JSON: the same files, the same bytes."""
        ordered = sorted(self.entries, key=lambda e: (e.table, e.path))
        return _canonical({"format": FORMAT, "part": self.name, "files": [e.as_dict() for e in ordered]})

    @cached_property
    def sha256(self) -> str:
        return hashlib.sha256(self.text).hexdigest()

    def part(self, path: str) -> Part:
        """The list as a manifest names it."""
        content = content_of_files(said for e in self.entries for said in e.said)
        return Part(self.name, path, self.sha256, len(self.text), len(self.entries), content)


class Manifest:
    """What one publication holds: `head` says what it is, `parts` which lists of files, each read when it is needed.

    Raises of what reads a list: NotFoundError, DamageError, LoadbookError
    """

    def __init__(self, store: Store, head: Mapping[str, Any], parts: Mapping[str, Part]) -> None:
        self.store, self.head, self.parts = store, dict(head), dict(parts)
        self._lists: dict[str, list[Entry]] = {}

    def text(self) -> bytes:
        """Canonical JSON: the same publication, the same bytes."""
        parts = {p.name: {k: v for k, v in vars(p).items() if k != "name"} for p in self.parts.values()}
        return _canonical({"format": FORMAT, **self.head, "parts": parts})

    @property
    def files(self) -> int:
        return sum(p.files for p in self.parts.values())

    def of(self, table: str, months: Collection[str] | None = None) -> list[Entry]:
        """The files of a table, all of them or those that hold some months."""
        if table in _BY_PERIOD or table == TRACE:
            wanted = {p.folder for p in self.parts.values()} - {REFERENCE} if months is None else {*months}
            if table != TRACE:
                wanted |= {month[:4] for month in wanted}
            names = [part_name(period, table == TRACE) for period in sorted(wanted)]
        else:
            names = [part_name(None)]
        return [e for e in self.entries(names) if e.table == table]

    def lists_of_traces(self, period: str) -> list[tuple[str, str]]:
        """(path, SHA-256) of the lists of a period's traces."""
        named = (p for p in self.parts.values() if p.name.endswith("/traces") and p.folder.startswith(period))
        return sorted((p.path, p.sha256) for p in named)

    def hold(self, part: Part, entries: Sequence[Entry]) -> None:
        """Name a list whose files are at hand."""
        self.parts[part.name] = part
        self._lists[part.name] = list(entries)

    def entries(self, names: Collection[str] | None = None) -> list[Entry]:
        """The files of some lists, or of all; a list that the publication has not names none."""
        wanted = [self.parts[n] for n in (sorted(self.parts) if names is None else names) if n in self.parts]
        missing = [p for p in wanted if p.name not in self._lists]
        bodies = self.store.read_many([p.path for p in missing])
        for part, (path, data) in zip(missing, bodies, strict=True):
            if data is None:
                raise NotFoundError(
                    "a list of published files is gone", where=f"{self.store.address}: {path}", remedy=ANEW
                )  # fmt: skip
            self._lists[part.name] = _entries(self.store, part.path, part.sha256, data)
        return [e for p in wanted for e in self._lists[p.name]]


def packed_in(store: Store, lists: Iterable[tuple[str, str]]) -> dict[str, tuple[str, int, int]]:
    """Name of a trace -> (pack, where in it, bytes), of the lists of traces given as (path, SHA-256).

    Raises DamageError, NotFoundError, LoadbookError
    """
    return {
        samples_name(e.path.rpartition("/")[0], p.sha256): (e.path, p.at, p.bytes)
        for path, sha256 in lists
        for e in _entries(store, path, sha256, store.read(path))
        for p in e.packed
    }


def _entries(store: Store, path: str, sha256: str, data: bytes) -> list[Entry]:
    if hashlib.sha256(data).hexdigest() != sha256:
        raise damaged(store, path)
    try:
        return [entry_of(e) for e in read_json(store, path, data)["files"]]
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as exc:  # int() of 1e999
        raise damaged(store, path) from exc


def entry_of(told: Mapping[str, Any]) -> Entry:
    """A file as a list, or a worker's answer, tells it. Raises KeyError, TypeError, ValueError, AttributeError,
    OverflowError, DamageError"""
    months = {str(month): int(rows) for month, rows in told.get("months", {}).items()}
    packed = tuple(Packed(str(run), str(sha), int(at), int(size)) for run, sha, at, size in told.get("packed", ()))
    return Entry(
        str(told["table"]), told.get("period", told.get("month")), checked_name(str(told["path"])),
        str(told["sha256"]), int(told["bytes"]), int(told["rows"]), str(told["content"]), told.get("run"), months,
        packed,
    )  # fmt: skip


@dataclass
class Current:
    """A pointer as read, with the manifest that it names.

    number    of the pointer; path, sha256 of the manifest ('' where it could not be read, and is to be made anew)
    read_at   when it was read
    """

    number: int
    path: str
    sha256: str
    manifest: Manifest
    read_at: datetime
    unnamed_at: str | None = None

    @cached_property
    def unnamed(self) -> dict[str, datetime]:
        """Files that the manifest does not name -> the moment from which on they count as unnamed."""
        if self.unnamed_at is None:
            return {}
        store = self.manifest.store
        try:
            told = read_json(store, self.unnamed_at, store.read(self.unnamed_at))
            return {str(n): _moment(since) for n, since in told.items()}
        except (TypeError, AttributeError, ValueError) as exc:
            raise damaged(store, self.unnamed_at) from exc

    def going(self, name: str) -> bool:
        """May a file of this name be removed before a publication that began with this pointer has ended?"""
        since = self.unnamed.get(name)
        return since is not None and since < self.read_at - KEEP / 2

    def free_name(self, name: str) -> str:
        """The name for a new file; another one where a file of that name may be removed while it is needed."""
        return other_name(name, self.number) if self.going(name) else name


def other_name(name: str, number: int) -> str:
    """A file's name after a pointer of that number."""
    stem, dot, ending = name.rpartition(".")
    return f"{stem}-{number:06}{dot}{ending}"


def pointer_of(base: str, number: int) -> str:
    """The name of a pointer."""
    return f"{base}/current-{number:06}.json"


def newest(store: Store, base: str) -> int:
    """The number of the pointer that counts; 0 where there is none."""
    found = (re.fullmatch(r"current-(\d{6,12})\.json", name) for name in store.names(base))
    return max((int(f[1]) for f in found if f), default=0)


def read_current(store: Store, base: str, *, anew: bool = False) -> Current | None:
    """What counts now below `base` ('plants/FOLDER'); None where nothing was published.

    anew    it is to be published anew: what cannot be read counts as empty
    Raises  DamageError; OldFormError for a publication of an earlier version
    """
    read_at = times.now()
    number = newest(store, base)
    if not number:
        return None
    try:
        return current_at(store, base, number, read_at)
    except (DamageError, NotFoundError) as exc:
        if not anew or isinstance(exc, StrangeFileError):
            raise
        return Current(number, "", "", Manifest(store, {}, {}), read_at)


def current_at(store: Store, base: str, number: int, read_at: datetime) -> Current:
    """What the pointer of that number counts, though a later one be there. Raises DamageError, NotFoundError"""
    at = pointer_of(base, number)
    pointer = read_json(store, at, store.read(at))
    try:
        name, digest = checked_name(str(pointer["manifest"])), str(pointer["sha256"])
        manifest = _manifest(store, name, digest)
        waiting = pointer["unnamed"]
        return Current(number, name, digest, manifest, read_at, None if waiting is None else checked_name(waiting))
    except (KeyError, TypeError, AttributeError, ValueError) as exc:
        raise damaged(store, at) from exc


def _manifest(store: Store, name: str, digest: str) -> Manifest:
    """A manifest, after its digest was compared."""
    data = store.read(name)
    if hashlib.sha256(data).hexdigest() != digest:
        raise damaged(store, name)
    told = read_json(store, name, data)
    form = told.pop("format", None)
    if isinstance(form, int) and form < _READ[0]:
        raise OldFormError(
            "this was published by an earlier version of the program, in a form that is not read any more",
            where=f"{store.address}: {name}", remedy=ANEW,
        )  # fmt: skip
    if form not in _READ:
        raise DamageError(
            f"this target was written by a newer program (format {form})",
            where=store.address, remedy="Install a newer loadbook",
        )  # fmt: skip
    try:
        if not isinstance(told.get("plant", ""), str) or not all(map(_PART.fullmatch, told["parts"])):
            raise ValueError(name)
        if not all(isinstance(told.get(key, {}), dict) for key in ("kept", "inputs")):
            raise ValueError(name)
        parts = {
            str(n): Part(
                str(n), checked_name(str(p["path"])), str(p["sha256"]), int(p["bytes"]), int(p["files"]),
                str(p["content"]),
            )
            for n, p in told.pop("parts").items()
        }  # fmt: skip
    except (KeyError, TypeError, AttributeError, ValueError, OverflowError) as exc:
        raise damaged(store, name) from exc
    return Manifest(store, told, parts)


def _moment(text: str) -> datetime:
    """Raises ValueError, TypeError for anything but a moment with its zone."""
    found = datetime.fromisoformat(text)
    if found.tzinfo is None:
        raise ValueError(text)
    return found


def _canonical(told: Mapping[str, Any]) -> bytes:
    return json.dumps(told, ensure_ascii=False, sort_keys=True, indent=0, separators=(",", ":")).encode() + b"\n"


def read_json(store: Store, name: str, data: bytes) -> dict[str, Any]:
    """A JSON object, of at most LARGEST_MANIFEST. Raises DamageError."""
    if len(data) > LARGEST_MANIFEST:
        raise damaged(store, name)
    try:
        told = json.loads(data)
    except (ValueError, RecursionError) as exc:
        raise damaged(store, name) from exc
    if not isinstance(told, dict):
        raise damaged(store, name)
    return told


def damaged(store: Store, name: str) -> DamageError:
    """A file of a publication's own is not what it was."""
    return DamageError("this is not what was published", where=f"{store.address}: {name}", remedy=ANEW)

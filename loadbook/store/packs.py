"""Packs: the trace files of an old month in one file, each as it is, byte for byte.

    traces/2024/pack-2024-01.parquet    trace files one after the other; an index; one Parquet end for all of them

A trace's row stays as it is. Its file is opened under its own name where it is there, else it is the bytes in the pack
of that folder whose index names it, with the digest of the row as ever: so nothing but `trace_files.Locator` knows of
packs, a backup holds traces one by one, and records from an older backup find theirs. To an engine a pack is a Parquet
file with a row group for each trace (several for a long one). Its end follows from the traces' own (parquet_end.py): it
is compared with that before an engine reads it, since no digest stands for it in the records.

A pack never changes. A trace taken in again, or brought back from a backup, has its own file, which comes first; what
is packed later of the same month goes into a further pack, pack-2024-01-2.parquet.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from loadbook.core.errors import DamageError
from loadbook.core.outside import LARGEST_TRACE, opened

from . import parquet_end

NAME = re.compile(r"pack-(\d{4}-\d{2})(-\d{1,4})?\.parquet")
_MARK = b"loadbook pack 1\n"  # after the index, its SHA-256 and its length, before the end
_TAIL = 32 + 8 + len(_MARK)
LARGEST_INDEX = 16 * 1024 * 1024
_UNREADABLE = (OSError, ValueError, TypeError, KeyError, RecursionError)


@dataclass(frozen=True)
class Slice:
    """Where a trace's file stands in a pack. path: as the trace's row has it"""

    path: str
    at: int
    bytes: int


@dataclass(frozen=True)
class Place:
    """Where a trace's bytes are: in a file of their own (at None), or in a pack."""

    file: Path
    at: int | None = None


def packed(files: Sequence[tuple[str, bytes]]) -> bytes:
    """A pack of trace files, from (path of the row, bytes). Raises ValueError where they do not fit into one file."""
    slices, ends, at = [], [], 0
    for path, data in files:
        slices.append(Slice(path, at, len(data)))
        ends.append((parquet_end.end_of(data), at))
        at += len(data)
    return b"".join([*(data for _, data in files), _rest(slices, ends)])


def _rest(slices: Sequence[Slice], ends: Sequence[tuple[bytes, int]]) -> bytes:
    """All of a pack that comes after its traces."""
    index = json.dumps([[s.path, s.at, s.bytes] for s in slices], separators=(",", ":")).encode()
    end = parquet_end.joined(ends)
    length = len(end).to_bytes(4, "little")
    tail = hashlib.sha256(index).digest() + len(index).to_bytes(8, "little") + _MARK
    return index + tail + end + length + parquet_end.MAGIC


def index_of(file: Path) -> list[Slice]:
    """The traces of a pack, as its index names them. Raises DamageError."""
    try:
        return list(_index(*_identity(file)))
    except _UNREADABLE as exc:
        raise DamageError(
            f"the pack of trace files cannot be read: {exc}", where=str(file),
            remedy="Its traces come back from a backup: loadbook restore BACKUP BOOK --lost-traces",
        ) from exc  # fmt: skip


@lru_cache(maxsize=256)
def _index(file: str, _number: int, _changed: int) -> tuple[Slice, ...]:
    """A file's number on the disk and the moment of its last change tell that it is still the one that was read."""
    with opened(Path(file)) as pack:
        return _read_index(pack)[0]


def _read_index(pack: BinaryIO) -> tuple[tuple[Slice, ...], int]:
    """(the traces, where they end). Raises ValueError, TypeError, OSError."""
    size = pack.seek(0, os.SEEK_END)
    end = int.from_bytes(_bytes(pack, size - 8, 4), "little")
    tail = _bytes(pack, size - 8 - end - _TAIL, _TAIL)
    length = int.from_bytes(tail[32:40], "little")
    at = size - 8 - end - _TAIL - length
    if tail[40:] != _MARK or at < 0 or length > LARGEST_INDEX:
        raise ValueError("it is not a pack")
    index = _bytes(pack, at, length)
    if hashlib.sha256(index).digest() != tail[:32]:
        raise ValueError("its index is not what was written")
    slices, next_at = [], 0
    for path, start, count in json.loads(index):
        if start != next_at or not isinstance(count, int) or not 0 < count <= LARGEST_TRACE:
            raise ValueError("its index is not in order")
        slices.append(Slice(str(path), start, count))
        next_at += count
    if next_at != at:
        raise ValueError("its index does not name all of it")
    return tuple(slices), at


def _bytes(pack: BinaryIO, at: int, count: int) -> bytes:
    if at < 0:
        raise ValueError("it is too short")
    if not 0 <= count <= LARGEST_TRACE:
        raise ValueError(f"no trace file has {count:,} bytes")
    pack.seek(at)
    data = pack.read(count)
    if len(data) != count:
        raise ValueError("it is too short")
    return data


class Packs:
    """The packs of a book's folders, each folder listed once."""

    def __init__(self) -> None:
        self._of: dict[Path, Mapping[str, Place]] = {}

    def find(self, folder: Path, path: str) -> Place | None:
        """Where the trace of that path stands in a pack of the folder; None where it does not."""
        if folder not in self._of:
            self._of[folder] = _standing(tuple(_identity(file) for file in in_folder(folder)))
        return self._of[folder].get(path)


def _identity(file: Path) -> tuple[str, int, int]:
    there = file.lstat()
    return str(file), there.st_ino, there.st_ctime_ns


@lru_cache(maxsize=32)
def _standing(packs: tuple[tuple[str, int, int], ...]) -> Mapping[str, Place]:
    """Path of a trace's row -> where it stands, of a folder's packs: a book's traces are looked for one by one."""
    found: dict[str, Place] = {}
    for file, number, changed in packs:
        try:
            slices = _index(file, number, changed)
        except _UNREADABLE:  # verify names it; its traces are missing
            continue
        for s in slices:
            found.setdefault(s.path, Place(Path(file), s.at))
    return found


def in_folder(folder: Path) -> list[Path]:
    """The packs that stand in a folder, in order of their names."""
    try:
        with os.scandir(folder) as found:
            return sorted(Path(f.path) for f in found if NAME.fullmatch(f.name) and f.is_file(follow_symlinks=False))
    except (FileNotFoundError, NotADirectoryError):
        return []


def read(place: Place, count: int) -> bytes:
    """The bytes of a trace in a pack, at most LARGEST_TRACE. Raises OSError, ValueError."""
    assert place.at is not None
    with opened(place.file) as pack:
        return _bytes(pack, place.at, count)


def check(file: Path, wanted: Mapping[int, tuple[int, str]]) -> tuple[set[int], bool]:
    """Which of a pack's traces are not what was written, and whether its end is what its traces give.

    wanted  where a trace begins -> (bytes, SHA-256) that its row tells
    Raises  OSError
    """
    with opened(file) as pack:
        bad = {at for at, (count, sha256) in wanted.items() if _other(pack, at, count, sha256)}
        try:
            slices, end = _read_index(pack)
            ends = [(parquet_end.end_of(_bytes(pack, s.at, s.bytes)), s.at) for s in slices]
            rest = _rest(slices, ends)
            pack.seek(end)
            return bad, pack.read(len(rest) + 1) == rest
        except (ValueError, TypeError, RecursionError):
            return bad, False


def _other(pack: BinaryIO, at: int, count: int, sha256: str) -> bool:
    try:
        return hashlib.sha256(_bytes(pack, at, count)).hexdigest() != sha256
    except ValueError:
        return True


def key_of(wanted: Mapping[int, tuple[int, str]]) -> str:
    """A digest of what a pack was checked against."""
    return hashlib.sha256(json.dumps(sorted((at, *told) for at, told in wanted.items())).encode()).hexdigest()


def free_name(folder: Path, month: str) -> Path:
    """A name for a further pack of a month."""
    names: Iterable[str] = (f"pack-{month}{f'-{n}' if n > 1 else ''}.parquet" for n in range(1, 10_000))
    return next(folder / name for name in names if not os.path.lexists(folder / name))

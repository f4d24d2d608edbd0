"""Files as the engine is handed them: under names of ours, never by a path that it could take for a pattern.

DuckDB takes each path that it reads for a pattern. Asked for 'plant [2]/t.parquet' it opens 'plant 2/t.parquet' where
that is there, and says nothing; from a folder 'value=1000' it takes the column `value` (a partition, as it thinks); and
to match a pattern it lists folders, where one odd name beside ours ends the query. Escaping helps against the first of
the three alone. So what was read and checked is handed over as bytes, what the engine writes it gives back as bytes,
and a file that is read in part goes by a number unless its path is plain: by number, one takes 0.4 ms more to open.
"""

from __future__ import annotations

import contextlib
import datetime
import io
import itertools
import os
import re
import threading
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb

SCHEME = "handed"
# letters and digits of every script, and signs that mean nothing in any pattern
_PLAIN = re.compile(rf"(?:[A-Za-z0-9 /._:,()&'+{re.escape(os.sep)}-]|[^\x00-\x9f\ud800-\udfff])*")


def is_plain(path: str) -> bool:
    """Does an engine take this path for this very file, and for nothing else?

    >>> is_plain("/shop/plant 2/Öfen (neu)/t.parquet"), is_plain("/shop/plant [2]/t.parquet"), is_plain("/value=7/t")
    (True, False, False)
    """
    return _PLAIN.fullmatch(path) is not None


class Handed:
    """What one engine is handed; `connection` is one of its connections."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection
        self._held: dict[str, Any] = {}
        self._numbers = itertools.count()
        self._registered = False
        self._lock = threading.Lock()

    def paths(self, paths: Sequence[str]) -> list[str]:
        """A name for each of these files, whenever and however much of them the engine reads. paths: absolute."""
        return [path if is_plain(path) else self._hold(path) for path in paths]

    def stored(self, filesystem: Any, paths: Sequence[str]) -> list[str]:
        """The same for files of an fsspec file system."""
        return [self._hold((filesystem, path)) for path in paths]

    @contextlib.contextmanager
    def whole(self, data: bytes) -> Iterator[str]:
        """A name for a file's bytes, for as long as they are needed."""
        name = self._hold(data)
        try:
            yield name
        finally:
            del self._held[name]

    def lasting(self, data: bytes) -> str:
        """The same for as long as the engine lives."""
        return self._hold(data)

    def parquet(self, connection: duckdb.DuckDBPyConnection, query: str, packed: str = "zstd") -> bytes:
        """What a query gives, as the bytes of a Parquet file. connection: of this engine. Raises duckdb.Error"""
        written = _Written()
        name = self._hold(written)
        try:
            connection.execute(f"COPY ({query}) TO '{name}' (FORMAT parquet, COMPRESSION {packed})")
        finally:
            del self._held[name]
        return written.getvalue()

    def _hold(self, what: Any) -> str:
        with self._lock:
            if not self._registered:
                self._connection.register_filesystem(_filesystem(self._held))
                self._registered = True
        name = f"{SCHEME}://{next(self._numbers)}"
        self._held[name] = what
        return name


class _Written(io.BytesIO):
    """What the engine wrote, still there after it has closed it."""

    def close(self) -> None:
        pass


class _Shared:
    """A file that several of the engine's threads read at once. The engine seeks and reads in two calls, and another
    thread's may come between them: so each thread has a place of its own, by its number, since a thread of the engine's
    is a new one to Python at each call."""

    def __init__(self, file: Any) -> None:
        self._file, self._lock = file, threading.Lock()
        self._at: dict[int, int] = {}

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        me = threading.get_ident()
        if whence == os.SEEK_END:
            with self._lock:
                offset = self._file.seek(offset, whence)
        elif whence == os.SEEK_CUR:
            offset += self.tell()
        self._at[me] = offset
        return offset

    def tell(self) -> int:
        return self._at.get(threading.get_ident(), 0)

    def read(self, count: int = -1) -> bytes:
        at = self.tell()
        with self._lock:
            self._file.seek(at)
            data: bytes = self._file.read(count)
        self._at[threading.get_ident()] = at + len(data)
        return data

    def close(self) -> None:
        self._file.close()


def _filesystem(held: dict[str, Any]) -> Any:
    """A file system, as the engine takes one, of what is held and nothing else."""
    from fsspec.spec import AbstractFileSystem

    class Held(AbstractFileSystem):  # type: ignore[misc]
        protocol = SCHEME
        cachable = False

        def glob(self, path: str, **_: Any) -> list[str]:
            return [path]

        def info(self, path: str, **_: Any) -> dict[str, Any]:
            what = _of(path)
            if isinstance(what, bytes):
                size = len(what)
            elif isinstance(what, str):
                size = os.path.getsize(what)  # noqa: PTH202 - for each of thousands of files
            elif isinstance(what, tuple):
                size = what[0].size(what[1])
            else:
                raise FileNotFoundError(2, "nothing is written yet", path)
            return {"name": path, "size": size, "type": "file"}

        def open(self, path: str, mode: str = "rb", **_: Any) -> Any:
            what = _of(path)
            if (mode == "wb") != isinstance(what, _Written):
                raise PermissionError(13, "what is handed over is read, and not written", path)
            if isinstance(what, bytes):
                return _Shared(io.BytesIO(what))
            if isinstance(what, str):
                return _Shared(open(what, "rb", buffering=0))  # noqa: PTH123 - the engine closes it
            return _Shared(what[0].open(what[1], "rb")) if isinstance(what, tuple) else what

        def modified(self, path: str) -> datetime.datetime:
            return datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)  # what is held does not change

    def _of(path: str) -> Any:
        if path not in held:
            raise FileNotFoundError(2, "no such file was handed over", path)
        return held[path]

    return Held()

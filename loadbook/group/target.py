"""Where a group publishes to: a folder, or any address that fsspec knows. Files go in whole or not at all.

An object store has no rename, but a single put is whole there by itself; in a folder a file is written under a
temporary name, flushed, and renamed. Readers never look at a file before something that is whole names it.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote_to_bytes

from loadbook.core import writing
from loadbook.core.errors import DamageError, LoadbookError, NotFoundError, StrangeFileError, UsageError
from loadbook.core.outside import LARGEST_TRACE, NoRegularFile, opened, size_words

if TYPE_CHECKING:
    from loadbook.store.handed import Handed

_AT_A_TIME = 256
_PLAIN = re.compile(r"\.?[a-z0-9][a-z0-9._-]*(?:/\.?[a-z0-9][a-z0-9._-]*)*")  # a dot leads the name of a part


Stamped = tuple[int, str]  # a file's bytes, and what tells that nobody touched it


class Store:
    """A target of publications. Names inside it are relative, with '/'."""

    def __init__(self, address: str) -> None:
        """address  a folder's path, file://..., or an fsspec address such as s3://bucket/group or memory://group

        Raises UsageError for a protocol that fsspec does not know, or whose own package is not installed.
        """
        self.address = address
        self.folder: Path | None = None
        self._fs: Any = None
        self._root = ""
        self._own: set[Path] = set()
        if "://" not in address:
            self.folder = Path(address).absolute()
            return
        if address.startswith("file://"):
            self.folder = _folder_of(address).absolute()
            return
        import fsspec

        try:
            self._fs, self._root = fsspec.core.url_to_fs(address)
        except ImportError as exc:
            raise UsageError(
                f"this address needs a package that is not installed: {exc}", where=address,
                remedy="Install the fsspec package for it (for s3:// that is s3fs), or name a folder",
            ) from exc  # fmt: skip
        except ValueError as exc:
            raise UsageError(f"no such kind of address: {exc}", where=address, remedy="Name a folder") from exc
        if "file" in _protocols(self._fs):  # local://
            self.folder = Path(self._root).absolute()

    @property
    def local(self) -> bool:
        """Whether the target is a folder of this machine (or a disk that it mounts)."""
        return self.folder is not None

    @property
    def everywhere(self) -> str:
        """The address as a process finds it that runs in another folder."""
        return self.address if self.folder is None else str(self.folder)

    @property
    def in_this_process_only(self) -> bool:
        """Whether no other process can see what is in it (memory://)."""
        return self._fs is not None and "memory" in _protocols(self._fs)

    def url(self, name: str) -> str:
        """The name as an engine takes it: a path, or an address with its protocol."""
        if self.folder is not None:
            return str(self.folder.joinpath(*checked_name(name).split("/")))
        return str(self._fs.unstrip_protocol(f"{self._root.rstrip('/')}/{checked_name(name)}"))

    def path_of(self, name: str) -> Path:
        """The path of a file in a folder. Raises DamageError where a folder on the way is a link: what lies behind it
        may be any file of this machine."""
        assert self.folder is not None
        path = Path(self.url(name))
        for folder in path.relative_to(self.folder).parents:
            whole = self.folder / folder
            if whole not in self._own and folder.parts:
                if (what := writing.strange(whole)) not in (None, "a folder"):
                    raise DamageError(
                        f"this is {what} in the place of a folder", where=str(whole),
                        remedy="Do not use this target as it is",
                    )  # fmt: skip
                self._own.add(whole)
        return path

    def handed(self, to: Handed, names: Sequence[str]) -> list[str]:
        """The names under which an engine that is handed these files reads them."""
        if self.folder is not None:
            return to.paths([self.url(name) for name in names])
        return to.stored(self._fs, [self._path(name) for name in names])

    def read(self, name: str) -> bytes:
        """A file's bytes. Raises NotFoundError, DamageError (larger than any that is published), LoadbookError."""
        with self._reading(name):
            if self.folder is not None:
                with opened(self.path_of(name)) as file:
                    if os.fstat(file.fileno()).st_size > LARGEST_TRACE:
                        raise DamageError(
                            f"the file is larger than {size_words(LARGEST_TRACE)}, more than is ever published",
                            where=f"{self.address}: {name}", remedy="Do not use this target as it is",
                        )  # fmt: skip
                    return file.read()
            return bytes(self._fs.cat_file(self._path(name)))

    @contextlib.contextmanager
    def _reading(self, name: str) -> Iterator[None]:
        """What the system says of a file that cannot be read, as our errors."""
        try:
            yield
        except FileNotFoundError as exc:
            raise NotFoundError("the target has no such file", where=f"{self.address}: {name}") from exc
        except NoRegularFile as exc:
            raise StrangeFileError(
                "this is not a regular file", where=f"{self.address}: {name}",
                remedy="Do not use this target as it is",
            ) from exc  # fmt: skip
        except OSError as exc:
            raise _could_not("read", self.address, name, exc) from exc

    def read_slice(self, name: str, at: int, count: int) -> bytes:
        """Some bytes of a file; fewer where it ends before. Raises as `read` does."""
        if not 0 <= at <= at + count <= LARGEST_TRACE:
            raise DamageError("no published file is so long", where=f"{self.address}: {name}")
        with self._reading(name):
            if self.folder is not None:
                with opened(self.path_of(name)) as file:
                    file.seek(at)
                    return file.read(count)
            return bytes(self._fs.cat_file(self._path(name), start=at, end=at + count))

    def put(self, name: str, data: bytes) -> None:
        """Write a file whole. In a folder: temporary name, flush, rename, flush of the folder; elsewhere one put."""
        try:
            if self.folder is None:
                self._fs.makedirs(self._path(name).rpartition("/")[0], exist_ok=True)
                self._fs.pipe_file(self._path(name), data)
                return
            final = Path(self.url(name))
            writing.make_folder(self.folder)
            writing.make_folder(final.parent, below=self.folder)
            writing.put(final, data, over=True)
        except OSError as exc:
            raise _could_not("written", self.address, name, exc) from exc

    def create(self, name: str, data: bytes) -> bool:
        """Write a file that must not be there yet, whole; False where it is, whoever made it, and however late.

        In a folder by a hard link; in a store by a conditional put, where its fsspec package has one.
        """
        try:
            if self.folder is not None:
                final = Path(self.url(name))
                writing.make_folder(self.folder)
                writing.make_folder(final.parent, below=self.folder)
                writing.put(final, data)
                return True
            if self._exists(name):
                return False
            self._fs.makedirs(self._path(name).rpartition("/")[0], exist_ok=True)
            try:
                self._fs.pipe_file(self._path(name), data, mode="create")
            except (NotImplementedError, TypeError):  # a store that has no conditional put
                self._fs.pipe_file(self._path(name), data)
            self._fs.invalidate_cache()
            return bool(self._fs.cat_file(self._path(name)) == data)
        except FileExistsError:
            return False
        except UsageError:  # the name is taken
            if self.folder is not None and Path(self.url(name)).is_file() and not Path(self.url(name)).is_symlink():
                return False
            raise
        except OSError as exc:
            raise _could_not("written", self.address, name, exc) from exc

    def _exists(self, name: str) -> bool:
        self._fs.invalidate_cache()
        return bool(self._fs.exists(self._path(name)))

    def names(self, below: str) -> list[str]:
        """The names of what stands directly below a name, without it; empty where there is none."""
        try:
            if self.folder is not None:
                return [p.name for p in Path(self.url(below)).iterdir()]
            self._fs.invalidate_cache()
            return [str(n).rstrip("/").rpartition("/")[2] for n in self._fs.ls(self._path(below), detail=False)]
        except (FileNotFoundError, NotADirectoryError):
            return []
        except OSError as exc:
            raise _could_not("listed", self.address, below, exc) from exc

    def listed(self, below: str) -> dict[str, Stamped]:
        """name -> (bytes, stamp) of every file below a name; empty where there is none. A link is no file.

        A stamp is a file's number on the disk and the moment of its last change; empty in an object store.
        """
        try:
            if self.folder is not None:
                return dict(_walked(str(self.folder), checked_name(below)))
            self._fs.invalidate_cache()
            path = self._path(below)
            if not self._fs.exists(path):
                return {}
            listed = self._fs.find(path, detail=True)
        except OSError as exc:
            raise _could_not("listed", self.address, below, exc) from exc
        cut = len(self._root.rstrip("/")) + 1
        return {str(name)[cut:]: (int(info["size"]), "") for name, info in listed.items()}

    def stamp(self, name: str) -> str:
        """The stamp of a file, as `listed` gives it."""
        return "" if self.folder is None else _stamp(self.path_of(name).lstat())

    def folders(self, below: str) -> list[str]:
        """The folders directly below a name, sorted; empty where there is none."""
        try:
            if self.folder is not None:
                names = [p.name for p in Path(self.url(below)).iterdir() if p.is_dir()]
            else:
                self._fs.invalidate_cache()
                listed = self._fs.ls(self._path(below), detail=True)
                names = [str(p["name"]).rstrip("/").rpartition("/")[2] for p in listed if p["type"] == "directory"]
        except (FileNotFoundError, NotADirectoryError):
            return []
        except OSError as exc:
            raise _could_not("listed", self.address, below, exc) from exc
        return sorted(n for n in names if _PLAIN.fullmatch(n))

    def remove(self, name: str) -> None:
        """Remove a file; one that is gone already is no error."""
        with contextlib.suppress(FileNotFoundError):
            if self.folder is not None:
                Path(self.url(name)).unlink()
            else:
                self._fs.rm_file(self._path(name))

    def read_many(self, names: Sequence[str]) -> Iterator[tuple[str, bytes | None]]:
        """(name, bytes or None where there is no such file) of many files; of an object store some hundreds at a time,
        since it answers each of them late. Raises LoadbookError
        """
        if self._fs is None or self.folder is not None:
            for name in names:
                data = None
                with contextlib.suppress(NotFoundError):
                    data = self.read(name)
                yield name, data
            return
        for start in range(0, len(names), _AT_A_TIME):
            some = names[start : start + _AT_A_TIME]
            try:  # not cat(), which takes a path for a pattern
                bodies = self._fs.cat_ranges([self._path(name) for name in some], None, None, on_error="return")
            except OSError as exc:
                raise _could_not("read", self.address, some[0], exc) from exc
            for name, body in zip(some, bodies, strict=True):
                if isinstance(body, OSError) and not isinstance(body, FileNotFoundError):
                    raise _could_not("read", self.address, name, body) from body
                if isinstance(body, Exception) and not isinstance(body, FileNotFoundError):
                    raise body
                yield name, None if isinstance(body, Exception) else bytes(body)

    def _path(self, name: str) -> str:
        return f"{self._root.rstrip('/')}/{checked_name(name)}"


def _folder_of(address: str) -> Path:
    """The folder that a file URI means. Raises UsageError where it may mean something else."""
    path = address.removeprefix("file://").removeprefix("localhost/")
    path = path if path.startswith("/") else f"/{path}"
    if address.startswith(("file:///", "file://localhost/")) and not set(path) & set("?#"):
        path = os.fsdecode(unquote_to_bytes(path))
        return Path(path.removeprefix("/") if os.name == "nt" else path)
    raise UsageError(
        "this is not the URI of a folder on this machine", where=address,
        remedy="Name the folder as it is, without file:// (in a URI, % ? and # are written %25 %3F %23)",
    )  # fmt: skip


def checked_name(name: str) -> str:
    """The name, if it is one that a publication may hold: a stranger's manifest must not lead us to another file.

    Raises DamageError
    """
    if not _PLAIN.fullmatch(name) or ".." in name:
        raise DamageError(f"{name!r} cannot be the name of a published file", remedy="Do not use this target as it is")
    return name


def _walked(root: str, below: str) -> Iterator[tuple[str, Stamped]]:
    """(name, stamped) of the files below a folder's folder. Raises OSError."""
    try:
        with os.scandir(f"{root}/{below}") as found:
            inside = list(found)
    except (FileNotFoundError, NotADirectoryError):
        return
    for item in inside:
        name = f"{below}/{item.name}"
        with contextlib.suppress(FileNotFoundError):  # another publication's part has got its name
            there = item.stat(follow_symlinks=False)
            if stat.S_ISDIR(there.st_mode):
                yield from _walked(root, name)
            elif stat.S_ISREG(there.st_mode):
                # on Windows what a folder tells of a file has no number
                yield name, (there.st_size, _stamp(there if there.st_ino else os.lstat(item.path)))


def _stamp(there: os.stat_result) -> str:
    return f"{there.st_ino} {there.st_ctime_ns}"


def _protocols(fs: Any) -> tuple[str, ...]:
    named = fs.protocol
    return (named,) if isinstance(named, str) else tuple(named)


def _could_not(done: str, address: str, name: str, exc: OSError) -> LoadbookError:
    return LoadbookError(
        f"{name} could not be {done}: {exc.strerror or exc}" if done != "read" else f"{name} could not be read: {exc}",
        where=address,
        remedy="See that the target is there, has room and may be written, then repeat the command",
    )

"""Backup and restore: the whole book as one file, taken while others write, read back before it counts.

The file is a ZIP archive: book.sqlite (a snapshot by SQLite's own backup), every trace file that the
snapshot names, and manifest.json with the SHA-256 of each.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import zipfile
from pathlib import Path, PurePosixPath

from loadbook.ground import times
from loadbook.ground.errors import DamageError, LoadbookError, NotFoundError, UsageError

from . import migrate
from .book import FILE, BookFolder
from .disk import sync_folder
from .tracefile import locate
from .verify import file_sha256

MANIFEST = "manifest.json"
FORM = "loadbook backup 1"


def backup(book: BookFolder, target: Path) -> int:
    """Write the book into one file and read it back; give back how many files it holds.

    Raises UsageError (the target exists), DamageError (a trace file is missing or changed), LoadbookError.
    """
    if target.exists():
        raise UsageError("there is a file of that name already", where=str(target), mend="Choose another name")
    if not target.parent.is_dir():
        raise NotFoundError("there is no such folder", where=str(target.parent), mend="Make it first")
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    os.close(handle)
    fresh = Path(name)
    try:
        digests = _write(book, fresh)
        _check(fresh, digests)
        with fresh.open("rb+") as written:
            os.fsync(written.fileno())
        fresh.replace(target)
        sync_folder(target.parent)
    except OSError as exc:
        raise LoadbookError(f"the backup could not be written ({exc.strerror or exc})", where=str(target)) from exc
    finally:
        fresh.unlink(missing_ok=True)
    return len(digests)


def _write(book: BookFolder, fresh: Path) -> dict[str, str]:
    digests: dict[str, str] = {}
    with tempfile.TemporaryDirectory() as folder:
        snapshot = Path(folder) / FILE
        copy = sqlite3.connect(snapshot)
        try:
            book.read().backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            rows = copy.execute("SELECT path, sha256, run FROM trace ORDER BY trace_number").fetchall()
        finally:
            copy.close()
        with zipfile.ZipFile(fresh, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            archive.write(snapshot, FILE, zipfile.ZIP_DEFLATED)
            digests[FILE] = file_sha256(snapshot)
            for path, sha256, run in rows:
                source = locate(book, path)
                if not source.is_file() or file_sha256(source) != sha256:
                    raise DamageError(
                        f"the trace of run {run} is missing or changed; a backup of it would be worth nothing",
                        where=str(source),
                        mend="Run: loadbook verify",
                    )
                archive.write(source, path)
                digests[path] = sha256
            manifest = {"form": FORM, "made_at": times.stored(times.now()), "files": digests}
            archive.writestr(MANIFEST, json.dumps(manifest, indent=1))
    return digests


def _manifest(archive: zipfile.ZipFile, where: str) -> dict[str, str]:
    try:
        manifest = json.loads(archive.read(MANIFEST))
        files = manifest["files"]
        if manifest["form"] != FORM or not isinstance(files, dict) or FILE not in files:
            raise ValueError("another form")
    except (KeyError, ValueError) as exc:
        raise DamageError(
            "this is no loadbook backup", where=where, mend="Name a file made by: loadbook backup"
        ) from exc
    for name in files:
        pure = PurePosixPath(name)
        if pure.is_absolute() or ".." in pure.parts or "\\" in name or ":" in name:
            raise DamageError(f"the backup names a file outside the book ({name!r})", where=where)
    return {str(k): str(v) for k, v in files.items()}


def _check(path: Path, digests: dict[str, str] | None = None) -> dict[str, str]:
    """Read every file of a backup and compare its SHA-256. Raises DamageError."""
    try:
        with zipfile.ZipFile(path) as archive:
            files = _manifest(archive, path.name)
            if digests is not None and files != digests:
                raise DamageError("the backup's list of files is not what was written", where=path.name)
            for name, sha256 in files.items():
                with archive.open(name) as handle:
                    digest = hashlib.sha256()
                    while block := handle.read(1 << 20):
                        digest.update(block)
                if digest.hexdigest() != sha256:
                    raise DamageError(f"{name} in the backup is damaged", where=path.name, mend="Use another backup")
            return files
    except (zipfile.BadZipFile, KeyError, OSError, EOFError, NotImplementedError, RuntimeError, ValueError) as exc:
        raise DamageError(f"the backup is damaged ({exc})", where=path.name, mend="Use another backup") from exc


def restore(source: Path, folder: Path) -> BookFolder:
    """Make a book from a backup in a folder that does not exist or is empty; nothing is overwritten.

    Everything is unpacked beside it and checked first, then renamed into place.
    """
    if not source.is_file():
        raise NotFoundError("there is no such file", where=str(source))
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError("the folder is not empty", where=str(folder), mend="Restore into a new folder")
    files = _check(source)
    folder.parent.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    try:
        with zipfile.ZipFile(source) as archive:
            for name in files:
                target = fresh / name
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(name) as packed, target.open("wb") as written:
                    shutil.copyfileobj(packed, written)
                    written.flush()
                    os.fsync(written.fileno())
        (fresh / "traces").mkdir(exist_ok=True)
        conn = sqlite3.connect(fresh / FILE)
        try:
            if conn.execute("PRAGMA application_id").fetchone()[0] != migrate.APPLICATION_ID:
                raise DamageError("the database in the backup is no loadbook book", where=source.name)
        finally:
            conn.close()
        if folder.exists():
            folder.rmdir()
        fresh.rename(folder)
        sync_folder(folder.parent)
    except OSError as exc:
        raise LoadbookError(f"the book could not be restored ({exc.strerror or exc})", where=str(folder)) from exc
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return BookFolder.open(folder, any_version=True)

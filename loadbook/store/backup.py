"""Backup and restore: the whole book as one file, taken while others write, read back before it counts.

The file is a ZIP archive: book.sqlite (a snapshot by SQLite's own backup), every trace file that the
snapshot names, and manifest.json with the SHA-256 of each. Trace files are never changed and never removed, so
that those of the snapshot are still there however much others take in meanwhile.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from loadbook.core import times, writing
from loadbook.core.errors import DamageError, LoadbookError, NotFoundError, UsageError
from loadbook.core.outside import LARGEST_FILE, LARGEST_MANIFEST, LARGEST_PACKING

from . import migrations, packs, schema_check
from .book import FILE, TRACES, BookFolder
from .trace_files import RELATIVE, Locator, locate
from .verify import DAMAGED, file_sha256, is_whole, records

MANIFEST = "manifest.json"
FORM = "loadbook backup 1"
_SPOILT = (
    zipfile.BadZipFile, zlib.error, KeyError, OSError, EOFError, RuntimeError, ValueError,
)  # fmt: skip


@dataclass
class Written:
    """A backup that was written: SHA-256 of each file in it, and what was wrong with the book."""

    digests: dict[str, str] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


def backup(book: BookFolder, target: Path, *, as_it_is: bool = False) -> Written:
    """Write the book into one file and read it back.

    as_it_is  also of a damaged book, with all of it that is there; what is wrong stands in the result and the file
    Raises UsageError (the target exists), DamageError (the records, or a trace file, are not what was written),
    LoadbookError (the disk refuses).
    """
    if not target.parent.is_dir():
        raise NotFoundError("there is no such folder", where=str(target.parent), remedy="Make it first")
    writing.check(target)
    try:
        with writing.Part(target) as fresh, writing.Part(target) as snapshot:
            written = _write(book, fresh, snapshot.path, as_it_is)
            _check(fresh.path, written.digests)
            fresh.flush()
            fresh.place()
    except OSError as exc:
        raise _refused(exc, target) from exc
    return written


def _refused(exc: OSError, target: Path) -> LoadbookError:
    return LoadbookError(
        f"the backup could not be written ({exc.strerror or exc})",
        where=str(target),
        remedy="See that the disk has room for twice the records and all traces, and that you may write there",
    )


def _snapshot(book: BookFolder, snapshot: Path) -> tuple[list[sqlite3.Row], list[str]]:
    """Copy the records as they are at one moment; (trace rows, what is wrong with the records)."""
    copy = sqlite3.connect(snapshot.absolute(), isolation_level=None)
    copy.row_factory = sqlite3.Row
    try:
        try:
            copy.execute("PRAGMA synchronous = OFF")  # what is made of it is flushed
            book.read().backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
        except sqlite3.OperationalError as exc:
            if exc.sqlite_errorname.startswith(("SQLITE_FULL", "SQLITE_IOERR", "SQLITE_CANTOPEN", "SQLITE_READONLY")):
                raise OSError(28, str(exc)) from exc  # the copy's disk, not the book's
            raise
        wrong = records(copy)
        rows = copy.execute("SELECT path, sha256, bytes, run, state FROM trace ORDER BY trace_number").fetchall()
    finally:
        copy.close()
    return rows, wrong


def _write(book: BookFolder, fresh: writing.Part, snapshot: Path, as_it_is: bool) -> Written:
    written = Written()
    rows, written.wrong = _snapshot(book, snapshot)
    if written.wrong and not as_it_is:
        raise DamageError(
            f"{written.wrong[0]}; a backup would carry the damage on",
            where=str(book.file),
            remedy="Run: loadbook verify. To keep what there is all the same: loadbook backup FILE --as-it-is",
        )
    with fresh.open() as file, zipfile.ZipFile(file, "w", strict_timestamps=False) as archive:
        archive.write(snapshot, FILE, zipfile.ZIP_DEFLATED)
        written.digests[FILE] = file_sha256(snapshot)
        for row in rows:
            if is_whole(book, row):
                _add_trace(archive, book, row)
                written.digests[row["path"]] = row["sha256"]
            elif row["state"] != "withdrawn":
                written.wrong.append(f"the trace of run {row['run']} is missing or changed ({row['path']})")
                if not as_it_is:
                    raise DamageError(
                        f"the trace of run {row['run']} is missing or changed; a backup of it would be worth nothing",
                        where=row["path"],
                        remedy="Run: loadbook verify. To keep the rest all the same: loadbook backup FILE --as-it-is",
                    )
        manifest: dict[str, object] = {"form": FORM, "made_at": times.stored(times.now()), "files": written.digests}
        if written.wrong:
            manifest["wrong"] = written.wrong
        archive.writestr(zipfile.ZipInfo(MANIFEST), json.dumps(manifest, indent=1))
    return written


def _add_trace(archive: zipfile.ZipFile, book: BookFolder, row: sqlite3.Row) -> None:
    """A trace's file as it was written, wherever it stands: a backup holds each by itself."""
    place = Locator(book).place(row["path"])
    if place.at is None:
        archive.write(place.file, row["path"])
    else:
        archive.writestr(zipfile.ZipInfo(row["path"]), packs.read(place, row["bytes"]))


def _manifest(archive: zipfile.ZipFile, where: str) -> dict[str, str]:
    """The files of a backup with their SHA-256, from its own list. Raises DamageError where it is none of ours."""
    _not_too_much(archive, where)
    try:
        manifest = json.loads(archive.read(MANIFEST))
        files = manifest["files"]
        if manifest["form"] != FORM or not isinstance(files, dict) or FILE not in files:
            raise ValueError("another form")
    except (KeyError, TypeError, ValueError, RecursionError) as exc:
        raise DamageError(
            "this is not a loadbook backup", where=where, remedy="Name a file made by: loadbook backup"
        ) from exc
    for name in files:
        if name != FILE and not RELATIVE.fullmatch(name):
            raise DamageError(
                f"the backup names a file outside the book, or that no book has ({name[:200]!r})", where=where
            )
    return {str(k): str(v) for k, v in files.items()}


def _not_too_much(archive: zipfile.ZipFile, where: str) -> None:
    """Refuse an archive that unpacks to far more than its size: traces are packed in Parquet already."""
    items = archive.infolist()
    unpacked, packed = sum(i.file_size for i in items), sum(i.compress_size for i in items)
    listed = next((i.file_size for i in items if i.filename == MANIFEST), 0)
    if listed > LARGEST_MANIFEST or (unpacked > LARGEST_FILE and unpacked > LARGEST_PACKING * packed):
        raise DamageError(
            f"the backup would unpack to {unpacked / 1e6:,.0f} MB, more than {LARGEST_PACKING} times its size",
            where=where,
            remedy="Name a file made by: loadbook backup",
        )


def _check(path: Path, digests: dict[str, str] | None = None) -> dict[str, str]:
    """Read every file of a backup and compare its SHA-256. Raises DamageError."""
    if not zipfile.is_zipfile(path):
        raise DamageError(
            "this is not a loadbook backup, or its end is missing",
            where=path.name,
            remedy="Name a file made by: loadbook backup",
        )
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
                    raise DamageError(f"{name} in the backup is damaged", where=path.name, remedy="Use another backup")
            return files
    except _SPOILT as exc:
        raise DamageError(f"the backup is damaged ({exc})", where=path.name, remedy="Use another backup") from exc


def restore(source: Path, folder: Path) -> BookFolder:
    """Make a book from a backup in a folder that does not exist or is empty; nothing is overwritten.

    Everything is unpacked beside it and checked first, then renamed into place in one step.
    """
    if not source.is_file():
        raise NotFoundError("there is no such file", where=str(source), remedy="Check its name and folder")
    writing.check_folder(folder)
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(
            "the folder is not empty",
            where=str(folder),
            remedy="Restore into a new folder, or bring back lost traces alone with --lost-traces",
        )
    files = _check(source)
    try:
        writing.make_folder(folder.parent)
        with writing.FolderPart(folder) as fresh:
            writing.make_folder(fresh.path / TRACES)
            with zipfile.ZipFile(source) as archive:
                for name in files:
                    writing.make_folder((fresh.path / name).parent)
                    with writing.create(fresh.path / name) as file:
                        _unpack(archive, name, file)
            _is_a_book(fresh.path / FILE, source)
            for below in (fresh.path, *(p for p in fresh.path.rglob("*") if p.is_dir())):
                writing.sync_folder(below)
            fresh.place()
    except OSError as exc:
        raise LoadbookError(
            f"the book could not be restored ({exc.strerror or exc})",
            where=str(folder),
            remedy="See that the disk has room and that you may write there, then repeat the command",
        ) from exc
    return BookFolder.open(folder, any_version=True)


def _unpack(archive: zipfile.ZipFile, name: str, file: IO[bytes]) -> None:
    with archive.open(name) as packed:
        shutil.copyfileobj(packed, file)
    file.flush()
    os.fsync(file.fileno())


def _is_a_book(file: Path, source: Path) -> None:
    conn = sqlite3.connect(file.absolute())
    try:
        if conn.execute("PRAGMA application_id").fetchone()[0] != migrations.APPLICATION_ID:
            raise DamageError("the database in the backup is not a loadbook book", where=source.name)
        schema_check.refuse_reading(conn, source)
    except sqlite3.DatabaseError as exc:
        raise DamageError(f"the database in the backup cannot be read ({exc})", where=source.name) from exc
    finally:
        conn.close()


@dataclass
class BroughtBack:
    """Lost trace files: those brought back from a backup, and those that it does not hold either."""

    back: list[str] = field(default_factory=list)
    still_lost: list[str] = field(default_factory=list)


def bring_back(book: BookFolder, source: Path) -> BroughtBack:
    """Put back those trace files of a book that are missing or damaged, from a backup that holds what was written.

    A damaged file is put aside under its name and '.damaged'; a whole one, and the records, are left alone.
    """
    if not source.is_file():
        raise NotFoundError("there is no such file", where=str(source), remedy="Check its name and folder")
    files = _check(source)
    done = BroughtBack()
    rows = book.read().execute("SELECT run, path, sha256, bytes FROM trace ORDER BY trace_number").fetchall()
    with zipfile.ZipFile(source) as archive:
        for row in rows:
            if is_whole(book, row):
                continue
            if files.get(row["path"]) != row["sha256"]:
                done.still_lost.append(f"{row['run']} ({row['path']})")
                continue
            final = locate(book, row["path"])
            try:
                writing.make_folder(final.parent, below=book.path)
                with writing.Part(final) as part:
                    with part.open() as file:
                        _unpack(archive, row["path"], file)
                    writing.set_aside(final, DAMAGED)
                    part.place()
            except OSError as exc:
                raise LoadbookError(
                    f"the trace of run {row['run']} could not be brought back ({exc.strerror or exc})", where=str(final)
                ) from exc
            done.back.append(f"{row['run']} ({row['path']})")
    return done

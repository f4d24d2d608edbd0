"""Taking an intake file in: read, convert, settle against the book, and one transaction for all of it."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from loadbook.core.collector import uncollected
from loadbook.core.errors import IntakeError, Problem, UsageError
from loadbook.core.outside import name_of
from loadbook.core.phrases import many
from loadbook.core.remarks import Remark, remark
from loadbook.core.vocabulary.intake_kinds import BY_KIND, Kind
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake, seen_file

from .cells import Sheet, read_sheet
from .notes import reading_notes
from .resolve import resolve, split_known
from .rows import Rows, convert_sheet
from .spelled import limits_apart, one_a_row


@dataclass
class Taken:
    """What became of one file: its counts, and the problems of rows that were refused."""

    kind: str
    file: str
    read: int
    added: int
    already: int
    refused: list[Problem] = field(default_factory=list)
    seen_at: str | None = None
    dry_run: bool = False
    notes: list[Remark] = field(default_factory=list)

    def sentence(self) -> str:
        """The counts as one sentence: "412 rows read, 405 added, 6 already in the book, 1 refused: line 88"."""
        if self.seen_at is not None:
            return f"{self.file}: taken in before, on {self.seen_at[:10]}; nothing added"
        text = f"{self.file}: {many(self.read, 'row')} read, {self.added} {'would be ' if self.dry_run else ''}added"
        if self.already:
            text += f", {self.already} already in the book"
        if self.refused:
            lines = sorted({p.line for p in self.refused if p.line is not None})
            word = "line" if len(lines) == 1 else "lines"
            shown = ", ".join(map(str, lines[:8])) + (", ..." if len(lines) > 8 else "")
            text += f", {len(lines)} refused: {word} {shown}"
        return text


@uncollected()
def take_file(
    book: BookFolder,
    kind_name: str,
    path: Path,
    *,
    dry_run: bool = False,
    keep_good: bool = False,
    encoding: str | None = None,
    sheet: str | None = None,
    affirm: frozenset[int] | None = frozenset(),
) -> Taken:
    """Take one file of a kind into the book, all of it or (without keep_good) nothing.

    affirm  lines whose readings look like a slip and are so; None: all of the file's
    Raises IntakeError with every problem found (a reading that looks like a slip is one), and the errors of reading the
    file.
    """
    kind, name = BY_KIND[kind_name], name_of(path)
    table = read_sheet(path, encoding=encoding, sheet=sheet)
    apart = {"readings": one_a_row, "characteristics": limits_apart}.get(kind_name)
    if apart is not None:
        table = apart(table, [name for column in kind.columns for name, _ in column.spellings()])
    before = seen_file(book.read(), kind_name, table.sha256)
    if before is not None:
        return Taken(kind_name, name, before["rows_read"], 0, before["rows_read"], seen_at=before["taken_at"])
    rows = convert_sheet(kind, table, book.zone)
    rows.affirmed = affirm
    if any(p.line == 1 for p in rows.problems) or not table.lines:
        problems = rows.problems or [Problem("there is a header and nothing below it", name, 2)]
        raise IntakeError(f"{name} cannot be taken in as {kind_name}", problems, remedy="Nothing was taken in")
    if dry_run:
        return _enter(book.read(), kind, rows, table, keep_good, book.zone, dry_run=True)
    with book.write() as conn:
        before = seen_file(conn, kind_name, table.sha256)  # once more under the lock: another command may have it now
        if before is not None:
            return Taken(kind_name, name, before["rows_read"], 0, before["rows_read"], seen_at=before["taken_at"])
        return _enter(conn, kind, rows, table, keep_good, book.zone)


def _enter(
    conn: sqlite3.Connection, kind: Kind, rows: Rows, table: Sheet, keep_good: bool, zone: ZoneInfo,
    dry_run: bool = False,
) -> Taken:  # fmt: skip
    _unseen(rows, table)
    resolve(conn, rows)
    _all_in_question(rows)
    _keep_affirmed(rows)
    new, already = split_known(conn, rows, zone)
    rows.problems.sort(key=lambda p: p.line or 0)
    count = len(rows.lines)
    taken = Taken(kind.kind, rows.name, count, len(new), already, rows.problems, dry_run=dry_run)
    if rows.problems and not keep_good:
        taken.added = 0
        good = count - len(rows.bad)
        remedy = "Nothing was taken in" + (f"; --keep-good takes the other {good}" if good else "")
        raise IntakeError(f"{rows.name}: {len(rows.bad)} of {many(count, 'row')} refused", rows.problems, remedy=remedy)
    taken.notes = reading_notes(conn, rows, new, zone)
    for day_first, date in rows.dated.values():
        taken.notes.append(remark("dates_read", day_first=day_first, date=date))
    if table.hidden:
        taken.notes.append(remark("columns_hidden", columns=table.hidden))
    if not dry_run and (new or already):
        add_intake(
            conn,
            kind.kind,
            {kind.table: rows.stored(new)},
            rows_read=taken.read,
            file_name=rows.name,
            file_sha256=table.sha256,
            rows_already=already,
            rows_refused=len(rows.bad),
        )
    return taken


def _unseen(rows: Rows, table: Sheet) -> None:
    """Ask about rows that somebody hid or struck out (they may be void, or of another load), or that may be cut off."""
    for i, column, what in table.doubts:
        rows.question(i, what, column, None, what, "Delete the row, or put it right in the file")


def _all_in_question(rows: Rows) -> None:
    """Nobody affirms by a mistyped line. Raises UsageError."""
    asked = {rows.lines[i] for i in rows.doubted}
    extra = sorted((rows.affirmed or frozenset()) - asked)
    if extra and rows.by_line:
        known = ", ".join(str(p.line) for p in rows.problems if p.alike is not None)
        raise UsageError(
            f"nothing is in question on line {extra[0]}", where=rows.name,
            remedy=f"In question: {known}" if known else "Leave --affirm out",
        )  # fmt: skip


def _keep_affirmed(rows: Rows) -> None:
    """What was asked of a reading that was taken as it is stays with what was typed, for whoever looks at it later."""
    for i, question in rows.doubted.items():
        rows.typed.setdefault(i, {})["affirmed"] = question


def add_row(
    book: BookFolder, kind_name: str, given: dict[str, str], *, affirm: bool = False, notes: list[Remark] | None = None
) -> dict[str, Any]:
    """Add one record by hand: column (or its spelling with another unit) -> text as typed.

    affirm  take a reading that looks like a slip as it is;  notes  gets what is to be said at once of a reading
    Returns the row as stored. Raises IntakeError where the row is wrong or the book has it already.
    """
    kind = BY_KIND[kind_name]
    sheet = Sheet("as typed", "", list(given), [[text] for text in given.values()], [1])
    rows = convert_sheet(kind, sheet, book.zone)
    rows.affirmed, rows.by_line = None if affirm else frozenset(), False
    if rows.problems and not rows.columns:
        raise IntakeError(f"this cannot be added to {kind_name}", rows.problems, remedy="Nothing was added")
    with book.write() as conn:
        resolve(conn, rows)
        _, already = split_known(conn, rows, book.zone)
        if rows.problems:
            raise IntakeError(f"this cannot be added to {kind_name}", rows.problems, remedy="Nothing was added")
        _keep_affirmed(rows)
        row = rows.stored([0])
        if not already:
            add_intake(conn, kind_name, {kind.table: row}, rows_read=1)
        if notes is not None:
            notes += reading_notes(conn, rows, [0], book.zone)
    return {name: values[0] for name, values in row.items()}

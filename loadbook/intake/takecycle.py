"""Taking a cycle's TOML file in: once in the book it is never edited, a change is a new revision."""

from __future__ import annotations

from pathlib import Path

from loadbook.ground.errors import IntakeError, Problem
from loadbook.ground.outside import name_of
from loadbook.keep.book import BookFolder
from loadbook.keep.cyclerecords import cycle_tables, same_cycle
from loadbook.keep.records import add_intake

from .cyclefile import read_cycle_file
from .take import Taken


def take_cycle_file(book: BookFolder, path: Path, *, dry_run: bool = False) -> Taken:
    """Take one cycle file in. The same file again adds nothing; the same revision with other words is refused.

    Raises IntakeError with every fault and its line.
    """
    found = read_cycle_file(path)
    cycle = found.cycle

    def already(known: bool | None) -> Taken | None:
        if known is False:
            problem = Problem(
                f"cycle {cycle.cycle} revision {cycle.revision} is in the book with other words",
                name_of(path),
                mend="Give the changed cycle a new revision",
            )
            raise IntakeError(f"{name_of(path)} cannot be taken in as cycles", [problem], mend="Nothing was taken in")
        return Taken("cycles", name_of(path), 1, 0, 1) if known else None

    conn = book.read()
    before = already(same_cycle(conn, cycle.cycle, cycle.revision, found.source_text))
    if before is not None or dry_run:
        return before or Taken("cycles", name_of(path), 1, 1, 0, dry_run=True)
    with book.write() as conn:
        before = already(same_cycle(conn, cycle.cycle, cycle.revision, found.source_text))
        if before is None:
            add_intake(
                conn,
                "cycles",
                cycle_tables(cycle, found.source_text),
                rows_read=1,
                file_name=name_of(path),
                file_sha256=found.sha256,
            )
    return before or Taken("cycles", name_of(path), 1, 1, 0)

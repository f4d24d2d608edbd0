"""A named person's decision on a reading that looks like a blunder."""

from __future__ import annotations

from loadbook.ground import times
from loadbook.ground.errors import NotFoundError, UsageError
from loadbook.keep.book import BookFolder
from loadbook.keep.holder import who
from loadbook.keep.records import add_intake


def confirm_reading(book: BookFolder, reading_id: int, decision: str, person: str | None, why: str) -> str:
    """Record the decision; gives the sentence to print.

    decision  'confirmed': a blunder, left out of movement from now on; 'refused': real, no longer suspected.
    A later decision on the same reading takes the place of an earlier one; both stay in the book.
    Raises NotFoundError (no such reading), UsageError (no reason given)
    """
    named = (person or who()).strip()
    for name, text in (("person", named), ("why", why)):
        if not text.strip():
            raise UsageError(f"--{name} is empty", mend="A decision needs a named person and grounds")
    with book.write() as conn:
        row = conn.execute("SELECT * FROM reading WHERE reading_id = ?", (reading_id,)).fetchone()
        if row is None:
            raise NotFoundError(
                f"there is no reading {reading_id}", mend="loadbook list readings shows them with their reading_id"
            )
        decided = {
            "subject": "reading", "run": row["run"], "reading_id": reading_id, "decision": decision, "person": named,
            "why": why.strip(), "at": times.stored(times.now()),
        }  # fmt: skip
        add_intake(conn, "confirmations", {"confirmation": [decided]}, rows_read=1, taken_by=named)
    word = "a blunder: left out of movement from now on" if decision == "confirmed" else "real: no longer suspected"
    return f"Reading {reading_id} ({row['serial']}, {row['characteristic']}, {row['stage']}) is {word}."

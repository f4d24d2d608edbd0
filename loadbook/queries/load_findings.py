"""What speaks against a load, gathered from the book: for a run that is judged, and for runs and pieces taken in."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from loadbook.analysis.planning.load import LoadFurnace, LoadPiece, load_findings
from loadbook.core.remarks import Remark
from loadbook.store.book import BookFolder
from loadbook.store.run_records import RunRecord, load_run

_PIECES = """
SELECT part.part, material.material, material.family, material.max_soak_c, material.reactive,
       group_concat(piece.serial, char(10)) AS serials, min(piece.tempered_at_c) AS tempered_at_c
FROM piece JOIN part USING (part) JOIN material USING (material)
WHERE piece.run = ? GROUP BY part.part ORDER BY min(piece.piece_id)
"""
# what was taken in last, as the runs that it is about
_TAKEN = {
    "runs": "SELECT run FROM run WHERE intake_id = ? ORDER BY started DESC",
    "pieces": "SELECT run FROM run WHERE run IN (SELECT run FROM piece WHERE intake_id = ?) ORDER BY started DESC",
}
MOST = 200  # runs of one intake that are looked at, the newest ones: a file of years must not take minutes


def of_run(book: BookFolder, record: RunRecord, reached_c: float | None = None) -> tuple[Remark, ...]:
    """What speaks against a run's load. reached_c: the hottest that a work TC was [°C], where that is known."""
    furnace = record.furnace
    return load_findings(
        record.cycle, record.row["atmosphere"] or ("" if record.cycle else furnace["atmosphere"]),
        _pieces(book.read(), record.run),
        LoadFurnace(furnace["furnace"], furnace["uniformity_c"], furnace["max_temp_c"], record.checks),
        book.temper_margin_c, reached_c,
    )  # fmt: skip


def _pieces(conn: sqlite3.Connection, run: str) -> Sequence[LoadPiece]:
    return [
        LoadPiece(
            r["part"], r["material"], r["family"], tuple(r["serials"].split("\n")), r["max_soak_c"],
            None if r["reactive"] is None else bool(r["reactive"]), r["tempered_at_c"],
        )
        for r in conn.execute(_PIECES, (run,))
    ]  # fmt: skip


def of_last_intake(book: BookFolder, kind: str) -> tuple[dict[str, tuple[Remark, ...]], int]:
    """(run -> what speaks against its load, how many runs were not looked at), of the runs that the last intake of a
    kind ('runs' or 'pieces') is about. Runs taken in before their pieces are looked at again when the pieces come.
    """
    conn = book.read()
    last = conn.execute("SELECT max(intake_id) FROM intake WHERE kind = ?", (kind,)).fetchone()[0]
    runs = [r[0] for r in conn.execute(_TAKEN[kind], (last,))]
    found = {run: of_run(book, load_run(conn, run)) for run in reversed(runs[:MOST])}
    return {run: said for run, said in found.items() if said}, max(0, len(runs) - MOST)

"""What went into a run, and what a planned load would be, as far as the book has it."""

from __future__ import annotations

import sqlite3

from loadbook.analysis.planning.stock import Stock

_RUN = """
SELECT load_mass_kg, run.setup, count(piece_id) AS pieces, count(mass_kg) AS weighed,
    sum(quantity * mass_kg) AS pieces_kg, max(section_thick_mm) AS section_mm,
    min(coalesce(piece.setup, '')) AS first, max(coalesce(piece.setup, '')) AS last
FROM run LEFT JOIN piece USING (run) LEFT JOIN part USING (part) WHERE run.run = ?
"""


def stock_of(conn: sqlite3.Connection, run: str) -> Stock:
    """The load of a run. Without a mass of the load that of its pieces counts, without a racking of the run that of its
    pieces, where it is the same of all."""
    r = conn.execute(_RUN, (run,)).fetchone()
    pieces_kg = r["pieces_kg"] if r["pieces"] and r["weighed"] == r["pieces"] else None
    setup = r["setup"] or (r["first"] if r["first"] == r["last"] else None)
    return Stock(r["load_mass_kg"] or pieces_kg, r["section_mm"], setup or None)


def stock_of_part(conn: sqlite3.Connection, part: str | None) -> Stock:
    """A load of one part that is planned: its section; what it will weigh and how it will be racked are not known."""
    row = conn.execute("SELECT section_thick_mm FROM part WHERE part = ?", (part,)).fetchone()
    return Stock(section_mm=row[0] if row else None)

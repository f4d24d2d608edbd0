"""Where a filter leaves nothing: which of its words the book does not know, and what is nearest to them."""

from __future__ import annotations

import sqlite3

from loadbook.ground.vocabulary import nearest

from .filters import Filters

# filter -> where its words come from
_KNOWN = {
    "part": ("part.part",),
    "material": ("material.material",),
    "family": ("material.family",),
    "shape": ("part.shape",),
    "kind": ("characteristic.kind",),
    "characteristic": ("characteristic.characteristic", "characteristic.kind"),
    "cycle": ("cycle.cycle",),
    "furnace": ("furnace.furnace",),
    "atmosphere": ("run.atmosphere", "furnace.atmosphere"),
    "setup": ("run.setup", "piece.setup"),
    "customer": ("job.customer", "part.customer"),
    "process": ("cycle.process",),
    "job": ("job.job",),
}
MOST_LISTED = 12


def unknown_words(conn: sqlite3.Connection, filters: Filters) -> str | None:
    """A sentence for each filter whose word is nowhere in the book; None where all are known.

    It says what is near, or lists what there is where that is short: a mistyped filter otherwise looks like no data.
    """
    out = []
    for name, text in filters.given().items():
        if name not in _KNOWN:
            continue
        known: set[str] = set()
        for source in _KNOWN[name]:
            table, column = source.split(".")
            found = conn.execute(f"SELECT DISTINCT {column} FROM {table} WHERE {column} IS NOT NULL")
            known |= {str(row[0]) for row in found}
        by_fold = {k.lower(): k for k in sorted(known)}
        for word in (w.strip() for w in text.split(",")):
            if not word or word.lower() in by_fold:
                continue
            close = nearest(word.lower(), list(by_fold))
            said = f"the book has no {name} {word!r}"
            if close:
                said += f". Did you mean {by_fold[close]!r}?"
            elif 0 < len(known) <= MOST_LISTED:
                said += f". It has: {', '.join(sorted(known))}"
            out.append(said)
    return " ".join(f"{s[0].upper()}{s[1:]}" + ("" if s.endswith("?") else ".") for s in out) or None

"""What is withheld from a publication: confidential and export-controlled jobs, and all that leads to them.

Withheld is a piece (part number and serial), with every run that held it, wherever its job is written or not. From
there the rules below are applied until none of them finds more. Who published by mistake could not take it back: where
the book cannot tell, it stays in the house.

Names are looked for in texts as people read them: capitals, accents, hyphens and spaces apart, and whole.
'Bright-Water' is in 'for BRIGHTWATER, urgent'; PN-1001 is not in PN-10012.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from loadbook.core.wording import key, words

from .published import PublishOptions

_TABLES = {
    "job": "job TEXT NOT NULL PRIMARY KEY",
    "part": "part TEXT NOT NULL PRIMARY KEY",
    "piece": "part TEXT NOT NULL, serial TEXT NOT NULL, PRIMARY KEY (part, serial)",
    "run": "run TEXT NOT NULL PRIMARY KEY",
    "cycle": "cycle TEXT NOT NULL, revision TEXT NOT NULL, PRIMARY KEY (cycle, revision)",
    "material": "material TEXT NOT NULL PRIMARY KEY",
    "answer": "answer_id INTEGER NOT NULL PRIMARY KEY",
}
_RULES = (
    # export control marks the part number, in whatever job, run or answer it stands
    ("part", "SELECT part FROM piece JOIN job USING (job) WHERE {controlled}"),
    ("part", "SELECT part FROM answer JOIN job USING (job) WHERE {controlled}"),
    # a part that no run ever held is withheld with its customer's withheld jobs: which job it is for, no record tells
    (
        "part",
        "SELECT part FROM part WHERE part NOT IN (SELECT part FROM piece) AND as_read(customer) IN"
        " (SELECT as_read(customer) FROM job JOIN temp.withheld_job USING (job))",
    ),
    ("piece", "SELECT part, serial FROM piece WHERE job IN (SELECT job FROM temp.withheld_job)"),
    (
        "piece",
        "SELECT part, serial FROM (SELECT part, serial FROM piece UNION SELECT part, serial FROM operation)"
        " WHERE part IN (SELECT part FROM temp.withheld_part)",
    ),
    ("run", "SELECT run FROM piece JOIN temp.withheld_piece USING (part, serial)"),
    ("run", "SELECT run FROM operation JOIN temp.withheld_piece USING (part, serial)"),
    # a thermocouple or a nonconformance on a serial that the run does not list
    (
        "run",
        "SELECT x.run FROM (SELECT run, serial FROM channel UNION SELECT run, serial FROM nonconformance) AS x"
        " WHERE x.serial IN (SELECT serial FROM temp.withheld_piece)"
        " AND NOT EXISTS (SELECT 1 FROM piece AS p WHERE p.run = x.run AND p.serial = x.serial)",
    ),
    # a run that lists no pieces held those of the run that it repeats, or that repeats it
    (
        "run",
        "SELECT run FROM (SELECT run, repeats_run AS other FROM run UNION SELECT repeats_run, run FROM run)"
        " WHERE other IN (SELECT run FROM temp.withheld_run) AND run NOT IN (SELECT run FROM piece)",
    ),
    # of confidential jobs the part number goes where no published run holds it
    (
        "part",
        "SELECT part FROM (SELECT part FROM temp.withheld_piece"
        " UNION SELECT part FROM answer JOIN temp.withheld_job USING (job))"
        " EXCEPT SELECT part FROM piece WHERE run NOT IN (SELECT run FROM temp.withheld_run)",
    ),
)
# what only withheld records use
_ALONE = (
    (
        "cycle",
        "SELECT c.cycle, c.revision FROM cycle AS c WHERE EXISTS (SELECT 1 FROM run AS r WHERE r.cycle = c.cycle"
        " AND r.run IN (SELECT run FROM temp.withheld_run)) AND NOT EXISTS (SELECT 1 FROM run AS r"
        " WHERE r.cycle = c.cycle AND r.run NOT IN (SELECT run FROM temp.withheld_run))",
    ),
    (
        "cycle",
        "SELECT cycle, cycle_revision FROM run WHERE run IN (SELECT run FROM temp.withheld_run)"
        " EXCEPT SELECT cycle, cycle_revision FROM run WHERE run NOT IN (SELECT run FROM temp.withheld_run)",
    ),
    (
        "material",
        "SELECT material FROM part WHERE part IN (SELECT part FROM temp.withheld_part)"
        " EXCEPT SELECT material FROM part WHERE part NOT IN (SELECT part FROM temp.withheld_part)",
    ),
)
# keys that may hold a withheld one ('J-2041-2', 'TC on SN-0078'): (key, what is then withheld), and where to
_NAMED = (
    ("job", "SELECT job, job FROM job", "SELECT ?"),
    ("part", "SELECT part, part FROM part", "SELECT ?"),
    ("piece", "SELECT serial, part, serial FROM piece UNION SELECT serial, part, serial FROM operation", "SELECT ?, ?"),
    ("run", "SELECT run, run FROM run", "SELECT ?"),
    ("run", "SELECT channel, run FROM channel UNION SELECT channel, run FROM trace_channel JOIN trace USING (trace_id)",
     "SELECT ?"),
    ("run", "SELECT serial, run FROM channel WHERE serial NOT NULL UNION"
     " SELECT serial, run FROM nonconformance WHERE serial NOT NULL", "SELECT ?"),
    ("run", "SELECT DISTINCT cycle, cycle FROM run WHERE cycle IS NOT NULL", "SELECT run FROM run WHERE cycle = ?"),
    ("cycle", "SELECT cycle, cycle, revision FROM cycle WHERE cycle NOT IN (SELECT cycle FROM run WHERE cycle > '')",
     "SELECT ?, ?"),
)  # fmt: skip
_JOBS = "(SELECT job FROM temp.withheld_job)"
_KEYS = {
    "job": "SELECT job FROM temp.withheld_job",
    "part": "SELECT part FROM temp.withheld_part",
    "run": "SELECT run FROM temp.withheld_run",
    "serial": "SELECT serial FROM temp.withheld_piece EXCEPT SELECT serial FROM piece"
    " WHERE (part, serial) NOT IN (SELECT part, serial FROM temp.withheld_piece)",
    "order": f"SELECT purchase_order FROM job WHERE purchase_order NOT NULL AND job IN {_JOBS}"
    f" EXCEPT SELECT purchase_order FROM job WHERE purchase_order NOT NULL AND job NOT IN {_JOBS}",
    "cycle": "SELECT cycle FROM temp.withheld_cycle EXCEPT SELECT cycle FROM cycle"
    " WHERE (cycle, revision) NOT IN (SELECT cycle, revision FROM temp.withheld_cycle)",
    "material": "SELECT material FROM temp.withheld_material",
}


@dataclass(frozen=True)
class Withheld:
    """Counts of what is not published because its job is confidential or export-controlled, and nothing else of it."""

    jobs: int = 0
    parts: int = 0
    runs: int = 0
    pieces: int = 0
    readings: int = 0


@dataclass(frozen=True)
class Closure:
    """What is withheld, by name; pieces as (part, serial). The temporary tables withheld_... hold the same."""

    counts: Withheld
    jobs: frozenset[str]
    parts: frozenset[str]
    runs: frozenset[str]
    pieces: frozenset[tuple[str, str]]
    keys: tuple[tuple[str, str], ...] = ()  # (what it is, name) of all that a text must not name


def withhold(conn: sqlite3.Connection, keep: PublishOptions) -> Closure:
    """Say, in temporary tables of the connection, what is withheld; give it back by name.

    The rules only ever add, so that their end does not depend on their order.
    """
    controlled = "0" if keep.export_controlled else "ifnull(job.export_controlled, 0)"
    secret = "0" if keep.confidential else "ifnull(job.confidential, 0)"
    conn.create_function("as_read", 1, lambda text: key(text) if text else None, deterministic=True)
    for name, columns in _TABLES.items():
        conn.execute(f"DROP TABLE IF EXISTS temp.withheld_{name}")
        conn.execute(f"CREATE TEMP TABLE withheld_{name} ({columns})")
    _add(conn, "job", f"SELECT job FROM job WHERE {secret} OR {controlled}")
    while _apply(conn, controlled) or _marked(conn, controlled) or _named(conn):
        pass
    for table, text in _ALONE:
        _add(conn, table, text)
    _answers(conn)
    return _closure(conn)


def _add(conn: sqlite3.Connection, table: str, text: str, values: Iterable[Any] = ()) -> int:
    """Withhold what a query gives; how much of it was not yet."""
    return conn.execute(f"INSERT OR IGNORE INTO temp.withheld_{table} {text}", tuple(values)).rowcount


def _apply(conn: sqlite3.Connection, controlled: str) -> int:
    return sum(_add(conn, table, text.format(controlled=controlled)) for table, text in _RULES)


def _named(conn: sqlite3.Connection) -> int:
    """Withhold what has the name of something withheld in its own: a run 'J-2041-2', a channel 'TC on SN-0078'."""
    search = Search()
    for what, name in _keys(conn):
        if distinctive(name):
            search.add(name, what, everywhere=True)
    if not search:
        return 0
    found = 0
    for table, text, into in _NAMED:
        for name, *values in conn.execute(text).fetchall():
            if search.found(str(name)):
                found += _add(conn, table, into, values)
    return found


def _keys(conn: sqlite3.Connection) -> list[tuple[str, str]]:
    """(what it is, key) of everything that is withheld and means nothing that is published."""
    return [(what, str(name)) for what, text in _KEYS.items() for (name,) in conn.execute(text).fetchall()]


def _marked(conn: sqlite3.Connection, controlled: str) -> int:
    """Withhold the part numbers that an export-controlled job names in its own number, order or specification."""
    search = Search()
    for (part,) in conn.execute("SELECT part FROM part WHERE part NOT IN (SELECT part FROM temp.withheld_part)"):
        if distinctive(part):
            search.add(part, part, everywhere=True)
    texts = conn.execute(f"SELECT job, purchase_order, specification FROM job WHERE {controlled}").fetchall()
    named = [search.found(str(text)) for row in texts for text in row if text is not None]
    return sum(_add(conn, "part", "SELECT ?", [part]) for part in set(named) - {None})


def _answers(conn: sqlite3.Connection) -> None:
    """Withhold every kept answer that is about, rests on, or names something withheld."""
    names = {
        name: {str(r[0]) for r in conn.execute(f"SELECT {name} FROM temp.withheld_{name}")}
        for name in ("job", "part", "run", "material")
    }
    search = Search()
    for what, name in _keys(conn):
        search.add(name, what, everywhere=distinctive(name))
        names.setdefault(what, set()).add(name)
    rows = conn.execute("SELECT answer_id, part, job, question, result FROM answer").fetchall()
    for number, part, job, question, result in rows:
        try:
            told = [json.loads(question), json.loads(result), {"part": part, "job": job}]
        except ValueError:  # not as the program writes it, so nobody knows what it names
            told = None
        if part is None or told is None or _tells(told, names, search):
            _add(conn, "answer", "SELECT ?", [number])


def _tells(value: Any, names: Mapping[str, set[str]], search: Search) -> bool:
    """Whether a value from JSON names something withheld: {"run": "R26-139"}, or in a sentence."""
    if isinstance(value, dict):
        return any(v in names.get(k, ()) if isinstance(v, str) else False for k, v in value.items()) or any(
            _tells(v, names, search) for v in value.values()
        )
    if isinstance(value, list):
        return any(_tells(v, names, search) for v in value)
    return isinstance(value, str) and search.found(value) is not None


def _closure(conn: sqlite3.Connection) -> Closure:
    names = {
        name: frozenset(str(r[0]) for r in conn.execute(f"SELECT {name} FROM temp.withheld_{name}"))
        for name in ("job", "part", "run")
    }
    pieces = frozenset((str(r[0]), str(r[1])) for r in conn.execute("SELECT part, serial FROM temp.withheld_piece"))
    of_runs = [
        int(conn.execute(f"SELECT count(*) FROM {t} WHERE run IN (SELECT run FROM temp.withheld_run)").fetchone()[0])
        for t in ("piece", "reading")
    ]
    counts = Withheld(len(names["job"]), len(names["part"]), len(names["run"]), *of_runs)
    return Closure(counts, names["job"], names["part"], names["run"], pieces, tuple(_keys(conn)))


# -- names in texts -------------------------------------------------------------------------------

_REMEMBERED = 100_000  # texts


def distinctive(name: str) -> bool:
    """Whether a key means the same record wherever it stands: four signs or more, letters and figures among them.

    >>> distinctive("R26-139"), distinctive("0078"), distinctive("R1")
    (True, False, False)
    """
    joined = key(name)
    return len(joined) >= 4 and bool(re.search(r"\d", joined)) and not joined.isdigit()


class Search:
    """Names, and what each of them is, to be found in texts."""

    def __init__(self, allowed: Iterable[str] = ()) -> None:
        """allowed  names that are looked for in no text, whoever has them"""
        self._allowed = {key(name) for name in allowed}
        self._everywhere: dict[str, str] = {}
        self._in_texts: dict[str, str] = {}
        self._starts: set[str] = set()  # how names begin: most words of a text begin none
        self._longest = 0
        self._seen: dict[tuple[str, bool], str | None] = {}

    def __bool__(self) -> bool:
        return bool(self._starts)

    def allows(self, name: str) -> bool:
        return key(name) in self._allowed

    def add(self, name: str, what: str, everywhere: bool) -> None:
        """Look for a name.

        what        what a person is told that it is: 'the customer Brightwater'
        everywhere  in keys and in the program's own sentences too, not only in what people wrote. A name of one
                    letter, or of two figures, is not looked for: it would be found in every text
        """
        joined = key(name)
        if len(joined) > 1 and not (joined.isdigit() and len(joined) < 3) and not self.allows(name):
            (self._everywhere if everywhere else self._in_texts).setdefault(joined, what)
            self._starts |= {joined[:1], joined[:2]}
            self._longest = max(self._longest, len(joined))
            self._seen.clear()

    def found(self, text: str, free: bool = False) -> str | None:
        """What a text names, or None.

        free  a person wrote it as they liked, so that short names count too
        """
        asked = (text, free)
        if asked not in self._seen:
            if len(self._seen) > _REMEMBERED:
                self._seen.clear()
            self._seen[asked] = self._find(words(text), free)
        return self._seen[asked]

    def _find(self, said: list[str], free: bool) -> str | None:
        for start, first in enumerate(said):
            joined = ""
            for word in said[start:] if first[:2] in self._starts else ():
                joined += word
                if len(joined) > self._longest:
                    break
                what = self._everywhere.get(joined)
                if what is None and free and (joined == first or len(joined) > 3):  # 'A-B' is not the person AB
                    what = self._in_texts.get(joined)
                if what is not None:
                    return what
        return None

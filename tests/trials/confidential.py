"""Random small books published to a group: python -m tests.trials.confidential [BOOKS] [FIRST SEED]

Each book has confidential and export-controlled jobs, serials that several part numbers share, repeats, operations that
are runs, thermocouples and nonconformances on serials, kept answers, and free columns in which people wrote names and
record numbers. What must stay is worked out here a second time, by sets and plainly; then every byte that was published
is looked through (Parquet decoded cell by cell, manifests, file names), and every third group is asked.
"""

from __future__ import annotations

import json
import random
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb

from loadbook.core.errors import LoadbookError, NotFoundError
from loadbook.group.publish import publish
from loadbook.group.published import PublishOptions
from loadbook.group.recompute import recompute_group
from loadbook.queries.filters import Filters
from loadbook.queries.moved import moved
from loadbook.queries.plants import GroupSource
from loadbook.queries.recompute import recompute
from loadbook.queries.reports import run_report
from loadbook.queries.sql import ask_sql
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from tests.smallbook import put, reading, trace

CUSTOMERS = ("Brightwater", "Quellbach Antriebe GmbH", "Zelenka & Sohn", "Norwick Pump Ltd", "Ostrander")
PEOPLE = ("Hanna Weiss", "J. Tammsaare", "Orlovic", "A. Operator")
# what must be found in no byte, as it may be written: the whole name, and what tells who it is
TELLING = {
    "Brightwater": "brightwater", "Quellbach Antriebe GmbH": "quellbach", "Zelenka & Sohn": "zelenka",
    "Norwick Pump Ltd": "norwick", "Ostrander": "ostrander", "Hanna Weiss": "hannaweiss",
    "J. Tammsaare": "tammsaare", "Orlovic": "orlovic", "A. Operator": "aoperator",
}  # fmt: skip
REPORTS = ("month_summary", "movement_by_setup", "movement_by_treatment", "movement_set_aside", "furnaces_compared",
           "broken_clauses", "failing_thermocouples", "answers_scored", "worst_movers")  # fmt: skip
# what others refer to comes first
IN_ORDER = ("material", "furnace", "furnace_check", "gauge", "cycle", "cycle_segment", "cycle_limit", "part",
            "characteristic", "job", "run", "piece", "reading", "operation", "nonconformance", "approval", "event",
            "parameter", "confirmation", "answer", "history_break")  # fmt: skip


@dataclass
class Made:
    """A random book, its rows by table, and which options it is published with.

    planted  a known name stands in a key of a record that is published, so that the publication must stop
    """

    book: BookFolder
    rows: dict[str, list[dict[str, Any]]]
    keep: PublishOptions
    planted: bool = False


@dataclass
class Stays:
    """What must stay in the house, worked out from the rows."""

    jobs: set[str] = field(default_factory=set)
    parts: set[str] = field(default_factory=set)
    pieces: set[tuple[str, str]] = field(default_factory=set)
    runs: set[str] = field(default_factory=set)


class _Maker:
    """One random book after the other from one seed."""

    def __init__(self, seed: int, path: Path) -> None:
        self.r = random.Random(seed)
        self.rows: dict[str, list[dict[str, Any]]] = {}
        self.book = BookFolder.create(path)

    def some(self, share: float) -> bool:
        return self.r.random() < share

    def add(self, table: str, **row: Any) -> dict[str, Any]:
        self.rows.setdefault(table, []).append(row)
        return row

    def free(self) -> str | None:
        """A text as people write them: words of the trade, with names and numbers of records between them."""
        known = [*CUSTOMERS, *PEOPLE, *self.names]
        words = ("laid", "hung", "front lower left", "for", "as", "before", "rack", "welded", "like", "see")
        told = [self.r.choice(words) for _ in range(self.r.randint(1, 3))]
        if self.some(0.5):
            name = self.r.choice(known)
            name = self.r.choice((name, name.upper(), name.replace("-", " "), name.replace(" ", "-")))
            told.insert(self.r.randint(0, len(told)), name)
        return self.r.choice((" ", ", ", "\n")).join(told) if self.some(0.8) else None

    def make(self) -> Made:
        r = self.r
        short = self.some(0.3)  # a shop with numbers of few signs
        jobs = [f"{n}" if short else f"J-{2000 + n}" for n in range(1, r.randint(3, 7))]
        parts = [f"{n}" if short else f"PN-{7000 + n}" for n in range(1, r.randint(3, 6))]
        runs = [f"R{n}" if short else f"R26-{100 + n}" for n in range(1, r.randint(4, 10))]
        serials = ["1", "2", "0078", "0079", "SN-501", "SN-502", "lot A"]
        if self.some(0.3) and not short:
            serials.append(f"{jobs[0]}/7")
        if self.some(0.3) and not short:
            runs.append(f"{jobs[0]}-2")
        if self.some(0.3) and not short:
            jobs.append(f"{jobs[0]}-B")
        self.names = [*jobs, *parts, *runs, *serials]
        free = self.free
        for material in ("steel", "bronze", "odd 7"):
            self.add("material", material=material, family=free() or "steel", source=free(), cte_per_k=1e-5)
        for furnace in ("F1", "F2"):
            self.add(
                "furnace", furnace=furnace, atmosphere=r.choice(("air", "vacuum")), working_zone=free(), note=free()
            )
        self.add("furnace_check", furnace="F1", kind="leak-up", done_on="2026-01-01", note=free())
        self.add("gauge", gauge="G1", kind=free() or "micrometer", expanded_uncertainty_mm=0.003)
        for cycle in ("SR", "HX"):
            for revision in ("A", "B"):
                self.add("cycle", cycle=cycle, revision=revision, title=free() or "t", atmosphere="air",
                         process=r.choice(("age", "temper")), source_text=free() or "")  # fmt: skip
                self.add("cycle_segment", cycle=cycle, revision=revision, number=1, kind="heat", target_c=50.0,
                         rate_of="control", on_leaving="restart", soak_by="work", purpose=free())  # fmt: skip
                self.add("cycle_limit", cycle=cycle, revision=revision, number=1, quantity="event_work", relation="max",
                         value=20.0, phase="any", scope="load", event=free() or "fan on", rounding="proportion",
                         typed=free())  # fmt: skip
        for part in parts:
            self.add("part", part=part, material=r.choice(("steel", "bronze", "odd 7")), revision=free(),
                     description=free(), shape=free(), length_mm=200.0,
                     customer=r.choice((None, *CUSTOMERS)))  # fmt: skip
            self.add("characteristic", part=part, characteristic="od", kind="outside diameter", scale="um",
                     reference_length_mm=100.0)  # fmt: skip
        for number, job in enumerate(jobs):
            self.add("job", job=job, customer=r.choice(CUSTOMERS), specification=free() if self.some(0.2) else None,
                     purchase_order=r.choice((None, f"PO-{4700 + number}")), confidential=r.choice((None, 0, 0, 1)),
                     export_controlled=r.choice((None, 0, 0, 0, 1)))  # fmt: skip
        for number, run in enumerate(runs):
            day = f"{2026 if number % 3 else 2024}-{number % 3 + 1:02}-{number + 2:02}"  # of a year that is over too
            self.add("run", run=run, furnace=r.choice(("F1", "F2")), cycle=r.choice(("SR", "SR", "HX")),
                     cycle_revision=r.choice(("A", "A", "B")), started=f"{day}T08:00:00Z", ended=f"{day}T18:00:00Z",
                     setup=free(), operator=r.choice((None, *PEOPLE)), status="done", note=free(),
                     repeats_run=r.choice(runs[:number]) if number and self.some(0.25) else None)  # fmt: skip
        held = set()
        for run in runs:
            for _ in range(r.choice((0, 1, 2, 2, 3))):
                key = (run, r.choice(parts), r.choice(serials))
                if key not in held:
                    held.add(key)
                    self.add("piece", run=run, part=key[1], serial=key[2], quantity=1, setup=free(), position=free(),
                             heat_number=free(), machining=free(), job=r.choice((None, None, *jobs)))  # fmt: skip
        for run, part, serial in sorted(held):
            if self.some(0.6):
                for stage, value in (("before", 100.0), ("after", 100.0 + r.random() / 10)):
                    told = {
                        "held": "free",
                        "datum": free(),
                        "orientation": free(),
                        "surface": r.choice((None, "cleaned")),
                    }
                    self.add("reading", **(reading(run, stage, value, None, part=part, serial=serial) | told
                                           | {"inspector": r.choice((None, *PEOPLE))}))  # fmt: skip
        for number in range(r.randint(0, 5)):
            _, part, serial = (
                r.choice(sorted(held)) if held and self.some(0.7) else ("", r.choice(parts), r.choice(serials))
            )
            self.add("operation", part=part, serial=serial, sequence=10 * number + 10, note=free(),
                     operation=free() or "run", run=r.choice((None, *runs)),
                     at=r.choice((None, "2026-02-01T10:00:00Z")))  # fmt: skip
        for run in runs:
            if self.some(0.3):
                self.add("nonconformance", run=run, what=free() or "short", serial=r.choice((None, *serials)))
            if self.some(0.3):
                self.add("approval", run=run, role="metallurgist", person=r.choice(PEOPLE), decision="accepted",
                         at="2026-05-01T08:00:00Z")  # fmt: skip
            if self.some(0.4):
                self.add("event", run=run, at=f"{self._of(run)['started'][:11]}08:10:00Z", event=free() or "fan on",
                         note=free())  # fmt: skip
            if self.some(0.4):
                self.add("parameter", run=run, parameter="hold_mean_c" if self.some(0.7) else free() or "x", value=1.0,
                         unit="c", source=r.choice(("stated", "asked")), note=free())  # fmt: skip
            if self.some(0.3):
                self.add("confirmation", subject="fault", run=run, channel="TC 1", fault="open", decision="confirmed",
                         person=r.choice(PEOPLE), why=free() or "w", at="2026-05-01T08:00:00Z")  # fmt: skip
        for number in range(r.randint(0, 3)):
            told = {"run": r.choice(runs)} if self.some(0.5) else {"text": [free()]}
            self.add("answer", answered_at=f"2026-05-0{number + 1}T08:00:00Z", question="{}", result=json.dumps(told),
                     method="m", evidence_sha256="0", part=r.choice((None, *parts)), characteristic="od",
                     job=r.choice((None, *jobs)), low=1.0, high=2.0, unit="um")  # fmt: skip
        self.add("history_break", at="2026-01-07", what=free() or "relined", furnace="F1", note=free())
        planted = self.some(0.1)
        if planted:  # in a key that always goes out
            self.add("gauge", gauge=f"G {r.choice(sorted(known(self.rows)))}", kind="micrometer")
        self.rows = {table: self.rows[table] for table in IN_ORDER if table in self.rows}
        with self.book.write() as conn:
            add_intake(conn, "trial", self.rows, rows_read=1, taken_by="test")
        for number, run in enumerate(r.sample(runs, min(2, len(runs)))):
            trace(self.book, run, f"t-{number}", samples=12)
            self.rows.setdefault("channel", []).extend({"run": run, "channel": c} for c in ("C1", "TC 1", "P"))
        for run in runs:
            if self.some(0.4):
                put(self.book, "channel", self.add("channel", run=run, channel="TC 2", role="work", place=free(),
                                                   attachment=free(), serial=r.choice((None, *serials))))  # fmt: skip
        keep = PublishOptions(*(self.some(0.2) for _ in range(6))) if self.some(0.4) else PublishOptions()
        return Made(self.book, self.rows, keep, planted)

    def _of(self, run: str) -> dict[str, Any]:
        return next(r for r in self.rows["run"] if r["run"] == run)


def known(rows: dict[str, list[dict[str, Any]]], customers: bool = True, people: bool = True) -> set[str]:
    """The names that a book knows as customers' or people's, in their own columns."""
    columns = ("customer",) * customers + ("operator", "inspector", "person") * people
    return {row[c] for found in rows.values() for row in found for c in columns if row.get(c)}


def tells(key: str) -> bool:
    """A record's number that means it wherever it stands: letters and figures, four or more."""
    plain = re.sub(r"[^A-Za-z0-9]", "", key)
    return len(plain) > 3 and not plain.isdigit() and any(c.isdigit() for c in plain)


def names(text: str, key: str) -> bool:
    """Whether a text names a record, whatever stands between its signs."""
    pieces = re.findall(r"[A-Za-z]+|[0-9]+", key)
    return re.search(r"(?<![A-Za-z0-9])" + r"[^A-Za-z0-9]*".join(pieces) + r"(?![A-Za-z0-9])", text, re.I) is not None


def stays(made: Made) -> Stays:
    """What must stay in the house: the rules of the closure, applied until nothing is added."""
    rows, keep, out = made.rows, made.keep, Stays()
    get = lambda table: rows.get(table, [])  # noqa: E731
    controlled = {j["job"] for j in get("job") if j["export_controlled"] and not keep.export_controlled}
    out.jobs = controlled | {j["job"] for j in get("job") if j["confidential"] and not keep.confidential}
    for j in get("job"):
        for p in get("part"):
            said = [t for t in (j["job"], j["purchase_order"], j["specification"]) if t]
            if j["job"] in controlled and tells(p["part"]) and any(names(t, p["part"]) for t in said):
                out.parts.add(p["part"])
    out.parts |= {x["part"] for x in [*get("piece"), *get("answer")] if x["job"] in controlled and x["part"]}
    size = -1
    while size != (size := len(out.jobs) + len(out.parts) + len(out.pieces) + len(out.runs)):
        secret = {j["customer"] for j in get("job") if j["job"] in out.jobs}
        listed = {x["part"] for x in get("piece")}
        out.parts |= {p["part"] for p in get("part") if p["customer"] in secret and p["part"] not in listed}
        both = [*get("piece"), *get("operation")]
        out.pieces |= {(x["part"], x["serial"]) for x in both if x.get("job") in out.jobs or x["part"] in out.parts}
        out.runs |= {x["run"] for x in both if x["run"] and (x["part"], x["serial"]) in out.pieces}
        lost = {s for _, s in out.pieces}
        for x in [*get("channel"), *get("nonconformance")]:
            there = {p["serial"] for p in get("piece") if p["run"] == x["run"]}
            if x.get("serial") in lost and x["serial"] not in there:
                out.runs.add(x["run"])
        empty = {r["run"] for r in get("run")} - {p["run"] for p in get("piece")}
        for r in get("run"):
            if r["repeats_run"] in out.runs and r["run"] in empty:
                out.runs.add(r["run"])
            if r["run"] in out.runs and r["repeats_run"] in empty:
                out.runs.add(r["repeats_run"])
        seen = {p["part"] for p in get("piece") if p["run"] not in out.runs}
        out.parts |= {p for p, _ in out.pieces if p not in seen}
        out.parts |= {a["part"] for a in get("answer") if a["part"] and a["job"] in out.jobs and a["part"] not in seen}
        for key in [k for k in secrets(made, out) if tells(k)]:
            out.jobs |= {j["job"] for j in get("job") if names(j["job"], key)}
            out.parts |= {p["part"] for p in get("part") if names(p["part"], key)}
            out.pieces |= {(x["part"], x["serial"]) for x in both if names(x["serial"], key)}
            out.runs |= {r["run"] for r in get("run") if names(r["run"], key)}
            beside = [*get("channel"), *get("nonconformance")]
            out.runs |= {x["run"] for x in beside if x.get("serial") and names(x["serial"], key)}
    return out


def secrets(made: Made, out: Stays) -> set[str]:
    """The keys of what must stay; serials and orders only where nothing that is published has them."""
    others = {x["serial"] for x in made.rows.get("piece", []) if (x["part"], x["serial"]) not in out.pieces}
    jobs = made.rows.get("job", [])
    orders = {j["purchase_order"] for j in jobs if j["job"] in out.jobs}
    orders -= {j["purchase_order"] for j in jobs if j["job"] not in out.jobs}
    return out.jobs | out.parts | out.runs | ({s for _, s in out.pieces} - others) | (orders - {None})


def cells(target: Path) -> Iterator[tuple[str, str, tuple[str, ...], tuple[Any, ...]]]:
    """(file, table, columns, row) of every row of every Parquet file; texts of all else as one row."""
    for path in sorted(p for p in target.rglob("*") if p.is_file()):
        name = path.relative_to(target).as_posix()
        if path.suffix != ".parquet":
            yield name, "", ("text",), (path.read_text(encoding="utf-8"),)
            continue
        found = duckdb.execute(f"SELECT * FROM read_parquet('{path}', hive_partitioning = false)")
        columns = tuple(d[0] for d in found.description or [])
        table = path.name.rpartition("-")[0].replace("-", "_")
        for row in found.fetchall():
            yield name, table, columns, row


def leaks(target: Path, made: Made, out: Stays) -> list[str]:
    """Everything in a target that must not be there."""
    found = []
    telling = [k for k in secrets(made, out) if tells(k)]
    hidden = known(made.rows, not made.keep.customers, not made.keep.people)
    for name, table, columns, row in cells(target):
        told = dict(zip(columns, row, strict=True))
        where = f"{name} {table}"
        for column, keys in (("run", out.runs), ("repeats_run", out.runs), ("part", out.parts), ("job", out.jobs)):
            if told.get(column) in keys:
                found.append(f"{where}: {column} {told[column]}")
        if (told.get("part"), told.get("serial")) in out.pieces:
            found.append(f"{where}: piece {told['part']} {told['serial']}")
        for column, value in [*told.items(), ("name", name)]:
            if not isinstance(value, str):
                continue
            plain = re.sub(r"[^a-z0-9]", "", value.casefold())
            found += [f"{where}.{column}: {n} in {value!r}" for n in hidden if TELLING[n] in plain]
            found += [f"{where}.{column}: {k} in {value!r}" for k in telling if names(value, k)]
    return found


def ask(target: str, seed: int) -> None:
    """Everything computed again, a report, SQL, movement: each must answer, or say that nothing fits."""
    recompute_group(target)
    run_report(GroupSource(target), REPORTS[seed % len(REPORTS)])
    ask_sql(GroupSource(target), "SELECT plant, count(*) AS n FROM runs GROUP BY plant")
    try:
        moved(GroupSource(target), Filters(), ["setup"])
    except NotFoundError as exc:
        assert "no readings" in exc.what


def try_one(seed: int, folder: Path, asked: bool = True) -> Counter[str]:
    """One book: published, looked through, asked; what there was, counted. Raises AssertionError."""
    made = _Maker(seed, folder / "book").make()
    if seed % 4 == 0:
        list(recompute(made.book))
    out = stays(made)
    target = folder / "group"
    count = Counter(books=1, withheld_runs=len(out.runs), withheld_pieces=len(out.pieces))
    try:
        done = publish(made.book, str(target), "Linz", made.keep)
    except LoadbookError as exc:
        assert "the publication was stopped" in exc.what, (seed, str(exc))
        assert made.planted or made.keep.notes or made.keep.customers, (seed, "stopped for nothing", str(exc))
        assert not list(target.rglob("current-*.json")), seed
        assert leaks(target, made, out) == [], seed
        return count + Counter(stopped=1)
    assert not made.planted or made.keep.customers or made.keep.people, (seed, "a planted name went out")
    if asked:
        ask(str(target), seed)
    assert leaks(target, made, out) == [], seed
    rows = list(cells(target))
    went = {r[c.index("run")] for _, table, c, r in rows if table == "run"}
    every = {r["run"] for r in made.rows["run"]}
    assert went == every - out.runs, (seed, "withheld too much or too little", went ^ (every - out.runs))
    assert done.withheld.runs == len(out.runs), seed
    return count + Counter(published=1, runs=len(went), cells=sum(len(r) for *_, r in rows))


def main(books: int = 500, first: int = 0) -> None:
    count: Counter[str] = Counter()
    for seed in range(first, first + books):
        with tempfile.TemporaryDirectory(prefix="loadbook-trial-") as folder:
            count += try_one(seed, Path(folder), seed % 3 == 0)
    print(", ".join(f"{n} {what}" for what, n in count.items()))


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))

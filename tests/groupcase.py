"""Small plants for tests of groups, and looks into what was published."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import duckdb
import pytest

from loadbook.group.publish import publish
from loadbook.group.published import PublishOptions
from loadbook.queries.recompute import recompute
from loadbook.store.book import BookFolder

from .smallbook import put, reading, run, small, trace

SECRETS = ("Brightwater", "PO-4711", "A. Operator", "I. Inspector", "note for nobody", "D. Decider", "told by phone")
EVERYTHING = PublishOptions(True, True, True, True, True, True)


def shop(path: Path, *, moved_mm: float = 0.02, part: str = "00123") -> BookFolder:
    """A small plant: two ordinary runs in two months, one run of a confidential job, one of a controlled one."""
    book = small(path)
    put(
        book, "part",
        *({"part": p, "material": "steel", "description": "note for nobody"} for p in ("S-1", "X-1")),
    )  # fmt: skip
    job = {"customer": "Brightwater", "purchase_order": "PO-4711"}
    put(
        book, "job", {"job": "J1", **job}, {"job": "J2", **job, "confidential": 1},
        {"job": "J3", **job, "export_controlled": 1},
    )  # fmt: skip
    run(book, "R1", 2, serials=("1", "2"), piece_job="J1", operator="A. Operator", note="note for nobody")
    run(book, "R2", 5, month=4, piece_job="J1")
    run(book, "R3", 6, serials=())
    run(book, "R4", 7, serials=())
    run(book, "R5", 8, month=4, serials=())
    for name, piece_part, job_name in (("R3", "S-1", "J2"), ("R4", "X-1", "J3"), ("R5", "X-1", None)):
        put(book, "piece", {"run": name, "part": piece_part, "serial": "9", "quantity": 1, "job": job_name})
    for name in ("R1", "R2"):
        put(
            book, "reading", reading(name, "before", 100.0, None, inspector="I. Inspector"),
            reading(name, "after", 100.0 + moved_mm, None),
        )  # fmt: skip
    trace(book, "R1", f"t-{part}".lower())
    put(
        book, "confirmation",
        {"subject": "fault", "run": "R1", "channel": "TC 1", "fault": "open", "decision": "confirmed",
         "person": "D. Decider", "why": "told by phone", "at": "2026-03-09T08:00:00Z"},
    )  # fmt: skip
    for _ in recompute(book):
        pass
    return book


def files(target: str, checked: bool = False) -> dict[str, bytes]:
    """What was published. checked: and what a program noted there of the very files on this disk"""
    root = Path(target)
    found = {p.relative_to(root).as_posix(): p.read_bytes() for p in root.rglob("*") if p.is_file()}
    return {name: data for name, data in found.items() if checked or not name.startswith("checked/")}


def texts(target: str) -> str:
    """Everything readable in a target: rows of every Parquet file, and the manifests; without digests, and the moments
    and numbers of files on this disk, in which any four figures may stand by chance."""
    told = []
    for name, data in files(target, checked=True).items():
        if name.endswith(".parquet"):
            found = duckdb.sql(f"SELECT * FROM read_parquet('{Path(target) / name}', hive_partitioning = false)")
            told += [str(row) for row in found.fetchall()]
        else:
            told.append(data.decode())
    return re.sub(r"[0-9a-f]{16,}|(?<=\[)\d+(?=, \d{19})", "", "\n".join(told))


@pytest.fixture(name="books", scope="module")
def made_books(tmp_path_factory: pytest.TempPathFactory) -> dict[str, BookFolder]:
    folder = tmp_path_factory.mktemp("books")
    return {"Linz": shop(folder / "a"), "Graz Süd": shop(folder / "b", moved_mm=0.05)}


@pytest.fixture(name="published", scope="module")
def made_published(books: dict[str, BookFolder], tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("published") / "group"
    for name, book in books.items():
        publish(book, str(where), name)
    return where


@pytest.fixture(name="target")
def made_target(published: Path, tmp_path: Path) -> str:
    """A copy of the two plants' group, to be written into."""
    shutil.copytree(published, tmp_path / "group")
    return str(tmp_path / "group")

"""How much will it move, from the history of all plants: plant is a grouping of the model, like part number.

Where a group's evidence comes from, as a sentence.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers.cells import Break
from loadbook.analysis.trace.model import Limit, Segment
from loadbook.core.errors import UsageError
from loadbook.core.vocabulary.parameters import PLANNABLE
from loadbook.queries import answer_words
from loadbook.queries import history as answerdata
from loadbook.queries.answer import answer_of, treatment
from loadbook.queries.answer_result import Answer
from loadbook.queries.enquiry import Question, Subject, conditions, subject
from loadbook.queries.history import NO_PROCESS, Pieces, Source, days

from . import cells as groupcells
from .cells import Asking, GroupSource

if TYPE_CHECKING:
    import pandas as pd


def evidence(plants: pd.DataFrame, without: Sequence[str]) -> str:
    """Which plants the evidence comes from, with runs and pieces, and which were left out.

    plants  plant, runs, pieces
    """
    rows = [
        f"{plant} ({_counted(int(runs), 'run')}, {_counted(int(pieces), 'piece')})"
        for plant, runs, pieces in plants[["plant", "runs", "pieces"]].to_numpy().tolist()
    ]
    text = "Evidence from " + (", ".join(rows) if rows else "no plant") + "."
    if without:
        text += f" Left out: {', '.join(without)}."
    return text


def _counted(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


# one row per run, part number and labels; the settings are the run's
_LABELS = (
    "plant", "run", "started", "furnace", "cycle", "part", "material", "family", "shape", "condition", "setup",
    "atmosphere", "section_thick_mm", "characteristic",
)  # fmt: skip
_TABLES = ("run", "part", "material", "characteristic", "piece", "cycle", "cycle_segment", "cycle_limit")


class _Source(Source):
    """A group's history as the answers read it: cells from the engine, with the sorted values of each.

    A mean needs only sums; the back-test asks how many single pieces its intervals would have held, and the blunder
    screen was made on the engine: so a cell brings the values of its pieces, and nothing else of them.
    """

    def __init__(self, source: GroupSource, breaks: tuple[Break, ...]) -> None:
        several = len(source.group.plants) > 1  # of one plant nothing can be told of what plants differ by
        super().__init__(movement=None, breaks=breaks, extra=("plant",) if several else ())  # type: ignore[arg-type]
        self.source = source
        self.rows_back = 0

    def processes(self, kind: str, part: str | None = None) -> list[str]:
        only = " AND part = $part" if part is not None else ""
        found = self.source.frame(
            f"SELECT coalesce(process, '{NO_PROCESS}') AS process, count(DISTINCT run) AS runs FROM movement"
            f" WHERE {self.source.where} AND kind = $kind{only} GROUP BY coalesce(process, '{NO_PROCESS}')"
            " ORDER BY runs DESC, process",
            {**self.source.values, "kind": kind, "part": part},
        )
        return [str(p) for p in found["process"]]

    def pieces(self, process: str, kind: str, scale: str | None = None) -> Pieces:
        more = f" AND kind = $kind AND coalesce(process, '{NO_PROCESS}') = $process"
        text, values = self.source.screened(scale, more)
        values |= {"kind": kind, "process": process}
        keys = ", ".join(f"x.{name}" for name in _LABELS)
        settings = ", ".join(
            f"max(coalesce(p.asked_{n}, p.{n})) AS {n}, count(p.asked_{n}) AS {n}_asked" for n in PLANNABLE
        )
        cells = self.source.frame(
            f"SELECT {keys}, min(x.side) AS side, min(x.y_unit) AS unit, count(*) AS pieces,"
            " array_agg(x.y) FILTER (WHERE NOT x.flagged) AS kept, array_agg(x.y) FILTER (WHERE x.flagged) AS doubted,"
            " array_agg(x.before_mm) AS before_mm, array_agg(x.expanded_uncertainty_mm) AS gauge_mm,"
            f" count(*) FILTER (WHERE x.below_gauge) AS below, {settings}"
            f" FROM {text} AS x LEFT JOIN run_parameter AS p ON p.run = x.run WHERE x.y IS NOT NULL"
            f" GROUP BY {keys} ORDER BY x.started, x.run, x.part, x.characteristic, x.setup, x.condition",
            values,
        )
        aside = self.source.frame(
            f"SELECT set_aside AS reason, count(*) AS pieces FROM {text} AS x WHERE set_aside IS NOT NULL"
            " GROUP BY set_aside ORDER BY pieces DESC, reason",
            values,
        )
        self.rows_back += len(cells) + len(aside)
        reasons = {str(reason): int(n) for reason, n in aside[["reason", "pieces"]].to_numpy().tolist()}
        return _pieces(process, kind, scale or "um", cells, reasons)


def _pieces(process: str, kind: str, scale: str, cells: pd.DataFrame, reasons: dict[str, int]) -> Pieces:
    """Cells spread out into their pieces again, with the cells' labels."""
    sizes = cells["pieces"].to_numpy(dtype=np.int64)
    frame = cells.loc[cells.index.repeat(sizes)].reset_index(drop=True)
    z = _values(cells, "kept", "doubted")
    flagged = np.concatenate([np.arange(n) >= _many(kept) for n, kept in zip(sizes, cells["kept"], strict=True)] or [z])
    frame = frame.assign(
        z=z, y=z, day=days(frame["started"]) if len(frame) else z, section_mm=frame["section_thick_mm"],
        condition=np.array([conditions(c) for c in frame["condition"]], dtype=object), kind=kind, process=process,
        before_mm=_padded(cells, "before_mm", sizes),
    )  # fmt: skip
    known = frame[list(PLANNABLE)].notna().to_numpy()
    asked = frame[[f"{n}_asked" for n in PLANNABLE]].to_numpy(dtype=np.int64) > 0
    gauge = _padded(cells, "gauge_mm", sizes) * 1000.0
    return Pieces(
        process, kind, scale, str(cells["unit"].iloc[0]) if len(cells) else "um", frame, reasons,
        np.asarray(flagged, dtype=bool), float((~asked[known]).mean()) if known.any() else 0.0,
        float(cells["below"].sum() / sizes.sum()) if len(cells) else 0.0,
        float(np.nanmedian(gauge)) if np.isfinite(gauge).any() else float("nan"), paired=False,
    )  # fmt: skip


def _many(values: Any) -> int:
    return len(values) if hasattr(values, "__len__") else 0  # an engine's missing list is None, NaN or NA


def _list(values: Any) -> np.ndarray:
    """An engine's list as sorted numbers: the order in which it came means nothing."""
    return np.sort(np.array([np.nan if v is None else v for v in values] if _many(values) else [], dtype=np.float64))


def _values(cells: pd.DataFrame, *names: str) -> np.ndarray:
    parts = [_list(v) for row in cells[list(names)].itertuples(index=False) for v in row]
    return np.concatenate(parts) if parts else np.zeros(0)


def _padded(cells: pd.DataFrame, name: str, sizes: np.ndarray) -> np.ndarray:
    """A list of each cell, one value a piece, missing ones at its end."""
    out = []
    for values, n in zip(cells[name], sizes, strict=True):
        some = _list(values)[:n]
        out.append(np.concatenate([some, np.full(n - some.size, np.nan)]))
    return np.concatenate(out) if out else np.zeros(0)


def answer_group(asking: Asking, question: Question, system: str | None = None) -> Answer:
    """The answer to one enquiry from the history of a group; `Answer.plants` says which plants it rests on.

    asking    `plant` is the plant that will run it (it does not limit the evidence; leave plants out for that)
    question  as for one book; a cycle or furnace is a plant's own, written 'PLANT/CYCLE'
    Raises    UsageError, NotFoundError; a history too thin is no error but an answer that says so
    """
    if not 0.5 <= question.content <= 0.99:
        raise UsageError(
            f"an interval for {question.content:g} of pieces is not offered", remedy="Give --content 0.5 to 0.99"
        )
    with GroupSource(replace(asking, plant=None)) as source:
        known = [p.name for p in source.group.plants]
        if asking.plant is not None and asking.plant not in known:
            raise UsageError(f"the group has no plant {asking.plant!r}", remedy="It has: " + ", ".join(known))
        conn = _records(source, question)
        try:
            about = subject(conn, question)
            question, process = treatment(conn, question)
        finally:
            conn.close()
        history = _Source(source, _breaks(source))
        if about.kind != "hardness":
            process = answerdata.choose_process(history, about.kind, about.part, question.process, process)
        plant = asking.plant or _usual_plant(source, about)
        system = system or source.group.units()
        found = answer_of(history, replace(question, plant=plant), about, process or NO_PROCESS, system)
        found.text = answer_words.sentences(found, system)
        plants = _evidence(found)
        found.plants = [{str(k): v for k, v in row.items()} for row in plants.to_dict("records")]
        found.text.append(evidence(plants, source.group.without))
        if plant is not None and len(known) > 1:
            chosen = "" if asking.plant else ", which ran this part most (--plant names another)"
            found.text.append(f"Asked of {plant}{chosen}; what plants differ by is in the width.")
    return found


def _evidence(found: Answer) -> pd.DataFrame:
    import pandas as pd

    if found.history is None or not len(found.history):
        return pd.DataFrame({"plant": [], "runs": [], "pieces": []})
    grouped = found.history.groupby("plant", sort=True).agg(runs=("run", "nunique"), pieces=("run", "size"))
    return grouped.reset_index()


def _usual_plant(source: GroupSource, about: Subject) -> str | None:
    """The plant that ran the part number most; None for a new one."""
    if about.part is None:
        return None
    found = source.frame(
        "SELECT plant, count(DISTINCT run) AS runs FROM pieces WHERE part = $part GROUP BY plant"
        " ORDER BY runs DESC, plant",
        {"part": about.part},
    )
    return str(found["plant"].iloc[0]) if len(found) else None


def _breaks(source: GroupSource) -> tuple[Break, ...]:
    """Declared breaks; one of a whole plant is one of each of its furnaces, and of no other plant's."""
    rows = source.frame(
        'SELECT b."at", b.what, coalesce(b.furnace, f.furnace) AS furnace FROM history_break AS b'
        " LEFT JOIN furnace AS f ON b.furnace IS NULL AND f.plant = b.plant"
        ' ORDER BY b."at", coalesce(b.furnace, f.furnace)',
        {},
    )
    return tuple(Break(float(d), str(w), str(f)) for d, w, f in zip(days(rows["at"]), rows["what"], rows["furnace"],
                                                                    strict=True))  # fmt: skip


def _limit_columns() -> list[str]:
    return [f.name for f in fields(Limit) if f.name != "typed"]


def _records(source: GroupSource, question: Question) -> sqlite3.Connection:
    """The records that an enquiry names, in a small database like a book's: its part, or materials and scales."""
    engine = groupcells.start(
        source.group, {*_TABLES, "part_told_apart"}, source.engine.name, source.asking.master, source.asking.spark
    )
    conn = sqlite3.connect(":memory:", isolation_level=None)
    conn.row_factory = sqlite3.Row
    plain = "CASE WHEN a.number IS NULL THEN substr(x.part, length(x.plant) + 2) ELSE x.part END"
    apart = "LEFT JOIN part_told_apart AS a ON a.number = substr(x.part, length(x.plant) + 2)"
    material = "substr(x.material, length(x.plant) + 2)"
    chosen = {"part": question.part, "kind": (question.kind or "").lower()}
    only = f" WHERE {plain} = $part" if question.part is not None else " WHERE false"
    of_kind = only if question.part is not None else " WHERE x.kind = $kind"
    queries = {
        "part": f"SELECT DISTINCT {plain} AS part, {material} AS material, shape, section_thick_mm, section_thin_mm,"
        f" description FROM part AS x {apart}{only} ORDER BY part, material, shape",
        "material": f"SELECT {material} AS material, min(family) AS family, bool_or(reactive) AS reactive"
        f" FROM material AS x GROUP BY {material}",
        "characteristic": f"SELECT DISTINCT {plain} AS part, characteristic, kind, scale, unit, reference_length_mm"
        f" FROM characteristic AS x {apart}{of_kind}",
        "piece": f"SELECT {plain} AS part, x.run, x.serial, condition, machining, stock_mm, r.started"
        f" FROM piece AS x {apart} JOIN run AS r ON r.run = x.run{only} ORDER BY r.started, x.serial",
        **{
            name: f"SELECT {columns} FROM {name} WHERE cycle = $cycle ORDER BY cycle, revision"
            for name, columns in (
                ("cycle", "cycle, revision, coalesce(title, '') AS title, process, atmosphere"),
                ("cycle_segment", ", ".join(["cycle", "revision", *(f.name for f in fields(Segment))])),
                ("cycle_limit", "cycle, revision, NULL AS typed, " + ", ".join(_limit_columns())),
            )
        },
    }
    chosen["cycle"] = question.cycle
    try:
        for name, sql in queries.items():
            columns, rows = engine.rows(sql, {k: v for k, v in chosen.items() if f"${k}" in sql})
            listed = ", ".join(f'"{c}"' for c in columns)
            conn.execute(f"CREATE TABLE {name} ({name}_id INTEGER PRIMARY KEY, {listed})")
            marks = ", ".join("?" * len(columns))
            plain_rows = [[v.isoformat() if hasattr(v, "isoformat") else v for v in row] for row in rows]
            conn.executemany(f"INSERT INTO {name} ({listed}) VALUES ({marks})", plain_rows)
    finally:
        engine.close()
    return conn

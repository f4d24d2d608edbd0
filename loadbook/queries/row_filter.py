"""Which rows of the book a filtered question can need at all, so that the others are not copied for it.

A filter on part, kind, furnace, cycle or date leaves readings out of the view `movement` whatever else is asked.
What lies between two readings of a piece may be another run of it: so pieces and operations are kept by part and
serial, never by run. Every other filter is left to the view.
"""

from __future__ import annotations

from typing import Any

from .filters import Filters

Only = dict[str, tuple[str, list[Any]]]


def rows_needed(filters: Filters, kind: str | None = None) -> Only:
    """Table -> (condition in SQLite's words, its values), for questions over `movement` and `pieces`.

    kind  the one kind of characteristic that is asked of (besides filters.kind)
    """
    reading: list[tuple[str, list[Any]]] = []
    by_part = Filters(part=filters.part).sql({"part"})
    if filters.part is not None:
        reading.append(by_part)
    of_kind = Filters(kind=filters.kind).sql({"kind"})
    if kind is not None:
        of_kind = (f"{of_kind[0]} AND kind = ?", [*of_kind[1], kind])
    if of_kind[1]:
        chosen = f"(part, characteristic) IN (SELECT part, characteristic FROM characteristic WHERE {of_kind[0]})"
        reading.append((chosen, of_kind[1]))
    # to the second, and never one run too few: 08:00:00.5 is kept as a text that sorts before 08:00:00
    moment = "substr(started, 1, 19)"
    first = Filters(since=filters.since, zone=filters.zone).sql({moment}, started=moment, moments_are_text=True)
    others = Filters(cycle=filters.cycle, furnace=filters.furnace, until=filters.until, zone=filters.zone)
    rest = others.sql({"cycle", "furnace", moment}, started=moment, moments_are_text=True)
    of_run = _all([(first[0], [v[:19] for v in first[1]]), rest])
    of_runs = (f"run IN (SELECT run FROM run WHERE {of_run[0]})", of_run[1])
    if of_run[1]:
        reading.append(of_runs)
    only: Only = {}
    if reading:
        only["reading"] = _all(reading)
    if filters.part is not None:
        only["piece"] = only["operation"] = by_part
    elif of_run[1]:
        same = f"(part, serial) IN (SELECT part, serial FROM piece WHERE {of_runs[0]})"
        only["piece"] = only["operation"] = (same, of_runs[1])
    return only


def of_run(run: str) -> Only:
    """The same for what moved in one run."""
    same = "(part, serial) IN (SELECT part, serial FROM piece WHERE run = ?)"
    return {"reading": ("run = ?", [run]), "piece": (same, [run]), "operation": (same, [run])}


def _all(conditions: list[tuple[str, list[Any]]]) -> tuple[str, list[Any]]:
    return " AND ".join(f"({text})" for text, _ in conditions), [v for _, values in conditions for v in values]

"""The figures of a letter's picture: the interval, the tolerance's room, and the customer's own runs beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from loadbook.core import units
from loadbook.core.vocabulary.intake_kinds import FORM_KINDS
from loadbook.queries.answer_figures import told

from .filter import OwnRecords

MOST_RUNS = 5  # of the customer's own nearest runs are listed


@dataclass(frozen=True)
class OwnRun:
    """One of the customer's own runs, in the unit of the picture. other_part: where it held another of their parts."""

    run: str
    date: str
    pieces: int
    low: float
    mean: float
    high: float
    nearness: float | None = None
    other_part: str = ""


@dataclass(frozen=True)
class Interval:
    """What the picture shows: the interval, its middle, the bound, the tolerance's room, own runs.

    label, digits  the unit shown, and how many digits after the point count
    room  (low, high) that the tolerance leaves, either may be None;  room_words how it is meant
    """

    label: str
    digits: int
    low: float
    high: float
    median: float
    content: float
    bound: float | None
    bound_words: str
    room: tuple[float | None, float | None] | None
    room_words: str
    own: list[OwnRun]


def nearest(asked: dict[str, Any], result: dict[str, Any], my: OwnRecords, system: str) -> list[OwnRun]:
    """The customer's own among the nearest runs, nearest first."""
    own = [c for c in result["comparables"] if my.owns(c["run"], c["part"])]
    return [
        OwnRun(
            c["run"], c["date"], c["pieces"], *_shown(c, result["unit"], system), round(c["nearness"], 2),
            "" if c["part"] == asked.get("part") else c["part"],
        )
        for c in own[:MOST_RUNS]
    ]  # fmt: skip


def _shown(row: dict[str, Any], unit: str, system: str) -> tuple[float, float, float]:
    low, mean, high = (units.show(row[k], unit, system)[0] for k in ("low", "mean", "high"))
    return low, mean, high


def interval_of(
    asked: dict[str, Any], result: dict[str, Any], behind: dict[str, Any], my: OwnRecords, system: str
) -> Interval:  # fmt: skip
    unit = result["unit"]

    def shown(value: float | None) -> float | None:
        return None if value is None else units.show(value, unit, system)[0]

    own = [
        OwnRun(r["run"], r["date"], r["pieces"], *_shown(r, unit, system))
        for r in behind.get("own_runs", [])
        if my.owns(r["run"], asked.get("part") or "")
    ]
    room, words = _room(asked, behind, unit)
    stock = (result["advice"].get("stock") or {}).get("per_side_um")
    percent = f"{result['bound_content']:.0%} within"
    _, label, digits = units.show(0.0, unit, system)
    return Interval(
        label=label, digits=digits, low=shown(result["low"]) or 0.0, high=shown(result["high"]) or 0.0,
        median=shown(result["median"]) or 0.0, content=result["content"], bound=shown(result["bound"]),
        bound_words=f"{percent}; stock {told(stock, 'um', system)} per side" if stock else percent,
        room=None if room is None else (shown(room[0]), shown(room[1])), room_words=words, own=own,
    )  # fmt: skip


def _room(
    asked: dict[str, Any], behind: dict[str, Any], unit: str
) -> tuple[tuple[float | None, float | None] | None, str]:
    """What the tolerance leaves a piece, in the answer's unit, and how that is meant."""
    low, high = behind.get("lower_mm"), behind.get("upper_mm")
    if asked["kind"] in FORM_KINDS:
        before = behind.get("before_um")
        if high is None or unit not in ("%", "um") or (unit == "%" and not before):
            return None, ""
        if unit == "um":
            return (None, high * 1000.0), "what the tolerance leaves a piece without form error before"
        return (
            None,
            100.0 * (high * 1000.0 - before) / before,
        ), "what the tolerance leaves a piece with the usual form error before"
    if low is None or high is None or unit != "um":
        return None, ""
    half = (high - low) / 2 * 1000.0
    return (-half, half), "what the tolerance leaves a piece from its middle"

"""Advice that goes with an answer: atmosphere, stock per side, thermocouple places, the kindest cycle, cautions.

Never more than the history and the stated rule support; each piece of advice is a remark whose words say the reason.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loadbook.analysis.answers.scale import sides
from loadbook.core.cautions import REACTIVE_FAMILIES, of_load
from loadbook.core.remarks import Remark, remark

FINISHED = ("finish machined", "finish-machined", "finished", "ground", "lapped", "honed", "plated")
LEAST_RUNS_OF_A_CYCLE = 3
LEAST_RUNS_OF_A_PLACE = 2


def atmosphere(
    condition: str | None, machining: str | None, stock_mm: float | None, reactive: bool | None, family: str | None
) -> Remark:
    """Air, or vacuum or dry inert gas, from the piece's state.

    Air is the cheaper where stock is left everywhere and the surfaces are machined again; finish-machined or
    untouchable surfaces and reactive metals need vacuum or dry inert gas. (Common practice.)

    >>> atmosphere("from bar", "rough machined", 1.0, False, "low-alloy steel").code
    'air'
    >>> atmosphere("from bar", "finish machined", 0.0, False, "tool steel").code
    'protect_finished'
    """
    state = f"{condition or ''};{machining or ''}".lower()
    if reactive or (family or "").lower() in REACTIVE_FAMILIES:
        return remark("protect_reactive", family=family)
    if any(word in state for word in FINISHED):
        return remark("protect_finished")
    if stock_mm is not None and stock_mm > 0 and ("rough" in state or "semi" in state):
        return remark("air", stock_mm=stock_mm)
    return remark("air_or_vacuum", machining=bool(machining), stock=stock_mm is not None)


def stock(kind: str, bound_um: float | None, harm: int, content: float = 0.95, confidence: float = 0.95) -> Remark:
    """Stock per side from the one-sided bound: `per_side_um`, on the side that harms.

    kind      kind of characteristic;  bound_um the bound of the movement [µm];  harm +1 or −1 (answers/scale.harm)
    A diameter's or a runout's bound is shared by two sides; every other movement counts in full. 0 where the bound
    lies on the harmless side, None where the kind has no harmful direction or its size is not known.

    >>> [stock(k, b, h).figures["per_side_um"] for k, b, h in (("outside diameter", -42.0, -1), ("flatness", 42.0, 1))]
    [21.0, 42.0]
    >>> stock("inside diameter", -5.0, 1).code
    'stock_not_needed'
    """
    if harm == 0 or bound_um is None or not np.isfinite(bound_um):
        return remark("stock_not_known", per_side_um=None)
    needed = max(harm * bound_um, 0.0) / sides(kind)
    against = "increase"
    if kind in ("outside diameter", "inside diameter", "length", "width", "thickness", "distance"):
        against = "shrinkage" if harm < 0 else "growth"
    if needed == 0.0:
        return remark("stock_not_needed", per_side_um=0.0, against=against)
    shared = next((w for w in ("diameter", "runout") if w in kind and sides(kind) == 2), None)
    return remark(
        "stock", per_side_um=needed, against=against, shared=shared, content=content, confidence=confidence
    )  # fmt: skip


def usual_places(thick_mm: float | None, thin_mm: float | None) -> list[Remark]:
    """Places for work TCs that any load has."""
    return [remark("tc_thickest", mm=thick_mm), remark("tc_thinnest", mm=thin_mm), remark("tc_middle")]


@dataclass(frozen=True)
class Held:
    """A work TC on a piece during the hold. mean_c its mean over the main hold [°C]."""

    run: str
    part: str
    serial: str
    place: str
    mean_c: float


@dataclass(frozen=True)
class Coldest:
    """The place of the coldest TC of one piece at the hold, among two places of it or more."""

    run: str
    part: str
    serial: str
    place: str


def coldest_of_pieces(held: Iterable[Held]) -> list[Coldest]:
    """Which place was the coldest on each piece that had TCs at two places or more, in the order of the pieces."""
    pieces: dict[tuple[str, str, str], list[Held]] = {}
    for tc in held:
        pieces.setdefault((tc.run, tc.part, tc.serial), []).append(tc)
    return [
        Coldest(*key, min(tcs, key=lambda tc: tc.mean_c).place)
        for key, tcs in pieces.items()
        if len({tc.place for tc in tcs}) >= 2
    ]


def coldest_place(pieces: Sequence[Coldest], code: str = "tc_coldest_place") -> Remark | None:
    """The place that most often was the coldest on its piece, in two runs or more; None where there is none.

    code  'tc_coldest_place', or 'tc_own_coldest_place' where all the pieces are one customer's
    """
    found: dict[str, list[Coldest]] = {}
    for piece in pieces:
        found.setdefault(piece.place, []).append(piece)
    place, some = max(found.items(), key=lambda item: len(item[1]), default=("", []))
    if len({piece.run for piece in some}) < LEAST_RUNS_OF_A_PLACE:
        return None
    return remark(code, place=place, pieces=len(some), of=len(pieces))


def lost_places(lost: Iterable[tuple[str, str, str]]) -> list[Remark]:
    """Places whose TC failed on pieces of this part. lost (place, fault, run), newest first; three of each at most."""
    seen: dict[str, list[tuple[str, str]]] = {}
    for place, fault, run in lost:
        seen.setdefault(place, []).append((fault, run))
    return [remark("tc_lost", place=place, faults=[list(f) for f in faults[:3]]) for place, faults in seen.items()]


@dataclass(frozen=True)
class CycleEvidence:
    """What one cycle's runs did to such pieces; figures on the working scale, the run the unit."""

    cycle: str
    runs: int
    pieces: int
    parts: int
    mean: float
    worst: float
    same_part: bool


def kindest_cycle(pieces: pd.DataFrame, part: str | None, harm: int) -> list[CycleEvidence]:
    """Cycles with at least three runs, compared inside part numbers, the one that moved such pieces least first.

    pieces  columns run, part, cycle, z; where the part number itself has two such cycles only its own runs count, else
            those part numbers that went through each of the cycles compared; empty where there are none
    harm    +1 or −1: movement to that side is bad; 0: any movement is
    """
    if "cycle" not in pieces or pieces.empty:
        return []
    rows = pieces[pieces["cycle"].notna() & (pieces["cycle"] != "")]
    own = _cycles(rows[rows["part"] == part], harm, True)
    return own if len(own) >= 2 else _cycles(_shared(rows), harm, False)


def _shared(rows: pd.DataFrame) -> pd.DataFrame:
    """The pieces of the part numbers that most of two cycles share, and of every further cycle that all of them had."""
    once = rows[["cycle", "part"]].drop_duplicates()
    parts = {c: set(g["part"]) for c, g in once.groupby("cycle", sort=True)}
    pairs = [(len(parts[a] & parts[b]), a, b) for a, b in itertools.combinations(parts, 2)]
    most, a, b = max(pairs, key=lambda p: p[0], default=(0, "", ""))
    if not most:
        return rows.iloc[:0]
    both = parts[a] & parts[b]
    return rows[rows["part"].isin(both) & rows["cycle"].isin([c for c in parts if both <= parts[c]])]


def _cycles(rows: pd.DataFrame, harm: int, same_part: bool) -> list[CycleEvidence]:
    out = []
    for cycle, group in rows.groupby("cycle", sort=True):
        if group["run"].nunique() < LEAST_RUNS_OF_A_CYCLE:
            continue
        by_run = group.groupby(["part", "run"])["z"].mean()
        mean = float(by_run.groupby("part").mean().mean())  # each part number counts once: all ran all cycles
        worst = float((group["z"] * harm).max() * harm) if harm else float(group["z"].abs().max())
        parts = int(group["part"].nunique())
        runs = int(group["run"].nunique())
        out.append(CycleEvidence(str(cycle), runs, len(group), parts, mean, worst, same_part))
    if len(out) < 2:
        return []
    return sorted(out, key=lambda c: harm * c.mean if harm else abs(c.mean))


def cautions(
    atmosphere_asked: str | None, family: str | None, reactive: bool | None, description: str | None = None,
    conditions: Sequence[str] = (),
) -> list[Remark]:  # fmt: skip
    """Cautions that belong to this answer; the last one belongs to every answer."""
    found = of_load(atmosphere_asked, [family], reactive, [description, *conditions])
    return [remark(code) for code in (*found, "code_overrules")]

"""Advice that goes with an answer: atmosphere, stock per side, thermocouple places, the kindest cycle, cautions.

Never more than the history and the stated rule support; each piece of advice says its reasons.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loadbook.analysis.answers.scale import sides
from loadbook.core.cautions import REACTIVE_FAMILIES, of_load

FINISHED = ("finish machined", "finish-machined", "finished", "ground", "lapped", "honed", "plated")
LEAST_RUNS_OF_A_CYCLE = 3


@dataclass(frozen=True)
class Advice:
    """One piece of advice and why."""

    choice: str
    reasons: tuple[str, ...]


def atmosphere(
    condition: str | None, machining: str | None, stock_mm: float | None, reactive: bool | None, family: str | None
) -> Advice:
    """Air, or vacuum or dry inert gas, from the piece's state.

    Air is the cheaper where stock is left everywhere and the surfaces are machined again; finish-machined or
    untouchable surfaces and reactive metals need vacuum or dry inert gas. (Common practice.)

    >>> atmosphere("from bar", "rough machined", 1.0, False, "low-alloy steel").choice
    'air'
    >>> atmosphere("from bar", "finish machined", 0.0, False, "tool steel").choice
    'vacuum or dry inert gas'
    """
    state = f"{condition or ''};{machining or ''}".lower()
    if reactive or (family or "").lower() in REACTIVE_FAMILIES:
        return Advice(
            "vacuum or dry inert gas",
            (f"{family or 'the material'} reacts with air when hot; ask whether it reacts with nitrogen too",),
        )
    if any(word in state for word in FINISHED):
        return Advice("vacuum or dry inert gas", ("its surfaces are finished: scale and discolouration would stay",))
    if stock_mm is not None and stock_mm > 0 and ("rough" in state or "semi" in state):
        return Advice(
            "air",
            (f"{stock_mm:g} mm of stock per side is left and machined off with the scale; air is the cheaper",),
        )
    missing = [
        text
        for text, absent in (("how far it is machined", not machining), ("the stock left per side", stock_mm is None))
        if absent
    ]
    why = "not recorded: " + " and ".join(missing) if missing else "no stock is recorded to take scale off"
    return Advice(
        "cannot tell between air and vacuum",
        (why, "air where every surface is machined again, vacuum or dry inert gas where one is not"),
    )


@dataclass(frozen=True)
class Stock:
    """Stock that covers the bound, on the side that harms.

    per_side_um  0 where the bound lies on the harmless side; None where the kind has no harmful direction
    """

    per_side_um: float | None
    text: str


def stock(kind: str, bound_um: float | None, harm: int, content: float = 0.95, confidence: float = 0.95) -> Stock:
    """Stock per side from the one-sided bound.

    kind      kind of characteristic;  bound_um the bound of the movement [µm];  harm +1 or −1 (see answerscale.harm)
    A diameter's or a runout's bound is shared by two sides; every other movement counts in full.

    >>> stock("outside diameter", -42.0, -1).per_side_um, stock("flatness", 42.0, 1).per_side_um
    (21.0, 42.0)
    >>> stock("inside diameter", -5.0, 1).per_side_um
    0.0
    """
    if harm == 0 or bound_um is None or not np.isfinite(bound_um):
        return Stock(None, "no stock is advised: this kind has no harmful direction, or its size in µm is not known")
    needed = max(harm * bound_um, 0.0) / sides(kind)
    direction = {-1: "shrinkage", 1: "growth"}[harm] if kind != "flatness" else "increase"
    if kind not in ("outside diameter", "inside diameter", "length", "width", "thickness", "distance"):
        direction = "increase"
    if needed == 0.0:
        return Stock(0.0, f"no stock against {direction}: the bound lies on the harmless side")
    share = " (half of the diameter's movement)" if sides(kind) == 2 and "diameter" in kind else ""
    share = " (half of the runout's increase)" if "runout" in kind else share
    return Stock(
        needed,
        f"per side against {direction}{share}: holds {content:.0%} of pieces with {confidence:.0%} confidence",
    )


def thermocouple_places(
    thick_mm: float | None,
    thin_mm: float | None,
    coldest_corner: str | None,
    lost: Iterable[tuple[str, str, str]] = (),
    farthest: Iterable[tuple[str, int]] = (),
) -> list[tuple[str, str]]:
    """Places for work TCs, each with its reason.

    coldest_corner  what the last uniformity survey says of it;  lost (place, fault, run) of past runs of this part
    farthest        (place, runs) where past runs showed the largest spread
    """
    places = [
        ("thickest section" + (f" ({thick_mm:g} mm)" if thick_mm else ""), "it is the last to heat and to cool"),
        ("thinnest section" + (f" ({thin_mm:g} mm)" if thin_mm else ""),
         "it is the first to heat; with the thickest it shows the spread inside a piece"),
        ("piece in the middle of the load", "it is shaded by the others and soaks last"),
        (
            "piece in the coldest surveyed corner" + (f" ({coldest_corner})" if coldest_corner else ""),
            "the last uniformity survey found it coldest" if coldest_corner
            else "take it from the last uniformity survey; the book has no note of which corner it is",
        ),
    ]  # fmt: skip
    for place, runs in farthest:
        places.append((place, f"it showed the largest spread at the hold in {runs} past run{'s' if runs > 1 else ''}"))
    seen: dict[str, list[str]] = {}
    for place, fault, run in lost:
        seen.setdefault(place, []).append(f"{fault} in run {run}")
    for place, what in seen.items():
        places.append((place, f"fix it better and put a second one beside it: {'; '.join(what[:3])}"))
    return places


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
    """Cycles with at least three runs, the one that moved such pieces least first.

    pieces  columns run, part, cycle, z; where the part number itself has two such cycles only its own runs count
    harm    +1 or −1: movement to that side is bad; 0: any movement is
    """
    if "cycle" not in pieces or pieces.empty:
        return []
    rows = pieces[pieces["cycle"].notna() & (pieces["cycle"] != "")]
    own = rows[rows["part"] == part]
    for frame, same in ((own, True), (rows, False)):
        found = _cycles(frame, harm, same)
        if len(found) >= 2:
            return found
    return []


def _cycles(rows: pd.DataFrame, harm: int, same_part: bool) -> list[CycleEvidence]:
    out = []
    for cycle, group in rows.groupby("cycle", sort=True):
        if group["run"].nunique() < LEAST_RUNS_OF_A_CYCLE:
            continue
        by_run = group.groupby("run")["z"].mean()
        worst = float((group["z"] * harm).max() * harm) if harm else float(group["z"].abs().max())
        parts = int(group["part"].nunique())
        out.append(CycleEvidence(str(cycle), len(by_run), len(group), parts, float(by_run.mean()), worst, same_part))
    return sorted(out, key=lambda c: harm * c.mean if harm else abs(c.mean))


def cautions(
    atmosphere_asked: str | None, family: str | None, reactive: bool | None, description: str | None = None,
    conditions: Sequence[str] = (),
) -> list[str]:  # fmt: skip
    """Cautions that belong to this answer; the last one belongs to every answer."""
    out = of_load(atmosphere_asked, [family], reactive, [description, *conditions])
    out.append(
        "A limit from a code or customer specification overrules anything here. Figures are history, not a promise; "
        "they describe what happened in the furnace, not what later machining releases."
    )
    return out

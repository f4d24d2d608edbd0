"""What a book feeds the answer's model of the thermal stress of heating: one figure for each part number
(analysis/answers/yielding.py)."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.answers.yielding import LEAST_PARTS, LEAST_RUNS, RATE
from loadbook.analysis.physics.metal import Metal, metal
from loadbook.analysis.planning.review import Subject as Reviewed
from loadbook.analysis.trace.conduction import Body
from loadbook.core.remarks import Remark, remark

from . import mechanism
from .cycles import ELEMENTS

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.analysis.answers.cells import Asked
    from loadbook.analysis.answers.estimate import History

    from .enquiry import Subject

HOLD = "hold_mean_c"
EVERY_C = 20.0  # the heating is looked at each so many degrees, from there up to the hold


def per_rate(body: Body, of: Metal, hold_c: float) -> float | None:
    """The yield at 20 °C [MPa] that each °C/h of heating asks for, if the section is to stay elastic up to the hold.

    None where no course of its modulus, expansion or yield is published (metal.py). Settled, whatever the film:
    E a/(1 - nu) over the share of the yield at 20 °C that is left, at the worst temperature, times the surface's lead
    of the section's mean, r L²/((p + 1)(p + 3) D), p 0 in a slab, 1 in a cylinder (Boley & Weiner, ch. 9).
    """
    worst = 0.0
    for at_c in np.arange(EVERY_C, hold_c + EVERY_C, EVERY_C):
        factor, share = of.factor(min(float(at_c), hold_c)), of.onset_per_yield(min(float(at_c), hold_c))
        if factor is not None and share:
            worst = max(worst, factor / share)
    ahead_s = (body.half_mm / 1000.0) ** 2 / (body.diffusivity_m2_per_s * (body.power + 1.0) * (body.power + 3.0))
    return worst * ahead_s / 3600.0 or None


def of_row(conn: sqlite3.Connection, row: Mapping[str, Any], hold_c: float) -> float | None:
    """`per_rate` of a part with its material; None where its record does not tell."""
    if mechanism.missing(row) or not np.isfinite(hold_c):
        return None
    pct = tuple((e, row[f"{e}_pct"]) for e in ELEMENTS if row[f"{e}_pct"] is not None)
    austenitic = Reviewed("", row["material"], row["family"] or "", pct=pct).austenitic
    body = mechanism.sections_of(row, mechanism.outline_of(conn, row), "").thick
    return per_rate(body, metal(row["material"], row["family"] or "", austenitic, row["cte_per_k"]), hold_c)


def add(conn: sqlite3.Connection, frame: pd.DataFrame) -> pd.DataFrame:
    """The pieces with `stress_per_rate`, of each part number at its own mean hold; a short history as it is."""
    if frame["run"].nunique() < LEAST_RUNS or frame["part"].nunique() < LEAST_PARTS:
        return frame
    rows = conn.execute("SELECT part.*, material.* FROM part JOIN material USING (material)").fetchall()
    on_record = {str(row["part"]): dict(row) for row in rows}
    holds = frame.groupby("part")[HOLD].mean()
    found = {
        part: of_row(conn, on_record[str(part)], float(hold)) for part, hold in holds.items() if str(part) in on_record
    }
    return frame.assign(stress_per_rate=frame["part"].map(found).astype(float))


def of_asked(conn: sqlite3.Connection, frame: pd.DataFrame, about: Subject, asked: Asked) -> float | None:
    """The figure of the part asked about; None where it, or the rate asked, is not known, or the history has none."""
    if "stress_per_rate" not in frame:
        return None
    own = frame.loc[frame["part"] == about.part, ["stress_per_rate", RATE]].mean()
    if asked.characteristic is not None:
        return float(own["stress_per_rate"]) if own.notna().all() else None
    material = conn.execute("SELECT * FROM material WHERE material = ?", (about.material,)).fetchone()
    if material is None or RATE not in asked.settings or HOLD not in asked.settings:
        return None
    row = {"part": about.part, "shape": about.shape, "length_mm": about.reference_length_mm, "mass_kg": None}
    if about.part is not None:
        row = dict(conn.execute("SELECT * FROM part WHERE part = ?", (about.part,)).fetchone())
    sections = {"section_thick_mm": about.section_thick_mm, "section_thin_mm": about.section_thin_mm}
    return of_row(conn, {**row, **dict(material), **sections}, float(asked.settings[HOLD]))


def took_part(history: History, asked: Asked, without: list[float] | None, unit: str) -> Remark:
    """That it took part, what it is here, and what it did. without: the interval that there would be without it."""
    assert history.design.bent is not None and history.gained is not None
    parts = history.design.bent.parts
    return remark(
        "stress_took_part", needs_mpa=history.design.stress(asked), least_mpa=float(parts.min()),
        most_mpa=float(parts.max()), parts=len(parts), gained=history.gained, without=without,
        unit=unit,
    )  # fmt: skip

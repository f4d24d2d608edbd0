"""Movement on its working scale, treatments as columns, and what is set aside, counted by reason.

Frames have the columns of the view `movement`: one row per run, part, serial and characteristic.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from loadbook.analysis.quantiles import Bools, Floats
from loadbook.core import units
from loadbook.core.errors import UsageError
from loadbook.core.figures import quantity
from loadbook.core.phrases import did_you_mean
from loadbook.core.vocabulary.intake_kinds import OWN_UNIT_KINDS
from loadbook.core.vocabulary.parameter_names import celsius_of, parameter_of

from .percent import LOG

if TYPE_CHECKING:
    import pandas as pd

Stage = Literal["before", "after"]
UM, PER_LENGTH = "um", "um per 100 mm"  # working scales, beside LOG
STRATUM = ("process", "kind", "side", "unit")  # never pooled across these
NOT_EVEN_PLAIN = ("run void", "run aborted", "blunder confirmed")
MOSTLY_GAUGE = 0.90  # from this share of movements below the gauge's uncertainty there is no figure


@dataclass(frozen=True)
class By:
    """One column of a treatment: a column of the view, or a run parameter cut into bands.

    edges      band edges;  quantiles  number of bands of equal run counts; None, None: as it is
    as_shown   the edges are in the reader's units, as under a name that people say; under a key, in the key's own
    us         or in °F, where the key is named with it
    """

    name: str
    edges: tuple[float, ...] | None = None
    quantiles: int | None = None
    as_shown: bool = False
    us: bool = False


def parse_by(texts: Sequence[str]) -> list[By]:
    """Treatment columns as a user writes them: 'setup,atmosphere', 'soak_minutes:60,120', 'heating rate:q4'.

    A parameter goes by its key or by the name that people say ('Heating rate, peak'). What is written twice counts
    once. Raises UsageError where an edge is no number, a number stands without a parameter, or two words make the same
    column in different bands.

    >>> parse_by(["setup,heating_rate_peak_c_per_h:50,100"])[1].edges
    (50.0, 100.0)
    >>> parse_by(["Heating rate, peak:100"])[0]
    By(name='heating_rate_peak_c_per_h', edges=(100.0,), quantiles=None, as_shown=True, us=False)
    """
    out: list[tuple[str, list[str]]] = []
    for text in texts:
        for piece in (p.strip() for p in text.split(",")):
            if not piece:
                continue
            if _is_number(piece):
                if not out or not out[-1][1]:
                    raise UsageError(f"{piece!r} stands without a parameter", remedy="Write --by PARAMETER:50,100")
                out[-1][1].append(piece)
                continue
            name, _, first = piece.partition(":")
            if out and not out[-1][1] and parameter_of(whole := f"{out[-1][0]}, {name}") != whole:
                name = whole
                out.pop()
            out.append((name.strip(), [first.strip()] if first.strip() else []))
    found = []
    for written, cuts in out:
        celsius = celsius_of(written)
        name = celsius or parameter_of(written)
        if not cuts:
            found.append(By(name))
        elif cuts[0][:1] == "q" and cuts[0][1:].isdigit() and len(cuts) == 1 and 2 <= int(cuts[0][1:]) <= 20:
            found.append(By(name, quantiles=int(cuts[0][1:])))
        elif all(_is_number(c) for c in cuts):
            edges = tuple(sorted({float(c) for c in cuts}))
            found.append(By(name, edges=edges, as_shown=name != written and not celsius, us=bool(celsius)))
        else:
            raise UsageError(
                f"{','.join(cuts)!r} are not band edges of {written}",
                remedy=f"Write {written}:50,100 or {written}:q4 (2 to 20)",
            )
    found = list(dict.fromkeys(found))
    twice = [name for name, count in Counter(treatment_names(found)).items() if count > 1]
    if twice:
        raise UsageError(f"{twice[0]!r} stands twice among what is split by", remedy="Name each column once in --by")
    return found


def _is_number(text: str) -> bool:
    try:
        return bool(np.isfinite(float(text)))
    except ValueError:
        return False


def band_labels(values: Floats, edges: Sequence[float], unit: str = "") -> pd.Categorical[str]:
    """Which band each value falls into, in their order; an edge belongs to the band above it. unit: the label of both

    >>> found = band_labels(np.array([200.0, 10.0, 50.0, np.nan]), [50.0, 100.0], "°C/h")
    >>> found.tolist(), found.codes.tolist()
    (['100 °C/h or more', 'under 50 °C/h', '50 to 100 °C/h', 'not known'], [2, 0, 1, 3])
    """
    import pandas as pd

    e, of = list(edges), f" {unit}" if unit else ""
    names = [f"under {e[0]:g}", *(f"{a:g} to {b:g}" for a, b in itertools.pairwise(e))]
    names = [*(f"{name}{of}" for name in names), f"{e[-1]:g}{of} or more", "not known"]
    band = np.searchsorted(np.asarray(e), np.nan_to_num(values), side="right")
    codes = np.where(np.isnan(values), len(names) - 1, band).astype(np.int64)
    return pd.Categorical.from_codes(codes, pd.Index(names), ordered=True)


def quantile_edges(values: Floats, bands: int) -> list[float]:
    """Edges that cut the runs' values into bands of about equal counts, each round to a twentieth of their range."""
    known = values[~np.isnan(values)]
    if known.size == 0:
        return [0.0]
    cuts = np.quantile(known, np.arange(1, bands) / bands, method="weibull")
    width = float(np.ptp(known)) or abs(float(known[0])) or 1.0
    return sorted({round(float(c), -math.floor(math.log10(width / 20.0))) + 0.0 for c in cuts})


MOST_VALUES = 12  # distinct numbers of a column that are treatments as they are; more are cut into bands
_FIGURES = (
    "before_mm", "after_mm", "nominal_mm", "lower_mm", "upper_mm", "movement_mm", "movement_um",
    "movement_um_per_100mm", "expanded_uncertainty_mm",
)  # fmt: skip


def treatment_name(name: str) -> str:
    """How a treatment column is called beside the figures that the view keeps under the same name.

    >>> treatment_name("nominal_mm"), treatment_name("setup")
    ('nominal', 'setup')
    """
    return name.removesuffix("_mm") if name in _FIGURES else name


def treatment_names(by: Sequence[By]) -> list[str]:
    """The columns that `with_treatment` gives a frame, in order."""
    return ["month" if one.name == "started" else treatment_name(one.name) for one in by]


def _calendar(name: str, frame: pd.DataFrame) -> pd.Series | None:
    """Year or month of the run (a moment is no treatment: `started` means its month)."""
    letters = {"year": 4, "month": 7, "started": 7}.get(name)
    return None if letters is None else frame["started"].astype("string").str.slice(0, letters)


def with_treatment(frame: pd.DataFrame, by: Sequence[By], parameters: pd.DataFrame, system: str = "si") -> pd.DataFrame:
    """The frame with one text column per treatment column, named as `treatment_names` says.

    parameters  frame run, parameter, value, unit;  system  of the units that bands and numbers are written in
    Raises      UsageError for a name that is neither a column nor a parameter of any run
    """
    out = frame.copy(deep=False)
    for one in by:
        dates = _calendar(one.name, frame)
        if dates is not None:
            out["month" if one.name == "started" else one.name] = dates
            continue
        if one.edges is None and one.quantiles is None and one.name in frame.columns:
            column = frame[one.name]
            if column.dtype.kind != "f" or column.nunique() <= MOST_VALUES:
                numbers = column.dtype.kind == "f"
                text = column.map(partial(_number, one.name, system), na_action="ignore") if numbers else column
                out[treatment_name(one.name)] = text.astype("string").fillna("not recorded")
                continue
        found = parameters[parameters["parameter"] == one.name].drop_duplicates("run").set_index("run")
        rows, unit = found["value"], str(found["unit"].iloc[0] or "") if len(found) else quantity(one.name) or ""
        if one.name in frame.columns and rows.empty:
            import pandas as pd

            values = pd.to_numeric(frame[one.name], errors="coerce").to_numpy(dtype=np.float64)
            per_run = values
        elif rows.empty:
            hint = did_you_mean(one.name, [*map(str, frame.columns), *parameters["parameter"].unique()])
            raise UsageError(
                f"{one.name!r} is neither a column of movement nor a parameter of any run",
                remedy=hint
                + "`loadbook explain` lists the parameters; columns are setup, atmosphere, cycle, shape, ...",
            )
        else:
            values = out["run"].map(rows).to_numpy(dtype=np.float64)
            per_run = rows[rows.index.isin(out["run"])].to_numpy(dtype=np.float64)
        factor, zero, label = units.line(unit, system)
        edges = quantile_edges(per_run * factor + zero, one.quantiles or 3)
        if one.edges:
            per, at, _ = units.line(unit, "us") if one.us else (1.0, 0.0, "")
            turned = [float(f"{(e - at) / per * factor + zero:.6g}") for e in one.edges]
            edges = list(one.edges) if one.as_shown else turned
        out[treatment_name(one.name)] = band_labels(values * factor + zero, edges, label)
    return out


def _number(name: str, system: str, value: float) -> str:
    """A number of a column as a treatment, in the unit that the column's name ends in."""
    factor, zero, label = units.line(quantity(name) or "", system)
    return f"{value * factor + zero:{'.4g' if factor != 1.0 else 'g'}} {label}".rstrip()


def with_value(frame: pd.DataFrame, stage: Stage | None = None) -> pd.DataFrame:
    """The frame with `y` and `unit` on the working scale of each characteristic, and `set_aside` to match.

    stage None   movement: 'um', 'um per 100 mm', or 'log' (told as true per cent, see percent.py):
                 100 ln(after / before), both floored at sqrt(2) x gauge standard deviation (form errors only)
    stage given  the plain reading: form errors in um, sizes in mm, others in their own unit
    y            NaN where set aside;  set_aside NULL where y is a figure
    """
    import pandas as pd

    out = frame.copy(deep=False)
    aside = out["set_aside"].astype("object").where(out["set_aside"].notna(), None)
    if stage is not None:
        values = pd.to_numeric(out[f"{stage}_mm"], errors="coerce")
        form = (out["side"] == "form") & ~_own_unit(out)
        out["y"] = values.where(~form, values * 1000.0).astype("float64")
        out["unit"] = np.where(form, "um", out["unit"].fillna("mm").astype(str))
        plain = aside.isin(NOT_EVEN_PLAIN)
        out["set_aside"] = aside.where(plain, None)
        out.loc[out["y"].isna() & ~plain, "set_aside"] = f"no {stage} reading"
        out.loc[plain, "y"] = np.nan
        return out
    per_length = (out["scale"] == PER_LENGTH).to_numpy(dtype=np.bool_)
    own = _own_unit(out)
    y = np.where(per_length, _numbers(out, "movement_um_per_100mm"), _numbers(out, "movement_um"))
    y = np.where(own, _numbers(out, "movement_mm"), y)
    log = ((out["scale"] == "log") & (out["side"] == "form")).to_numpy(dtype=np.bool_)
    if log.any():
        floor = np.nan_to_num(_numbers(out, "expanded_uncertainty_mm") / 2.0)
        change = log_change(_numbers(out, "before_mm"), _numbers(out, "after_mm"), floor)
        y = np.where(log, np.where(aside.isna().to_numpy(), change, np.nan), y)
    out["unit"] = _working(out["unit"], own, log, per_length)
    hidden = aside.isna().to_numpy() & np.isnan(y)
    length = hidden & per_length
    zero = hidden & log
    aside = aside.astype("object")
    aside[length] = "no reference length"
    aside[zero] = "zero reading and no gauge uncertainty"
    out["y"] = np.where(aside.isna().to_numpy(), y, np.nan)
    out["set_aside"] = aside
    return out


def _working(unit: pd.Series, own: Bools, log: Bools, per_length: Bools) -> pd.Categorical[str]:
    """The unit that each row's figure is in; unit: of the characteristic, for rows of an own one."""
    import pandas as pd

    of_own, found = pd.factorize(unit[own])
    names = sorted({LOG, UM, PER_LENGTH, "", *map(str, found)})
    place = {name: k for k, name in enumerate(names)}
    codes = np.where(log, place[LOG], np.where(per_length, place[PER_LENGTH], place[UM]))
    codes[own] = np.array([*(place[str(name)] for name in found), place[""]], dtype=np.intp)[of_own]  # -1 is the last
    return pd.Categorical.from_codes(codes, pd.Index(names))


def _own_unit(frame: pd.DataFrame) -> Bools:
    """Angles, hardness, stress: rows whose figures are no lengths."""
    unit = frame["unit"]
    return np.asarray(((unit != "mm") & unit.notna()) | frame["kind"].isin(OWN_UNIT_KINDS), dtype=np.bool_)


def log_change(before: Floats, after: Floats, floor: Floats) -> Floats:
    """Change of a non-negative form error on the log scale, both readings floored.

    floor    [same unit] sqrt(2) x gauge standard deviation: half the expanded uncertainty of the movement
    Returns  100 ln(after / before), NaN where a reading is zero and there is no floor

    >>> log_change(np.array([0.010]), np.array([0.020]), np.array([0.001])).round(3).tolist()
    [69.315]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        change = 100.0 * np.log(np.maximum(after, floor) / np.maximum(before, floor))
    return np.asarray(np.where(np.isfinite(change), change, np.nan), dtype=np.float64)


def as_texts(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with the texts of its categories, as it is handed on; bands stay in their order."""
    import pandas as pd

    kinds = frame.dtypes.items()
    return frame.astype({n: "str" for n, k in kinds if isinstance(k, pd.CategoricalDtype) and not k.ordered})


def _numbers(frame: pd.DataFrame, name: str) -> Floats:
    import pandas as pd

    return np.asarray(pd.to_numeric(frame[name], errors="coerce"), dtype=np.float64)


def set_aside_counts(frame: pd.DataFrame, by: Sequence[str] = ()) -> pd.DataFrame:
    """How many pieces and runs were set aside, by treatment columns and reason (column `reason`), most first."""
    rows = frame[frame["set_aside"].notna()].rename(columns={"set_aside": "reason"})
    keys = [*by, "reason"]
    if rows.empty:
        import pandas as pd

        return pd.DataFrame(columns=[*keys, "pieces", "runs"])
    grouped = rows.groupby(keys, sort=False, dropna=False).agg(pieces=("serial", "size"), runs=("run", "nunique"))
    order = [False, *(True for _ in keys)]
    return as_texts(grouped.reset_index()).sort_values(
        ["pieces", *keys], ascending=order, kind="stable", ignore_index=True
    )

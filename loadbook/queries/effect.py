"""Which parameters go with movement: runs of the same part number compared with each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, tzinfo
from typing import TYPE_CHECKING, Any

import numpy as np

from loadbook.analysis.effects import joint
from loadbook.analysis.effects.cells import Cells, Column, cells_of, columns_of, indicators
from loadbook.analysis.effects.differing import tell_apart
from loadbook.analysis.effects.estimate import NOISY, Effect
from loadbook.analysis.movement import blunders, percent, scale
from loadbook.analysis.movement.scale import STRATUM, Stage
from loadbook.core.errors import UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.core.remarks import Remark, remark
from loadbook.core.vocabulary.intake_kinds import CHARACTERISTIC_KINDS, KINDS_SAID
from loadbook.core.vocabulary.parameter_names import celsius_of, parameter_of
from loadbook.core.vocabulary.parameters import PLANNABLE

from .effect_words import verdict, why_not
from .filters import Filters
from .moved import check_share
from .movement_data import MovementData, gauges_apart, load
from .remark_words import words
from .result import TableResult
from .source import Source, by_plant, evidence, own_parts, source_of

if TYPE_CHECKING:
    import pandas as pd

    from loadbook.store.book import BookFolder

FACTORS = ("setup", "atmosphere", "furnace")
MORE_FACTORS = ("position", "machining", "axis", "gauge", "heat_number", "cycle")
APART = ("material", "family", "shape")  # by which a parameter may do something else
PLAIN_STRATUM = (*STRATUM, "characteristic")
BEND = ("bend", "bend_low", "bend_high")
ASKED_ALONE = "effect_asked_alone"
SLOPES = (
    "effect", "effect_low", "effect_high", "alone", "alone_low", "alone_high", "pooled", "pooled_low", "pooled_high",
    "without_calendar", "left_out_low", "left_out_high", "lower_half", "upper_half", "effect_without_flagged",
    "corrected", "corrected_low", "corrected_high", "effect_asked", "effect_asked_low", "effect_asked_high",
)  # fmt: skip


@dataclass
class Effects(TableResult):
    """Effects per process, kind, side and unit.

    table       one row per parameter (keys as in `loadbook effect --format json`); `finding` is a code,
                `verdict` its sentence
    cells       the means per run and part number that each stratum was computed from
    tried       how many of them have a p value
    measured    beside each of these: its pieces, and what each mean is of (run, part, characteristic, ...), row for row
    plants      of a group: plant, runs, pieces behind it; the part numbers of several have their plant before them
    zone        of the clock that a picture's dates are of
    broken      runs whose cycle was broken;  stated  (run, parameter) that a person read off a paper chart
    remarks     what is to be said of the whole;  warnings  the same in words
    """

    table: pd.DataFrame
    effects: list[tuple[dict[str, Any], Effect]]
    cells: list[tuple[dict[str, Any], Cells, list[Column]]]
    of: list[str]
    asked: bool
    stage: Stage | None
    confidence: float
    system: str = "si"
    tried: int = 1
    measured: list[tuple[pd.DataFrame, pd.DataFrame]] = field(default_factory=list, repr=False)
    plants: list[dict[str, Any]] | None = None
    broken: frozenset[str] = frozenset()
    stated: frozenset[tuple[str, str]] = frozenset()
    zone: tzinfo = UTC
    remarks: list[Remark] = field(default_factory=list)

    @property
    def warnings(self) -> list[str]:
        """The remarks in words, in the units asked for."""
        return [words(r, self.system) for r in self.remarks]

    UNIT_COLUMNS = ("effect_unit", "unit")
    FIGURES = (
        (SLOPES, "{effect_unit}_per_{unit}"),
        (BEND, "{effect_unit}"),
        (("range_low", "range_high"), "{unit}"),
    )


def effect(
    asked_of: BookFolder | Source,
    characteristic: str | None = None,
    filters: Filters | None = None,
    of: Sequence[str] | str = (),
    stage: Stage | None = None,
    asked: bool = False,
    confidence: float = 0.95,
    system: str | None = None,
    assigned: bool = False,
) -> Effects:
    """The effect of parameters on the movement of a characteristic (or a kind of characteristic).

    Over several plants the same part number in two of them counts as two.

    characteristic  a characteristic's name or a kind; None: every kind the filters leave, each by itself
    of              parameters, or factors such as setup; none: the plannable four, setup, atmosphere and furnace
                    where they vary inside part numbers; 'all': every parameter that any run has. What is not named
                    of setup, atmosphere, furnace and, beside one of the four, of the four, is fitted but not shown
    asked           use what was asked instead of what was achieved
    system          'si' or 'us' for the verdicts; None: the book's
    assigned        the runs that the filters leave were a trial, its settings (`of`) assigned by lot: fitted together
    Raises          UsageError, NotFoundError
    """
    check_share(confidence, "--confidence")
    filters = filters or Filters()
    source = source_of(asked_of)
    if characteristic is not None:
        own = {w.lower() for w in source.words("characteristic", "characteristic")}
        said = characteristic.lower() in CHARACTERISTIC_KINDS or (
            characteristic.lower() in KINDS_SAID and characteristic.lower() not in own
        )
        name = "kind" if said else "characteristic"
        if getattr(filters, name) is not None:
            raise UsageError(f"the {name} is named twice", remedy=f"Leave out --{name}")
        from dataclasses import replace

        filters = replace(filters, **{name: characteristic})
    names = [of] if isinstance(of, str) else list(of)
    wanted = _words(names)
    every = [w.lower() for w in wanted] == ["all"]
    also = ["furnace", *APART, *(w for w in wanted if w in MORE_FACTORS)]
    beside = () if assigned or (wanted and not set(wanted) & set(PLANNABLE)) else PLANNABLE
    data = load(source, filters, asked, also, parameters=None if every else list(dict.fromkeys([*wanted, *beside])))
    known = {*data.parameters["parameter"].unique(), *PLANNABLE, *FACTORS, *MORE_FACTORS}
    if not every and not known.issuperset(wanted):  # the refusal names what there is
        data = load(source, filters, asked, also)
    if assigned and not wanted:
        raise UsageError(
            "a trial's settings are not guessed", remedy="Name them with --of, e.g. --of setup,soak_minutes"
        )
    result = effect_of(data, names, stage, asked, confidence, system or source.units, assigned)
    result.zone = source.zone
    return result


def effect_of(
    data: MovementData,
    of: Sequence[str] = (),
    stage: Stage | None = None,
    asked: bool = False,
    confidence: float = 0.95,
    system: str = "si",
    assigned: bool = False,
) -> Effects:
    """`effect` over rows that were read already."""
    import pandas as pd

    wanted = _words(of)
    defaults = not wanted
    parameters, factors = _named(wanted, data)
    frame = scale.with_value(data.frame, stage).assign(believed=data.believed)
    strata = list(STRATUM if stage is None else PLAIN_STRATUM)
    frame = frame[frame["y"].notna()].reset_index(drop=True)
    flags = blunders.flagged_rows(frame) & ~frame["believed"].to_numpy(dtype=bool)
    plants = by_plant(frame.drop_duplicates(["run", "part", "serial"])) if "plant" in frame else None
    several = plants is not None and len(plants) > 1
    if several:  # a plant's furnaces, gauges and habits would otherwise be taken for its settings
        frame["part"] = own_parts(frame)
    found: list[tuple[dict[str, Any], Effect]] = []
    without: list[float | None] = []
    kept: list[tuple[dict[str, Any], Cells, list[Column]]] = []
    measured: list[tuple[pd.DataFrame, pd.DataFrame]] = []
    for key, some in frame.groupby(strata, sort=True, dropna=False) if len(frame) else []:
        stratum = dict(zip(strata, key, strict=True))
        rows = some.index.to_numpy()
        given = (parameters, factors, data, defaults, str(stratum["unit"]), confidence, stage, assigned)
        effects, cells, columns, head = _stratum(some, *given)
        _point_to_record([e for e in effects if e.parameter in parameters], data, some)
        kept.append((stratum, cells, columns))
        measured.append((some, head))
        found.extend((stratum, e) for e in effects)
        if flags[rows].any():
            clean = _stratum(some[~flags[rows]], *given)[0]
            by_name = {e.parameter: e.effect for e in clean}
            without.extend(by_name.get(e.parameter) for e in effects)
        else:
            without.extend([None] * len(effects))
    joint.adjust_p_values([e for _, e in found])
    tried = sum(e.p is not None for _, e in found)
    table = pd.DataFrame(
        [{**s, **_row(e, tried, system), "effect_without_flagged": w} for (s, e), w in zip(found, without, strict=True)]
    )
    table = percent.in_percent(table, (*SLOPES, *BEND), "effect_unit")
    result = Effects(table, found, kept, [*parameters, *factors], asked, stage, confidence, system, tried, measured)
    result.plants = plants
    result.broken = data.broken
    read_off = data.parameters[data.parameters["source"] == "stated"]
    result.stated = frozenset(zip(read_off["run"], read_off["parameter"], strict=True))
    result.remarks = [*evidence(plants, data.left_out), *_remarks(result, data, frame, flags)]
    if several:
        result.remarks.append(remark("plants_apart"))
    return result


def _words(of: Sequence[str]) -> list[str]:
    """The names in `of` as keys, each once: a text is one name as people say it, or several with commas."""
    out = []
    for text in of:
        whole = parameter_of(text)
        out += (
            [whole]
            if whole != text.strip()
            else [celsius_of(n) or parameter_of(n) for n in text.split(",") if n.strip()]
        )
    return list(dict.fromkeys(out))


def _row(e: Effect, tried: int, system: str) -> dict[str, Any]:
    values = {f.name: getattr(e, f.name) for f in fields(Effect)}
    values["finding"], values["verdict"] = e.finding, verdict(e, tried, system)
    values["refused_code"] = e.refused.code if e.refused else None
    values["refused"] = why_not(e.refused, system) if e.refused else None
    values["cautions"] = [why_not(c, system) for c in e.cautions]
    first = (
        "parameter", "unit", "against", "effect", "effect_low", "effect_high", "p", "p_adjusted", "runs", "pieces",
        "parts", "range_low", "range_high", "confounded_with", "finding", "verdict",
    )  # fmt: skip
    return {**{name: values[name] for name in first}, **values}


def _named(wanted: Sequence[str], data: MovementData) -> tuple[list[str], list[str]]:
    """Split what was asked for into run parameters and factors; defaults where nothing was."""
    known = sorted(data.parameters["parameter"].unique())
    if not wanted:
        return list(PLANNABLE), list(FACTORS)
    if [w.lower() for w in wanted] == ["all"]:
        return known, list(FACTORS)
    parameters, factors = [], []
    for name in wanted:
        if name in FACTORS or name in MORE_FACTORS:
            factors.append(name)
        elif name in known or name in PLANNABLE:
            parameters.append(name)
        else:
            all_known = [*known, *FACTORS, *MORE_FACTORS]
            begun = next((k for k in all_known if k.startswith(name)), None)
            hint = did_you_mean(name, all_known) or did_you_mean(begun or "", all_known)
            first = ", ".join([*PLANNABLE, *FACTORS, *MORE_FACTORS])
            more = f"; {len(known)} parameters in all, which loadbook explain defines and --of all tries"
            raise UsageError(f"no run has a parameter {name!r}", remedy=f"{hint}Known are {first}{more}")
    return parameters, factors


def _stratum(
    some: pd.DataFrame,
    parameters: Sequence[str],
    factors: Sequence[str],
    data: MovementData,
    defaults: bool,
    unit: str,
    confidence: float,
    stage: Stage | None,
    assigned: bool,
) -> tuple[list[Effect], Cells, list[Column], pd.DataFrame]:
    unasked = [] if defaults or assigned else [f for f in FACTORS if f not in factors]
    split = [f for f in (*factors, *unasked) if f in some and some[f].nunique(dropna=True) > 1]
    cells, head = cells_of(some, split=split)
    columns = columns_of(head, data.parameters, data.units(), parameters)
    also = [p for p in PLANNABLE if p not in parameters] if set(parameters) & set(PLANNABLE) and not assigned else []
    beside = [c for c in columns_of(head, data.parameters, data.units(), also) if not np.isnan(c.values).all()]
    for factor in split:
        levels = indicators(head[factor], factor)
        to = beside if factor in unasked else columns
        to.extend(c for c in levels if not (defaults or factor in unasked) or _varies(cells, c))
    if defaults:
        columns = [c for c in columns if c.against is not None or not np.isnan(c.values).all()] or columns
    why_not = _too_coarse(some) if stage is None else None
    named = not defaults and len(parameters) <= joint.MOST_NAMED
    columns = [*columns, *beside]
    more = (unit, confidence, False, why_not, named)
    found = joint.effects(cells, columns, *more, assigned, len(beside))
    if not assigned:
        tell_apart(cells, columns, found, _labels(some, cells))
    noisy = [e.parameter for e in found if e.reliability is not None and e.reliability < NOISY]
    instead = {c.name: c for c in columns_of(head, data.asked_parameters, data.units(), noisy)}
    if any(not np.isnan(c.values).all() for c in instead.values()):
        with_asked = [instead.get(c.name, c) for c in columns]
        again = joint.effects(cells, with_asked, *more, unasked=len(beside))
        by_name = {e.parameter: e for e in again}
        for e in found:
            if e.parameter in instead:
                other = by_name[e.parameter]
                e.effect_asked, e.effect_asked_low, e.effect_asked_high = (
                    other.effect, other.effect_low, other.effect_high,
                )  # fmt: skip
    return found, cells, columns, head


def _labels(some: pd.DataFrame, cells: Cells) -> dict[str, list[str]]:
    """What each part number is labelled by, in the order of the cells' part numbers."""
    once = some.drop_duplicates("part")
    names = once["part"].astype("str")
    return {
        by: names_of.reindex(cells.parts).fillna("").tolist()
        for by in APART
        if by in some and (names_of := once[by].astype("object").set_axis(names)).nunique() > 1
    }


def _too_coarse(some: pd.DataFrame) -> Remark | None:
    """The reason where nearly all movements are smaller than their gauge's uncertainty."""
    share = float(some["below_gauge"].fillna(False).astype(float).mean())
    if share < scale.MOSTLY_GAUGE:
        return None
    return remark("effect_gauge_too_coarse", share=share)


def _point_to_record(found: Sequence[Effect], data: MovementData, some: pd.DataFrame) -> None:
    """Where it is settings that lack and not pieces, say so instead of 'measure more'."""
    achieved, asked = (
        p[p["run"].isin(some["run"])].groupby("parameter")["run"].nunique().to_dict()
        for p in (data.parameters, data.asked_parameters)
    )
    for e in found:
        have, known = int(achieved.get(e.parameter, 0)), int(asked.get(e.parameter, 0))
        if e.refused is None or e.refused.code != "effect_few_means":
            continue
        if known > have:
            e.refused = remark(ASKED_ALONE, parameter=e.parameter, asked=known, achieved=have)
        elif not have:
            e.refused = remark("effect_not_on_record", parameter=e.parameter, runs=int(some["run"].nunique()))


def _varies(cells: Cells, column: Column) -> bool:
    """Whether an indicator is both 0 and 1 inside some part number."""
    known = ~np.isnan(column.values)
    some = cells.part[known]
    ones = np.bincount(some, weights=column.values[known], minlength=len(cells.parts))
    count = np.bincount(some, minlength=len(cells.parts))
    return bool(np.any((ones > 0) & (ones < count)))


def _remarks(result: Effects, data: MovementData, frame: pd.DataFrame, flags: np.ndarray) -> list[Remark]:
    out = []
    if result.stage is not None:
        out.append(remark("plain_readings", stage=result.stage))
    if frame.empty:
        reasons = scale.set_aside_counts(scale.with_value(data.frame, result.stage))
        told = dict(zip(reasons["reason"].tolist(), reasons["pieces"].tolist(), strict=True))
        out.append(remark("nothing_left", stage=result.stage, reasons=told))
    else:
        achieved = set(data.parameters["parameter"].unique())
        said = {e.parameter for _, e in result.effects if e.refused is not None and e.refused.code == ASKED_ALONE}
        elsewhere = set(data.asked_parameters["parameter"].unique()) - achieved - said
        only = [n for n in result.of if n in elsewhere]
        if only and not result.asked:
            out.append(remark("only_asked", parameters=only))
    if result.asked:
        out.append(remark("asked_not_achieved"))
    if result.stage is None:
        out += gauges_apart(frame)
    if flags.any():
        out.append(remark("flagged_in_effects", readings=int(flags.sum())))
    if "below_gauge" in frame and len(frame) and result.stage is None:
        below = frame["below_gauge"].dropna()
        if len(below) and float(below.astype(bool).mean()) > 0.5:
            out.append(remark("gauge_hides_small", share=float(below.astype(bool).mean())))
    return out

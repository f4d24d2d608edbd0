"""Several parameters at once: which move together, what each adds beside the others, and p values adjusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from loadbook.analysis.quantiles import Codes, Floats, codes_of
from loadbook.core.remarks import Remark, remark

from .cells import Cells, Column, matrix
from .estimate import (
    FEWEST_CELLS,
    FEWEST_DF,
    Effect,
    check_scatter,
    correct,
    dated,
    degrees,
    not_estimable,
    one_at_a_time,
    pieces_behind,
    usable,
    usable_rows,
    with_calendar,
)
from .regression import NotEstimable, WithinFit, familywise, fit_within, inside, t_interval

TOGETHER = 0.5  # |r| inside part numbers above which two parameters are said to move together
TIED = 0.1  # share of a parameter's variation that a factor explains (adjusted), above which it must stand beside it
WHOLLY = 1.0 - 1e-6  # ... above which nothing of the parameter is left
DOSE = "dose_hj"
FEWEST_BESIDE = 10  # degrees of freedom that must be left for a factor that is not tied to the parameter to join
MOST_NAMED = 8  # parameters named in one command that are fitted together
MIDDLE = 0.25  # share of a part number's range from either end inside which a trial's setting is a middle one
MOST_ALONE = 3  # runs left out of a fit because a factor's level hangs on them alone


def effects(
    cells: Cells,
    columns: Sequence[Column],
    effect_unit: str,
    confidence: float = 0.95,
    adjust: bool = True,
    why_not: Remark | None = None,
    named: bool = False,
    assigned: bool = False,
    unasked: int = 0,
) -> list[Effect]:
    """The effect of every parameter: alone, and jointly where one-at-a-time figures cannot be trusted.

    cells        means per run and part number;  columns  the parameters beside them, in the order asked
    effect_unit  unit of the cells' y
    adjust       False leaves p_adjusted to `adjust_p_values` (several tables in one command)
    why_not      a reason why none of them can be told (see one_at_a_time)
    named        they were named by hand, as the factors of a trial are: fitted together where degrees allow
    assigned     a trial, whose settings were assigned by lot: all in one fit without the date, with the ordinary
                 errors of the residuals (Box, Hunter & Hunter 2005, Statistics for Experimenters, ch. 5) where every
                 run held one part number
    unasked      so many of the last columns were not asked about: they stand beside the others, since what goes with a
                 furnace or a fixture is not a rate's doing because nobody asked about the furnace; none is given back
    Joint fit    where any run holds several part numbers (all parameters), or where |r| > 0.5 inside part numbers
                 (those that move together); dose is left out beside temperature and time. Setup, atmosphere and
                 furnace stand beside every parameter where they vary inside part numbers and ten degrees of freedom
                 remain; one that goes with the parameter stands beside it in any case, or there is no figure
    """
    found = [one_at_a_time(cells, c, confidence, why_not) for c in columns]
    shown = len(columns) - unasked
    for e in found:
        e.effect_unit, e.assigned = effect_unit, assigned
    if assigned and why_not is None:
        _trial(cells, columns, found, confidence)
        if adjust:
            adjust_p_values(found)
        return found
    live = [i for i, e in enumerate(found) if e.refused is None]
    together = correlations(cells, [columns[i] for i in live])
    for a, i in enumerate(live):
        found[i].confounded_with = [
            columns[j].name for b, j in enumerate(live) if b != a and abs(together[a, b]) > TOGETHER
        ]
    factors = _factors(cells, columns)
    numeric = [i for i in live if columns[i].against is None]
    place = [live.index(i) for i in numeric]
    blocks = _blocks(columns, numeric, together[np.ix_(place, place)], mixed_loads(cells))
    plain = [i for i in numeric if not columns[i].name.startswith(DOSE)]
    mine = [i for i in plain if i < shown]
    if named and 2 <= len(mine) <= MOST_NAMED:
        near = [j for j in plain if j >= shown and any(columns[j].name in found[i].confounded_with for i in mine)]
        asked = [*mine, *near, *(i for i in live if columns[i].against is not None and i < shown)]
        if _named(cells, columns, found, asked, [c for c in factors.values() if not set(c) & set(asked)], confidence):
            blocks = [block for block in blocks if not set(block) & set(asked)]
            factors = {name: levels for name, levels in factors.items() if not set(levels) & set(asked)}
    for block in blocks:
        if block[0] < shown:
            _beside(cells, columns, found, block, list(factors.values()), confidence)
    for name, levels in factors.items():
        block = [i for i in levels if i in live and i < shown]
        others = [c for other, c in factors.items() if other != name]
        tied = [[i] for i in plain if _tie(cells, columns, block, [i]) > TIED]
        if block:
            _beside(cells, columns, found, block, [*others, *tied], confidence)
    if adjust:
        adjust_p_values(found[:shown])
    return found[:shown]


def _named(
    cells: Cells, columns: Sequence[Column], found: Sequence[Effect], asked: Sequence[int],
    others: Sequence[Sequence[int]], confidence: float,
) -> bool:  # fmt: skip
    """Fits what was named together, with the factors nobody named beside it; False where it cannot be had."""
    if any(_tie(cells, columns, asked, c) > TIED for c in others):
        _beside(cells, columns, found, asked, others, confidence)
        return True
    beside = [i for c in others for i in c]
    return (bool(beside) and _joint(cells, columns, found, asked, beside, confidence, must=False)) or _joint(
        cells, columns, found, asked, [], confidence, must=False
    )


def _trial(cells: Cells, columns: Sequence[Column], found: Sequence[Effect], confidence: float) -> None:
    """All columns of a trial in one fit; each effect is filled in, or refused with the reason."""
    used, x = usable(cells, _side_by_side(columns, columns))
    names = [c.name for c in columns]
    why: Remark | None = None
    df = 0.0
    if not used.y.size:
        why = remark("effect_few_means", parameter=None, means=0, needed=2)
    else:
        group, run = used.group_codes[0], used.run_codes[0]
        clustered = mixed_loads(used) or len(set(run.tolist())) < used.y.size
        try:
            fit = fit_within(used.y, x, group, run, ordinary=not clustered)
            check_scatter(fit, used)
        except NotEstimable as error:
            why = not_estimable(error, used, names[error.column] if error.column is not None else names[0])
        else:
            df = degrees(fit.rows, fit.groups, fit.clusters, len(names), False) if clustered else float(fit.residual_df)
    for j, e in enumerate(found):
        e.refused = why
        if why is not None or df < 1:
            e.refused = why or remark("effect_trial_degrees", runs=used.y.size, settings=len(names))
            e.effect = e.effect_low = e.effect_high = e.p = None
            continue
        e.alone, e.alone_low, e.alone_high, e.alone_p = e.effect, e.effect_low, e.effect_high, e.p
        e.fit, e.df, e.fitted_with = "trial", df, [n for n in names if n != e.parameter]
        e.effect = float(fit.slopes[j])
        e.effect_low, e.effect_high, e.p = t_interval(e.effect, float(fit.se[j]), df, confidence)
        e.left_out_low = e.left_out_high = None
        e.runs, e.parts, e.pieces = len(set(used.run.tolist())), len(set(used.part.tolist())), pieces_behind(used)
        e.cells = codes_of(used.run, used.part)[1]
        e.range_low, e.range_high = float(x[:, j].min()), float(x[:, j].max())
        if e.against is None:
            _bend(e, used, x, j, clustered, confidence)


def _bend(e: Effect, used: Cells, x: Floats, j: int, clustered: bool, confidence: float) -> None:
    """How far the runs in the middle of a trial's setting moved off the line between its ends, inside part numbers.

    Source  the contrast of centre points, Montgomery, Design and Analysis of Experiments, ch. 6 (curvature)
    """
    group, count = used.group_codes
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, group, x[:, j])
    np.maximum.at(high, group, x[:, j])
    edge = MIDDLE * (high - low)[group]
    middle = (x[:, j] > low[group] + edge) & (x[:, j] < high[group] - edge)
    if not middle.any():
        return
    try:
        fit = fit_within(used.y, np.column_stack([x, middle]), group, used.run_codes[0], ordinary=not clustered)
        check_scatter(fit, used)
    except NotEstimable:
        return  # too few runs to judge it by
    names = x.shape[1] + 1
    df = degrees(fit.rows, fit.groups, fit.clusters, names, False) if clustered else float(fit.residual_df)
    if df >= 1:
        e.bend = float(fit.slopes[-1])
        e.bend_low, e.bend_high, _ = t_interval(e.bend, float(fit.se[-1]), df, confidence)


def _factors(cells: Cells, columns: Sequence[Column]) -> dict[str, list[int]]:
    """Factor -> the positions of its levels that vary inside some part number."""
    out: dict[str, list[int]] = {}
    group, count = cells.group_codes
    for i, c in enumerate(columns):
        if c.against is None:
            continue
        known = ~np.isnan(c.values) & ~np.isnan(cells.y)
        ones = np.bincount(group[known], weights=c.values[known], minlength=count)
        if np.any((ones > 0) & (ones < np.bincount(group[known], minlength=count))):
            out.setdefault(c.factor, []).append(i)
    return out


def _tie(cells: Cells, columns: Sequence[Column], block: Sequence[int], beside: Sequence[int]) -> float:
    """The largest share of a block's variation inside part numbers that the columns beside it explain (adjusted R²)."""
    most = 0.0
    for i in block:
        used, x = usable(cells, _side_by_side([columns[i], *(columns[j] for j in beside)], columns))
        if used.y.size < 3:
            continue
        group, count = used.group_codes
        moves = inside(x, group, count)
        own, rest = moves[:, 0], moves[:, 1:]
        whole = float(own @ own)
        if whole <= 1e-18:
            continue
        left = own - rest @ np.linalg.lstsq(rest, own, rcond=None)[0]
        share = 1.0 - float(left @ left) / whole
        free = used.y.size - count
        k = len(beside)
        if share >= WHOLLY:
            return 1.0
        most = max(most, 1.0 - (1.0 - share) * free / (free - k) if free > k else 0.0)
    return most


def _beside(
    cells: Cells,
    columns: Sequence[Column],
    found: Sequence[Effect],
    block: Sequence[int],
    others: Sequence[Sequence[int]],
    confidence: float,
) -> None:
    """Fit a block with the others beside it: those tied to it always, the rest while degrees remain.

    Where one that is tied cannot stand beside it there is no figure: what belongs to which is not known.
    """
    ties = [(_tie(cells, columns, block, c), list(c)) for c in others]
    tied = [c for t, c in ties if t > TIED]
    loose = [c for t, c in sorted(ties, key=lambda p: -p[0]) if t <= TIED]
    for c in tied:
        name, levels = columns[c[0]].factor, {x.name for x in columns if x.factor == columns[c[0]].factor}
        for i in block:
            e = found[i]
            e.confounded_with = [*(n for n in e.confounded_with if n != name and n not in levels), name]
    for count in range(len(loose), -1, -1):
        beside = [i for c in (*tied, *loose[:count]) for i in c]
        if beside and _joint(cells, columns, found, block, beside, confidence, must=False, tied=not count):
            return
    if not tied:
        if len(block) > 1:
            _joint(cells, columns, found, block, [], confidence)
        return
    names = [columns[c[0]].factor for c in tied]
    for i in block:
        e = found[i]
        e.alone, e.alone_low, e.alone_high, e.alone_p = e.effect, e.effect_low, e.effect_high, e.p
        e.effect = e.effect_low = e.effect_high = e.p = e.df = None
        e.fit = "not separable"
        e.refused = remark("effect_not_separable", parameter=e.parameter, names=names)


def adjust_p_values(found: Sequence[Effect]) -> None:
    """Adjust the p values (Holm) over everything asked in one command."""
    raw = [np.nan if e.p is None else e.p for e in found]
    for e, p in zip(found, familywise(raw), strict=True):
        e.p_adjusted = None if np.isnan(p) else float(p)


def correlations(cells: Cells, columns: Sequence[Column]) -> Floats:
    """(k, k) correlations of the parameters inside part numbers, over the cells that have both; 0 where unknown."""
    k = len(columns)
    out = np.eye(k)
    if k < 2:
        return out
    values = matrix(columns)
    patterns: dict[bytes, list[int]] = {}  # columns known in the same cells are done together
    for j in range(k):
        patterns.setdefault(np.isnan(values[:, j]).tobytes(), []).append(j)
    blocks = list(patterns.values())
    for i, first in enumerate(blocks):
        for second in blocks[: i + 1]:
            both = sorted({*first, *second})
            used, x = usable(cells, values[:, both])
            if used.y.size < 3:
                continue
            group, count = used.group_codes
            moves = inside(x, group, count)
            size = np.sqrt(np.sum(moves**2, axis=0))
            still = size <= 1e-12 * np.maximum(1.0, np.abs(x).max(axis=0))
            unit = np.where(still, 0.0, moves / np.where(still, 1.0, size))
            found = unit.T @ unit
            place = {j: a for a, j in enumerate(both)}
            for a in first:
                for b in second:
                    if a != b:
                        out[a, b] = out[b, a] = float(found[place[a], place[b]])
    return out


def mixed_loads(cells: Cells) -> bool:
    """Whether any run holds several part numbers."""
    if not cells.y.size:
        return False
    run, _ = cells.run_codes
    first = np.unique(codes_of(cells.run, cells.part)[0], return_index=True)[1]
    return bool(np.bincount(run[first]).max() > 1)


def _blocks(columns: Sequence[Column], live: Sequence[int], together: Floats, mixed: bool) -> list[list[int]]:
    """Which parameters are fitted with which: positions in columns; a block of one moves by itself."""
    dose = [i for i in live if columns[i].name.startswith(DOSE)]
    plain = [i for i in live if i not in dose] or list(live)
    if mixed:
        return [plain] if plain else []
    place = {i: a for a, i in enumerate(live)}
    blocks: list[list[int]] = []
    left = set(plain)
    while left:
        block, edge = [], [min(left)]
        left.discard(edge[0])
        while edge:
            i = edge.pop()
            block.append(i)
            near = {j for j in left if abs(together[place[i], place[j]]) > TOGETHER}
            left -= near
            edge.extend(near)
        blocks.append(sorted(block))
    return blocks


def _joint(
    cells: Cells,
    columns: Sequence[Column],
    found: Sequence[Effect],
    block: Sequence[int],
    beside: Sequence[int],
    confidence: float,
    must: bool = True,
    tied: bool = False,
) -> bool:
    """Put the joint slopes in the place of the one-at-a-time ones, or say why they cannot be had.

    beside  columns that are fitted too but keep their own figure
    must    False: where it cannot be had (too few degrees, cells lost), nothing is changed and False is given back
    tied    what stands beside goes with the block: fewer degrees suffice, since without it the figure would be wrong
    """
    chosen = [columns[i] for i in (*block, *beside)]
    names = [c.name for c in chosen]
    used, x = usable(cells, _side_by_side(chosen, columns))
    means = codes_of(used.run, used.part)[1] if used.y.size else 0
    if not must and not tied and means < 0.9 * min(found[i].cells for i in block):
        return False
    why: Remark | None = None
    try:
        fit, used, x, names = _fitted(used, x, names, len(block))
    except NotEstimable as error:
        name = names[error.column] if error.column is not None and error.column < len(names) else "one of them"
        why = not_estimable(error, used, name)
    runs, parts = len(set(used.run.tolist())), len(set(used.part.tolist()))
    means = codes_of(used.run, used.part)[1] if used.y.size else 0
    df = degrees(means, parts, runs, len(names), dated(used))
    least = FEWEST_BESIDE if beside and not tied else FEWEST_DF
    if means < FEWEST_CELLS or df < least:
        why = remark("effect_few_for_joint", means=means, parameters=len(chosen))
    if why is not None and not must:
        return False
    for j, i in enumerate(block):
        e = found[i]
        if why is not None:
            e.fit = "not separable"
            others = [n for n in names if n != e.parameter]
            e.cautions.append(remark("effect_not_joint", others=others, why=why.code, because=dict(why.figures)))
            continue
        e.alone, e.alone_low, e.alone_high, e.alone_p = e.effect, e.effect_low, e.effect_high, e.p
        e.fit, e.df = "joint" if len(block) > 1 else "beside factors", df
        e.fitted_with = [name for name in names if name != e.parameter]
        e.effect = float(fit.slopes[j])
        e.effect_low, e.effect_high, e.p = t_interval(e.effect, float(fit.se[j]), df, confidence)
        correct(e, columns[i].se, usable_rows(cells, _side_by_side(chosen, columns)), fit, j)
        slopes = fit.left_out[:, j]
        first = np.unique(used.run_codes[0], return_index=True)[1]
        low, high = int(np.argmin(slopes)), int(np.argmax(slopes))
        e.left_out_low, e.left_out_low_run = float(slopes[low]), used.runs[int(used.run[first[low]])]
        e.left_out_high, e.left_out_high_run = float(slopes[high]), used.runs[int(used.run[first[high]])]
        own = used
        if e.against is not None:  # runs of a third level are in the fit, but not in this comparison
            same = {c.name for c in chosen if c.factor == columns[i].factor} - {e.parameter}
            levels = [k for k, n in enumerate(names) if n in same]
            own = used.take(np.flatnonzero(~np.any(x[:, levels] == 1.0, axis=1)))
        e.runs, e.parts, e.pieces = len(set(own.run.tolist())), len(set(own.part.tolist())), pieces_behind(own)
        e.cells = codes_of(own.run, own.part)[1]
        e.range_low, e.range_high = float(x[:, j].min()), float(x[:, j].max())
    return True


def _fitted(used: Cells, x: Floats, names: list[str], block: int) -> tuple[WithinFit, Cells, Floats, list[str]]:
    """The fit of the first `block` columns with the rest beside them, and what is left of cells, columns and names.

    A column beside the block that says nothing more than the others is left out, and so is a run on which one hangs
    alone: such a run tells of nothing else. Raises NotEstimable where the block itself cannot be had
    """
    alone = 0
    while True:
        if not used.y.size:
            raise NotEstimable("no figures are left", "no degrees")
        try:
            fit = with_calendar(used, x)
            check_scatter(fit, used)
            return fit, used, x, names
        except NotEstimable as error:
            drop = error.column if error.column is not None and error.why in ("constant", "collinear") else None
            if drop is not None and block <= drop < x.shape[1] and not _spanned(used, x, block):
                keep = [j for j in range(x.shape[1]) if j != drop]
                x, names = x[:, keep], [names[j] for j in keep]
            elif error.why == "one run" and x.shape[1] > block and alone < MOST_ALONE:
                alone += 1
                lone = used.run_codes[0] == error.cluster
                rest = used.take(np.flatnonzero(~lone))
                rows = usable_rows(rest, x[~lone])
                used, x = rest.take(rows), x[~lone][rows]
            else:
                raise


def _spanned(used: Cells, x: Floats, block: int) -> bool:
    """Whether the columns beside the block tell one of its own exactly."""
    group, count = used.group_codes
    moves = inside(x, group, count)
    for j in range(block):
        own, rest = moves[:, j], moves[:, block:]
        left = own - rest @ np.linalg.lstsq(rest, own, rcond=None)[0]
        if float(left @ left) <= (1.0 - WHOLLY) * float(own @ own):
            return True
    return False


def fitted_rows(cells: Cells, columns: Sequence[Column], e: Effect) -> Codes:
    """Positions of the cells that the figure of an effect was computed from."""
    by_name = {c.name: c for c in columns}
    if not e.fitted_with:
        return usable_rows(cells, by_name[e.parameter].values)
    return usable_rows(cells, _side_by_side([by_name[n] for n in (e.parameter, *e.fitted_with)], columns))


def _side_by_side(chosen: Sequence[Column], columns: Sequence[Column]) -> Floats:
    """The columns of one fit, (n, k); an indicator stands as 0 where its factor has another level."""
    levels = [c for c in columns if c.against is not None]
    return matrix([_open(c, levels) for c in chosen])


def _open(column: Column, levels: Sequence[Column]) -> Column:
    """An indicator as it stands beside the factor's other levels: 0 there, not missing."""
    if column.against is None:
        return column
    others = [c.values for c in levels if c.name != column.name and c.factor == column.factor]
    values = column.values.copy()
    for other in others:
        values = np.where(np.isnan(values) & (other == 1.0), 0.0, values)
    return replace(column, values=values)

"""Which parameters go with movement, over a group: runs of the same part number in the same plant are compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from loadbook.analysis.effects import joint
from loadbook.analysis.movement import percent
from loadbook.core.errors import UsageError
from loadbook.core.vocabulary.intake_kinds import CHARACTERISTIC_KINDS
from loadbook.core.vocabulary.parameters import PLANNABLE
from loadbook.queries.effect import FACTORS, MORE_FACTORS, SLOPES, Effects, _named, _row, _stratum, _words
from loadbook.queries.moved import check_share
from loadbook.queries.movement_data import MovementData

from . import cells as groupcells
from .answer import evidence
from .cells import Asking, GroupSource

if TYPE_CHECKING:
    import pandas as pd

STRATUM = ("process", "kind", "side", "unit")


@dataclass
class GroupEffects:
    """Effects over a group: `effects` as `effect` gives them, and where the evidence comes from."""

    effects: Effects
    plants: pd.DataFrame
    without: tuple[str, ...]
    units: str
    rows_back: int = 0
    warnings: list[str] = field(default_factory=list)

    @property
    def table(self) -> pd.DataFrame:
        return self.effects.table

    def frame(self) -> pd.DataFrame:
        """One row per stratum and parameter."""
        return self.effects.table

    def rows(self) -> list[dict[str, Any]]:
        """The same as dictionaries, missing figures None."""
        return self.effects.rows()


def effect_group(
    asking: Asking,
    characteristic: str | None = None,
    of: Sequence[str] = (),
    asked: bool = False,
    confidence: float = 0.95,
) -> GroupEffects:
    """The effect of parameters on movement, inside part numbers and plants.

    A plant's furnaces, gauges and habits would otherwise be taken for its settings: so the same part number in two
    plants counts as two. Arguments as of ask.effect.effect.
    """
    check_share(confidence, "--confidence")
    if characteristic is not None:
        name = "kind" if characteristic.lower() in CHARACTERISTIC_KINDS else "characteristic"
        if getattr(asking.filters, name) is not None:
            raise UsageError(f"the {name} is named twice", remedy=f"Leave out --{name}")
        asking = replace(asking, filters=replace(asking.filters, **{name: characteristic}))
    wanted = _words(of)
    every = [w.lower() for w in wanted] == ["all"]
    factors = [w for w in wanted if w in MORE_FACTORS] or []
    split = list(dict.fromkeys([*FACTORS, *factors]))
    with GroupSource(asking) as source:
        cells = groupcells.cells(source, [(name, f"x.{name}") for name in split])
        if cells.empty and not len(source.plants()):
            raise source.nothing()
        parameters = groupcells.parameters(source, asked, () if every else wanted or PLANNABLE)
        if not every and not {*parameters["parameter"], *PLANNABLE, *FACTORS, *MORE_FACTORS}.issuperset(wanted):
            parameters = groupcells.parameters(source, asked)  # the refusal names what there is
        plants, group = source.plants(), source.group
    frame = _as_pieces(cells, "pieces", "total")
    clean = _as_pieces(cells, "clean_pieces", "clean_total")
    data = MovementData(frame, parameters, 0, 0, frame.iloc[:0])
    settings, kinds = _named(wanted, data)
    found: list[Any] = []
    without: list[float | None] = []
    kept: list[Any] = []
    for key, some in frame.groupby(list(STRATUM), sort=True, dropna=False) if len(frame) else []:
        stratum = dict(zip(STRATUM, key, strict=True))
        given = (settings, kinds, data, not wanted, str(stratum["unit"]), confidence, None)
        effects, of_cells, columns, _ = _stratum(some, *given)
        kept.append((stratum, of_cells, columns))
        found.extend((stratum, e) for e in effects)
        rest = clean.loc[some.index.intersection(clean.index)]
        if int(rest["n"].sum()) < int(some["n"].sum()):
            by_name = {e.parameter: e.effect for e in _stratum(rest, *given)[0]}
            without.extend(by_name.get(e.parameter) for e in effects)
        else:
            without.extend([None] * len(effects))
    joint.adjust_p_values([e for _, e in found], group.units())
    table = _framed([{**s, **_row(e), "effect_without_flagged": w} for (s, e), w in zip(found, without, strict=True)])
    table = percent.told(table, SLOPES, "effect_unit")
    result = Effects(table, found, kept, [*settings, *kinds], asked, None, confidence, group.units(), [])
    out = GroupEffects(result, plants, group.without, group.units(), len(cells) + len(parameters) + len(plants))
    out.warnings = [
        evidence(plants, group.without),
        "Runs are compared inside part numbers and plants: what differs between plants is in no effect.",
    ]
    if asked:
        out.warnings.append("Parameters are what was asked, not what the traces show.")
    return out


def _as_pieces(cells: pd.DataFrame, count: str, total: str) -> pd.DataFrame:
    """Cells as the effects take them: n pieces and their mean y; the part number is the plant's."""
    rows = cells[cells[count] > 0]
    return rows.assign(n=rows[count], y=rows[total] / rows[count], part=rows["part_of"])


def _framed(rows: list[dict[str, Any]]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(rows)

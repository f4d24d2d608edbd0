"""What every result can do beside holding figures: show itself in a notebook, give a chart, give frames with units.

How a result looks is the business of the showing floor, which this floor does not know: `from loadbook import Book`
registers it (render/notebook.py). Without it a result is its plain frame.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import LoadbookError

if TYPE_CHECKING:
    import altair as alt
    import pandas as pd

WAYS: dict[str, Callable[[Any], Any]] = {}  # 'html' and 'chart': a function of a result


class Result:
    """A result object: `.frame()`, `.frames()`, `.chart()`, and a notebook's view of it."""

    # columns whose unit stands in another column of their row: (columns, how their unit is spelt from the row's units)
    UNIT_COLUMNS: tuple[str, ...] = ()
    FIGURES: tuple[tuple[tuple[str, ...], str], ...] = ()

    def frame(self) -> pd.DataFrame:
        """The rows as a frame, with the keys of --format json."""
        raise LoadbookError(f"{type(self).__name__} has no frame")

    def frames(self) -> dict[str, pd.DataFrame]:
        """The rows by unit, each frame with the unit in its columns' names, so that no two units share a column.

        Keys are the units, such as 'um_per_100mm'; columns then 'median_um_per_100mm', 'effect_um_per_c_per_h', ...
        """
        frame = self.frame()
        if frame.empty or not self.UNIT_COLUMNS:
            return {"": frame} if len(frame) else {}
        out = {}
        for key, some in frame.groupby(list(self.UNIT_COLUMNS), sort=True, dropna=False):
            told = {name: unit_name(value) for name, value in zip(self.UNIT_COLUMNS, key, strict=True)}
            names: dict[str, str] = {}
            for columns, how in self.FIGURES:
                unit = _joined(how.format(**told))
                names |= {c: f"{c}_{unit}" if unit else c for c in columns}
            whole = "_per_".join(u for u in told.values() if u) or "none"
            out[whole] = some.drop(columns=list(self.UNIT_COLUMNS)).rename(columns=names).reset_index(drop=True)
        return out

    def chart(self) -> alt.ConcatChart:
        """The picture that --chart writes, as an Altair chart. Raises LoadbookError where there is none."""
        if "chart" not in WAYS:
            raise LoadbookError("charts are not loaded", remedy="Begin with: from loadbook import Book")
        chart: alt.ConcatChart = WAYS["chart"](self)
        return chart

    def _repr_html_(self) -> str:
        if "html" in WAYS:
            return str(WAYS["html"](self))
        return str(self.frame().to_html(escape=True))


class TableResult(Result):
    """A result whose rows are its table."""

    table: pd.DataFrame

    def frame(self) -> pd.DataFrame:
        return self.table

    def rows(self) -> list[dict[str, Any]]:
        """The rows as dictionaries, missing figures None."""
        return records(self.table)


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a frame as dictionaries with plain Python values, not-a-number as None."""
    out = []
    for row in frame.to_dict("records"):
        clean: dict[str, Any] = {}
        for name, value in row.items():
            if hasattr(value, "item"):
                value = value.item()
            missing = value is None or (isinstance(value, float) and value != value) or str(value) in ("<NA>", "NaT")
            clean[str(name)] = None if missing else value
        out.append(clean)
    return out


def unit_name(unit: Any) -> str:
    """A unit as part of a column's name.

    >>> unit_name("um per 100 mm"), unit_name("percent"), unit_name(None)
    ('um_per_100mm', 'percent', '')
    """
    if unit is None or unit != unit:
        return ""
    return "_".join(str(unit).replace("100 mm", "100mm").replace("%", "percent").replace("/", " per ").split())


def _joined(text: str) -> str:
    return text.removesuffix("_per_").strip("_")

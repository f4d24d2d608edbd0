"""The frame behind a picture: rows to draw and words to set beside them. Renderers draw it and decide nothing.

A `Picture` holds panels and one tidy frame of rows. The same picture is drawn as SVG, PNG, HTML or in the terminal,
so that all of them show the figures that `--format json` prints, in the book's units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import TYPE_CHECKING, Any, Literal

from loadbook.analysis.effects.words import effect_shown
from loadbook.core.errors import NotFoundError, UsageError
from loadbook.core.phrases import few, many

if TYPE_CHECKING:
    import pandas as pd

MOST_PANELS = 12  # pictures side by side that are still read
MOST_NAMED = 16  # part numbers told apart; the others share one mark
OTHERS = "other part numbers"

# what a row of the frame is
RUN, PIECE, ALONE = "run mean", "piece", "not compared"
WITHIN, POOLED, INTERVAL = "inside part numbers", "all thrown together", "interval of the line"
MIDDLE, NOMINAL = "median", "nominal"
OFFERED, NOT_OFFERED, EDGE, LIMIT = "way", "way not offered", "efficient edge", "tolerance"

COLUMNS = (
    "panel", "what", "series", "level", "x", "y", "low", "high", "run", "part", "serial", "pieces", "date", "label",
    "broken", "stated",
)  # fmt: skip


@dataclass(frozen=True)
class Panel:
    """One picture of a chart.

    shape   'against' (y over a number x), 'between' (y over levels), 'coverage', or 'ways' (y with its interval over x)
    x, y    axis titles with their units
    levels  categories in order, for 'between' and for an x that is one level against another; else ()
    low, high  range of the evidence on x, None where x is no number
    said    sentences to set above it: counts first, then the verdict
    finding what it shows in one line, for its title ('' where the title is all there is to say)
    notes   what a reader must know beside the finding
    faint   True where it shows nothing that can be told
    """

    number: int
    shape: Literal["against", "between", "coverage", "ways"]
    title: str
    x: str
    y: str
    levels: tuple[str, ...] = ()
    series: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    said: tuple[str, ...] = ()
    finding: str = ""
    notes: tuple[str, ...] = ()
    faint: bool = False


@dataclass
class Picture:
    """Panels, and the rows that they draw (COLUMNS; figures in the book's units, unrounded). A row's broken says that
    the run's cycle was, stated that its x was read off a paper chart.

    series  the part numbers of all panels, in the order in which they are given a mark
    """

    title: str
    panels: list[Panel]
    rows: pd.DataFrame
    series: tuple[str, ...] = ()
    warnings: list[str] = field(default_factory=list)

    def frame(self) -> pd.DataFrame:
        """The rows that are drawn."""
        return self.rows

    def of(self, panel: Panel, what: str) -> pd.DataFrame:
        """One kind of row of one panel."""
        return self.rows[(self.rows["panel"] == panel.number) & (self.rows["what"] == what)]


def picture(
    title: str, panels: Sequence[Panel], rows: list[dict[str, Any]], narrow: str, warnings: Sequence[str] = ()
) -> Picture:
    """Put a picture together.

    narrow  the options that make fewer panels of it
    Raises  NotFoundError without a panel, UsageError for more panels than can be read
    """
    import pandas as pd

    if not panels:
        raise NotFoundError("there is nothing to draw: no movement is left to show", remedy=" ".join(warnings) or None)
    if len(panels) > MOST_PANELS:
        titles = list(dict.fromkeys(p.title for p in panels))
        raise UsageError(
            f"the chart would hold {len(panels)} pictures, and {MOST_PANELS} can be read side by side",
            remedy=f"Narrow it with {narrow}. It would hold: {few(titles, 8)}",
        )
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    named = tuple(dict.fromkeys(s for p in panels for s in p.series))
    return Picture(title, list(panels), frame, named, list(warnings))


def day_of(started: Any, zone: tzinfo) -> str:
    """The day of a run's start on a clock, as ISO text: of a stored moment, or of the same as a timestamp in UTC.

    >>> from zoneinfo import ZoneInfo
    >>> day_of("2026-03-01T23:30:00Z", ZoneInfo("Europe/Vienna"))
    '2026-03-02'
    """
    import pandas as pd

    moment = pd.Timestamp(started)
    if moment.tzinfo is None:
        moment = moment.tz_localize("UTC")
    return str(moment.tz_convert(zone).date())


def named_series(labels: pd.Series) -> pd.Series:
    """Part numbers as series: those with the most rows by name, the rest together where there are too many."""
    counts = labels.value_counts(sort=False)
    if len(counts) <= MOST_NAMED:
        return labels
    keep = set(counts.sort_values(ascending=False, kind="stable").index[: MOST_NAMED - 1])
    return labels.where(labels.isin(keep), OTHERS)


def ordered(labels: Sequence[str]) -> tuple[str, ...]:
    """Series in order, the others last."""
    return tuple(sorted(set(labels), key=lambda s: (s == OTHERS, s)))


def movement_axis(unit: str, kind: str, system: str, stage: str | None = None) -> tuple[float, str]:
    """Factor from the unit kept inside (1 for per cent), and the axis title of movement (or of plain readings)."""
    factor, label = effect_shown(unit, system)
    if stage is not None:
        return factor, f"{kind} {stage} the run" + (f" ({label})" if label else "")
    of = f"{label} of the form error before" if label == "%" else label
    return factor, f"movement of {kind}" + (f" ({of})" if of else "")


def count_words(runs: int, pieces: int, parts: int) -> str:
    """'48 runs, 242 pieces, 3 part numbers'."""
    counts = ((runs, "run"), (pieces, "piece"), (parts, "part number"))
    return ", ".join(many(n, word) for n, word in counts)


def stratum_words(stratum: dict[str, Any]) -> str:
    """'flatness (stress relief)', with part and characteristic where the stratum has them."""
    words = [str(stratum[k]) for k in ("part", "characteristic") if stratum.get(k) is not None]
    kind = str(stratum["kind"])
    process = stratum.get("process")
    name = f"{kind} ({'no process' if process is None or process != process else process})"
    return ", ".join([name, *words])

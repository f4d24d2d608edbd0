"""Results in a notebook: the tables that the terminal prints, as HTML; what to be careful of stands below them.

No colours, fonts or scripts of our own: a notebook has its own look, light or dark. Text from the book is escaped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from loadbook.core.errors import LoadbookError
from loadbook.core.vocabulary.parameter_names import headings, spoken
from loadbook.queries.answer_result import Answer
from loadbook.queries.backtest import Backtest
from loadbook.queries.charts.backtest import backtest_picture
from loadbook.queries.charts.effect import effect_picture
from loadbook.queries.charts.frame import count_words
from loadbook.queries.charts.moved import moved_picture
from loadbook.queries.effect import Effects
from loadbook.queries.judge import JudgedRun
from loadbook.queries.moved import Moved
from loadbook.queries.remark_words import words
from loadbook.queries.result import WAYS, records
from loadbook.render.pages.markup import Html, el

from .answer import BACKTEST, backtest_table, comparables_table
from .judged import clause_figures, label, lacks
from .movement import difference_table, effect_table, moved_table
from .tables import plain

_LEFT = "text-align:left;vertical-align:top"
_RIGHT = "text-align:right;vertical-align:top"


def html(result: Any) -> str:
    """A result as a notebook shows it. Raises LoadbookError for what is no result."""
    for kind, draw in _DRAW.items():
        if isinstance(result, kind):
            return el("div", list(draw(result)), class_="loadbook")
    raise LoadbookError(f"{type(result).__name__} is not a result")


def chart(result: Any) -> Any:
    """The Altair chart of a result. Raises LoadbookError for a result that has no picture."""
    from loadbook.render.charts.altair import chart as draw

    for kind, picture in _PICTURES.items():
        if isinstance(result, kind):
            return draw(picture(result))
    raise LoadbookError(f"there is no chart of {type(result).__name__}", remedy="Moved, Effects and Backtest have one")


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Html:
    """A table with its title; figures to the right, columns without any value left out."""
    body = [list(row) for row in rows]
    kept = [i for i in range(len(columns)) if any(row[i] is not None and row[i] != "" for row in body)]
    right = {i for i in kept if all(isinstance(row[i], (int, float)) or row[i] in (None, "") for row in body)}
    head = el("tr", [el("th", columns[i], scope="col", style=_RIGHT if i in right else _LEFT) for i in kept])
    lines = [el("tr", [el("td", _cell(row[i]), style=_RIGHT if i in right else _LEFT) for i in kept]) for row in body]
    caption = el("caption", title, style="text-align:left;font-weight:bold")
    return el("div", el("table", caption, el("thead", head), el("tbody", lines)), style="overflow-x:auto")


def _cell(value: Any) -> str | None:
    """A cell as the terminal shows it; a whole number of figures keeps no point."""
    if value is None:
        return None
    return plain(f"{value:g}" if isinstance(value, float) else value)


def _notes(lines: Iterable[str]) -> Html | None:
    items = [el("li", line) for line in lines]
    return el("ul", items) if items else None


def _moved(found: Moved) -> Iterable[Any]:
    what = "Movement" if found.stage is None else f"Readings {found.stage} the run (not movement)"
    title = f"{what}: {count_words(found.runs, found.pieces, found.parts)}"
    yield table(title, *moved_table(found.rows(), found.by, found.system))
    if len(found.differences):
        share = f"{100 * found.confidence:g} %"
        title = f"Differences between treatments ({share} interval, the run as the unit)"
        yield table(title, *difference_table(records(found.differences), found.system))
    if len(found.set_aside):
        heads = headings(list(found.set_aside.columns), found.system)
        yield table("Set aside, by reason", heads, found.set_aside.to_numpy().tolist())
    yield _notes(found.warnings)


def _effects(found: Effects) -> Iterable[Any]:
    rows = found.rows()
    if rows:
        title = f"Effects inside part numbers ({100 * found.confidence:g} % interval)"
        yield table(title, *effect_table(rows, found.system))
    said = [
        f"{r['kind']} ({r['process'] or 'no process'}), {spoken(r['parameter'], found.system)}: {r['verdict']}"
        for r in rows
    ]
    yield _notes([*said, *found.warnings])


def _answer(found: Answer) -> Iterable[Any]:
    for number, line in enumerate(x for x in found.text if x):
        yield el("p", el("strong", line) if number == 0 else line)
    if found.comparables:
        yield table(*comparables_table(found.comparables, found.system))
    yield _notes(f"Caution: {c}" for c in found.cautions)


def _backtest(found: Backtest) -> Iterable[Any]:
    yield table("How often past answers held", BACKTEST, backtest_table(found.rows()))
    yield _notes(found.warnings)


def _judged(found: JudgedRun) -> Iterable[Any]:
    yield el("p", el("strong", f"{found.run}: {found.headline}"))
    order = [c for verdict in ("broken", "cannot be told", "kept") for c in found.of(verdict)]
    rows = [
        [
            label(c, found.units),
            c.verdict,
            *clause_figures(c.clause, c.value, c.limit, c.unit, found.units),
            c.channel,
            lacks(c, found.units),
        ]
        for c in order
    ]
    if rows:
        yield table("Clauses, broken ones first", ["clause", "verdict", "value", "limit", "channel", "missing"], rows)
    yield _notes([*(words(r, found.units) for r in found.load), *found.remarks, found.approval])


_DRAW: dict[type, Callable[[Any], Iterable[Any]]] = {
    Moved: _moved, Effects: _effects, Answer: _answer, Backtest: _backtest, JudgedRun: _judged,
}  # fmt: skip
_PICTURES: dict[type, Callable[[Any], Any]] = {
    Moved: moved_picture, Effects: effect_picture, Backtest: backtest_picture,
}  # fmt: skip
WAYS.update(html=html, chart=chart)

"""The nearest runs of an answer as a table in the book's units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from loadbook.core import units
from loadbook.core.figures import share_range, share_words
from loadbook.queries.answer_figures import number, setting, settings_shown

COLUMNS = (
    "run", "date", "part", "setup", "atmosphere", "settings", "pieces", "mean", "lowest", "highest", "nearness",
)  # fmt: skip


def comparables_table(rows: Sequence[Mapping[str, Any]], system: str) -> tuple[str, list[str], list[list[Any]]]:
    """(title with the unit, columns, rows) of an answer's comparables; rows must not be empty."""
    unit = rows[0].get("unit", "um")
    shown = []
    for r in rows:
        figures = [number(r[k], unit, system) for k in ("mean", "low", "high")]
        shown.append(
            [r["run"], r["date"], r["part"], r["setup"], r["atmosphere"], settings_shown(dict(r), system), r["pieces"],
             *figures, round(r["nearness"], 2)]
        )  # fmt: skip
    return f"Nearest runs ({units.show(0.0, unit, system)[1]})", list(COLUMNS), shown


def next_table(
    need: Mapping[str, Any], bound: float | None, unit: str, system: str
) -> tuple[str, list[str], list[list[Any]]]:
    """(title with the unit, columns, rows) of the next runs that narrow an answer most; the first row is now."""

    def shown(value: float | None) -> float | None:
        return number(value, unit, system)

    rows: list[list[Any]] = [["now", None, None, shown(need["width"]), shown(bound)]]
    for r in need["next_runs"]:
        how = ", ".join(setting(name, value, system) for name, value in r["settings"].items())
        rows.append([r["part"] or "the new part", how or "as asked", r["pieces"], shown(r["width"]), shown(r["bound"])])
    title = f"After one more run ({units.show(0.0, unit, system)[1]}), if it moves as the model expects"
    return title, ["run of", "settings", "pieces", "width of the interval", "bound"], rows


def comparison_table(rows: Sequence[Mapping[str, Any]], system: str) -> tuple[list[str], list[list[Any]]]:
    """Columns and rows of treatments side by side."""
    columns = [
        "treatment", "middle", "from", "to", "inside tolerance", "furnace hours", "cost", "less the first", "low",
    ]  # fmt: skip
    columns += ["high", "unit", "said"]
    shown = []
    for r in rows:

        def figure(name: str, r: Mapping[str, Any] = r) -> float | None:
            return number(r[name], r["unit"], system)

        inside = None
        if r["share_inside"] is not None:
            inside = share_range(r["share_inside"], r["share_low"], r["share_high"])
        shown.append(
            [r["treatment"], figure("median"), figure("low"), figure("high"), inside,
             _span(r, "furnace_hours", ".1f"), f"{_span(r, 'cost', ',.0f')} {r['currency']}" if r["currency"] else None,
             figure("difference"),
             figure("difference_low"), figure("difference_high"), units.show(0.0, r["unit"], system)[1], r["said"]]
        )  # fmt: skip
    empty = [k for k in range(len(columns)) if k and all(row[k] in (None, "") for row in shown)]
    return [c for k, c in enumerate(columns) if k not in empty], [
        [v for k, v in enumerate(row) if k not in empty] for row in shown
    ]


BACKTEST = ("process", "kind", "of", "group", "promised", "held", "runs", "pieces", "parts", "note")


def backtest_table(rows: Sequence[Mapping[str, Any]]) -> list[list[Any]]:
    """Rows of a back-test under BACKTEST: the share that was promised beside the one that held, as people say shares.

    >>> row = {"process": "age", "kind": "length", "what": "known", "group": "all", "content": 0.9, "held": 0.929}
    >>> row |= {"held_low": 0.766, "held_high": 0.991, "runs": 28, "pieces": 220, "parts": 3, "note": ""}
    >>> backtest_table([row])[0][4:6]
    ['90 %', '93 % (77 to 99 %)']
    """

    def words(r: Mapping[str, Any], name: str) -> float | None:
        value = r[name]
        return None if value is None or value != value else float(value)

    shown = []
    for r in rows:
        content, held = words(r, "content"), words(r, "held")
        share = None if held is None else share_range(held, r["held_low"], r["held_high"])
        promised = None if content is None else share_words(content)
        of = f"{r['what']} parts" if r["what"] in ("known", "new") else r["what"]
        shown.append([r["process"], r["kind"], of, r["group"], promised, share, r["runs"], r["pieces"],
                      r["parts"], r["note"]])  # fmt: skip
    return shown


def _span(row: Mapping[str, Any], name: str, spec: str) -> str | None:
    """A figure with its interval where it has one: '20.0 (18.8 to 23.2)'."""
    at, low, high = (row[k] for k in (name, f"{name}_low", f"{name}_high"))
    if at is None:
        return None
    return f"{at:{spec}}" if low is None else f"{at:{spec}} ({low:{spec}} to {high:{spec}})"

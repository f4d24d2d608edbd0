"""`moved` and `effect` as a person reads them: n first, the book's units, no more digits than mean something."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from loadbook.analysis.effects.words import p_text
from loadbook.analysis.movement import percent
from loadbook.core import units
from loadbook.core.figures import scale_words, share_words, spoken_unit
from loadbook.core.vocabulary.parameter_names import headings, spoken

MOST_SAID = 6  # sentences before the tables of moved


def to_resolution(value: float | None, unit: str, system: str, step: float | None) -> float | None:
    """A figure of movement with the decimals that its gauge can show (step on the working scale; None: not known).

    >>> to_resolution(-36.55, "percent", "si", 2.9), to_resolution(11.27, "um per 100 mm", "si", 0.3)
    (-37.0, 11.3)
    """
    if value is None or step is None or not step > 0:
        return in_unit(value, unit, system)
    if unit in ("um", "mm") and system != "si":
        return in_unit(value, unit, system)
    return round(value, max(-math.floor(math.log10(step)), 0)) + 0.0


def moved_sentences(
    rows: Sequence[dict[str, Any]],
    differences: Sequence[dict[str, Any]],
    by: Sequence[str],
    system: str,
    movement: bool = True,
) -> list[str]:
    """What the tables of `moved` say: each row's middle where there are few, and the treatments that differ clearly."""
    steps = {(r["process"], r["kind"], r["unit"]): r.get("resolution") for r in rows}

    def text(value: float | None, r: dict[str, Any], signed: bool = False) -> str:
        shown = to_resolution(value, str(r["unit"]), system, steps.get((r["process"], r["kind"], r["unit"])))
        return f"{shown:+g}" if signed else f"{shown:g}"

    def counted(number: str, r: dict[str, Any]) -> str:
        return f"{number} {spoken_unit(scale_words(str(r['unit']), system), number)}"

    def what(r: dict[str, Any]) -> str:
        return f"{r['kind']} ({r['process'] or 'no process'})"

    def of_what(r: dict[str, Any]) -> str:
        return " of the form error before" if scale_words(str(r["unit"]), system) == "%" else ""

    told = [r for r in rows if r["pieces"]]
    out = []
    if movement and 0 < len(told) <= MOST_SAID:
        for r in told:
            under = ", ".join(str(r[b]) for b in by)
            out.append(
                f"{what(r)}{', ' + under if under else ''}: the middle one of {_many(r['pieces'], 'piece')} in "
                f"{_many(r['runs'], 'run')} moved {counted(text(r['median'], r), r)}{of_what(r)}, nine in ten "
                f"{text(r['low'], r)} to {text(r['high'], r)}."
            )
    clear = [d for d in differences if d["p_adjusted"] is not None and d["p_adjusted"] < 0.05]
    for d in sorted(clear, key=lambda d: d["p_adjusted"])[:MOST_SAID]:
        other = "; not the same part numbers" if d["note"] and "one side only" in d["note"] else ""
        out.append(
            f"{what(d)}: {d['b']} less {d['a']} {counted(text(d['difference'], d, True), d)} "
            f"({text(d['low'], d, True)} to {text(d['high'], d, True)}), {_both(d['runs_b'], d['runs_a'], 'run')}, "
            f"{_both(d['pieces_b'], d['pieces_a'], 'piece')}{other}."
        )
    if len(clear) > MOST_SAID:
        rest = len(clear) - MOST_SAID
        out.append(f"{rest} more {'difference is' if rest == 1 else 'differences are'} clear; the table has them all.")
    elif len(differences) == 1 and not clear:
        out.append("The difference between the two treatments is not clear.")
    elif differences and not clear:
        out.append(f"None of {_many(len(differences), 'difference')} between treatments is clear.")
    if movement and told:
        worse = " (a form error: worse)" if any(of_what(r) for r in told) else ""
        out.append(f"Plus: larger after the run than before{worse}; minus: smaller.")
    return out


def _both(b: int, a: int, word: str) -> str:
    return f"{b} and {a} {word}{'' if b == a == 1 else 's'}"


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def in_unit(value: float | None, unit: str, system: str) -> float | None:
    """A figure kept inside, converted and rounded as the book shows it."""
    if value is None:
        return None
    if unit in ("um", "mm"):
        shown, _, digits = units.show(value, unit, system)
        return round(shown, digits)
    return float(f"{value:.4g}")


def in_unit_together(values: Sequence[float | None], unit: str, system: str) -> list[float | None]:
    """A figure and the ends of its interval with the same decimals: what the interval's width means, and no more.

    >>> in_unit_together([-0.0009254, -1.5104, 1.5083], "um per 100 mm", "si")
    [0.0, -1.51, 1.51]
    """
    known = [v for v in values if v is not None]
    width = max(known) - min(known) if known else 0.0
    if unit in ("um", "mm") or not width > 0.0:
        return [in_unit(v, unit, system) for v in values]
    decimals = 2 - math.floor(math.log10(width))
    return [None if v is None else round(v, decimals) + 0.0 for v in values]


def share(value: float | None) -> str | None:
    """A share as per cent."""
    return None if value is None else share_words(value)


def moved_table(rows: Sequence[dict[str, Any]], by: Sequence[str], system: str) -> tuple[list[str], list[list[Any]]]:
    """Columns and rows of the main table; a row with suspected readings is followed by one without them."""
    lead = [c for c in ("process", "kind", "part", "characteristic") if rows and c in rows[0] and c not in by]
    columns = [
        *lead,
        *headings(by, system),
        "runs",
        "pieces",
        "parts",
        "median",
        "5 %",
        "95 %",
        "worst",
        "mean",
        "unit",
    ]
    columns += ["mean's interval", "over tolerance", "below gauge", "set aside"]
    out: list[list[Any]] = []
    for r in rows:
        unit = str(r["unit"])

        def show(name: str, row: dict[str, Any] = r, unit: str = unit) -> float | None:
            return to_resolution(row.get(name), unit, system, row.get("resolution"))

        figures = [show(n) for n in ("median", "low", "high", "worst", "mean")]
        interval = None if r.get("mean_low") is None else f"{show('mean_low'):g} to {show('mean_high'):g}"
        if r["runs"] == 1:
            interval = "one run"
        elif r["runs"] and interval is None:
            interval = "all equal"
        out.append(
            [*(r[c] for c in lead), *(r[b] for b in by), r["runs"], r["pieces"], r["parts"], *figures,
             scale_words(unit, system), interval, share(r["over_tolerance"]), share(r["below_gauge"]), r["set_aside"]]
        )  # fmt: skip
        if r.get("flagged"):
            names = ("median", "low", "high", "worst", "mean")
            clean = [show(f"{n}_without_flagged") for n in names]
            blank: list[Any] = [None] * (len(lead) + len(by) + 3)
            if lead or by:
                blank[len(lead) + len(by) - 1] = f"without {r['flagged']} suspected"
            out.append([*blank, *clean, scale_words(unit, system), None, None, None, None])
    return columns, out


def difference_table(rows: Sequence[dict[str, Any]], system: str) -> tuple[list[str], list[list[Any]]]:
    """Differences of treatments: second less first."""
    columns = ["process", "kind", "treatment", "less", "difference", "low", "high", "unit", "p adjusted"]
    columns += ["runs", "pieces", "compared by", "spread ratio", "note"]
    out = []
    for r in rows:
        unit = str(r["unit"])
        out.append([
            r["process"], r["kind"], r["b"], r["a"],
            *in_unit_together([r[n] for n in ("difference", "low", "high")], unit, system), scale_words(unit, system),
            None if r["p_adjusted"] is None else p_text(r["p_adjusted"]),
            f"{r['runs_b']} and {r['runs_a']}", f"{r['pieces_b']} and {r['pieces_a']}", r["evidence"],
            None if r["spread_ratio"] is None else float(f"{r['spread_ratio']:.3g}"), r["refused"] or r["note"],
        ])  # fmt: skip
    return columns, out


def scatter_table(rows: Sequence[dict[str, Any]], system: str) -> tuple[list[str], list[list[Any]]]:
    """Where the scatter comes from, level by level."""
    out = []
    for r in rows:
        told = "cannot be told: one only" if r["sd"] is None else "none seen" if r["sd"] == 0 else share(r["share"])
        out.append([r["process"], r["kind"], r["level"], in_unit(r["sd"], r["unit"], system),
                    scale_words(r["unit"], system), told])  # fmt: skip
    return ["process", "kind", "between", "sd", "unit", "share"], out


def lots_table(rows: Sequence[dict[str, Any]], by: Sequence[str], system: str) -> tuple[list[str], list[list[Any]]]:
    """Lots without serials: after less before of their means."""
    columns = ["process", "kind", *headings(by, system), "runs", "lots", "read before", "read after", "difference"]
    columns += ["low", "high", "unit", "compared by", "spread ratio", "note"]
    out = []
    for r in rows:
        unit = str(r["unit"])
        ratio = None if r["spread_ratio"] is None else float(f"{r['spread_ratio']:.3g}")
        figures = in_unit_together([r[n] for n in ("difference", "low", "high")], unit, system)
        out.append([r["process"], r["kind"], *(r[b] for b in by), r["runs"], r["lots"], r["read_before"],
                    r["read_after"], *figures, scale_words(unit, system), r["evidence"], ratio, r["said"]])  # fmt: skip
    return columns, out


def _factor(unit: str, system: str) -> float:
    return units.show(1.0, unit, system)[0] if unit in ("um", "mm") else 1.0


def effect_table(rows: Sequence[dict[str, Any]], system: str) -> tuple[list[str], list[list[Any]]]:
    """Effects in figures; the verdicts are printed as sentences below."""
    columns = ["process", "kind", "parameter", "runs", "pieces", "parts", "from", "to", "effect", "low", "high", "per"]
    columns += ["p", "p adjusted", "moves together with"]
    out = []
    for r in rows:
        unit = str(r["effect_unit"])
        factor, zero, name = units.line(str(r["unit"]), system)
        y_factor = _factor(unit, system)
        figures = _together([
            None if r[n] is None else _per_step(r[n] * y_factor, unit, 1.0 / factor)
            for n in ("effect", "effect_low", "effect_high")
        ])  # fmt: skip
        ends = [None if r[n] is None else float(f"{r[n] * factor + zero:.4g}") for n in ("range_low", "range_high")]
        per = f"{scale_words(unit, system)} per {name}" if name else scale_words(unit, system)
        if r["against"]:
            per, ends = f"{scale_words(unit, system)} against {r['against']}", [None, None]
        together = "; ".join(spoken(n, system) for n in r["confounded_with"] or [])
        out.append([
            r["process"], r["kind"], spoken(r["parameter"], system), r["runs"], r["pieces"], r["parts"], *ends,
            *figures, per, None if r["p"] is None else p_text(r["p"]),
            None if r["p_adjusted"] is None else p_text(r["p_adjusted"]), together,
        ])  # fmt: skip
    return columns, out


def _together(values: Sequence[float | None]) -> list[float | None]:
    """A figure and the ends of its interval, to the third digit of the largest, so that none reads like 2e-05."""
    known = [abs(v) for v in values if v]
    if not known:
        return list(values)
    decimals = max(2 - math.floor(math.log10(max(known))), 0)
    return [None if v is None else round(v, decimals) + 0.0 for v in values]


def _per_step(slope: float, unit: str, steps: float) -> float:
    """A slope per unit kept inside over so many of them; per cents are taken one on top of the other."""
    return percent.over(slope, steps) if unit == percent.PERCENT else slope * steps


def clearest(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Effects by how clear they are: smallest p first, those without a figure left out."""
    told = [r for r in rows if r["p"] is not None and r["fit"] != "not separable"]
    return sorted(told, key=lambda r: (r["p_adjusted"], r["p"]))


def effects_sentence(rows: Sequence[dict[str, Any]], confidence: float, system: str) -> str:
    """How many of the effects that were tried are clear, open, and without a figure."""
    told = clearest(rows)
    real = [r for r in told if r["p_adjusted"] < 1.0 - confidence]
    open_, refused = len(told) - len(real), len(rows) - len(told)
    first = f"{len(real)} of {len(rows)} go with movement beyond chance, all that were tried counted"
    names = [
        f"{r['kind']} ({r['process'] or 'no process'}) with {spoken(r['parameter'], system)}" for r in real[:MOST_SAID]
    ]
    more = f" and {len(real) - MOST_SAID} more" if len(real) > MOST_SAID else ""
    which = f": {'; '.join(names)}{more}" if names else ""
    rest = f" {open_} cannot be told from chance" + (f", {refused} have no figure." if refused else ".")
    return f"{first}{which}.{rest}"


def companion_table(rows: Sequence[dict[str, Any]], system: str) -> tuple[list[str], list[list[Any]]]:
    """What stands beside an effect: other fits of the same slope."""
    names: tuple[str, ...] = ("effect", "alone", "without_calendar", "pooled")
    names += ("left_out_low", "left_out_high", "lower_half", "upper_half")
    columns = ["kind", "parameter", "unit", *names, "low without run", "high without run"]
    out = []
    for r in rows:
        if r["effect"] is None:
            continue
        factor, _, name = units.line(str(r["unit"]), system)
        scale = _factor(str(r["effect_unit"]), system) / factor
        figures = [None if r[n] is None else float(f"{r[n] * scale:.3g}") for n in names]
        unit = f"{scale_words(str(r['effect_unit']), system)} per {name or 'level'}"
        out.append(
            [r["kind"], spoken(r["parameter"], system), unit, *figures, r["left_out_low_run"], r["left_out_high_run"]]
        )
    return columns, out

"""A judged run as a person reads it: the verdict in five seconds, the reasons in thirty."""

from __future__ import annotations

import math
import re
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, TextIO

from loadbook.analysis.trace.model import ClauseResult
from loadbook.core import times, units
from loadbook.core.figures import shown as shown_figure
from loadbook.core.figures import spoken_unit
from loadbook.core.phrases import few, many
from loadbook.core.typed import quote
from loadbook.core.vocabulary.parameter_names import spoken
from loadbook.queries.evidence_words import worded
from loadbook.queries.judge import AskedAchieved, JudgedRun, local
from loadbook.queries.relations import Relations
from loadbook.queries.remark_words import words
from loadbook.store.book import BookFolder
from loadbook.store.derived import fault_state

from .tables import emit, plain, write_words


def figure(value: float | None, unit: str, system: str, spec: str | None = None) -> str:
    """A value in the book's units, with its label; '' for none. spec: a format's, in the place of the usual digits.

    >>> figure(138.889, "c_diff", "us"), figure(3725.0, "s", "si"), figure(116.0, "kg", "si"), figure(46.6, "kg", "us")
    ('250.0 °F', '62.1 min', '116 kg', '102.7 lb')
    """
    if value is None:
        return ""
    if unit == "s":
        return f"{value / 60.0:.1f} min" if value >= 120.0 else f"{value:.0f} s"
    if unit in ("mbar", "mbar_per_h"):
        return shown_figure(value, unit, system)
    if unit not in units.SHOWN["si"]:
        return f"{value:.6g}" + (f" {unit}" if unit else "")
    shown, label, digits = units.show(value, unit, system)
    if unit == "kg" and spec is None:  # as a load is weighed
        return f"{round(shown, 1 if shown >= 10.0 else 3):.9g} {label}"
    return f"{shown:{spec or f'.{digits}f'}} {spoken_unit(label)}"


def width(value: float, unit: str, system: str) -> str:
    """An uncertainty or a standard error of a figure in a unit: of a temperature it is a difference.

    >>> width(10.0, "c", "us")
    '18.0 °F'
    """
    return figure(value, "c_diff" if unit == "c" else unit, system)


def close_figure(value: float | None, limit: float | None, unit: str, system: str) -> str:
    """A value beside its limit: with more digits where rounding would make a breach look like none."""
    text = figure(value, unit, system)
    if value is None or limit is None or value == limit or unit not in units.SHOWN["si"]:
        return text
    if text == figure(limit, unit, system) and not math.isclose(value, limit, rel_tol=1e-9):
        shown, label, digits = units.show(value, unit, system)
        return f"{shown:.{digits + 3}f} {label}"
    return text


def asked_figure(value: float | None, unit: str, system: str) -> str:
    """A figure that somebody set, such as a target: no tail of a measured one.

    >>> asked_figure(600.0, "c", "si"), asked_figure(12.5, "c_per_h", "si"), asked_figure(600.0, "c", "us")
    ('600 °C', '12.5 °C/h', '1112 °F')
    """
    return re.sub(r"\.0(?= )", "", figure(value, unit, system))


def furnace_limits(furnace: Any, system: str) -> list[tuple[str, str | None]]:
    """How hot a furnace may get and its class, a row of `furnace`, as heading and words.

    >>> furnace_limits({"max_temp_c": 750.0, "uniformity_c": 8.0}, "si")
    [('hottest allowed', '750 °C'), ('uniformity', '±8 °C')]
    """
    hottest, half = furnace["max_temp_c"], furnace["uniformity_c"]
    return [
        ("hottest allowed", None if hottest is None else shown_figure(hottest, "c", system)),
        ("uniformity", None if half is None else f"±{shown_figure(half, 'c_diff', system, '.3g')}"),
    ]


def clause_figures(
    clause: str, value: float | None, limit: float | None, unit: str | None, system: str
) -> tuple[str, str]:
    """What a clause found and its limit, in words; a furnace's class lies on both sides of the temperature.

    >>> clause_figures("furnace class", 8.0, 6.0, "c_diff", "si"), clause_figures("lead", 8.0, None, "c_diff", "si")
    (('±8.0 °C', '±6.0 °C'), ('8.0 °C', ''))
    """
    told = (close_figure(value, limit, unit or "", system), figure(limit, unit or "", system))
    if clause != "furnace class":
        return told
    return (f"±{told[0]}" if told[0] else "", f"±{told[1]}" if told[1] else "")


def label(c: ClauseResult, system: str) -> str:
    """A clause's name with the temperatures between which alone it binds.

    >>> from loadbook.core.remarks import remark
    >>> label(ClauseResult("heat 3 rate", "kept", remark("limit"), above_c=585.0), "us")
    'heat 3 rate, above 1085.0 °F'
    """
    sides = [
        f"{word} {figure(v, 'c', system)}" for word, v in (("above", c.above_c), ("below", c.below_c)) if v is not None
    ]
    distance = c.text.figures.get("distance_mm")
    of = f" of {shown_figure(distance, 'mm', system)}" if distance is not None else ""
    return c.clause + of + (f", {' and '.join(sides)}" if sides else "")


def lasted(seconds: float | None) -> str:
    """A duration as people say it."""
    if seconds is None:
        return ""
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


def lacks(c: ClauseResult, system: str) -> str:
    """Why a clause cannot be told; '' where nothing is missing."""
    return worded([c.missing], system) if c.missing else ""


def print_judged(judged: JudgedRun, book: BookFolder, *, every: bool = False) -> None:
    """Write one judged run: headline, with suspected faults and checks that are not current directly below; broken
    clauses, open ones, kept ones, asked and achieved, all checks; the headline again as the last line.

    every  also the sentence of each clause
    """
    out, system = sys.stdout, book.units
    write_words(f"{plain(judged.run)}  {judged.headline}", out, bold=True)
    _say(out, _about(judged, book))

    def when(seconds: float | None) -> str:
        return local(judged.moment(seconds), book)

    for found in judged.load:
        _say(out, plain(words(found, system)))
    _faults(judged, out, when, system)
    broken = judged.of("broken")
    if broken:
        _section(out, "Broken, by first moment", ["clause", "first moment", "worst moment", "channel", "value", "limit",
                                                  "for", ""], [_broken(c, when, system) for c in broken])  # fmt: skip
    untold = judged.of("cannot be told")
    if untold:
        rows = [[label(c, system), lacks(c, system), *clause_figures(c.clause, c.value, c.limit, c.unit, system),
                 c.channel or "", when(c.worst_s)] for c in untold]  # fmt: skip
        _section(out, "Cannot be told", ["clause", "what is missing", "value", "limit", "channel", "moment"], rows)
    kept = judged.of("kept")
    if kept:
        rows = []
        for c in kept:
            value, limit = clause_figures(c.clause, c.value, c.limit, c.unit, system)
            rows.append([label(c, system), value or "never came to bind", limit, c.channel or "", when(c.worst_s),
                         _turn(c, system)])  # fmt: skip
        _section(out, "Kept", ["clause", "nearest to the limit", "limit", "channel", "moment", ""], rows)
    if every:
        _section(
            out,
            "What each clause says",
            ["clause", "sentence"],
            [[label(c, system), worded([c.text], system)] for c in judged.clauses],
        )
    if judged.asked:
        rows = [[spoken(a.parameter, system), asked_figure(a.asked, a.unit, system) or "not asked",
                 asked_figure(a.program, a.unit, system), achieved(a, system),
                 a.source if a.achieved is not None else ""] for a in judged.asked]  # fmt: skip
        columns = ["parameter", "the cycle asks", "set at the program", "achieved", "from"]
        _section(out, "Asked and achieved", columns, rows)
    _checks(judged, out, system)
    if judged.repairs:
        rows = [[r.channel, worded([r.repair], system), figure(r.recorded_c, "c", system),
                 figure(r.repaired_c, "c", system) or "left out",
                 figure(r.added_c, "c_diff", system),
                 f"{r.person}, {times.local_day(r.at, book.zone)}: {r.why}"]
                for r in judged.repairs]  # fmt: skip
        columns = [
            "channel", "what was done", "at the hold: as recorded", "as repaired", "uncertainty added", "decided",
        ]  # fmt: skip
        _section(out, "Repaired on a named person's word (the trace is kept as it was recorded)", columns, rows)
        if judged.as_recorded is not None:
            _say(out, f"By the readings as recorded: {judged.as_recorded.verdict.upper()}; as repaired: "
                      f"{judged.verdict.upper()}")  # fmt: skip
    _relations(judged, out, system)
    if judged.remarks:
        _say(out, "\nRemarks")
        for remark in judged.remarks:
            _say(out, f"  {plain(remark)}")
    _say(out, f"\n{plain(judged.approval)}\n")
    write_words(f"{plain(judged.run)}  {judged.headline}", out, bold=True)


def print_many(rows: Sequence[dict[str, Any]], book: BookFolder, out: TextIO | None = None) -> None:
    """Write several judged runs, a line each, and below them how they stand together.

    rows  of `JudgedRun.summary`
    """
    out = out or sys.stdout
    lines = [
        [r["run"], local(r["started"], book)[:10], r["furnace"],
         f"{r['cycle']} {r['cycle_revision'] or ''}".strip() if r["cycle"] else "no cycle",
         stands(r), f"{r['broken']} of {r['clauses']}" if r["broken"] else "", r["first_broken"] or ""]
        for r in rows
    ]  # fmt: skip
    emit(["run", "began", "furnace", "cycle", "verdict", "broken", "first broken"], lines, None, out=out)
    faulty = [r["run"] for r in rows if r["faults"]]
    if faulty:
        _say(out, f"\nThermocouple faults, certain or suspected: {few(faulty, 8)}.")
    loaded = [r["run"] for r in rows if r["load"]]
    if loaded:
        _say(out, f"{'' if faulty else chr(10)}Remarks on the load: {few(loaded, 8)}.")
    counts = Counter(stands(r) for r in rows)
    order = ("kept", "broken", "cannot be told")
    told = [
        f"{counts[w]} {w.replace(', ', ' and ')}"
        for w in sorted(counts, key=lambda w: order.index(w) if w in order else len(order))
    ]
    _say(out, "")
    write_words(f"{many(len(rows), 'run')}: {', '.join(told)}", out, bold=True)


def stands(row: dict[str, Any]) -> str:
    """A run's status, where it is not done, before its verdict: 'aborted, broken'.

    >>> stands({"status": "aborted", "verdict": "broken"}), stands({"status": "done", "verdict": "kept"})
    ('aborted, broken', 'kept')
    """
    return ", ".join(x for x in (row["status"] if row["status"] != "done" else "", row["verdict"] or "") if x)


def _faults(judged: JudgedRun, out: TextIO, when: Callable[[float | None], str], system: str) -> None:
    if not judged.faults:
        return
    decided = {(c, k): d for c, k, d in judged.record.confirmed()}
    rows = [[f.channel, f.kind, when(f.start_s), lasted(f.end_s - f.start_s), f"{f.confidence:.2f}",
             decided.get((f.channel, f.kind)) or fault_state(f), worded(f.evidence, system)]
            for f in judged.faults]  # fmt: skip
    _section(out, "Thermocouple faults", ["channel", "fault", "from", "for", "confidence", "state", "evidence"], rows)
    if any(row[5] == "suspected" for row in rows):
        command = f"loadbook confirm fault {quote(judged.run)} CHANNEL --kind K"
        _say(out, "A suspected fault deletes nothing. A named person decides it:")
        _say(out, f"  {command} --decision confirmed|refused --person P --why TEXT")


def movement_rows(relations: Relations, system: str) -> tuple[list[str], list[list[str]]]:
    """(columns, rows) of what the pieces moved in each of the runs that belong together, and in all."""

    def moved(value: float | None, unit: str) -> str:
        return (
            figure(value * 1000.0, "um", system) if unit == "mm" and value is not None else figure(value, unit, system)
        )

    columns = ["piece", "characteristic", *(f"in {run}" for run in relations.runs), "together", "between"]
    rows = [
        [f"{m.part} {m.serial}", m.characteristic, *(moved(v, m.unit) or "not known" for v in m.moved),
         moved(m.total, m.unit) or "not known", ", ".join(m.between)]
        for m in relations.moved
    ]  # fmt: skip
    return columns, rows


def _relations(judged: JudgedRun, out: TextIO, system: str) -> None:
    if judged.relations is not None and judged.relations.moved:
        _section(out, "Movement, treatment by treatment", *movement_rows(judged.relations, system))


def _say(out: TextIO, text: str) -> None:
    write_words(text, out)


def _section(out: TextIO, title: str, columns: Sequence[str], rows: list[list[str]]) -> None:
    kept = [i for i, name in enumerate(columns) if any(row[i] for row in rows) or name == columns[0]]
    _say(out, "")
    emit([columns[i] for i in kept], [[row[i] for i in kept] for row in rows], None, title=title, out=out)


def _about(judged: JudgedRun, book: BookFolder) -> str:
    row = judged.record.row
    said = [f"furnace {row['furnace']} ({judged.record.atmosphere})", f"began {local(row['started'], book)[:16]}"]
    if row["ended"]:
        said.append(f"ended {local(row['ended'], book)[:16]}")
    said.append(f"{book.zone.key}, {row['status']}")
    said += judged.relations.words if judged.relations else []
    if judged.judgement is not None:
        said.append(f"judged until {local(judged.moment(judged.judgement.judged_until_s), book)[:16]}")
    return plain(", ".join(said))


def _broken(c: ClauseResult, when: Callable[[float | None], str], system: str) -> list[str]:
    value, limit = clause_figures(c.clause, c.value, c.limit, c.unit, system)
    return [label(c, system), when(c.first_s), when(c.worst_s), c.channel or "", value, limit, lasted(c.lasted_s),
            _turn(c, system)]  # fmt: skip


def _turn(c: ClauseResult, system: str) -> str:
    """The uncertainty, where it could turn the verdict."""
    if not c.uncertain or c.uncertainty is None:
        return ""
    return f"could turn: uncertainty {width(c.uncertainty, c.unit, system)}"


def achieved(a: AskedAchieved, system: str) -> str:
    """What was achieved of a parameter that the cycle asks, with its standard error; beside it the same of the samples
    above a temperature, where the cycle's limit binds only there."""
    text = figure(a.achieved, a.unit, system) or ("not reached" if a.not_reached else "not known")
    if a.se and a.se >= 0.05:
        text += f" (standard error {width(a.se, a.unit, system)})"
    return text + "".join(
        f"; {figure(value, a.unit, system)} above {figure(above, 'c', system, '.0f')}" for above, value in a.above
    )


def _checks(judged: JudgedRun, out: TextIO, system: str) -> None:
    checks = judged.record.checks
    if not checks:
        _say(out, "\nFurnace checks: none is recorded by that day")
        return
    order = {"failed": 0, "past due": 1, "no due date": 2, "current": 3}
    rows = [
        [c.kind, c.state.upper() if c.state in ("failed", "past due") else c.state, c.done_on, c.due_on or "",
         figure(c.at_c, "c", system), figure(c.worst_c, "c_diff", system)]
        for c in sorted(checks, key=lambda c: (order[c.state], c.kind))
    ]  # fmt: skip
    _section(out, "Furnace checks on that day", ["check", "state", "done", "due", "at", "worst"], rows)

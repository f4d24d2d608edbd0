"""A month as a page: runs and verdicts, furnaces against their past, movement, thermocouple faults, answers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from loadbook.core import times
from loadbook.core.figures import scale_words, share_words
from loadbook.core.phrases import few, many
from loadbook.queries.answer_figures import span as interval
from loadbook.queries.furnaces import signalled
from loadbook.queries.month import MONTHS, GivenAnswer, MonthSeen, earlier_of
from loadbook.queries.past import word_of
from loadbook.queries.result import records
from loadbook.render.attention import Left, left_by_part, untold
from loadbook.render.judged import clause_figures
from loadbook.render.movement import in_unit
from loadbook.store.book import BookFolder

from .markup import Html, data_block, el, join
from .month_furnaces import furnaces
from .month_pictures import Lane, Span, halves, movement_picture, strip_picture
from .shell import mark, moment, more, page, paragraph, picture, section, sentences, subsection, table, whole

MOST_BROKEN = 40


def month_page(seen: MonthSeen, book: BookFolder, system: str) -> str:
    """The whole page, in units 'si' or 'us'."""
    year, number = seen.month.month.split("-")
    sections = [
        _attention(seen, book, system), _runs(seen, book), furnaces(seen, book, system), _movement(seen, system),
        _faults(seen), _answers(seen, book, system),
    ]  # fmt: skip
    return page(
        f"{MONTHS[int(number) - 1]} {year}", sections, kind="The shop's month", summary=_summary(seen),
        footer=[
            paragraph(f"Runs that began in the month, on the shop's clock ({book.zone.key}). Figures as of "
                      f"{times.now().astimezone(book.zone).date().isoformat()}."),
            paragraph("A kept cycle says nothing of the parts: that takes a recorded approval. A furnace's signal says "
                      "that something changed, not what. Movement is history, not a promise."),
        ],
        contents=[("attention", "Needs attention"), ("runs", "Runs"), ("furnaces", "Furnaces"),
                  ("movement", "Movement"), ("faults", "Thermocouples"), ("answers", "Answers")],
    )  # fmt: skip


def _summary(seen: MonthSeen) -> Html:
    rows = records(seen.month.runs)
    if not rows:
        return paragraph("No run began in this month.")
    counts: dict[str, int] = {}
    for row in rows:
        counts[word_of(row)] = counts.get(word_of(row), 0) + 1
    order = ["kept", "broken", "cannot be told", "no trace", "no cycle", "aborted", "void"]
    told = [mark(w, words=f"{counts[w]} {w}") for w in sorted(counts, key=lambda w: order.index(w))]
    pieces = sum(int(r["pieces"]) for r in rows)
    furnaces = len({r["furnace"] for r in rows})
    head = f"{many(len(rows), 'run')} in {many(furnaces, 'furnace')}, {many(pieces, 'piece')}. Cycles: "
    lines: list[Any] = [el("p", head, [[" ", t] if k else t for k, t in enumerate(told)])]
    signals = signalled(seen.charts)
    if signals:
        named = sorted({c.furnace for c, _ in signals})
        lines.append(
            paragraph(mark("broken", words="Look at"), f" {', '.join(named)}: {many(len(signals), 'signal')} below.")
        )
    elif any(c.chart.limits for c in seen.charts):
        lines.append(paragraph("No furnace gave a signal on its control charts."))
    return el("div", lines)


def _attention(seen: MonthSeen, book: BookFolder, system: str) -> Html:
    """What a person must look at: what left its tolerance, runs that broke their cycle, runs that nobody can tell."""
    verdicts = records(seen.month.verdicts)
    broken = [v for v in verdicts if v["verdict"] == "broken"]
    parts: list[Any] = [_left(left_by_part(records(seen.month.movement), system))]
    if broken:
        lines = [
            [whole(v["run"]), v["clause"],
             *clause_figures(v["clause"], v["value"], v["limit_value"], v["unit"], system), v["channel"],
             moment(_local(v["worst_at"], book))]
            for v in broken[:MOST_BROKEN]
        ]  # fmt: skip
        columns = ["run", "broken clause", "value", "limit", "channel", "worst moment"]
        made = table(columns, lines, caption="Broken clauses", figures=("value", "limit"), hide_caption=True)
        parts.append(subsection("Broke its cycle", made))
        if len(broken) > MOST_BROKEN:
            parts.append(paragraph(f"{len(broken) - MOST_BROKEN} more: loadbook report broken_clauses.", class_="note"))
    elif len(seen.month.runs):
        parts.append(paragraph("No run broke its cycle."))
    open_ = untold(records(seen.month.runs), verdicts, system)
    if told := sentences([f"{run} cannot be told: {'; '.join(why)}." for run, why in open_.items()]):
        parts.append(subsection("Undecided", told))
    return section("Needs attention", *parts, name="attention")


def _left(found: Sequence[Left]) -> Html:
    """Pieces that were inside their tolerance before a run of the month and outside after, by part, run and job."""
    if not found:
        return paragraph("No piece that was measured left its tolerance.")
    lines = [[x.part, whole(x.run), x.job, str(len(x.serials)), few(x.serials), ", ".join(x.characteristics), x.worst,
              x.limit] for x in found]  # fmt: skip
    columns = ["part", "run", "job", "pieces", "serials", "characteristics", "worst", "its limit"]
    made = table(columns, lines, caption="By part, run and job", figures=("pieces",), hide_caption=True)
    count = sum(len(x.serials) for x in found)
    return subsection(f"Left tolerance: {many(count, 'piece')}", made)


def _runs(seen: MonthSeen, book: BookFolder) -> Html:
    rows = records(seen.month.runs)
    if not rows:
        return section("Runs", paragraph("None."), name="runs")
    lanes = [Lane(str(r["furnace"]), str(r["run"]), r["started"], r["ended"], word_of(r)) for r in rows]
    drawn = []
    for first, last, mine in halves(lanes, seen.month.since, seen.month.until, book.zone):
        told = "; ".join(f"{x.furnace} {x.run} {x.word}" for x in mine) or "none"
        svg = strip_picture(lanes, mine, seen.month.since, first, last)
        drawn.append(picture(svg, f"Runs by furnace, day {first + 1} to {last} of the month: {told}"))
    lines = [[whole(r["run"]), moment(_local(r["started"], book)), r["furnace"],
              f"{r['cycle']} {r['cycle_revision']}" if r["cycle"] else "no cycle", mark(word_of(r)), r["setup"],
              str(int(r["pieces"]))] for r in rows]  # fmt: skip
    columns = ["run", "began", "furnace", "cycle", "verdict", "setup", "pieces"]
    listed = table(columns, lines, caption="Every run", figures=("pieces",), hide_caption=True)
    return section("Runs", el("div", drawn, class_="multiples", id="strip"), el("p", _shapes(lanes), class_="note"),
                   more(f"Every run: {len(lines)}", listed), data_block("runs-data", rows), name="runs")  # fmt: skip


def _shapes(lanes: Sequence[Lane]) -> list[Any]:
    words = sorted({x.word for x in lanes})
    shapes = {"aborted": "cross", "void": "cross"}
    return [[mark(w) if w not in shapes else f"+ {w}", " "] for w in words]


def _movement(seen: MonthSeen, system: str) -> Html:
    rows = records(seen.month.treatments)
    if not rows:
        return section(
            "Movement by treatment", paragraph("Nothing was measured before and after a run of this month."),
            *_set_aside(seen), name="movement",
        )  # fmt: skip
    groups: dict[tuple[str, str, str], list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["process"], row["kind"], row["unit"]), []).append(row)
    pictures = []
    for (process, kind, unit), members in groups.items():
        spans = [_span(seen, r, unit, system) for r in members]
        drawn = movement_picture(f"{kind}, {process}", scale_words(unit, system), spans)
        told = "; ".join(
            f"{s.name}: {s.low:g} to {s.high:g}, middle {s.median:g}, {many(s.runs, 'run')}" for s in spans
        )
        pictures.append(picture(drawn, f"Movement of {kind} in {process}, {scale_words(unit, system)}: {told}"))
    over = [r for r in rows if r["over_tolerance"]]
    lines = [
        f"{r['kind']} ({r['process']}, {_name(r)}): {round(r['over_tolerance'] * r['pieces'])} of "
        f"{many(r['pieces'], 'piece')} ({share_words(r['over_tolerance'])}) went from inside to outside the tolerance."
        for r in over
    ]  # fmt: skip
    note = (
        "Dark: 5 % to 95 % and middle of this month's pieces. Light: the same treatment in all runs before. Ten pieces "
        "of one run are one run's luck. Rows are told apart by setup and atmosphere."
    )
    return section(
        "Movement by treatment", paragraph(note, class_="note"), sentences(lines),
        el("div", pictures, class_="multiples"), *_set_aside(seen), data_block("movement-data", rows), name="movement",
    )  # fmt: skip


def _name(row: dict[str, Any]) -> str:
    return ", ".join(str(row[k]) for k in ("setup", "atmosphere") if row[k]) or "not recorded"


def _span(seen: MonthSeen, row: dict[str, Any], unit: str, system: str) -> Span:
    before = earlier_of(seen, row)
    low, median, high = (in_unit(row[k], unit, system) or 0.0 for k in ("low", "median", "high"))
    earlier = None
    if before is not None and before["median"] is not None:
        a, b, c = (in_unit(before[k], unit, system) or 0.0 for k in ("low", "median", "high"))
        earlier = (a, b, c, int(before["runs"]))
    return Span(_name(row), low, median, high, int(row["runs"]), int(row["pieces"]), earlier)


def _set_aside(seen: MonthSeen) -> list[Any]:
    rows = records(seen.month.set_aside) if "readings" in seen.month.set_aside.columns else []
    if not rows:
        return []
    reasons = [(f"{r['readings']} " if len(rows) > 1 else "") + str(r["set_aside"]) for r in rows]
    told, count = ", ".join(reasons), sum(r["readings"] for r in rows)
    return [paragraph(f"Set aside, so in no figure above: {many(count, 'reading')} ({told}).")]


def _faults(seen: MonthSeen) -> Html:
    rows = records(seen.faults)
    if not rows:
        return section("Thermocouple faults", paragraph("None certain or suspected in this month."), name="faults")
    grouped: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for r in rows:
        grouped.setdefault((r["furnace"], r["channel"], r["fault"]), []).append(r)
    lines = []
    for (furnace, channel, fault), members in sorted(grouped.items(), key=lambda i: (-len(i[1]), str(i[0]))):
        runs = ", ".join(dict.fromkeys(str(m["run"]) for m in members))
        states = sorted({_state(m) for m in members})
        place = ", ".join(sorted({str(m["place"]) for m in members if m["place"]}))
        lines.append([f"{furnace} {channel}", fault, runs, place, join([[mark(s), " "] for s in states])])
    count = len({r["run"] for r in rows})
    return section(
        "Thermocouple faults",
        paragraph(f"{many(len(rows), 'fault')} in {many(count, 'run')}. A suspected one never deletes a finding: a "
                  "named person decides (loadbook confirm)."),
        table(["thermocouple", "fault", "runs", "place", "state"], lines, caption="Certain and suspected faults"),
        paragraph("Those that failed often before: loadbook report failing_thermocouples.", class_="note"),
        data_block("faults-data", rows), name="faults",
    )  # fmt: skip


def _state(row: dict[str, Any]) -> str:
    return f"{row['decision']}" if row["decision"] else str(row["verdict"])


def _answers(seen: MonthSeen, book: BookFolder, system: str) -> Html:
    parts: list[Any] = []
    if seen.given:
        lines = [
            [str(a.answer_id), _local(a.answered_at, book)[:10], a.about, _interval(a, system), _fate(a)]
            for a in seen.given
        ]
        columns = ["answer", "given", "about", "interval", "measured since, up to now"]
        parts.append(table(columns, lines, caption="Given this month"))
    else:
        parts.append(paragraph("No answer was kept in this month (loadbook answer ... --save)."))
    if seen.measured:
        pieces, inside = sum(a.pieces for a in seen.measured), sum(a.inside for a in seen.measured)
        lines = [
            [str(a.answer_id), _local(a.answered_at, book)[:10], a.about, _interval(a, system), _fate(a)]
            for a in seen.measured
        ]
        columns = ["answer", "given", "about", "interval", "pieces measured in this month's runs"]
        parts.append(paragraph(f"Of {many(pieces, 'piece')} measured in this month's runs, {inside} fell inside the "
                               "interval that had been answered."))  # fmt: skip
        parts.append(table(columns, lines, caption="Answers that this month's runs put to the test"))
    told = {"given": [vars(a) for a in seen.given], "measured": [vars(a) for a in seen.measured]}
    return section("Answers and how they turned out", *parts, data_block("answers-data", told), name="answers")


def _interval(a: GivenAnswer, system: str) -> str:
    if a.low is None or a.high is None:
        return f"no figure: {a.refused}"
    return f"{interval(a.low, a.high, a.unit, system)} for {share_words(a.content)}"


def _fate(a: GivenAnswer) -> Any:
    if a.low is None:
        return "no figure to score"
    if not a.pieces:
        return "not measured yet"
    return f"{a.inside} of {many(a.pieces, 'piece')} inside, {many(a.runs, 'run')}"


def _local(moment: datetime | str | None, book: BookFolder) -> str:
    """A stored moment (UTC) on the shop's clock, to the minute."""
    if moment is None:
        return ""
    text = moment if isinstance(moment, str) else moment.isoformat(sep="T", timespec="seconds")
    return times.shown(text if text.endswith("Z") else text + "Z", book.zone)[:16]

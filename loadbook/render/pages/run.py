"""The record of one run as a page: the verdict at one glance, the chart, what was asked and done, and all behind it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from loadbook.core.figures import inline
from loadbook.core.times import local_day
from loadbook.core.vocabulary.parameter_names import spoken
from loadbook.queries.evidence_words import worded
from loadbook.queries.judge import JudgedRun, local
from loadbook.queries.remark_words import words
from loadbook.queries.run_record import RunSheet, private
from loadbook.render.judged import achieved, asked_figure, clause_figures, figure, label, lacks, lasted, width
from loadbook.store.book import BookFolder

from .gloss import gloss
from .markup import Html, data_block, el, join
from .run_chart import fault_states, run_chart
from .run_records import about_run, amended, approved, checked, jobs, measured, moved, provenance
from .run_words import clock, segment_words, when_of
from .shell import mark, page, paragraph, section, sentences, subsection, table, whole

NO_CYCLE = "no cycle"
MISSING = ("What is missing:", "Cannot be told, and what is missing:")
MOST = 6  # clauses told in the glance
_VERDICT = {"kept": "Cycle kept", "broken": "Cycle broken", "cannot be told": "Cannot be told",
            "no trace": "No trace", NO_CYCLE: "No verdict"}  # fmt: skip
CONTENTS = (
    ("curves", "Chart"), ("done", "Asked and done"), ("clauses", "Clauses"), ("faults", "Thermocouple faults"),
    ("measured", "Parameters"), ("pieces", "Pieces and movement"), ("jobs", "Jobs"), ("furnace", "Furnace"),
    ("approvals", "Approvals and nonconformances"), ("amendments", "Amendments"), ("cautions", "Cautions"),
    ("provenance", "Provenance"),
)  # fmt: skip


def run_page(
    sheet: RunSheet, book: BookFolder, system: str, made_at: str, *, internal: bool = False, home: Any = None
) -> str:
    """The whole page of a run in units 'si' or 'us'; made_at is a UTC moment as stored.

    internal  print INTERNAL on every sheet;  home  links to the pages around it
    """
    judged = sheet.judged
    charted = gloss((name for name, _ in sheet.picture.apart), system) if sheet.picture else None
    sections = [
        section("Time and temperature", run_chart(sheet, book, system), charted, _events(sheet, book), name="curves"),
        section("Asked and done", _asked_and_done(sheet, book, system), name="done"),
        section("Every clause", _clauses(sheet, book, system), name="clauses"),
        section("Thermocouple faults", _faults(sheet, book, system), name="faults"),
        section("Parameters", measured(sheet, book, system), name="measured"),
        section("Pieces and movement", moved(sheet, system), name="pieces"),
        section("Jobs", jobs(sheet), name="jobs"),
        section("Furnace and its checks on that day", checked(sheet, system), name="furnace"),
        section("Approvals and nonconformances", approved(sheet, book), name="approvals"),
        *([section("Amendments", amended(sheet, book, system), name="amendments")] if sheet.customer is None else []),
        section("Cautions", sentences([inline(c, system) for c in sheet.cautions]), name="cautions"),
        section("Provenance", provenance(sheet, book, system, made_at), name="provenance"),
        data_block("run-data", run_data(sheet, system)),
    ]
    contents = [c for c in CONTENTS if sheet.customer is None or c[0] != "amendments"]
    drawn = judged.worked is not None
    glance = [_verdict(sheet, book, system), about_run(sheet, book, system)]
    return page(
        f"Run {judged.run}", sections, kind="Run record", summary=glance,
        footer=paragraph("Made by loadbook from the shop's own records. It describes what the records show; it is "
                         "not a certificate."),
        scripts=("runchart.js",) if drawn else (), styles=("chart.css", "run.css"), contents=contents,
        internal=internal, home=home,
    )  # fmt: skip


def run_data(sheet: RunSheet, system: str) -> dict[str, Any]:
    """What the page says, with the keys of `judge --format json` and of the views: figures in the units kept inside,
    sentences in the page's."""
    judged = sheet.judged
    return {
        "run": judged.run, "verdict": judged.verdict, "headline": judged.headline,
        "judge": replace(judged, units=system).rows(),
        "asked": [{"parameter": a.parameter, "unit": a.unit, "asked": a.asked, "achieved": a.achieved,
                   "source": a.source} for a in judged.asked],
        "parameters": [{"parameter": p.parameter, "channel": p.channel, "value": p.value, "unit": p.unit}
                       for p in sheet.parameters],
        "movement": list(sheet.movement),
    }  # fmt: skip


# ---- the verdict ------------------------------------------------------------------------------------------------
def _verdict(sheet: RunSheet, book: BookFolder, system: str) -> Html:
    """What must be seen at one glance: the word, what it rests on, what is broken or open, and who has approved."""
    judged = sheet.judged
    _, rest = judged.verdict_words
    status = judged.record.row["status"]
    shown = el("p", mark(judged.verdict, words=_VERDICT[judged.verdict]), class_="verdict")
    if status != "done":  # a void run never leads with a green verdict
        shape = "triangle" if judged.verdict == "broken" else "square"
        said = f"{_capital(status)}: {_small(_VERDICT[judged.verdict])}"
        shown = el("p", mark(status, shape=shape, words=said), class_="verdict")
    told = when_of(sheet, book)
    broken: list[Any] = []
    for c in judged.of("broken"):
        value, limit = clause_figures(c.clause, c.value, c.limit, c.unit, system)
        head = [el("b", label(c, system)), f": {value}" if value else ": broken", f" against {limit}" if limit else ""]
        broken.append([head, [[", ", w] for w in (c.channel, told(c.first_s)) if w]])
    untold = [[el("b", label(c, system)), f": {lacks(c, system)}"] for c in judged.of("cannot be told")]
    listed = [
        _few(broken),
        paragraph(MISSING[bool(broken)]) if untold else None,
        _few(untold),
    ]
    # what speaks against a load is the shop's own to know, and may name parts of others
    shops_own = judged.load if sheet.customer is None else ()
    against = sentences([_capital(words(r, system)) + "." for r in shops_own])
    kept_back = [el("p", el("b", said), class_="rest") for said in (private(sheet) if sheet.customer is None else ())]
    if sheet.customer is not None:
        only = f"For {sheet.customer}. Pieces of others were in the load; they count in the verdict and are not shown."
        alone = f"For {sheet.customer}."
        kept_back = [paragraph(only if sheet.others else alone, class_="rest")]
    below = [_acceptance(sheet, book), *kept_back]
    return el("div", shown, el("p", _capital(rest) + ".", class_="rest"), listed, against, below, class_="glance")


def _few(lines: list[Any]) -> Html | None:
    """The first lines, and how many more there are."""
    rest = [f"and {len(lines) - MOST} more, below"] if len(lines) > MOST else []
    return sentences([*lines[:MOST], *rest])


def _small(words: str) -> str:
    return words[:1].lower() + words[1:]


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _acceptance(sheet: RunSheet, book: BookFolder) -> Html:
    of_load = [a for a in sheet.approvals if a["first_article_of"] is None]
    if not of_load:
        alone = " A kept cycle alone accepts no parts." if sheet.judged.verdict == "kept" else ""
        return paragraph(f"Approval: none is recorded.{alone}", class_="rest")
    said = [[a["decision"], ", by ", a["person"], " (", a["role"], "), ", clock(book, a["at"])] for a in of_load]
    return paragraph("Approval recorded: ", [[said[0]], [["; ", one] for one in said[1:]]], ".", class_="rest")


# ---- asked and done ---------------------------------------------------------------------------------------------
def _asked_and_done(sheet: RunSheet, book: BookFolder, system: str) -> list[Html | None]:
    judged = sheet.judged
    cycle = judged.record.cycle
    out: list[Html | None] = []
    if cycle is None:
        out.append(paragraph("The run was asked to follow no cycle: what was done stands alone."))
    else:
        said = [cycle.title, cycle.process, f"{cycle.cycle} revision {cycle.revision}"]
        out.append(paragraph("Cycle: ", ", ".join(w for w in said if w), "."))
        rows = [[t.name, t.asked, t.done, mark(t.verdict) if t.verdict else None] for t in
                segment_words(sheet, book, system)]  # fmt: skip
        if rows:
            out.append(table(["segment", "asked", "done", "its clauses"], rows, caption="Segment by segment"))
    asked = _plannable(sheet, system)
    out += [asked, gloss(["asked"], system) if asked else None]
    remarks = sentences(_capital(r) for r in judged.remarks)
    if remarks:
        out.append(subsection("Remarks", remarks))
    return out


def _plannable(sheet: RunSheet, system: str) -> Html | None:
    """The parameters that a cycle asks before the run; what was set at the furnace's program stands between."""
    rows = []
    for a in sheet.judged.asked:
        rows.append([spoken(a.parameter, system), asked_figure(a.asked, a.unit, system) or "not asked",
                     asked_figure(a.program, a.unit, system) or None, achieved(a, system),
                     a.source if a.achieved is not None else None])  # fmt: skip
    columns = ["parameter", "the cycle asks", "set at the program", "achieved", "from"]
    if not rows:
        return None
    return table(columns, rows, caption="Asked and achieved", figures=columns[1:4])


def _events(sheet: RunSheet, book: BookFolder) -> Html | None:
    rows = [[str(k), event, local(at, book), note] for k, (at, event, note) in
            enumerate(sheet.judged.record.events, start=1)]  # fmt: skip
    if not rows:
        return paragraph("No event is recorded.", class_="note")
    return table(["number", "event", "moment", "note"], rows, caption="Events")


# ---- clauses and faults -----------------------------------------------------------------------------------------
def _clauses(sheet: RunSheet, book: BookFolder, system: str) -> Html:
    judged = sheet.judged
    if not judged.clauses:
        return paragraph("Without a trace no clause can be judged." if judged.record.cycle
                         else "Without a cycle there are no clauses.")  # fmt: skip
    told = when_of(sheet, book)
    rows = []
    for c in [*judged.of("broken"), *judged.of("cannot be told"), *judged.of("kept")]:
        turn = None
        if c.uncertain and c.uncertainty is not None:
            turn = f"could turn: uncertainty {width(c.uncertainty, c.unit, system)}"
        notes = "; ".join(w for w in (lacks(c, system), turn) if w)
        value, limit = clause_figures(c.clause, c.value, c.limit, c.unit, system)
        value = value or ("never came to bind" if c.verdict == "kept" else "")
        at = c.first_s if c.verdict == "broken" else c.worst_s
        name = join([label(c, system), el("span", worded([c.text], system), class_="says")])
        rows.append([name, mark(c.verdict), value, limit, c.channel, told(at),
                     whole(lasted(c.lasted_s)), notes])  # fmt: skip
    columns = ["clause", "verdict", "value", "limit", "channel", "moment", "for", "note"]
    return el("div", table(columns, rows, caption="Clauses, broken ones first", figures=("value", "limit")),
              paragraph("The value is the worst one; of a kept clause, the one nearest to its limit. The moment is the "
                        "first breach, else that of the value. Limits compare with no hidden tolerance.",
                        class_="note"))  # fmt: skip


def _faults(sheet: RunSheet, book: BookFolder, system: str) -> list[Html | None]:
    if sheet.judged.judgement is None:
        return [paragraph("Without a trace, faults cannot be looked for.")]
    told = when_of(sheet, book)
    rows = [[f.channel, f.kind, mark(state), told(f.start_s), whole(lasted(f.end_s - f.start_s)), f"{f.confidence:.2f}",
             worded(f.evidence, system)] for f, state in fault_states(sheet)]  # fmt: skip
    out: list[Html | None] = []
    if not rows:
        return [paragraph("None was found.")]
    columns = ["channel", "fault", "state", "from", "for", "confidence", "evidence"]
    out.append(table(columns, rows, caption="Faults found", figures=("confidence",)))
    out.append(paragraph("A suspected fault deletes nothing: the verdict is taken with and without the channel, and "
                         "where the two differ a named person decides.", class_="note"))  # fmt: skip
    decided = [[c.channel, c.fault, c.decision, c.person, c.why, local_day(c.at, book.zone)]
               for c in sheet.judged.record.confirmations]  # fmt: skip
    if decided:
        out.append(table(["channel", "fault", "decision", "person", "why", "on"], decided, caption="Decided by people"))
    return [*out, *_both_readings(sheet.judged, system)]


def _both_readings(judged: JudgedRun, system: str) -> list[Html | None]:
    """Of each channel that was repaired on a person's word: what it showed at the hold, and what it counts for."""
    if not judged.repairs:
        return []
    rows = [[r.channel, worded([r.repair], system), figure(r.recorded_c, "c", system),
             figure(r.repaired_c, "c", system) or "left out",
             figure(r.added_c, "c_diff", system)] for r in judged.repairs]  # fmt: skip
    columns = ["channel", "what was done", "as recorded", "as repaired", "uncertainty added"]
    made = table(columns, rows, caption="Both readings, mean over the hold", figures=columns[2:])
    both = judged.as_recorded
    said = f"By the readings as recorded: {both.verdict}; as repaired: {judged.verdict}. " if both else ""
    return [made, paragraph(said + "The trace is kept as it was recorded.", class_="note")]

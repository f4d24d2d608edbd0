"""The parts of a run's page that tell its records: head, parameters, pieces, jobs, checks, approvals, provenance."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from importlib.metadata import version
from typing import Any

from loadbook.analysis.trace.model import Parameter
from loadbook.core import times
from loadbook.core.figures import share_words, shown
from loadbook.core.vocabulary.lookup import terms
from loadbook.core.vocabulary.parameter_names import spoken
from loadbook.core.vocabulary.parameters import term_name
from loadbook.queries.evidence_words import of_stored
from loadbook.queries.run_record import Row, RunSheet
from loadbook.readers.recorder.part import pieces_of
from loadbook.render.book_units import amended_in_units, in_units
from loadbook.render.judged import figure, furnace_limits, movement_rows, width
from loadbook.store.book import BookFolder

from .gloss import gloss
from .markup import Html, el, join
from .run_words import clock, when_of
from .shell import definitions, mark, moment, more, paragraph, sentences, subsection, table

MANY = 40  # rows from which a table is told on demand


def about_run(sheet: RunSheet, book: BookFolder, system: str) -> Html:
    """The run's head: where, when, what, for whom."""
    record = sheet.judged.record
    row = record.row
    counted = sum(p["quantity"] for p in sheet.pieces)
    parts = Counter(p["part"] for p in sheet.pieces for _ in range(p["quantity"]))
    listed = [f"{part} ({n})" for part, n in parts.items()]
    relations = sheet.judged.relations
    pairs: list[tuple[str, Any]] = [
        ("furnace", f"{row['furnace']} ({record.atmosphere})"),
        ("cycle", f"{row['cycle']} revision {row['cycle_revision']}" if row["cycle"] else "none"),
        ("began", clock(book, row["started"])), ("ended", clock(book, row["ended"])),
        ("clock", book.zone.key), ("status", row["status"]), ("pieces", str(counted) if counted else "none recorded"),
        ("part (pieces)", listed[:6] + ([f"and {len(listed) - 6} more"] if len(listed) > 6 else [])),
        ("jobs", ", ".join(j["job"] for j in sheet.jobs)), ("setup", row["setup"]),
        ("load", figure(row["load_mass_kg"], "kg", system)), ("operator", row["operator"]),
        ("in relation", relations.words if relations else []), ("note", row["note"]),
    ]  # fmt: skip
    return definitions(pairs)


# ---- parameters -------------------------------------------------------------------------------------------------
def measured(sheet: RunSheet, book: BookFolder, system: str) -> list[Html | None]:
    """Run figures, then those per channel on demand; each name opens its definition."""
    told = when_of(sheet, book)
    known = terms(system)
    whole = [p for p in sheet.parameters if p.channel is None and not _variant(p.parameter)]
    variants = [p for p in sheet.parameters if p.channel is None and _variant(p.parameter)]
    per_channel = [p for p in sheet.parameters if p.channel is not None]
    stated = [r for r in sheet.stated if r["source"] == "stated"]
    out: list[Html | None] = []
    columns = ["parameter", "value", "standard error", "moment", "note"]

    def rows(found: list[Parameter]) -> list[list[Any]]:
        return [[_defined(p.parameter, known, system), figure(p.value, p.unit, system), _error(p, system),
                 told(p.at_s), of_stored(p.note, system)]
                for p in found]  # fmt: skip

    if whole:
        out.append(table(columns, rows(whole), caption="From the trace", figures=columns[1:3]))
    if variants:
        inner = table(
            columns, rows(variants), caption="Per segment and threshold", figures=columns[1:3], hide_caption=True
        )
        out.append(more(f"Per segment of the cycle, and above a temperature: {len(variants)} figures", inner))
    if per_channel:
        each = [[spoken(p.parameter, system), p.channel, figure(p.value, p.unit, system), _error(p, system),
                 told(p.at_s), of_stored(p.note, system)]
                for p in per_channel]  # fmt: skip
        heads = ["parameter", "channel", *columns[1:]]
        inner = table(heads, each, caption="Per channel", figures=heads[2:4], hide_caption=True)
        out.append(more(f"Per channel: {len(each)} figures", inner))
    if stated:
        given = [
            [_defined(r["parameter"], known, system), figure(r["value"], r["unit"], system), r["note"]] for r in stated
        ]
        out.append(table(["parameter", "value", "note"], given, caption="Stated by a person, not measured",
                         figures=("value",)))  # fmt: skip
    names = [*(p.parameter for p in (*whole, *variants)), *(r["parameter"] for r in stated)]
    if meant := _meanings(names, known, system):
        out.append(more("What these names mean", meant))
    return out or [paragraph("No parameter is known: there is no trace, and nothing was stated.")]


def _variant(name: str) -> bool:
    """Is it a figure of one segment or of one threshold, told on demand; events are told at once."""
    return term_name(name) != name and not name.startswith("event_")


def _error(p: Parameter, system: str) -> str | None:
    return width(p.se, p.unit, system) if p.se is not None else None


def _defined(name: str, known: dict[str, Any], system: str) -> Html:
    """A parameter's name, leading to its definition."""
    words = join([[piece, el("wbr")] for piece in spoken(name, system).replace("_", "_\0").split("\0")])
    found = term_name(name)
    return el("a", words, href=f"#{_anchor(found)}", class_="name") if found in known else el("span", words)


def _anchor(name: str) -> str:
    return "means-" + "".join(c for c in name if c.isalnum() or c == "_")


def _term(name: str, system: str) -> str:
    """The name of a definition that stands for many parameters: of any temperature, of any event."""
    if name.startswith("hours_above_<T>"):
        return "Hours above a temperature" + (" of the coldest work TC" if name.endswith("_work") else "")
    if name.startswith("event_<name>"):
        return ("Work" if "_work" in name else "Furnace") + " temperature at an event"
    words = spoken(name.replace("_above_<T>c", ""), system)
    return f"{words}, above a temperature" if "<T>" in name else words


def _meanings(names: Iterable[str], known: dict[str, Any], system: str) -> Html | None:
    """Each name's definition once, with its formula and source; folded on screen, whole on paper."""
    out = []
    for name in dict.fromkeys(term_name(n) for n in names):
        if name in known:
            term = known[name]
            formula = [" ", el("code", term.formula)] if term.formula else None
            source = el("span", f" Source: {term.source}.", class_="note") if term.source else None
            meaning = el("dd", term.definition, formula, source)
            out.append(el("div", el("dt", _term(name, system)), meaning, id=_anchor(name)))
    return el("dl", out, class_="meanings") if out else None


# ---- pieces -----------------------------------------------------------------------------------------------------
def moved(sheet: RunSheet, system: str) -> list[Html | None]:
    """The load, piece by piece, and how far each characteristic moved."""
    if not sheet.pieces:
        return [paragraph("No piece is recorded in this run.")]
    heads, stock = in_units(["stock_mm", "tempered_at_c"],
                            [[p["stock_mm"], p["tempered_at_c"]] for p in sheet.pieces], system)  # fmt: skip
    heads = [_head(h) for h in heads]
    stock = [[None if v is None else f"{v:.4g}" for v in row] for row in stock]
    lots = any(p["quantity"] > 1 for p in sheet.pieces)
    cells = [
        [" ".join(w for w in (p["part"], p["revision"] and f"revision {p['revision']}") if w), p["serial"],
         str(p["quantity"]) if lots else None, p["heat_number"], p["job"], _held(p, system), p["position"],
         ", ".join(w for w in (p["machining"], *(p["condition"] or "").split(";")) if w), *more_]
        for p, more_ in zip(sheet.pieces, stock, strict=True)
    ]  # fmt: skip
    columns = ["part", "serial", "quantity", "heat number", "job", "held", "position", "state", *heads]
    pieces = table(columns, cells, caption="Pieces", figures=("quantity", *heads))
    held = gloss((p["setup"] for p in sheet.pieces), system)
    out: list[Html | None] = [_folded(pieces, len(cells), f"{len(cells)} pieces"), held]
    if not sheet.movement:
        out.append(paragraph("No reading of these pieces is recorded: how much they moved is not known."))
        return out
    columns = ["piece", "characteristic", "before", "after", "movement", "± gauge", "share of tolerance", "note"]
    rows = [_movement(m, system) for m in sheet.movement]
    counted = sum(m["set_aside"] is None for m in sheet.movement)
    aside = Counter(m["set_aside"] for m in sheet.movement if m["set_aside"])
    said = f"{counted} of {len(rows)} readings give a movement"
    said += "; set aside: " + ", ".join(f"{reason} {n}" for reason, n in aside.items()) if aside else ""
    out.append(paragraph(said + ". Positive: grew, or got worse."))
    made = table(columns, rows, caption="Movement in this run", figures=columns[2:7])
    out.append(_folded(made, len(rows), f"{len(rows)} movements"))
    relations = sheet.judged.relations
    if relations is not None and relations.moved:
        columns, rows = movement_rows(relations, system)
        made = table(columns, rows, caption="Movement, treatment by treatment", figures=columns[2:-1])
        out.append(_folded(made, len(rows), f"{len(rows)} movements over several treatments"))
    return out


def _held(p: Row, system: str) -> str:
    """How a piece stood: its setup, axis, supports and their span."""
    supports = f"{p['supports']} supports" if p["supports"] else None
    span = f"span {shown(p['span_mm'], 'mm', system)}" if p["span_mm"] else None
    return ", ".join(w for w in (p["setup"], p["axis"], supports, span) if w)


def _head(column: str) -> str:
    """A column's name as a heading: 'stock_mm' is 'stock, mm'."""
    name, _, unit = column.rpartition("_")
    labels = {"mm": "mm", "in": "in", "c": "°C", "f": "°F"}
    return f"{name.replace('_', ' ')}, {labels[unit]}" if unit in labels else column.replace("_", " ")


def _folded(made: Html, rows: int, words: str) -> Html:
    return made if rows <= MANY else more(words, made)


def _movement(m: Row, system: str) -> list[Any]:
    lengths = m["unit"] == "mm"

    def size(value: float | None) -> str:
        return figure(value, "mm", system) if lengths else figure(value, m["unit"], system)

    move = figure(m["movement_um"], "um", system) if m["movement_um"] is not None else size(m["movement_mm"])
    gauge = m["expanded_uncertainty_mm"]
    share = m["movement_share_of_tolerance"]
    notes = [m["set_aside"] and f"set aside: {m['set_aside']}", m["below_gauge"] and "below what the gauge can tell"]
    return [f"{m['part']} {m['serial']}", m["characteristic"], size(m["before_mm"]), size(m["after_mm"]), move,
            figure(gauge * 1000.0, "um", system) if gauge is not None else None,
            share_words(share) if share is not None else None, "; ".join(n for n in notes if n)]  # fmt: skip


def jobs(sheet: RunSheet) -> list[Html]:
    """What was ordered, by whom, to which drawing and specification."""
    out = []
    for j in sheet.jobs:
        mine = [p for p in sheet.pieces if p["job"] == j["job"]]
        notes = [word for key, word in (("confidential", "confidential: not to be shown to others"),
                                        ("export_controlled", "export controlled")) if j[key]]  # fmt: skip
        specification = j["specification"]
        if specification and j["specification_revision"]:
            specification = f"{specification} revision {j['specification_revision']}"
        pairs = [
            ("customer", j["customer"]), ("purchase order", j["purchase_order"]),
            ("quantity ordered", str(j["quantity"]) if j["quantity"] else None),
            ("in this run", str(sum(p["quantity"] for p in mine))),
            ("heat numbers", ", ".join(sorted({p["heat_number"] for p in mine if p["heat_number"]})) or "not recorded"),
            ("drawing revision", j["drawing_revision"]), ("specification", specification),
            ("part revisions", ", ".join(sorted({f"{p['part']} {p['revision']}" for p in mine if p["revision"]}))),
            ("handling", ", ".join(notes) or "no confidentiality note"), ("keep until", j["keep_until"]),
        ]  # fmt: skip
        out.append(subsection(f"Job {j['job']}", definitions(pairs)))
    return out or [paragraph("No job is recorded with this run's pieces.")]


# ---- furnace, approvals, amendments -----------------------------------------------------------------------------
def checked(sheet: RunSheet, system: str) -> list[Html | None]:
    """The furnace, and the checks that were current on the day of the run."""
    f, checks = sheet.judged.record.furnace, sheet.judged.record.checks
    pairs = [("furnace", f["furnace"]), ("atmosphere", f["atmosphere"]), ("zones", f["zones"]),
             ("working zone", f["working_zone"]), *furnace_limits(f, system),
             ("note", f["note"])]  # fmt: skip
    out: list[Html | None] = [definitions(pairs)]
    if not checks:
        return [*out, paragraph("No check of this furnace is recorded by that day.")]
    order = {"failed": 0, "past due": 1, "no due date": 2, "current": 3}
    rows = [[c.kind, mark(c.state), c.done_on, c.due_on, figure(c.at_c, "c", system),
             figure(c.worst_c, "c_diff", system)]
            for c in sorted(checks, key=lambda c: (order[c.state], c.kind))]  # fmt: skip
    return [*out, table(["check", "on that day", "done", "due", "at", "worst"], rows, caption="Checks",
                        figures=("at", "worst"))]  # fmt: skip


def approved(sheet: RunSheet, book: BookFolder) -> list[Html | None]:
    """What people decided about the parts, as recorded."""
    out: list[Html | None] = []
    if sheet.approvals:
        rows = [
            [a["decision"], f"first article of {a['first_article_of']}" if a["first_article_of"] else "the load",
             a["person"], a["role"], moment(clock(book, a["at"])), a["note"]] for a in sheet.approvals
        ]  # fmt: skip
        out.append(table(["decision", "of", "person", "role", "moment", "note"], rows, caption="Approvals"))
    else:
        out.append(paragraph("No approval is recorded."))
    if sheet.nonconformances:
        rows = [[n["what"], n["serial"], n["disposition"], mark("closed", words=f"closed {n['closed_on']}")
                 if n["closed_on"] else mark("open"), n["note"]] for n in sheet.nonconformances]  # fmt: skip
        out.append(table(["nonconformance", "piece", "disposition", "state", "note"], rows, caption="Nonconformances"))
    else:
        out.append(paragraph("No nonconformance is recorded."))
    return out


def amended(sheet: RunSheet, book: BookFolder, system: str) -> Html:
    """Corrections to the run's records and to what it refers to: the old value stays, with who, when and why."""
    if not sheet.amendments:
        return paragraph("None of the records above was corrected after it was taken in.")
    rows = [[f"{a['kind']} {a['record']}", *amended_in_units(a, system), a["who"], moment(clock(book, a["at"])),
             a["why"]] for a in sheet.amendments]  # fmt: skip
    return table(["record", "column", "was", "became", "who", "when", "why"], rows, caption="Amendments",
                 drop_empty=False)  # fmt: skip


# ---- provenance -------------------------------------------------------------------------------------------------
def provenance(sheet: RunSheet, book: BookFolder, system: str, made_at: str) -> list[Html | None]:
    """Where every figure of the page comes from."""
    t = sheet.judged.record.trace
    out: list[Html | None] = []
    if t:
        taken = sheet.intakes.get(t["intake_id"])
        layout = t["layout"]
        pieces = pieces_of(t)
        parts = len(pieces) > 1 or "asked" in pieces[0]
        pairs = [
            ("recorder's file", t["source_name"]),
            ("digest of its parts" if parts else "its SHA-256", el("code", t["source_sha256"])),
            ("read by layout", layout), ("recorder's zone", t["zone"]), ("trace", el("code", t["trace_id"])),
            ("trace file's SHA-256", el("code", t["sha256"])), ("samples of each channel", f"{t['samples']:,}"),
            ("usual interval", f"{t['interval_s']:g} s"), ("gaps", f"{t['gaps']}, longest {t['longest_gap_s']:g} s"),
            ("missing, open, out of range", f"{t['missing']}, {t['open']}, {t['out_of_range']}"),
            ("duplicate, backward times", f"{t['duplicates']}, {t['backwards']}"),
            ("taken in", f"{clock(book, taken['taken_at'])} by {taken['taken_by']}" if taken else None),
        ]  # fmt: skip
        out.append(subsection("Trace", definitions(pairs, class_="pairs wide")))
        if parts:
            rows = [[p["file"], el("code", p["sha256"]), clock(book, p["from"]), clock(book, p["to"]),
                     ", ".join(p.get("channels", ())) or "all"] for p in pieces]  # fmt: skip
            out.append(table(["file", "SHA-256", "from", "to", "channels"], rows, caption="What the trace was made of"))
    else:
        out.append(paragraph("The run has no trace in the book."))
    record = sheet.intakes[sheet.judged.record.row["intake_id"]]
    pairs = [("run's record from", record["file_name"] or "entered by hand"),
             ("its SHA-256", el("code", record["file_sha256"]) if record["file_sha256"] else None),
             ("taken in", f"{clock(book, record['taken_at'])} by {record['taken_by']}"),
             ("digest of the book", el("code", sheet.last_link)), ("loadbook", version("loadbook")),
             ("algorithms", sheet.algorithm), ("page made", times.shown(made_at, book.zone))]  # fmt: skip
    out.append(subsection("Record and program", definitions(pairs, class_="pairs wide")))
    if sheet.withdrawn:
        rows = [[el("code", w["trace_id"]), w["source_name"], w["state"]] for w in sheet.withdrawn]
        out.append(table(["trace", "recorder's file", "state"], rows, caption="Earlier traces that no longer count"))
    corrections = []
    for c in sheet.judged.record.channels:
        points = [f"{figure(d, 'c_diff', system).replace(' apart', '')} at {figure(at, 'c', system)}"
                  for at, d in c.correction]  # fmt: skip
        if points:
            corrections.append(f"{c.name}: {', '.join(points)} ({c.calibration})")
    if corrections:
        said = sentences(corrections)
        out.append(
            more(join(["Thermocouple corrections, added before anything is judged: ", str(len(corrections))]), said)
        )
    return out

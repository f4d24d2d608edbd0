"""What the pages of a past are put together from: tables of runs and answers, movement and settings over time."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from statistics import fmean
from typing import Any

from loadbook.core import times, units
from loadbook.core.figures import share_words, shown, spoken_unit
from loadbook.core.phrases import many
from loadbook.queries.answer_figures import span as interval
from loadbook.queries.needs import Need
from loadbook.queries.past import SETTINGS, Past, left_tolerance
from loadbook.queries.run_record import Row
from loadbook.render.judged import figure
from loadbook.store.book import BookFolder

from .links import Links, piece_name
from .markup import Html, el, join
from .past_pictures import MOST_TREATMENTS, Point, key_mark, over_time, sign
from .shell import mark, more, paragraph, picture, sentences, table, whole

MOST_PICTURES = 12
MANY = 60  # rows from which the older ones are told on demand
ORDER = ("kept", "broken", "cannot be told", "no trace", "no cycle", "aborted", "void")
Key = tuple[str, ...]


def counted(past: Past, runs: Sequence[str]) -> Html:
    """How many runs, and their verdicts."""
    counts = Counter(past.runs[r]["word"] for r in runs)
    told = [mark(w, words=f"{counts[w]} {w}") for w in sorted(counts, key=ORDER.index)]
    return el(
        "p",
        f"{many(len(runs), 'run')}, {past.runs[runs[0]]['day']} to {past.runs[runs[-1]]['day']}: ",
        [[" ", t] if k else t for k, t in enumerate(told)],
    )


def of_pieces(found: Sequence[Need], pieces: set[tuple[str, str]]) -> list[Need]:
    """What waits, without other parts' and pieces' readings and first pieces."""
    names = {f"{p} {s}" for p, s in pieces} | {p for p, _ in pieces} | {s for _, s in pieces}
    of_runs = ("decision", "suspected fault", "check past due")
    return [n for n in found if n.what in of_runs or n.subject is None or n.subject in names]


def waiting(found: Sequence[Need], links: Links) -> list[Html | None]:
    """What waits for a person."""
    if not found:
        return [paragraph("Nothing waits for a person.")]
    rows = [[links.to("run", n.run), n.day, n.what, n.subject, n.why] for n in reversed(found) if n.run]
    return folded(["run", "began", "what waits", "of", "why"], rows, "Open points, newest first", "points")


def folded(
    columns: Sequence[str], rows: list[list[Any]], caption: str, noun: str, figures: Sequence[str] = ()
) -> list[Html | None]:
    """A table under a heading that names it; its order is said above it, and rows after MANY are told on demand."""
    _, comma, order = caption.partition(", ")
    said = paragraph(f"{order[:1].upper()}{order[1:]}.", class_="note") if comma and len(rows) > 1 else None
    out: list[Html | None] = [said, table(columns, rows[:MANY], caption=caption, figures=figures, hide_caption=True)]
    if rest := rows[MANY:]:
        older = table(columns, rest, caption=f"{caption}: the rest", figures=figures, hide_caption=True)
        out.append(more(f"{len(rest)} more {noun}", older))
    return out


def size(value: float | None, unit: str, system: str) -> str:
    """A length, or a figure in its own unit."""
    return figure(value, "mm" if unit == "mm" else unit, system)


def rough(value: float | None, system: str) -> str:
    """A length as it describes a part."""
    return "" if value is None else shown(value, "mm", system)


def moved_words(rows: Sequence[Row], system: str, *, unit: bool = True) -> Html | None:
    """How far the pieces of one characteristic moved in a run: the mean, and from where to where; unit: said behind."""
    known = [r["movement_mm"] for r in rows if r["movement_mm"] is not None]
    if not known:
        return None
    scale, kept = (1000.0, "um") if rows[0]["unit"] == "mm" else (1.0, rows[0]["unit"])
    mean, low, high = (figure(v * scale, kept, system) for v in (fmean(known), min(known), max(known)))
    if not unit:
        mean = mean.split(" ")[0]
    if len(known) == 1:
        return whole(mean)
    return join([whole(mean), whole(f"({low.split(' ')[0]} to {high.split(' ')[0]})")], " ")


def runs_table(
    past: Past, runs: Sequence[str], links: Links, system: str, *, part: str | None = None
) -> list[Html | None]:
    """Runs with verdicts and what moved in them, newest first; part limits the movement to one part."""
    only = {"part": part} if part else {}
    kinds = Counter(
        (m["characteristic"], m["unit"]) for m in past.moved_of(runs, **only) if m["movement_mm"] is not None
    )
    one = [c for c, _ in kinds.most_common(3)] if part else []
    rows = []
    for run in reversed(runs):
        r = past.runs[run]
        mine = [m for m in past.moved.get(run, ()) if not part or m["part"] == part]
        left = len({(m["part"], m["serial"]) for m in mine if left_tolerance(m)})
        pieces = [p for p in past.pieces.get(run, ()) if not part or p["part"] == part]
        setup = ", ".join(dict.fromkeys(p["setup"] for p in pieces if p["setup"])) or r["setup"]
        told: list[Any] = [
            moved_words([m for m in mine if (m["characteristic"], m["unit"]) == c], system, unit=False) for c in one
        ]
        if not part:
            told = [", ".join([*r["parts"][:3], *(["…"] if len(r["parts"]) > 3 else [])])]
        rows.append(
            [
                whole(links.to("run", run)),
                whole(r["day"]),
                r["furnace"],
                f"{r['cycle']} {r['cycle_revision']}" if r["cycle"] else "no cycle",
                mark(r["word"]),
                setup,
                str(sum(p["quantity"] for p in pieces)),
                *told,
                mark("open", words=f"{left} left") if left else None,
            ]
        )
    heads = [f"{c} moved, {_shown(unit, system)[1]}" for c, unit in one] if part else ["parts"]
    columns = ["run", "began", "furnace", "cycle", "verdict", "setup", "pieces", *heads, "tolerance"]
    return folded(columns, rows, "Runs, newest first", "runs", figures=("pieces",))


# ---- over time --------------------------------------------------------------------------------------------------
def treatment_of(past: Past, run: str, m: Row) -> Key:
    """What was done: the cycle, how the piece stood, the gas."""
    r = past.runs[run]
    return tuple(
        str(w) for w in (r["cycle"] and f"{r['cycle']} {r['cycle_revision']}", m["setup"], m["atmosphere"]) if w
    )


def movement_over_time(
    past: Past, runs: Sequence[str], system: str, rows: Sequence[Row], *, of_part: bool
) -> list[Any]:
    """A picture for each characteristic, the treatments as shapes, all on the same time axis, and their key."""
    groups: dict[Key, list[Row]] = defaultdict(list)
    for m in rows:
        if m["movement_mm"] is not None:
            groups[(m["part"], m["characteristic"], m["unit"])].append(m)
    if not groups:
        return [paragraph("Nothing was measured before and after.")]
    chosen = sorted(groups.items(), key=lambda g: (-len(g[1]), g[0]))[:MOST_PICTURES]
    counts = Counter(treatment_of(past, m["run"], m) for _, g in chosen for m in {r["run"]: r for r in g}.values())
    named = [t for t, _ in counts.most_common(MOST_TREATMENTS)]
    days = (past.runs[runs[0]]["day"], past.runs[runs[-1]]["day"])
    out = []
    for (part, characteristic, unit), members in chosen:
        scale, label = _shown(unit, system)
        title = characteristic if of_part else f"{part}, {characteristic}"
        points = _points(past, members, scale, named)
        limits = _tolerance(members[0], scale, label)
        drawn, off = over_time(title, label, points, days, limits, zero=True)
        values = [p.middle for p in points]
        span = f"{many(len(points), 'run')}, run means {min(values):g} to {max(values):g}"
        alt = f"Movement of {title} over time, {label}: {span}"
        told = limits and f"{limits[0][1]}{', off this scale' if off else ': dashed'}"
        out.append(picture(drawn, alt, told or None))
    key = [
        el("span", Html(key_mark(k)), " ", ", ".join(t) or "treatment not recorded", class_="key")
        for k, t in enumerate(named)
    ]
    if len(counts) > len(named):
        key.append(el("span", f"{len(counts) - len(named)} rarer treatments share these marks", class_="key"))
    key += [
        el("span", Html(sign(s)), " ", words, class_="key")
        for s, words in (
            ("bar", "lowest to highest piece"),
            ("hollow", "cycle broken, or not known to be kept"),
            ("left", "a piece left its tolerance"),
        )
    ]
    left_out = len(groups) - len(chosen)
    tail = (
        [paragraph(f"{many(left_out, 'characteristic')} with fewer readings not drawn.", class_="note")]
        if left_out
        else []
    )
    return [el("p", [[k, " "] for k in key], class_="note keys"), el("div", out, class_="multiples"), *tail]


def _points(past: Past, members: Sequence[Row], scale: float, named: Sequence[Key]) -> list[Point]:
    by_run: dict[str, list[Row]] = defaultdict(list)
    for m in members:
        by_run[m["run"]].append(m)
    out = []
    for run, rows in by_run.items():
        values = [round(r["movement_mm"] * scale, 4) for r in rows]
        told = treatment_of(past, run, rows[0])
        out.append(
            Point(
                run,
                past.runs[run]["day"],
                float(f"{fmean(values):.4g}"),
                min(values),
                max(values),
                named.index(told) if told in named else len(named) - 1,
                past.runs[run]["word"] == "kept",
                any(left_tolerance(r) for r in rows),
            )
        )
    return out


def _shown(unit: str, system: str) -> tuple[float, str]:
    """(factor from the value kept inside, label) of a movement."""
    if unit != "mm":
        return 1.0, unit
    one, label, _ = units.show(1.0, "um", system)
    return one * 1000.0, label


def _tolerance(m: Row, scale: float, label: str) -> list[tuple[float, str]]:
    """The whole tolerance as a line on either side: a piece that moved by more cannot have stayed inside."""
    if m["upper_mm"] is None:
        return []
    low = m["lower_mm"]
    wide = (m["upper_mm"] - (low if low is not None else 0.0)) * scale
    words = f"whole tolerance {wide:.4g} {spoken_unit(label)}"
    both = m["lower_mm"] is not None and m["lower_mm"] != 0
    return [(wide, words), *([(-wide, words)] if both else [])] if wide > 0 else []


def settings_over_time(past: Past, runs: Sequence[str], system: str) -> list[Any]:
    """The plannable settings as achieved, on the movement's time axis."""
    days = (past.runs[runs[0]]["day"], past.runs[runs[-1]]["day"])
    out = []
    for name, words, unit in SETTINGS:
        points, label = [], unit
        for run in runs:
            r = past.runs[run]
            if r[name] is not None:
                value, label, digits = (
                    units.show(r[name], unit, system) if unit in units.SHOWN["si"] else (r[name], unit, 1)
                )
                value = round(value, digits)
                points.append(Point(run, r["day"], value, value, value, 0, r["word"] == "kept"))
        if points:
            values = [p.middle for p in points]
            alt = f"{words} over time, {label}: {many(len(points), 'run')}, {min(values):g} to {max(values):g}"
            out.append(picture(over_time(words, label, points, days)[0], alt))
    return [el("div", out, class_="multiples")] if out else [paragraph("No setting is known of these runs.")]


# ---- answers ----------------------------------------------------------------------------------------------------
def answers_table(found: Sequence[Row], links: Links, book: BookFolder, system: str) -> list[Html | None]:
    """Answers given, newest first, and how they turned out."""
    if not found:
        return [paragraph("No kept answer.")]
    rows = []
    for a in reversed(found):
        about = ", ".join(w for w in (a["part"], a["characteristic"], a["cycle"], a["setup"]) if w) or "a new part"
        told = (
            interval(a["low"], a["high"], a["unit"], system) if a["low"] is not None else f"no figure: {a['refused']}"
        )
        share = share_words(a["content"]) if a["low"] is not None else None
        fate: Any = "not measured yet" if a["low"] is not None else "no figure to score"
        if a["pieces"]:
            fate = f"{a['inside']} of {many(a['pieces'], 'piece')} inside"
        rows.append(
            [
                str(a["answer_id"]),
                times.local_day(a["answered_at"], book.zone),
                about,
                told,
                share,
                fate,
                _few_runs(a["runs"], links),
            ]
        )
    columns = ["answer", "given", "about", "interval", "for", "what came", "in runs"]
    scored = [a for a in found if a["pieces"]]
    pieces, inside = sum(a["pieces"] for a in scored), sum(a["inside"] for a in scored)
    said = (
        paragraph(f"Measured since: {inside} of {many(pieces, 'piece')} inside what was answered.") if pieces else None
    )
    return [said, *folded(columns, rows, "Answers given, newest first", "answers")]


def _few_runs(runs: Sequence[str], links: Links) -> list[Any] | None:
    if not runs:
        return None
    shown = [[", " if k else "", links.to("run", r)] for k, r in enumerate(runs[:4])]
    return [*shown, f" and {len(runs) - 4} more"] if len(runs) > 4 else shown


def answers_of(past: Past, parts: Sequence[str], jobs: Sequence[str] = ()) -> list[Row]:
    """Answers about some parts or jobs."""
    return [a for a in past.answers if a["part"] in parts or (a["job"] is not None and a["job"] in jobs)]


def left_words(rows: Sequence[Row], links: Links, system: str) -> Html | None:
    """Pieces that left their tolerance, newest first."""
    lines = []
    for m in reversed([r for r in rows if left_tolerance(r)]):
        after, limit = size(m["after_mm"], m["unit"], system), _nearest(m, system)
        piece = links.to("piece", piece_name(m["part"], m["serial"]), f"{m['part']} {m['serial']}")
        lines.append([piece, f", {m['characteristic']}: {after} after, {limit}, in ", links.to("run", m["run"])])
    if not lines:
        return None
    rest = [f"and {len(lines) - 12} more"] if len(lines) > 12 else []
    return sentences([*lines[:12], *rest])


def _nearest(m: Row, system: str) -> str:
    """The limit that a piece went over."""
    if m["upper_mm"] is not None and m["after_mm"] > m["upper_mm"]:
        return f"at most {size(m['upper_mm'], m['unit'], system)}"
    return f"at least {size(m['lower_mm'], m['unit'], system)}"

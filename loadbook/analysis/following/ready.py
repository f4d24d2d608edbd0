"""Is this load ready for this cycle: the points to look at before the door closes, each passed, a stop, or a box.

Pure: what the book knows comes in, points with coded reasons go out; their words are made at the edge. A point that
the book cannot know, or does not, is a box to tick by hand. Limits without a source of their own are common practice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

from loadbook.analysis.clauses.recorded import SURVEY, gases_in
from loadbook.analysis.planning.advice import atmosphere as advised_atmosphere
from loadbook.analysis.planning.load import LoadFurnace
from loadbook.analysis.trace.model import Channel, Cycle
from loadbook.core.cautions import of_load
from loadbook.core.remarks import Remark, remark
from loadbook.core.vocabulary.intake_kinds import ACCEPTED

State = Literal["pass", "stop", "by hand"]
CORRECTION_LARGE_C = 3.0  # a correction at the hold that is worth saying; common practice
SLIP_SHARE, SLIP_LEAST_MM = 0.02, 1.0  # a reading this far off its nominal was taken of something else
# words in a TC's place -> the place that any load should have one at
PLACES = {
    "tc_thickest": ("thick", "heavy", "core"), "tc_thinnest": ("thin", "rim", "edge"),
    "tc_middle": ("middle", "centre", "center", "mid"), "tc_coldest_corner": ("corner", "cold", "door"),
}  # fmt: skip
VACUUM = "vacuum"
# the checks that any furnace should have, and a word that their kind holds
CHECKS = {SURVEY: "survey", "system accuracy": "accuracy"}
# from the load's remarks to the point that they belong to; all others stop the point 'load'
_REACTIVE = ("reactive_in_air", "reactive_in_gas")
_FURNACE = ("furnace_wider", "furnace_too_hot")
_CHECKS = ("check_failed", "check_past_due", "survey_elsewhere")
_ASK = ("family_missing",)


@dataclass(frozen=True)
class Point:
    """One box of the sheet. point is a key of POINTS; remarks say why."""

    point: str
    state: State
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True)
class ReadyPiece:
    """A piece with what has to be right before it is heated.

    read, due    characteristics that were read before, and all that its drawing has (sizes and forms)
    odd          (characteristic, value mm, nominal mm) of readings that look like those of something else
    late_gauges  (gauge, calibrated until) past due on the day of its reading
    bare         characteristics read with a gauge that is not on record;  undated  gauges without a date
    customer     whose piece it is, '' where unknown;  confidential  whether its job is
    earlier      runs of this piece by this cycle, before this one
    first        what was decided last of a first piece of this part by this cycle revision; None where nothing was
    needs_mm     stock per side that the last kept answer for the part asked for, and that answer's number
    """

    part: str
    serial: str
    family: str = ""
    condition: str = ""
    machining: str = ""
    description: str = ""
    stock_mm: float | None = None
    tempered_at_c: float | None = None
    reactive: bool | None = None
    read: tuple[str, ...] = ()
    due: tuple[str, ...] = ()
    odd: tuple[tuple[str, float, float], ...] = ()
    late_gauges: tuple[tuple[str, str], ...] = ()
    bare: tuple[str, ...] = ()
    undated: tuple[str, ...] = ()
    customer: str = ""
    confidential: bool = False
    earlier: tuple[str, ...] = ()
    first: str | None = None
    needs_mm: float | None = None
    answer: int | None = None


@dataclass(frozen=True)
class Load:
    """All that the book knows of a load before it runs, on the day of the run (ISO text).

    load         what speaks against the load (analysis/planning/load.py);  review  names of remarks on the cycle
    later        a later revision of the cycle in the book; valid_until  of each calibration
    failed       (channel, fault, run) of the furnace's channels that failed lately
    repeats      the run that this one repeats;  first_pieces  whether the shop records first pieces at all
    furnace_gas  what the furnace's record says that it runs in, '' where nothing
    """

    cycle: Cycle | None
    atmosphere: str
    day: str
    furnace: LoadFurnace
    pieces: tuple[ReadyPiece, ...]
    channels: tuple[Channel, ...]
    load: tuple[Remark, ...] = ()
    review: tuple[str, ...] = ()
    later: str | None = None
    valid_until: dict[str, str | None] = field(default_factory=dict)
    failed: tuple[tuple[str, str, str], ...] = ()
    repeats: str | None = None
    first_pieces: bool = False
    furnace_gas: str = ""


def points(load: Load) -> tuple[Point, ...]:
    """Every point of the sheet, in the order of POINTS."""
    return tuple(_point(name, list(find(load))) for name, find in POINTS.items())


def verdict(found: Sequence[Point], ticked: Sequence[str] = ()) -> Literal["pass", "open", "stop"]:
    """'stop' where a point is, 'open' while a box is not ticked, else 'pass'."""
    if any(p.state == "stop" for p in found):
        return "stop"
    return "open" if any(p.state == "by hand" and p.point not in ticked for p in found) else "pass"


Found = Iterator[tuple[State, Remark]]


def _point(name: str, found: list[tuple[State, Remark]]) -> Point:
    states = {state for state, _ in found}
    state: State = "stop" if "stop" in states else "by hand" if "by hand" in states else "pass"
    return Point(name, state, tuple(r for s, r in sorted(found, key=lambda f: f[0] != "stop")))


def _cycle(load: Load) -> Found:
    c = load.cycle
    if c is None:
        yield "stop", remark("no_cycle_asked")
        return
    yield "pass", remark("cycle_asked", cycle=c.cycle, revision=c.revision)
    if load.later:
        yield "by hand", remark("later_revision", cycle=c.cycle, revision=c.revision, later=load.later)
    if load.review:
        yield "by hand", remark("cycle_reviewed", cycle=c.cycle, revision=c.revision, names=list(load.review))


def _first(load: Load) -> Found:
    decided: dict[str, str | None] = {}
    for p in load.pieces:
        decided.setdefault(p.part, p.first)
    for part, said in decided.items():
        if said is None:
            yield "by hand", remark("first_not_approved", part=part, recorded=load.first_pieces)
        elif said.casefold().startswith(ACCEPTED):
            yield "pass", remark("first_approved", part=part, said=said)
        else:
            yield "stop", remark("first_refused", part=part, said=said)


def _material(load: Load) -> Found:
    others = (*_REACTIVE, *_FURNACE, *_CHECKS)
    yield from (("by hand" if r.code in _ASK else "stop", r) for r in load.load if r.code not in others)
    steels = {p.part for p in load.pieces if "steel" in p.family.casefold() and p.tempered_at_c is None}
    process = load.cycle.process.casefold() if load.cycle else ""
    if not any(w in process for w in ("harden", "normali", "anneal")):
        yield from (("by hand", remark("temper_not_known", part=part)) for part in sorted(steels))
    if not load.pieces:
        yield "stop", remark("no_pieces")


def _coded(*codes: str) -> Callable[[Load], Found]:
    def found(load: Load) -> Found:
        yield from (("stop", r) for r in load.load if r.code in codes)

    return found


def _state_of_parts(load: Load) -> Found:
    """Dry, clean, vented: nobody but the loader sees it; what the records hint at is said."""
    said = of_load(
        load.atmosphere, [p.family for p in load.pieces], any(p.reactive for p in load.pieces) or None,
        [w for p in load.pieces for w in (p.description, p.condition)],
    )  # fmt: skip
    yield "by hand", remark("dry_and_clean")
    yield from (("by hand", remark(code)) for code in said if code in ("hollow", "volatile"))


def _class(load: Load) -> Found:
    yield from _coded(*_FURNACE)(load)
    if load.furnace.uniformity_c is None:
        yield "by hand", remark("class_not_known", furnace=load.furnace.furnace)
    holds = [s for s in (load.cycle.segments if load.cycle else ()) if s.kind == "hold"]
    bare = [s.number for s in holds if s.band_low_c is None or s.band_high_c is None]
    if bare:
        yield "by hand", remark("band_not_stated", segments=bare)


def _checks(load: Load) -> Found:
    yield from _coded(*_CHECKS)(load)
    f = load.furnace
    if not f.checks:
        yield "by hand", remark("no_checks", furnace=f.furnace)
        return
    missing = [kind for kind, word in CHECKS.items() if not any(word in c.kind.casefold() for c in f.checks)]
    if missing:
        yield "by hand", remark("check_not_known", furnace=f.furnace, kinds=missing)
    for c in f.checks:
        if c.state == "no due date":
            yield "by hand", remark("check_not_dated", furnace=f.furnace, kind=c.kind, done_on=c.done_on, at_c=c.at_c)
        elif c.state == "current" and c.due_on == load.day:
            yield "by hand", remark("check_last_day", furnace=f.furnace, kind=c.kind, due_on=c.due_on, at_c=c.at_c)


def _work(load: Load) -> list[Channel]:
    return [c for c in load.channels if (c.role, c.quantity) == ("work", "temperature")]


def _count(load: Load) -> Found:
    work = _work(load)
    asked = [
        x.value for x in (load.cycle.limits if load.cycle else ()) if (x.quantity, x.relation) == ("work_tcs", "min")
    ]
    least = round(max(asked, default=1))
    if not load.channels:
        yield "by hand", remark("no_channels", least=least)
    elif len(work) < least:
        yield "stop", remark("too_few_tcs", work=len(work), least=least)
    else:
        yield "pass", remark("tcs_planned", work=len(work), least=least)


def _places(load: Load) -> Found:
    work = _work(load)
    told = " | ".join(f"{c.place or ''} {c.attachment or ''}" for c in work).casefold()
    for code, names in PLACES.items():
        if not any(n in told for n in names):
            yield "by hand", remark("place_not_planned", place=code)
    for x in load.cycle.limits if load.cycle else ():
        if x.quantity == "place_tcs" and x.relation == "min" and x.event:
            there = sum(x.event.casefold() in (c.place or "").casefold() for c in work)
            if work and there < x.value:
                yield "stop", remark("place_short", place=x.event, work=there, least=round(x.value))
    yield "by hand", remark("tcs_fixed")


def _calibrations(load: Load) -> Found:
    hold = load.cycle.main_hold if load.cycle else None
    used = [c for c in load.channels if c.quantity == "temperature" and c.role in ("work", "control")]
    if not used:
        yield "by hand", remark("calibrations_not_known")
    bare = [c.name for c in used if not c.calibration]
    if bare:
        yield "by hand", remark("not_calibrated", channels=bare)
    of: dict[str, list[Channel]] = {}
    for c in used:
        if c.calibration:
            of.setdefault(c.calibration, []).append(c)
    for name, channels in of.items():
        until, names = load.valid_until.get(name), [c.name for c in channels]
        if not any(c.correction or c.as_found for c in channels):
            yield "by hand", remark("calibration_not_held", calibration=name, channels=names)
        elif until is None:
            yield "by hand", remark("calibration_not_dated", calibration=name, channels=names)
        elif until < load.day:
            yield "stop", remark("calibration_ended", calibration=name, until=until, channels=names)
        elif until == load.day:
            yield "by hand", remark("calibration_last_day", calibration=name, until=until, channels=names)
    for c in used:
        if hold is not None and c.correction:
            at, added = zip(*sorted(c.correction), strict=True)
            near = min(range(len(at)), key=lambda i: abs(at[i] - hold[1]))
            if abs(added[near]) > CORRECTION_LARGE_C:
                yield "by hand", remark("correction_large", channel=c.name, correction_c=added[near], at_c=at[near])


def _jacks(load: Load) -> Found:
    mine = {c.name for c in load.channels}
    seen: dict[str, list[tuple[str, str]]] = {}
    for channel, fault, run in load.failed:
        if channel in mine or not mine:
            seen.setdefault(channel, []).append((fault, run))
    for channel, faults in seen.items():
        yield "by hand", remark("channel_failed", channel=channel, faults=[list(f) for f in faults[:3]])


def _readings(load: Load) -> Found:
    blank = sorted({p.part for p in load.pieces if not p.due and not p.read})
    if blank:
        yield "by hand", remark("nothing_due_before", parts=blank)
    none = [p for p in load.pieces if p.due and not p.read]
    if none:
        yield "stop", remark("nothing_read_before", pieces=[f"{p.part} {p.serial}" for p in none])
    for p in load.pieces:
        left = [c for c in p.due if c not in p.read]
        if p.read and left:
            yield "by hand", remark("not_read_before", piece=f"{p.part} {p.serial}", characteristics=left)
        for name, value, nominal in p.odd:
            yield "by hand", remark("reading_odd", piece=f"{p.part} {p.serial}", characteristic=name, value_mm=value,
                                    nominal_mm=nominal)  # fmt: skip


def _gauges(load: Load) -> Found:
    if not any(p.read for p in load.pieces):
        yield "by hand", remark("gauges_not_known")
    late = {g: None for p in load.pieces for g in p.late_gauges}
    for gauge, until in late:
        yield "stop", remark("gauge_late", gauge=gauge, until=until)
    for p in load.pieces:
        if p.bare:
            yield "by hand", remark("gauge_not_named", piece=f"{p.part} {p.serial}", characteristics=list(p.bare))
    undated = sorted({g for p in load.pieces for g in p.undated})
    if undated:
        yield "by hand", remark("gauge_not_dated", gauges=undated)


def _scale(load: Load) -> Found:
    """Scale where the surfaces are finished: a stop in air, since it cannot be taken back."""
    if "air" not in gases_in(load.atmosphere):
        return
    asked: dict[str, str] = {}
    for p in load.pieces:
        asked.setdefault(p.part, advised_atmosphere(p.condition, p.machining, p.stock_mm, p.reactive, p.family).code)
    for part, code in asked.items():
        if code == "protect_finished":
            yield "stop", remark("finished_in_air", part=part)
        elif code != "air":
            yield "by hand", remark("scale_not_known", part=part)


def _stock(load: Load) -> Found:
    unasked = sorted({p.part for p in load.pieces if p.needs_mm is None})
    if unasked:
        yield "by hand", remark("stock_not_asked", parts=unasked)
    least: dict[str, ReadyPiece] = {}
    for p in load.pieces:
        if p.needs_mm is None:
            continue
        if p.stock_mm is None:
            yield "by hand", remark("stock_not_recorded", part=p.part, needs_mm=p.needs_mm, answer=p.answer)
        elif p.stock_mm < p.needs_mm and (p.part not in least or p.stock_mm < (least[p.part].stock_mm or 0.0)):
            least[p.part] = p
    for p in least.values():
        yield "stop", remark("stock_short", part=p.part, stock_mm=p.stock_mm, needs_mm=p.needs_mm, answer=p.answer)


def _repeat(load: Load) -> Found:
    if load.repeats:
        yield "pass", remark("repeats", run=load.repeats)
    before: dict[tuple[str, ...], list[str]] = {}
    for p in load.pieces:
        others = tuple(r for r in p.earlier if r != load.repeats)[:3]
        before.setdefault(others, []).append(f"{p.part} {p.serial}")
    for others, pieces in before.items():
        if others:
            yield "by hand", remark("treated_before", pieces=pieces, runs=list(others))


def _pieces(load: Load) -> Found:
    """No name of a customer or a job: the sheet hangs at the furnace."""
    yield "by hand", remark("pieces_counted")
    customers = {p.customer for p in load.pieces if p.customer}
    if len(customers) > 1:
        yield "by hand", remark("several_customers", customers=len(customers))
    if any(p.confidential for p in load.pieces):
        yield "by hand", remark("confidential_load")


def _gas(load: Load) -> Found:
    yield "by hand", remark("gas_and_protection")
    asked, has = (gases_in(t) | ({VACUUM} if VACUUM in t.casefold() else set())
                  for t in (load.atmosphere, load.furnace_gas))  # fmt: skip
    if asked and has and not asked & has:
        state: State = "stop" if VACUUM in asked else "by hand"
        yield state, remark("gas_of_another", furnace=load.furnace.furnace, asked=load.atmosphere, has=load.furnace_gas)


def _by_hand(code: str) -> Callable[[Load], Found]:
    def found(load: Load) -> Found:
        yield "by hand", remark(code)

    return found


POINTS: dict[str, Callable[[Load], Found]] = {
    "cycle": _cycle,
    "first piece": _first,
    "material and temper": _material,
    "reactive metal": _coded(*_REACTIVE),
    "state of the parts": _state_of_parts,
    "scale": _scale,
    "stock": _stock,
    "repeat": _repeat,
    "readings before": _readings,
    "gauges": _gauges,
    "furnace class": _class,
    "furnace checks": _checks,
    "number of TCs": _count,
    "places of TCs": _places,
    "calibrations": _calibrations,
    "jacks and leads": _jacks,
    "pieces": _pieces,
    "racking": _by_hand("racked"),
    "recorder": _by_hand("recorder_on"),
    "gas and protection": _gas,
}

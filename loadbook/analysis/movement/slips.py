"""Slips of a reading as it is typed: a value so far from what the piece can be that a slip is likelier.

A value is held against the nominal and the tolerance of its characteristic, against the other stage of the same piece,
and against the other pieces of the part. What is said is a question: the value may be real, and then somebody says so.
The bounds are wide on purpose (common practice of shops, and tried on planted readings in tests/test_slips.py): what
lies inside of them is left to the blunder screen (blunders.py), which works on movement.

All readings of a file are asked at once: each check is written once, for arrays of readings of one kind, and NaN is
what is not known, so that a comparison with it doubts nothing.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np

from loadbook.core.vocabulary.intake_kinds import DEPTH_KINDS, FORM_KINDS, OWN_UNIT_KINDS, SIZE_KINDS
from loadbook.core.vocabulary.scales import RANGES, scale_of

from .peers import Array, Peers

SHARE = 0.05  # of the nominal that a size may be off
STOCK_MM = 6.0  # that a size may be off for stock that nobody recorded, at most ...
STOCK_SHARE = 0.35  # ... and at most so much of the nominal
TOLERANCES = 10.0  # tolerances that a value near zero (a coordinate) may be off
MOVED_SHARE, MOVED_MM = 0.01, 0.1  # of a size that a treatment may move it; what any size may move
FORM_LIMITS, FORM_MM = 30.0, 0.25  # a form error beyond 30 limits and 0.25 mm, ...
FORM_SHARE = 0.01  # ... or beyond 1 % of the length it is told of, is no form any more
FINEST_MM = 5e-5  # a form error below this is not measured in a heat-treat shop
PEERS = 5  # pieces that must agree before one of them is held against them
MANY = 20  # movements of other runs that show how far one piece alone may lie from them
FAR = 15.0  # of their robust standard deviations
SOFTEST = 75.0  # HV, HK or HB of steel and iron
LENGTH_UNITS = {"mm": 1.0, "in": 25.4, "um": 1e-3, "mil": 0.0254, "cm": 10.0}


@dataclass(frozen=True)
class Asked:
    """A characteristic as its readings are held against it; lengths mm, else in its own unit; None: not recorded.

    part  whose it is;  family  of the part's material
    """

    name: str
    kind: str
    unit: str = "mm"
    nominal: float | None = None
    lower: float | None = None
    upper: float | None = None
    reference_length_mm: float | None = None
    part_length_mm: float | None = None
    section_mm: float | None = None
    family: str = ""
    part: str = ""

    @property
    def tolerance(self) -> float:
        """Width of the tolerance, 0 where it has not both limits."""
        return self.upper - self.lower if self.upper is not None and self.lower is not None else 0.0

    @property
    def middle(self) -> float | None:
        """What a size should be: nominal, else between its limits, else the length that movement is related to."""
        if self.nominal is not None:
            return self.nominal
        limits = [x for x in (self.lower, self.upper) if x is not None]
        if limits:
            return sum(limits) / len(limits)
        return self.reference_length_mm if self.kind in ("outside diameter", "inside diameter", "length") else None


class Figures(NamedTuple):
    """What is recorded of the characteristic of each reading; NaN where it is not."""

    nominal: Array
    lower: Array
    upper: Array
    middle: Array
    tolerance: Array
    reference_length_mm: Array
    part_length_mm: Array
    section_mm: Array


@dataclass(frozen=True)
class Beside:
    """What stands beside each reading: the other stage of its piece, other pieces at the same stage, their movements.

    other   the same piece before (or after) the run, NaN where that is not known
    moved   this piece's own movement;  same_run  are `moves` of its run (where that has enough), else of all
    stock_mm, removed_mm  stock left or taken off, and that taken off alone; both sides together
    step_mm smallest step of its gauge, 0 where that is not known
    peers   the other pieces of the part at this stage;  batch  those of them that are typed with this one
    moves   movements of the other pieces;  history  those of pieces of other runs of the same cycle
    """

    other: Array
    moved: Array
    same_run: Array
    stock_mm: Array
    removed_mm: Array
    step_mm: Array
    peers: Peers
    batch: Peers
    moves: Peers
    history: Peers

    @classmethod
    def nothing(cls, count: int) -> Beside:
        """Beside so many readings of which nothing else is known."""
        nan, zero, none = np.full(count, np.nan), np.zeros(count), Peers.none(count)
        return cls(nan, nan, zero > 0, zero, zero, zero, none, none, none, none)

    def __getitem__(self, at: Array) -> Beside:
        return Beside(*(getattr(self, field.name)[at] for field in fields(self)))


@dataclass(frozen=True)
class Slip:
    """Why a value is doubted, and what it likely is.

    against  'nominal', 'limits', 'other stage', 'other pieces', 'length', 'section', 'scale', 'soft', 'step', 'zero'
             or 'movement'
    held     the figure it was held against, in the characteristic's unit
    cause    'unit', 'decimal', 'sign', 'swapped', 'radius', 'scale', 'characteristic' or ''
    meant    the value that was meant by that; unit  the unit (or characteristic) that it was typed as
    """

    against: str
    held: float | None
    cause: str = ""
    meant: float | None = None
    unit: str = ""


class Check(NamedTuple):
    """Which readings a check doubts, and the slip that each would be: a figure, or one of each reading."""

    against: str
    doubted: Array
    held: Array | float
    cause: str = ""
    meant: Array | float | None = None
    unit: str = ""

    def slip(self, i: int) -> Slip:
        held, meant = (float(x[i]) if isinstance(x, np.ndarray) else x for x in (self.held, self.meant))
        return Slip(self.against, held, self.cause, meant, self.unit)


def slips(value: Array, typed: Sequence[str], asked: Sequence[Asked], of: Array, beside: Beside) -> dict[int, Slip]:
    """The slips that readings look like, by the reading's place; none of one that may well be so.

    value  mm, or in the characteristic's own unit;  typed  unit of the header that each characteristic is typed under
    asked  all characteristics of the parts;  of  the characteristic of each reading, by its place

    >>> bore = Asked("bore", "inside diameter", nominal=80.0, lower=79.985, upper=80.015)
    >>> slips(np.array([80.004, 80.004 * 25.4]), ["in"], [bore], np.array([0, 0]), Beside.nothing(2))
    {1: Slip(against='nominal', held=80.0, cause='unit', meant=80.004, unit='mm')}
    """
    of_part: dict[str, list[Asked]] = defaultdict(list)
    for what in asked:
        of_part[what.part].append(what)
    sorts = [_sort(what) for what in asked]
    number = {sort: i for i, sort in enumerate(dict.fromkeys(sorts))}
    numbers = np.array([number[sort] for sort in sorts])[of]
    figures = np.array([[getattr(what, name) for name in Figures._fields] for what in asked], float)
    found: dict[int, Slip] = {}
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        for sort, at in ((sort, np.flatnonzero(numbers == i)) for sort, i in number.items()):
            if not len(at):
                continue
            v, what_of, by = value[at], of[at], beside[at]
            silent, about = np.ones(len(at), bool), by.peers.about
            for check in _checks(v, sort, Figures(*figures[what_of].T), by):
                for i in np.flatnonzero(check.doubted & silent).tolist():
                    what, typed_as = asked[what_of[i]], typed[what_of[i]]
                    slip = _explained(
                        check.slip(i), float(v[i]), typed_as, what, of_part[what.part], by.other[i], about[i]
                    )
                    if slip is not None:
                        found[int(at[i])] = slip
                silent &= ~check.doubted
    return found


def _sort(what: Asked) -> tuple[str, str, bool]:
    """The kind of a characteristic, the scale of one that is not a length, and is the part of steel or iron."""
    own = what.kind in OWN_UNIT_KINDS
    return what.kind, (scale_of(what.unit) or "") if own else "", bool(re.search("steel|iron", what.family.lower()))


def _checks(v: Array, sort: tuple[str, str, bool], what: Figures, by: Beside) -> Iterator[Check]:
    kind, scale, steel = sort
    if kind in SIZE_KINDS:
        return _size(v, kind, what, by)
    if kind in FORM_KINDS:
        return _form(v, what, by)
    if kind in DEPTH_KINDS:
        return _depth(v, kind, what, by)
    return _own(v, kind, scale, steel, what, by)


# -- sizes ----------------------------------------------------------------------------------------------------------


def _size(v: Array, kind: str, what: Figures, by: Beside) -> Iterator[Check]:
    if kind != "distance":
        yield Check("zero", v < 0, 0.0)
    meant = (what.middle != 0) | (what.tolerance != 0)
    yield Check("nominal", meant & (abs(v - what.middle) > _slack(what, by)), what.middle)
    yield Check("length", np.isnan(what.middle) & (abs(v) > 1.5 * what.part_length_mm), what.part_length_mm)
    yield Check("other stage", abs(v - by.other) > _movable(what, by), by.other)
    about, far = _far_from_peers(v, what, by)
    alike = _far_from_peers(by.other, what, by)[1]  # the whole piece is like that, as both stages say
    yield Check("other pieces", far & ~alike & ~_whole_batch(v, about, far, by), about)
    yield from _moved_apart(what, by)
    # on its own nominal it is not: a slip if it is on that of another characteristic of the part
    off = abs(v - what.middle)
    like_others = (by.peers.count >= 2) & (abs(v - by.peers.about) < 0.3 * off)  # or like its other stage: stock
    off_nominal = (off > np.maximum(8.0 * what.tolerance, 0.005 * abs(what.middle))) & ~like_others
    yield Check("nominal", off_nominal & ~(abs(v - by.other) < 0.3 * off), what.middle, "characteristic", v)


def _slack(what: Figures, by: Beside) -> Array:
    """How far a size may be from what it should be: stock, tolerance, what is left of a rough machined piece."""
    size = abs(what.middle)
    stock = np.maximum(np.minimum(STOCK_MM, STOCK_SHARE * size), 2.5 * by.stock_mm)
    slack = np.maximum(np.maximum(SHARE * size, stock), 6.0 * what.tolerance)
    near_zero = TOLERANCES * what.tolerance
    return np.where(size <= near_zero, near_zero, slack)


def _movable(what: Figures, by: Beside) -> Array:
    """How far from the other stage a treatment moves a size."""
    near_zero = abs(by.other) <= TOLERANCES * what.tolerance
    allowed = np.maximum(np.maximum(MOVED_SHARE * abs(by.other), MOVED_MM),
                         np.where(near_zero, TOLERANCES, 3.0) * what.tolerance)  # fmt: skip
    return np.asarray(allowed + 2.0 * by.removed_mm)


def _far_from_peers(v: Array, what: Figures, by: Beside) -> tuple[Array, Array]:
    """What the other pieces are, and who is far from that.

    Where the characteristic has a nominal, other pieces must be many. Of a few one may be the wrong one: near any of
    them will do.
    """
    few = by.peers.count < PEERS
    at = np.flatnonzero(few & (by.peers.count >= 2) & np.isnan(what.middle))
    some = by.peers.values(at)
    nearest = np.nanargmin(abs(np.nan_to_num(v[at])[:, None] - some), axis=1)
    about = np.where(few, np.nan, by.peers.about)
    about[at] = some[np.arange(len(at)), nearest]
    floor = np.maximum(np.maximum(0.1 * what.tolerance, 1e-5 * abs(about)), np.maximum(by.step_mm, 0.001))
    near_zero = abs(about) <= np.maximum(TOLERANCES * what.tolerance, 20 * floor)
    least = np.maximum(2.0 * what.tolerance, np.where(near_zero, 0.0, 0.003 * abs(about)))
    wide = np.maximum(FAR * np.maximum(by.peers.sd, floor), least) + 2.0 * by.removed_mm
    wide_of_few = np.maximum(STOCK_SHARE * abs(about), np.where(abs(about) < 1.0, 0.5, 0.0))
    return about, abs(v - about) > np.where(few, wide_of_few, wide)


def _whole_batch(v: Array, about: Array, far: Array, by: Beside) -> Array:
    """Of those that are far: are other pieces of the batch as far from what the others were?"""
    at, like = np.flatnonzero(far), np.zeros(len(v), bool)
    apart = abs(v - about)[at, None]
    like[at] = (abs(v[at, None] - by.batch.values(at)) <= 0.25 * apart).any(axis=1)
    return like


def _moved_apart(what: Figures, by: Beside) -> Iterator[Check]:
    """A movement far from the others', or one that fits them with its sign turned: before typed as after."""
    least_sd = np.maximum(np.maximum(by.step_mm, 0.0005), 0.02 * what.tolerance)
    moves, same_run = by.moves, by.same_run

    def turned(moved: Array, others: Peers) -> Array:
        # the scatter of a few may look much less than it is: of nine, once in some thousand, less than a third
        sd = np.maximum(others.sd * (1.0 + 4.0 / others.count), least_sd)
        near = (abs(-moved - others.about) < 3.0 * sd) & (3.0 * sd < abs(moved) * 0.75)
        return np.asarray(near & (abs(moved - others.about) > 8.0 * sd))

    few, many = np.where(same_run, 3, PEERS), np.where(same_run, PEERS, MANY)
    swapped = (moves.count >= few) & turned(by.moved, moves)
    yield Check("movement", swapped, moves.about, "swapped", -by.moved)
    # a whole file may have its columns the wrong way round: then all of its run stand so against other runs
    swapped = turned(by.moved, by.history) & (~same_run | turned(moves.about, by.history))
    yield Check("movement", (by.history.count >= many) & swapped, by.history.about, "swapped", -by.moved)
    size = abs(np.where(np.nan_to_num(what.middle) != 0, what.middle, np.nan_to_num(by.other)))
    share, tolerances = np.where(same_run, 0.0008, 0.002), np.where(same_run, 0.5, 2.0)
    least = np.maximum(np.maximum(share * size, tolerances * what.tolerance), 0.05) + 2.0 * by.removed_mm
    apart = abs(by.moved - moves.about) > np.maximum(FAR * np.maximum(moves.sd, least_sd), least)
    yield Check("movement", (moves.count >= few) & apart, moves.about, "", -by.moved)


# -- form, depth, own units -------------------------------------------------------------------------------------------


def _form(v: Array, what: Figures, by: Beside) -> Iterator[Check]:
    yield Check("zero", v < 0, 0.0)
    limit = _known(np.where(np.isnan(what.upper), what.nominal, what.upper))
    yield Check("limits", v > np.maximum(FORM_LIMITS * limit, FORM_MM), limit)
    span = np.where(np.isnan(what.reference_length_mm), what.part_length_mm, what.reference_length_mm)
    yield Check("length", v > np.maximum(FORM_SHARE * span, FORM_MM), span)
    step = np.maximum(FINEST_MM, 0.45 * by.step_mm)
    yield Check("step", (v > 0) & (v < step), step)
    logs = by.peers.logs
    apart, sd = np.log(np.where(v > 0, v, np.nan)) - logs.about, np.maximum(logs.sd, 0.2)
    many = (by.peers.count >= PEERS) & (logs.count >= PEERS)
    at = np.flatnonzero(many & (apart > np.maximum(math.log(8.0), 5.0 * sd)))
    batch = v[at, None] / by.batch.values(at)
    apart[at] -= np.where(((batch > 0.5) & (batch < 2.0)).any(axis=1), math.log(2.5), 0.0)  # that went bad together
    far = (apart > np.maximum(math.log(8.0), 5.0 * sd)) | (apart < -np.maximum(math.log(20.0), 5.0 * sd))
    near = (by.other > 0) & (v / by.other > 0.2) & (v / by.other < 5.0)
    yield Check("other pieces", many & far & ~near, np.exp(logs.about))


def _depth(v: Array, kind: str, what: Figures, by: Beside) -> Iterator[Check]:
    yield Check("zero", v < 0, 0.0)
    yield Check("section", v > 0.5 * what.section_mm, what.section_mm)
    yield Check("step", (v > 0) & (v < 0.002), 0.002)
    limits = np.array([_known(x) for x in (what.lower, what.nominal, what.upper)])
    least: Array = np.fmin.reduce(limits)
    most: Array = np.fmax.reduce(limits)
    case = kind == "case depth"
    beyond = (v > np.maximum(5.0 * most, 0.3)) | ((v < 0.2 * least) & case)
    yield Check("limits", beyond, np.where(v > most, most, least))
    yield Check("step", np.isnan(most) & (v > 12.0), 12.0)
    about = by.peers.about
    unlike = (by.peers.count >= PEERS) & (about > 0) & ~((v / about > 0.15) & (v / about < 7.0))
    yield Check("other pieces", unlike & (case | (v > 0.3)), about)


def _own(v: Array, kind: str, scale: str, steel: bool, what: Figures, by: Beside) -> Iterator[Check]:
    if scale in RANGES:
        least, most = RANGES[scale]
        yield Check("scale", ~((least <= v) & (v <= most)), np.where(v < least, least, most))
        if scale in ("HV", "HK", "HB") and steel:
            yield Check("soft", v < SOFTEST, SOFTEST, "scale", v, "HRC")
    if kind == "angle":
        slack = np.maximum({"deg": 5.0, "rad": 0.09}.get(scale, 0.1 * abs(what.middle)), 20.0 * what.tolerance)
        yield Check("nominal", abs(v - what.middle) > slack, what.middle)
        about, far = _far_from_peers(v, what, by)
        yield Check("other pieces", far, about)
        return
    limits = np.array([what.lower, what.nominal, what.upper])
    if kind == "hardness":
        outside = (v < 0.2 * np.fmin.reduce(limits)) | (v > 5.0 * np.fmax.reduce(limits))
        first = np.where(np.isnan(what.lower), np.where(np.isnan(what.nominal), what.upper, what.nominal), what.lower)
        yield Check("limits", outside, first)
    many, about = by.peers.count >= PEERS, by.peers.about
    wide = {"residual stress": 600.0 if scale == "MPa" else 90.0, "grain size": 4.0, "retained austenite": 10.0}
    sd = np.maximum(by.peers.sd, 0.01 * abs(about))
    far = abs(v - about) > np.maximum(FAR * sd, wide.get(kind, 0.35 * abs(about)))
    yield Check("other pieces", many & far, about)
    if kind == "retained austenite":
        yield Check("other pieces", many & (v > 0) & (v < 1.0) & (about > 20.0 * v), about)


def _known(figure: Array) -> Array:
    """A limit that says something: not 0."""
    return np.where(figure == 0, np.nan, figure)


# -- what it likely is ------------------------------------------------------------------------------------------------


def _explained(
    found: Slip, value: float, typed: str, what: Asked, of_part: Sequence[Asked], other: float, about: float
) -> Slip | None:
    """The doubt with its likely cause: what makes the value fit best.

    of_part  all characteristics of the part;  other  the other stage of the piece;  about  what the other pieces are
    """
    same = _same_as(value, what, of_part)
    if found.cause == "characteristic":
        return replace(found, unit=same) if same is not None else None
    if found.cause or found.against == "movement":
        return found
    usual = what.upper if what.kind in FORM_KINDS or what.kind in DEPTH_KINDS else what.middle
    fits = [x for x in (other, about, usual) if x and not math.isnan(x)]
    close = 1.0 + 2 * SHARE if what.kind in SIZE_KINDS or what.kind == "angle" else 4.0
    best: tuple[float, Slip] | None = None

    def consider(cause: str, meant: float, unit: str, cost: float) -> None:
        nonlocal best
        if any(m * meant > 0 and max(meant / m, m / meant) <= close for m in fits):
            off = min(abs(math.log(meant / m)) for m in fits if m * meant > 0) + cost
            if best is None or off < best[0]:
                best = off, Slip(found.against, found.held, cause, meant, unit)

    if value and typed in LENGTH_UNITS:
        plain = value / LENGTH_UNITS[typed]
        for unit, factor in LENGTH_UNITS.items():
            if unit != typed:
                consider("unit", plain * factor, unit, 0.0 if unit != "cm" else 0.05)
    for power in (1, -1, 2, -2, 3, -3):
        consider("decimal", value / 10.0**power, "", 0.02 * abs(power))
    consider("sign", -value, "", 0.0)
    if what.kind in ("outside diameter", "inside diameter") and any(abs(2 * value - m) < 0.01 * abs(m) for m in fits):
        return Slip(found.against, found.held, "radius", 2 * value)
    if same is not None:
        return Slip(found.against, found.held, "characteristic", value, same)
    return found if best is None else best[1]


def _same_as(value: float, what: Asked, of_part: Sequence[Asked]) -> str | None:
    """Another characteristic of the part that a value fits within its tolerance."""
    for other in of_part:
        if other.name == what.name or other.kind not in (*SIZE_KINDS, "hardness") or other.middle is None:
            continue
        if abs(other.middle) <= TOLERANCES * other.tolerance:
            continue  # near zero anything fits
        if abs(value - other.middle) <= max(0.6 * other.tolerance, 2e-4 * abs(other.middle)) and value:
            return other.name
    return None

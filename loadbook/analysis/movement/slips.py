"""Slips of a reading as it is typed: a value so far from what the piece can be that a slip is likelier.

A value is held against the nominal and the tolerance of its characteristic, against the other stage of the same piece,
and against the other pieces of the part. What is said is a question: the value may be real, and then somebody says so.
The bounds are wide on purpose (common practice of shops, and tried on planted readings in tests/test_slips.py): what
lies inside of them is left to the blunder screen (blunders.py), which works on movement.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from statistics import median

from loadbook.core.vocabulary.intake_kinds import DEPTH_KINDS, FORM_KINDS, SIZE_KINDS
from loadbook.core.vocabulary.scales import RANGES, scale_of

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

    family  of the part's material
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


class Peers:
    """Values of other pieces, with their middle and their robust spread (widened for few pieces)."""

    def __init__(self, values: Sequence[float] = ()) -> None:
        self.values = values

    def __len__(self) -> int:
        return len(self.values)

    @cached_property
    def about(self) -> float:
        return median(self.values)

    @cached_property
    def sd(self) -> float:
        away = median(abs(v - self.about) for v in self.values)
        return 1.4826 * away * (1.0 + 2.0 / math.sqrt(len(self.values)))

    @cached_property
    def logs(self) -> Peers:
        """The logarithms of those above zero."""
        return Peers([math.log(v) for v in self.values if v > 0])


NO_PEERS = Peers()


@dataclass(frozen=True)
class Beside:
    """What stands beside a value: the other stage of its piece, other pieces at the same stage, their movements.

    other   the same piece before (or after) the run
    stock_mm, removed_mm  stock left or taken off, and that taken off alone; both sides together
    peers   the other pieces of the part at this stage;  batch  those of them that are typed with this one
    moves   movements of the other pieces: of its run (same_run) where it has enough, else of all
    history movements of pieces of other runs of the same cycle
    moved   this piece's own movement;  step_mm  smallest step of its gauge
    """

    other: float | None = None
    peers: Peers = NO_PEERS
    batch: Peers = NO_PEERS
    moves: Peers = NO_PEERS
    history: Peers = NO_PEERS
    moved: float | None = None
    stock_mm: float = 0.0
    removed_mm: float = 0.0
    step_mm: float | None = None
    same_run: bool = False
    characteristics: Sequence[Asked] = field(default=(), repr=False)


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


def slip(value: float, typed: str, what: Asked, beside: Beside) -> Slip | None:
    """The slip that a value looks like, None where it may well be so.

    value  mm, or in the characteristic's own unit;  typed  unit of the header that it was typed under

    >>> bore = Asked("bore", "inside diameter", nominal=80.0, lower=79.985, upper=80.015)
    >>> slip(80.004 * 25.4, "in", bore, Beside())
    Slip(against='nominal', held=80.0, cause='unit', meant=80.004, unit='mm')
    >>> slip(80.004, "mm", bore, Beside()) is None
    True
    """
    found = _doubt(value, what, beside)
    if found is None:
        return _characteristic(value, what, beside)
    if found.cause or found.against == "movement":
        return found
    return _explained(found, value, typed, what, beside)


def _doubt(value: float, what: Asked, beside: Beside) -> Slip | None:
    if what.kind in SIZE_KINDS:
        return _size(value, what, beside)
    if what.kind in FORM_KINDS:
        return _form(value, what, beside)
    if what.kind in DEPTH_KINDS:
        return _depth(value, what, beside)
    return _own(value, what, beside)


# -- sizes ----------------------------------------------------------------------------------------------------------


def _slack(about: float, what: Asked, beside: Beside) -> float:
    """How far a size may be from what it should be: stock, tolerance, what is left of a rough machined piece."""
    if abs(about) <= TOLERANCES * what.tolerance:
        return TOLERANCES * what.tolerance
    stock = min(STOCK_MM, STOCK_SHARE * abs(about))
    stock = max(stock, 2.5 * beside.stock_mm)
    return max(SHARE * abs(about), stock, 6.0 * what.tolerance)


def _size(value: float, what: Asked, beside: Beside) -> Slip | None:
    if value < 0 and what.kind != "distance":
        return Slip("zero", 0.0)
    middle = what.middle
    if middle is not None and (middle != 0 or what.tolerance):
        slack = _slack(middle, what, beside)
        if abs(value - middle) > slack:
            return Slip("nominal", middle)
        if value * middle <= 0 < abs(middle) - slack:
            return Slip("nominal", middle)
    if middle is None and what.part_length_mm and abs(value) > 1.5 * what.part_length_mm:
        return Slip("length", what.part_length_mm)
    far = _far_from_peers(value, what, beside, known=middle is not None)
    paired = _moved_too_far(value, what, beside)
    if paired is not None:
        return paired
    alike = beside.other is not None and _far_from_peers(beside.other, what, beside, known=middle is not None)
    if far is not None and not alike and not _whole_batch(value, far, beside):
        return far  # else the whole piece is like that, as both stages say, or all pieces of the batch are
    return _moved_apart(what, beside)


def _moved_too_far(value: float, what: Asked, beside: Beside) -> Slip | None:
    """Further from the other stage than a treatment moves a size."""
    other = beside.other
    if other is None:
        return None
    near_zero = abs(other) <= TOLERANCES * what.tolerance
    allowed = max(MOVED_SHARE * abs(other), MOVED_MM, TOLERANCES * what.tolerance if near_zero else 3 * what.tolerance)
    allowed += 2.0 * beside.removed_mm
    return Slip("other stage", other) if abs(value - other) > allowed else None


def _far_from_peers(value: float, what: Asked, beside: Beside, known: bool) -> Slip | None:
    """known  has the characteristic a nominal: then other pieces must be many, and far from this one."""
    peers = beside.peers
    if len(peers) < (PEERS if known else 2):
        return None
    if len(peers) < PEERS:  # one of them may be the wrong one: near any of them will do
        about = min(peers.values, key=lambda p: abs(value - p))
        wide = max(STOCK_SHARE * abs(about), 0.5 if abs(about) < 1.0 else 0.0)
        return Slip("other pieces", about) if abs(value - about) > wide else None
    about = peers.about
    floor = max(0.1 * what.tolerance, 1e-5 * abs(about), beside.step_mm or 0.0, 0.001)
    near_zero = abs(about) <= max(TOLERANCES * what.tolerance, 20 * floor)
    least = max(2.0 * what.tolerance, 0.0 if near_zero else 0.003 * abs(about))
    if abs(value - about) > max(FAR * max(peers.sd, floor), least) + 2.0 * beside.removed_mm:
        return Slip("other pieces", about)
    return None


def _whole_batch(value: float, far: Slip, beside: Beside) -> bool:
    """Are other pieces of the batch as far from what the others were?"""
    apart = abs(value - (far.held or 0.0))
    return any(abs(value - p) <= 0.25 * apart for p in beside.batch.values)


def _moved_apart(what: Asked, beside: Beside) -> Slip | None:
    """A movement far from the others', or one that fits them with its sign turned: before typed as after."""
    moved, moves, least_sd = beside.moved, beside.moves, max(beside.step_mm or 0.0, 0.0005, 0.02 * what.tolerance)
    if moved is None:
        return None
    few, many = (3, PEERS) if beside.same_run else (PEERS, MANY)
    for others, needed in ((moves, few), (beside.history, many)):
        if len(others) < needed:
            continue
        # a whole file may have its columns the wrong way round: then all of its run stand so against other runs
        turned = [moved, moves.about] if beside.same_run and others is beside.history else [moved]
        # the scatter of a few may look much less than it is: of nine, once in some thousand, less than a third
        about, sd = others.about, max(others.sd * (1.0 + 4.0 / len(others)), least_sd)
        if all(abs(m - about) > 8.0 * sd and abs(-m - about) < 3.0 * sd < abs(m) * 0.75 for m in turned):
            return Slip("movement", about, "swapped", -moved)
    if len(moves) < few:
        return None
    about, sd = moves.about, max(moves.sd, least_sd)
    apart = abs(moved - about)
    size = abs(what.middle or beside.other or 0.0)
    share, tolerances = (0.0008, 0.5) if beside.same_run else (0.002, 2.0)
    least = max(share * size, tolerances * what.tolerance, 0.05) + 2.0 * beside.removed_mm
    return Slip("movement", about, "", -moved) if apart > max(FAR * sd, least) else None


# -- form, depth, own units -------------------------------------------------------------------------------------------


def _form(value: float, what: Asked, beside: Beside) -> Slip | None:
    if value < 0:
        return Slip("zero", 0.0)
    limit = what.upper if what.upper is not None else what.nominal
    if limit and value > max(FORM_LIMITS * limit, FORM_MM):
        return Slip("limits", limit)
    span = what.reference_length_mm or what.part_length_mm
    if span and value > max(FORM_SHARE * span, FORM_MM):
        return Slip("length", span)
    step = max(FINEST_MM, 0.45 * (beside.step_mm or 0.0))
    if 0 < value < step:
        return Slip("step", step)
    if len(beside.peers) < PEERS or len(beside.peers.logs) < PEERS or value <= 0:
        return None
    logs = beside.peers.logs
    about, sd = math.exp(logs.about), max(logs.sd, 0.2)
    apart = math.log(value) - logs.about
    if apart > 0 and any(p > 0 and 0.5 < value / p < 2.0 for p in beside.batch.values):
        apart -= math.log(2.5)  # a batch that went bad together
    if apart > max(math.log(8.0), 5.0 * sd) or apart < -max(math.log(20.0), 5.0 * sd):
        near = beside.other is not None and beside.other > 0 and 0.2 < value / beside.other < 5.0
        return None if near else Slip("other pieces", about)
    return None


def _depth(value: float, what: Asked, beside: Beside) -> Slip | None:
    if value < 0:
        return Slip("zero", 0.0)
    if what.section_mm and value > 0.5 * what.section_mm:
        return Slip("section", what.section_mm)
    if 0 < value < 0.002:
        return Slip("step", 0.002)
    limits = [x for x in (what.lower, what.nominal, what.upper) if x]
    case = what.kind == "case depth"
    if limits and (value > max(5.0 * max(limits), 0.3) or (case and value < 0.2 * min(limits))):
        return Slip("limits", max(limits) if value > max(limits) else min(limits))
    if not limits and value > 12.0:
        return Slip("step", 12.0)
    if len(beside.peers) >= PEERS and beside.peers.about > 0:
        about = beside.peers.about
        if not 0.15 < value / about < 7.0 and (case or value > 0.3):
            return Slip("other pieces", about)
    return None


def _own(value: float, what: Asked, beside: Beside) -> Slip | None:
    scale = scale_of(what.unit)
    if scale is not None:
        least, most = RANGES[scale]
        if not least <= value <= most:
            return Slip("scale", least if value < least else most)
        if scale in ("HV", "HK", "HB") and value < SOFTEST and re.search("steel|iron", what.family.lower()):
            return Slip("soft", SOFTEST, "scale", value, "HRC")
    limits = [x for x in (what.lower, what.nominal, what.upper) if x is not None]
    if what.kind == "angle":
        if what.middle is not None:
            slack = max({"deg": 5.0, "rad": 0.09}.get(scale or "", 0.1 * abs(what.middle)), 20.0 * what.tolerance)
            if abs(value - what.middle) > slack:
                return Slip("nominal", what.middle)
        return _far_from_peers(value, what, beside, known=what.middle is not None)
    if what.kind == "hardness" and limits and not 0.2 * min(limits) <= value <= 5.0 * max(limits):
        return Slip("limits", limits[0])
    if len(beside.peers) >= PEERS:
        about = beside.peers.about
        wide = {"residual stress": 600.0 if scale == "MPa" else 90.0, "grain size": 4.0, "retained austenite": 10.0}
        sd = max(beside.peers.sd, 0.01 * abs(about))
        if abs(value - about) > max(FAR * sd, wide.get(what.kind, 0.35 * abs(about))):
            return Slip("other pieces", about)
        if what.kind == "retained austenite" and 0 < value < 1.0 and about > 20.0 * value:
            return Slip("other pieces", about)
    return None


# -- what it likely is ------------------------------------------------------------------------------------------------


def _explained(found: Slip, value: float, typed: str, what: Asked, beside: Beside) -> Slip:
    """The doubt with its likely cause: what makes the value fit best."""
    usual = what.upper if what.kind in FORM_KINDS or what.kind in DEPTH_KINDS else what.middle
    fits = [x for x in (beside.other, beside.peers.about if len(beside.peers) else None, usual) if x]
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
    other = _same_as(value, what, beside)
    if other is not None:
        return Slip(found.against, found.held, "characteristic", value, other)
    return found if best is None else best[1]


def _same_as(value: float, what: Asked, beside: Beside) -> str | None:
    """Another characteristic of the part that a value fits within its tolerance."""
    for other in beside.characteristics:
        if other.name == what.name or other.kind not in (*SIZE_KINDS, "hardness") or other.middle is None:
            continue
        if abs(other.middle) <= TOLERANCES * other.tolerance:
            continue  # near zero anything fits
        if abs(value - other.middle) <= max(0.6 * other.tolerance, 2e-4 * abs(other.middle)) and value:
            return other.name
    return None


def _characteristic(value: float, what: Asked, beside: Beside) -> Slip | None:
    """A size that is off its own nominal and on that of another characteristic of the part."""
    middle = what.middle
    if what.kind not in SIZE_KINDS or middle is None or not beside.characteristics:
        return None
    if abs(value - middle) <= max(8.0 * what.tolerance, 0.005 * abs(middle)):
        return None
    near = [x for x in (beside.other, beside.peers.about if len(beside.peers) >= 2 else None) if x is not None]
    if any(abs(value - x) < 0.3 * abs(value - middle) for x in near):
        return None  # the piece, or the others, are like that: stock
    other = _same_as(value, what, beside)
    return None if other is None else Slip("nominal", middle, "characteristic", value, other)

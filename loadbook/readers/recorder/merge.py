"""Several files' readings as one trace: every sample at its own time, nothing filled in, overlaps compared and told.

From files to a run's trace:

1. each file is read by itself: its layout, its questions, its cut (part.py);
2. channels of one name are one channel (unless they are said to be several); where two files hold it at the same time,
   what both hold is compared: the same to rounding is kept once and told, anything else is asked;
3. the moments of all files together are the trace's. A channel that has no sample at a moment has the flag NOT_SAMPLED
   there; what is calculated on one clock is calculated from the record (analysis/trace/one_clock.py).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import PurePath
from zoneinfo import ZoneInfo

import numpy as np

from loadbook.analysis.trace.model import DUPLICATE_TIME, INVALID, NOT_SAMPLED, Flags, Floats
from loadbook.core.errors import IntakeError, Problem
from loadbook.core.phrases import few, many
from loadbook.core.times import shown, stored
from loadbook.core.typed import quote
from loadbook.core.units import c_from_f, f_from_c, show

from .channels import ChannelSpec
from .options import Question
from .time_axis import utc_moment

JOINT_INTERVALS, JOINT_C = 5.0, 15.0  # where a file goes on after another
_HOLE = 1.5  # a gap wider than so many intervals is a hole that another file may fill
ROUNDING = 0.51  # of the coarser resolution, by which two records of one reading may differ


@dataclass
class Piece:
    """What one file gives to a run: t (n,) seconds since 1970, rising; values and flags (channels, n)."""

    name: str
    t: Floats
    values: Floats
    flags: Flags
    channels: list[ChannelSpec]


@dataclass
class Merged:
    """All pieces on the moments of all of them, with what is open and odd."""

    t: Floats
    values: Floats
    flags: Flags
    channels: list[ChannelSpec]
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass
class _Series:
    """One channel so far, and which piece each sample is of."""

    t: Floats
    values: Floats
    flags: Flags
    piece: np.ndarray


@dataclass
class _Overlap:
    """What two files both hold: channels, from and to, samples alike, otherwise, and in between one another."""

    first: float = np.inf
    last: float = -np.inf
    names: list[str] = field(default_factory=list)
    same: int = 0
    other: list[str] = field(default_factory=list)
    different: int = 0
    between: int = 0
    most: float = 0.0
    unit: str = ""


def merged(
    pieces: Sequence[Piece], *, overlap: str = "", apart: bool = False, zone: ZoneInfo, us: bool = False
) -> Merged:
    """The pieces as one.

    overlap  'first' or 'last': the piece, in the order given, that counts where two hold a channel at the same time
    apart    channels of one name are several, each named after its file
    zone, us  the shop's clock, and whether differences are told in °F
    Raises   IntakeError where a channel is one thing in one file and another in the next
    """
    if len(pieces) == 1:
        p = pieces[0]
        return Merged(p.t, p.values, p.flags, p.channels)
    if apart:
        pieces = _named_apart(pieces)
    specs: dict[str, ChannelSpec] = {}
    holding: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for number, piece in enumerate(pieces):
        for row, spec in enumerate(piece.channels):
            key = spec.name.casefold()
            _alike(specs.setdefault(key, spec), spec, piece.name)
            holding[key].append((number, row))
    overlaps: dict[tuple[int, int], _Overlap] = defaultdict(_Overlap)
    series = [_joined(pieces, holding[key], specs[key], overlap, overlaps) for key in specs]
    t = np.unique(np.concatenate([s.t for s in series]))
    values = np.full((len(series), len(t)), np.nan)
    flags = np.full(values.shape, NOT_SAMPLED, np.uint8)
    for i, one in enumerate(series):
        at = np.searchsorted(t, one.t)
        values[i, at], flags[i, at] = one.values, one.flags
    out = Merged(t, values, flags, list(specs.values()), notes=_at_the_joints(pieces, specs))
    for (a, b), found in sorted(overlaps.items()):
        _tell(out, pieces[a].name, pieces[b].name, found, overlap, zone, us)
    return out


def _at_the_joints(pieces: Sequence[Piece], specs: dict[str, ChannelSpec]) -> list[str]:
    """What to say where one file goes on after another: channels that seem to go on under other names.

    Raises IntakeError where all channels jump as from °C to °F
    """
    notes = []
    in_order = sorted((p for p in pieces if len(p.t) > 2), key=lambda p: p.t[0])
    for one, other in pairwise(in_order):
        usual = max(float(np.median(np.diff(p.t))) for p in (one, other))
        if not 0.0 <= other.t[0] - one.t[-1] <= JOINT_INTERVALS * usual:
            continue
        ends, begins = _known(one, -1), _known(other, 0)
        shared = [(ends[k], begins[k]) for k in ends.keys() & begins.keys()]
        for word, turned in (("°F", f_from_c), ("°C", c_from_f)):
            if shared and all(abs(b - turned(a)) <= 12.0 and abs(b - a) >= 60.0 for a, b in shared):
                raise IntakeError(
                    f"from {one.name} to {other.name} every channel jumps as if the second were in {word}",
                    [Problem(f"from {shared[0][0]:.0f} to {shared[0][1]:.0f} °C as read", other.name)],
                    remedy="Correct the units in its heading, and take the files in together again",
                )
        gone, new = ends.keys() - begins.keys(), begins.keys() - ends.keys()
        for name in sorted(new):
            near = [g for g in gone if abs(ends[g] - begins[name]) <= JOINT_C and specs[g].role == specs[name].role]
            if near:
                before = min(near, key=lambda g: abs(ends[g] - begins[name]))
                notes.append(
                    f"{specs[name].name!r} of {other.name} begins where {specs[before].name!r} of {one.name} ends: one"
                    " channel under two names? They are kept as two; one name for both:"
                    f" --rename {quote(f'{specs[name].name}={specs[before].name}')}"
                )
    return notes


def _known(piece: Piece, at: int) -> dict[str, float]:
    """Channel -> °C at one end of a piece."""
    found = {}
    for spec, values, flags in zip(piece.channels, piece.values, piece.flags, strict=True):
        some = values[(flags & (INVALID | NOT_SAMPLED)) == 0]
        some = some[~np.isnan(some)]
        if spec.quantity == "temperature" and len(some):
            found[spec.name.casefold()] = float(some[at])
    return found


def _named_apart(pieces: Sequence[Piece]) -> list[Piece]:
    count: dict[str, int] = defaultdict(int)
    for piece in pieces:
        for name in {c.name.casefold() for c in piece.channels}:
            count[name] += 1
    return [
        replace(
            piece,
            channels=[
                replace(c, name=f"{c.name} ({PurePath(piece.name).stem})") if count[c.name.casefold()] > 1 else c
                for c in piece.channels
            ],
        )
        for piece in pieces
    ]


def _alike(known: ChannelSpec, spec: ChannelSpec, where: str) -> None:
    for what in ("role", "quantity", "unit"):
        if getattr(known, what) != getattr(spec, what):
            raise IntakeError(
                f"{spec.name!r} has the {what} {getattr(spec, what)}, and {getattr(known, what)} in an earlier file",
                [Problem("channels of one name in several files are one channel", where)],
                remedy='Say what it is: --channel "NAME=role,unit"; or --apart, where they are several',
            )


def _joined(
    pieces: Sequence[Piece], rows: list[tuple[int, int]], spec: ChannelSpec, overlap: str,
    overlaps: dict[tuple[int, int], _Overlap],
) -> _Series:  # fmt: skip
    """One channel out of all files that hold it."""
    parts = []
    for number, row in rows:
        p = pieces[number]
        mine = (p.flags[row] & NOT_SAMPLED) == 0
        t = np.round(p.t[mine], 3)
        parts.append(_Series(t, p.values[row][mine], p.flags[row][mine], np.full(len(t), number)))
    parts = [p for p in parts if len(p.t)] or parts[:1]
    rounding = ROUNDING * max(pieces[n].channels[r].resolution or 0.0 for n, r in rows)
    done = parts[0]
    for part in parts[1:]:
        done = _with(done, part, spec, rounding, overlap, overlaps)
    return done


def _with(
    done: _Series, part: _Series, spec: ChannelSpec, rounding: float, overlap: str,
    overlaps: dict[tuple[int, int], _Overlap],
) -> _Series:  # fmt: skip
    low, high = max(done.t[0], part.t[0]), min(done.t[-1], part.t[-1])
    keep_done, keep_part = np.ones(len(done.t), bool), np.ones(len(part.t), bool)
    if low <= high:
        _, i, j = np.intersect1d(done.t, part.t, assume_unique=True, return_indices=True)
        a, b = done.values[i], part.values[j]
        blank = np.isnan(a) | np.isnan(b)
        with np.errstate(invalid="ignore"):
            other = ~blank & (np.abs(a - b) > rounding + 1e-9)
        between = _between(done, part)
    if low <= high and (len(i) or between.any()):
        pairs = done.piece[i] if len(i) else done.piece[np.searchsorted(done.t, low)][None]
        found = overlaps[int(pairs[0]), int(part.piece[0])]
        found.first, found.last = min(found.first, low), max(found.last, high)
        found.names.append(spec.name)
        found.same += int((~other).sum())
        found.different += int(other.sum())
        found.between += int(between.sum())
        if other.any() or between.any():
            found.other.append(spec.name)
            most = float(np.max(np.abs(a - b)[other], initial=0.0))
            if between.any():
                line = np.interp(part.t[between], done.t, done.values)
                most = max(most, float(np.nanmax(np.abs(part.values[between] - line), initial=0.0)))
            if most >= found.most:
                found.most, found.unit = most, f"{spec.unit}_diff" if spec.quantity == "temperature" else spec.unit
        win, lose, kept, left = (part, done, j, i) if overlap == "last" else (done, part, i, j)
        fills = np.isnan(win.values[kept]) & ~np.isnan(lose.values[left])  # a blank in one file, a reading in the other
        win.values[kept[fills]], win.flags[kept[fills]] = lose.values[left[fills]], lose.flags[left[fills]]
        win.flags[kept[other]] |= DUPLICATE_TIME
        keep_lost = keep_done if lose is done else keep_part
        keep_lost[left] = False
        if overlap:
            keep_lost[_between(win, lose)] = False
    t = np.concatenate([done.t[keep_done], part.t[keep_part]])
    order = np.argsort(t, kind="stable")
    return _Series(
        t[order],
        np.concatenate([done.values[keep_done], part.values[keep_part]])[order],
        np.concatenate([done.flags[keep_done], part.flags[keep_part]])[order],
        np.concatenate([done.piece[keep_done], part.piece[keep_part]])[order],
    )


def _between(one: _Series, other: _Series) -> np.ndarray:
    """Which samples of the other lie between two of the one that are an interval apart (not in a hole of it)."""
    usual = float(np.median(np.diff(one.t))) if len(one.t) > 1 else 0.0
    at = np.searchsorted(one.t, other.t)
    inner = (at > 0) & (at < len(one.t))
    held = np.zeros(len(other.t), bool)
    k = at[inner]
    held[inner] = (one.t[k] - one.t[k - 1] <= _HOLE * usual) & (one.t[k] != other.t[inner])
    return held


def _tell(out: Merged, first: str, second: str, found: _Overlap, overlap: str, zone: ZoneInfo, us: bool) -> None:
    first_at, last_at = (shown(stored(utc_moment(s)), zone) for s in (found.first, found.last))
    times = f"at {first_at}" if first_at == last_at else f"from {first_at} to {last_at}"
    if not found.other:
        held = f"{first} and {second} both hold {_some(found.names)} {times}"
        out.notes.append(f"{held}: {many(found.same, 'reading')} alike, kept once")
        return
    names = _some(found.other)
    if found.unit == "c_diff":
        value, unit, _ = show(found.most, "c_diff", "us" if us else "si")
    else:
        value, unit = found.most, found.unit
    most = f"{value:.0f} {unit}" if 100.0 <= value < 1e6 else f"{value:.3g} {unit}"
    counts = [f"{many(found.same, 'reading')} alike"] if found.same else []
    counts += [f"{n} {word}" for n, word in ((found.different, "different"), (found.between, "at other moments")) if n]
    text = f"{first} and {second} both hold {names} {times}: {', '.join(counts)}, up to {most.strip()} apart"
    if overlap:
        out.notes.append(f"{text}; the {overlap} file counts (--overlap {overlap})")
        return
    out.questions.append(
        Question(f"{text}. Which file counts there?", "--overlap first or last; or --apart, if they are two channels")
    )


def _some(names: Sequence[str]) -> str:
    return few([repr(n) for n in names], 3)

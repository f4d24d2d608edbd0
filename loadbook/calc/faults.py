"""Suspected sensor faults of a run: each with its interval, evidence in words with figures, and a confidence.

Only open circuits and sentinels are certain. Every other fault is a suspicion: judging gives the verdict with and
without the channel, so a suspicion never deletes a finding, and a cold corner stays what it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .faults_answer import find_quicker
from .faults_detached import find_detached
from .faults_frozen import find_frozen
from .faults_open import find_open
from .faults_scene import scene
from .faults_step import find_noisy, find_steps
from .model import Fault, PieceRecord, Trace

KINDS = (
    "open",
    "frozen",
    "step",
    "noisy",
    "detached",
    "reversed",
    "swapped",
    "wrong type",
    "shorted",
    "drifting",
)


def find_faults(trace: Trace, phases: Any = None, pieces: Sequence[PieceRecord] = ()) -> list[Fault]:
    """The suspected faults of a prepared trace, in order of their start.

    trace   prepared (validity.prepared): corrected, NaN where invalid, flags set
    phases  phases.find_phases of it, or None; nothing after its until_s is looked at
    pieces  the load, for its sections
    """
    seen = scene(trace, phases)
    if seen is None:
        return []
    found = find_open(seen)
    found += find_frozen(seen)
    found += find_steps(seen)
    found += find_noisy(seen)
    seen = seen.blanked(found)
    found += find_detached(seen)
    found += find_quicker(seen)
    return sorted(found, key=lambda f: (f.start_s, f.channel))

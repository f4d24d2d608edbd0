"""Score the low hold check on partial traces: generated loads cut off at the end of their low hold.

python -m tests.trials.low_hold [--healthy N] [--each N] [--seed N]

A fault counts where it began ten minutes or more before the end of the low hold; it *matters* where it would change a
verdict of the whole run (tests.loads.changes_a_verdict). It is *found* where the check names one of its channels by
then. A false stop is a healthy load that is not told to go on. These loads have no past in a furnace.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from loadbook.analysis.faults.find import find_faults
from loadbook.analysis.following.lowhold import Checked, checked
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from tests.loads import Load, batches, changes_a_verdict, generate

KINDS = ("detached", "open", "frozen", "step", "noisy", "reversed", "swapped", "wrong type")
AIMED = KINDS[:4]
BEFORE_S = 600.0


def low_hold(load: Load) -> tuple[int, float] | None:
    """(segment, end [s]) of a load's low hold; None where it has none."""
    holds = [i for i, mark in enumerate(load.spec.marks) if mark[0] == "hold"]
    return None if len(holds) < 2 else (holds[0] + 1, load.spec.marks[holds[0]][2])


def check(load: Load) -> Checked | None:
    """The check of a load at the end of its low hold."""
    found = low_hold(load)
    assert found is not None
    number, end_s = found
    n = int(np.searchsorted(load.trace.t_s, end_s))
    events = tuple(e for e in load.trace.events if e.t_s < end_s)
    part = replace(load.trace, t_s=load.trace.t_s[:n], values=load.trace.values[:, :n], flags=load.trace.flags[:, :n],
                   events=events)  # fmt: skip
    purpose = "low hold to check thermocouples"
    segments = tuple(replace(s, purpose=purpose) if s.number == number else s for s in load.cycle.segments)
    ready, cycle = prepared(part), replace(load.cycle, segments=segments)
    phases = find_phases(ready, cycle)
    return checked(ready, cycle, phases, find_faults(ready, phases))


def with_low_hold(count: int, seed: int, kind: str | None = None) -> Iterator[Load]:
    """Loads with a low hold; with a fault of a kind, that began in time."""
    given = 0
    for numbers in batches(20 * count):
        for load in generate(seed, numbers, None if kind is None else [kind] * len(numbers)):
            found = low_hold(load)
            if found is None or (load.fault is not None and load.fault.start_s > found[1] - BEFORE_S):
                continue
            yield load
            given += 1
            if given == count:
                return


def named(load: Load, found: Checked | None) -> bool:
    """Does the check name a channel of the load's fault?"""
    if found is None or load.fault is None:
        return False
    said = {r.figures.get(k) for r in found.remarks for k in ("channel", "other")}
    return bool(said & set(load.fault.channels))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--healthy", type=int, default=100)
    parser.add_argument("--each", type=int, default=60)
    parser.add_argument("--seed", type=int, default=777)
    options = parser.parse_args()
    says = [found.says if (found := check(load)) else "none" for load in with_low_hold(options.healthy, options.seed)]
    print(f"Healthy loads: {len(says)}; not told to go on: {sum(s != 'go on' for s in says)}\n")
    print("| fault | loads | found | would change a verdict | of these found |\n|---|---|---|---|---|")
    aimed = [0, 0]
    for number, kind in enumerate(KINDS, start=1):
        cases = [(named(load, check(load)), changes_a_verdict(load))
                 for load in with_low_hold(options.each, options.seed + number, kind)]  # fmt: skip
        matter, hit = sum(m for _, m in cases), sum(f for f, m in cases if m)
        print(f"| {kind} | {len(cases)} | {sum(f for f, _ in cases)} | {matter} | {hit} |")
        if kind in AIMED:
            aimed = [aimed[0] + hit, aimed[1] + matter]
    print(f"\nDetached, open, frozen and step together: {aimed[0]} of {aimed[1]} that would change a verdict.")


if __name__ == "__main__":
    main()

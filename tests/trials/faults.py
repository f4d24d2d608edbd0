"""Score the fault detectors on generated loads and print the table as markdown.

python -m tests.trials.faults [--healthy N] [--each N] [--seed N]

A fault *would change a verdict* where it moves the soak by more than 5 min, or a peak spread or lead (heating, hold or
cooling) by more than 5 °C, against the same trace without it. It is *found* where any fault but drifting is reported
for its channel, *named* where that has its kind. *Delay* is the start reported less the true onset. A false alarm is
a channel without a fault that is suspected of anything but drifting; drifting is counted apart, since it only reports.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from loadbook.analysis.faults.find import find_faults
from loadbook.analysis.trace.model import Fault
from loadbook.analysis.trace.phases import find_phases
from loadbook.analysis.trace.validity import prepared
from tests.loads import Load, batches, changes_a_verdict, generate

EACH = {
    "detached": 4, "open": 2, "frozen": 2, "step": 2, "noisy": 1, "reversed": 1, "swapped": 1, "wrong type": 1,
    "shorted": 1, "drifting": 1, "spike": 1,
}  # fmt: skip
BANDS = ((0.0, 1 / 3, "low"), (1 / 3, 2 / 3, "middle"), (2 / 3, 1.01, "high"))
PLACE_S = 1200.0  # a work TC that comes off sooner than this after heating begins has shown no place of its own
AIMED = ("detached", "open", "frozen", "step")


@dataclass
class Case:
    """One load with a fault, and what was found of it."""

    kind: str
    severity: float
    matters: bool
    found: bool
    named: bool
    delay_min: float
    others: int
    seed: tuple[int, ...]
    detail: str
    phase: str
    placed: bool


@dataclass
class Score:
    """All cases, and the false alarms of the healthy loads."""

    cases: list[Case] = field(default_factory=list)
    healthy: int = 0
    alarmed: int = 0
    drift_reports: int = 0
    cold_corners: int = 0
    cold_suspected: int = 0
    cold_certain: int = 0
    certain: int = 0
    false_kinds: list[str] = field(default_factory=list)

    def share(self, kind: str, placed: bool = False) -> tuple[int, int]:
        """Found and all of the faults of a kind that would change a verdict; placed leaves out detachments before
        the channel had shown a place."""
        matter = [c for c in self.cases if c.kind == kind and c.matters and (c.placed or not placed)]
        return sum(c.found for c in matter), len(matter)

    def aimed(self, placed: bool = False) -> tuple[int, int]:
        """The same over detached, open, frozen and step; placed bears on the detached only."""
        pairs = [self.share(kind, placed and kind == "detached") for kind in AIMED]
        return sum(p[0] for p in pairs), sum(p[1] for p in pairs)


def suspected(load: Load) -> list[Fault]:
    """The faults found on a load's trace, prepared and with its cycle's phases, as the book does it."""
    trace = prepared(load.trace)
    return find_faults(trace, find_phases(trace, load.cycle))


def healthy_loads(count: int, seed: int) -> Iterator[Load]:
    """Loads without a fault."""
    for numbers in batches(count):
        yield from generate(seed, numbers)


def faulty_loads(kind: str, count: int, seed: int) -> Iterator[Load]:
    """Loads with one fault of a kind."""
    for numbers in batches(count):
        yield from generate(seed, numbers, [kind] * len(numbers))


def score(healthy: int, each: int, seed: int) -> Score:
    """Run the detectors over healthy loads and over `each` loads (times the kind's weight) with a fault."""
    out = Score()
    for load in healthy_loads(healthy, seed):
        found = suspected(load)
        wrong = [f for f in found if f.kind != "drifting"]
        cold = {f"Work {i + 1}" for i in np.flatnonzero(load.spec.cold_c > 6.0)}
        out.healthy += 1
        out.alarmed += bool(wrong)
        out.false_kinds += [f"{f.kind} ({load.spec.seed[1]})" for f in wrong]
        out.drift_reports += sum(f.kind == "drifting" for f in found)
        out.cold_corners += len(cold)
        out.cold_suspected += len(cold & {f.channel for f in wrong})
        out.cold_certain += len(cold & {f.channel for f in found if f.certain})
        out.certain += sum(f.certain for f in found)
    for number, kind in enumerate(EACH):
        for load in faulty_loads(kind, each * EACH[kind], seed + 1 + number):
            out.cases.append(_case(kind, load))
    return out


def _case(kind: str, load: Load) -> Case:
    assert load.fault is not None
    found = suspected(load)
    mine = [f for f in found if f.channel in load.fault.channels and (f.kind != "drifting" or kind == "drifting")]
    named = [f for f in mine if f.kind == kind]
    best = min(named or mine, key=lambda f: abs(f.start_s - load.fault.start_s), default=None)
    phase = [m[0] for m in load.spec.marks if m[1] <= load.fault.start_s][-1:] or ["start"]
    return Case(
        kind,
        load.fault.severity,
        changes_a_verdict(load),
        bool(mine),
        bool(named),
        float("nan") if best is None else (best.start_s - load.fault.start_s) / 60.0,
        sum(f.channel not in load.fault.channels and f.kind != "drifting" for f in found),
        load.spec.seed,
        load.fault.detail,
        phase[0],
        load.fault.start_s > load.spec.marks[0][1] + PLACE_S,
    )


def _row(label: str, severity: str, cases: list[Case]) -> str:
    matter = [c for c in cases if c.matters]
    delays = [c.delay_min for c in cases if np.isfinite(c.delay_min)]
    delay = f"{np.median(delays):.0f} ({np.quantile(delays, 0.9):.0f})" if delays else "-"
    part = f"{sum(c.found for c in matter)}/{len(matter)}"
    percent = f" = {100 * sum(c.found for c in matter) / len(matter):.1f} %" if matter else ""
    named = sum(c.named for c in matter)
    return (
        f"| {label} | {severity} | {len(cases)} | {part}{percent} | {named} | "
        f"{sum(c.found for c in cases)} | {delay} | {sum(c.others for c in cases)} |"
    )


def table(result: Score) -> str:
    """The score as markdown."""
    lines = [
        "| fault | severity | loads | would change a verdict: found | named so | found of all | delay, min: median "
        "(90 %) | other channels suspected |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for kind in EACH:
        cases = [c for c in result.cases if c.kind == kind]
        if kind in AIMED or kind in ("noisy", "wrong type", "drifting", "spike"):
            for low, high, word in BANDS:
                band = [c for c in cases if low <= c.severity < high]
                if band:
                    lines.append(_row(kind, word, band))
        lines.append(_row(f"**{kind}**", "all", cases))
    loose = [c for c in result.cases if c.kind == "detached"]
    lines.append(_row("detached", "onset in the first 20 min of heating", [c for c in loose if not c.placed]))
    for phase, words in (("heat", "later while heating"), ("hold", "at a hold"), ("cool", "while cooling")):
        lines.append(_row("detached", f"onset {words}", [c for c in loose if c.placed and c.phase == phase]))
    (found, matter), (later, later_matter) = result.aimed(), result.aimed(placed=True)
    lines += [
        "",
        f"Detached, open, frozen and step together: {found} of {matter} that would change a verdict found "
        f"({100 * found / max(matter, 1):.1f} %); leaving out detachments within 20 min of the start of heating, "
        f"{later} of {later_matter} ({100 * later / max(later_matter, 1):.1f} %).",
        f"Healthy loads: {result.healthy}; with a false alarm {result.alarmed} (1 in "
        f"{result.healthy / max(result.alarmed, 1):.0f}); drifting reported "
        f"{result.drift_reports} times; certain faults {result.certain}.",
        f"Cold corners (6 to 30 °C below the furnace at the hold): {result.cold_corners}; removed "
        f"{result.cold_certain}; suspected {result.cold_suspected}.",
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--healthy", type=int, default=600)
    parser.add_argument("--each", type=int, default=50)
    parser.add_argument("--seed", type=int, default=20260101)
    parser.add_argument("--missed", action="store_true", help="list what was missed, with the load's number")
    options = parser.parse_args()
    result = score(options.healthy, options.each, options.seed)
    print(table(result))
    if options.missed:
        print("\nfalse:", ", ".join(result.false_kinds))
        for case in result.cases:
            if case.matters and not case.found:
                print(f"missed {case.kind} {case.seed} onset {case.phase}: {case.detail}")
            elif case.others:
                print(f"others {case.kind} {case.seed}")


if __name__ == "__main__":
    main()

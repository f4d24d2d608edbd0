"""Faults put into a generated load: each kind as a thing that happens to a thermocouple, its lead or its recorder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.signal import lfilter

from loadbook.analysis.trace.its90 import shown_c
from loadbook.analysis.trace.model import OPEN, Trace
from tests.loads import WORK, Injected, Physics, Spec

Record = Callable[[np.ndarray, np.ndarray], Trace]


def inject(
    kind: str, spec: Spec, physics: Physics, clean: Trace, record: Record, rng: np.random.Generator
) -> tuple[Trace, Injected]:
    """The trace with one fault of this kind in it, and what was done."""
    return _MAKERS[kind](spec, physics, clean, record, rng)


def _onset(spec: Spec, rng: np.random.Generator, heating: float = 0.55, hold: float = 0.2) -> float:
    """A moment of the run: while heating, at a hold, or while cooling, with these odds."""
    pick = rng.random()
    wanted = "heat" if pick < heating else "hold" if pick < heating + hold else "cool"
    marks = [m for m in spec.marks if m[0] == wanted]
    lengths = np.array([m[2] - m[1] for m in marks])
    mark = marks[rng.choice(len(marks), p=lengths / lengths.sum())]
    return float(rng.uniform(mark[1], mark[1] + 0.85 * (mark[2] - mark[1])))


def _name(work: int) -> str:
    return f"Work {work + 1}"


def _recorded(
    spec: Spec, clean: Trace, work: int, values: np.ndarray, start: int = 0, stop: int | None = None
) -> Trace:
    out = clean.values.copy()
    row = clean.row(_name(work))
    out[row, start:stop] = np.round(values[start:stop] / spec.resolution_c) * spec.resolution_c
    return replace(clean, values=out)


def _detached(
    spec: Spec, physics: Physics, clean: Trace, record: Record, rng: np.random.Generator
) -> tuple[Trace, Injected]:
    """From the onset the bead has the heat balance of a bare wire between the furnace and, where it still touches or
    faces its piece, the piece."""
    work = int(rng.integers(WORK))
    start = _onset(spec, rng)
    share = float(rng.uniform(0.35, 1.0))
    gradual = float(rng.uniform(300, 1800)) if rng.random() < 0.3 else 0.0
    bare_s = float(np.exp(rng.uniform(np.log(20), np.log(180))))
    after = np.clip((spec.t - start) / gradual, 0, 1) if gradual else (spec.t >= start).astype(float)
    body = physics.body.copy()
    sees = body[work] + share * after * (physics.around[work] - body[work])
    keep = np.exp(-spec.dt / bare_s)
    first = int(np.searchsorted(spec.t, start))
    if first < len(spec.t):
        loose, _ = lfilter([1 - keep], [1, -keep], sees[first:], zi=[body[work, first] * keep])
        body[work, first:] = loose
    fault = Injected(
        "detached", (_name(work),), start, float(spec.t[-1]), share,
        f"share {share:.2f}, bare {bare_s:.0f} s, loosening {gradual / 60:.0f} min, "
        f"body {spec.tau_s[work] / 60:.0f} min",
    )  # fmt: skip
    return record(body, physics.furnace), fault


def _open(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    work = int(rng.integers(WORK))
    start = _onset(spec, rng)
    first = int(np.searchsorted(spec.t, start))
    end = float(spec.t[-1]) if rng.random() < 0.6 else min(start + rng.uniform(600, 7200), float(spec.t[-1]))
    inside = (spec.t >= start) & (spec.t <= end)
    intermittent = rng.random() < 0.3
    if intermittent:
        inside &= np.sin(2 * np.pi * (spec.t - start) / rng.uniform(4 * spec.dt, 900)) > 0
        inside[first] = True
    row = clean.row(_name(work))
    values, flags = clean.values.copy(), clean.flags.copy()
    upscale = rng.random() < 0.5
    if upscale:  # the recorder writes a number past the type's range; validity.marked finds it
        values[row, inside] = 1400.0
        before = first - 1
        if before > 0 and rng.random() < 0.5:
            values[row, before] = 0.5 * (values[row, before - 1] + 1300.0)
    else:
        values[row, inside] = np.nan
        flags[row, inside] = OPEN
    fault = Injected(
        "open", (_name(work),), start, end, min(1.0, (end - start) / 7200), "upscale" if upscale else "text"
    )
    return replace(clean, values=values, flags=flags), fault


def _frozen(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    row = (
        int(rng.integers(len(clean.rows("control")) + WORK))
        if rng.random() < 0.3
        else clean.row(_name(int(rng.integers(WORK))))
    )
    start = _onset(spec, rng)
    end = float(spec.t[-1]) if rng.random() < 0.5 else min(start + float(rng.uniform(1200, 14400)), float(spec.t[-1]))
    first, last = np.searchsorted(spec.t, [start, end], side="left")
    values = clean.values.copy()
    values[row, first : last + 1] = values[row, first]
    name = clean.channels[row].name
    return replace(clean, values=values), Injected("frozen", (name,), start, end, min(1.0, (end - start) / 14400), "")


def _step(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    work = int(rng.integers(WORK))
    start = _onset(spec, rng)
    end = float(spec.t[-1]) if rng.random() < 0.7 else min(start + float(rng.uniform(3600, 14400)), float(spec.t[-1]))
    size = float(np.exp(rng.uniform(np.log(3), np.log(60)))) * (1 if rng.random() < 0.5 else -1)
    row = clean.row(_name(work))
    values = clean.values[row] + size
    first, last = np.searchsorted(spec.t, [start, end], side="left")
    fault = Injected("step", (_name(work),), start, end, min(1.0, abs(size) / 60), f"{size:+.1f} °C")
    return _recorded(spec, clean, work, values, int(first), int(last) + 1), fault


def _noisy(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    work = int(rng.integers(WORK))
    start = _onset(spec, rng)
    end = min(start + float(rng.uniform(1800, 18000)), float(spec.t[-1]))
    scatter = float(np.exp(rng.uniform(np.log(2), np.log(20))))
    values = clean.values[clean.row(_name(work))] + rng.normal(0, scatter, len(spec.t))
    first, last = np.searchsorted(spec.t, [start, end])
    fault = Injected("noisy", (_name(work),), start, end, min(1.0, scatter / 20), f"{scatter:.1f} °C")
    return _recorded(spec, clean, work, values, int(first), int(last)), fault


def _reversed(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    work = int(rng.integers(WORK))
    body = physics.body.copy()
    body[work] = 2 * spec.start_c - body[work]
    return record(body, physics.furnace), Injected("reversed", (_name(work),), 0.0, float(spec.t[-1]), 1.0, "")


def _swapped(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    """Two work TCs trade places in mid-run, or a control TC and the slowest work TC are connected to each other's
    channel from the start."""
    body = physics.body.copy()
    if rng.random() < 0.5:
        start = _onset(spec, rng, 0.9, 0.0)
        k = int(np.searchsorted(spec.t, start))
        order = np.argsort(body[:, min(k, body.shape[1] - 1)])
        a, b = int(order[0]), int(order[-1])
        apart = abs(float(body[a, min(k, body.shape[1] - 1)] - body[b, min(k, body.shape[1] - 1)]))
        body[[a, b], k:] = body[[b, a], k:]
        fault = Injected(
            "swapped",
            (_name(a), _name(b)),
            start,
            float(spec.t[-1]),
            min(1.0, apart / 60),
            f"two work TCs, {apart:.0f} °C apart",
        )
        return record(body, physics.furnace), fault
    work = int(np.argmax(spec.tau_s))
    values = clean.values.copy()
    rows = [clean.row("Zone 1"), clean.row(_name(work))]
    values[rows] = values[rows[::-1]]
    fault = Injected("swapped", ("Zone 1", _name(work)), 0.0, float(spec.t[-1]), 1.0, "control and work TC")
    return replace(clean, values=values), fault


def _wrong_type(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    """Read by another type's table (ITS-90): about 1.17 times at 600 °C (K as N), 1.33 (J as K), 0.76 (K as J), 0.22
    (S as K), and 0.95 and 1.06 (S as R, R as S) in a load whose thermocouples are all of the type that is read."""
    work = int(rng.integers(WORK))
    wire, table = _PAIRS[rng.choice(len(_PAIRS))]
    body = physics.body.copy()
    body[work] = shown_c(wire, table, body[work], float(rng.uniform(18.0, 32.0)))
    trace = record(body, physics.furnace)
    if table in "RS":
        trace = replace(trace, channels=tuple(replace(c, tc_type=table) for c in trace.channels))
    severity = min(1.0, abs(float(shown_c(wire, table, 500.0)) / 500.0 - 1) / 0.3)
    return trace, Injected("wrong type", (_name(work),), 0.0, float(spec.t[-1]), severity, f"{wire} as {table}")


_PAIRS = (("K", "N"), ("J", "K"), ("K", "J"), ("S", "K"), ("S", "R"), ("R", "S"))


def _shorted(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    work = int(rng.integers(WORK))
    start = 0.0 if rng.random() < 0.4 else _onset(spec, rng)
    keep = np.exp(-spec.dt / 1800.0)
    lead = spec.start_c + float(rng.uniform(0.02, 0.15)) * (
        lfilter([1 - keep], [1, -keep], physics.furnace - spec.start_c)
    )
    body = physics.body.copy()
    body[work, spec.t >= start] = lead[spec.t >= start]
    return record(body, physics.furnace), Injected("shorted", (_name(work),), start, float(spec.t[-1]), 1.0, "")


def _drifting(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    work = int(rng.integers(WORK))
    size = float(rng.uniform(5, 25)) * (1 if rng.random() < 0.3 else -1)
    body = physics.body.copy()
    body[work] += size * np.clip((body[work] - 200) / (spec.target_c - 200), 0, 1) * np.linspace(0.3, 1.0, len(spec.t))
    fault = Injected("drifting", (_name(work),), 0.0, float(spec.t[-1]), min(1.0, abs(size) / 25), f"{size:+.1f} °C")
    return record(body, physics.furnace), fault


def _spike(spec, physics, clean, record, rng):  # type: ignore[no-untyped-def]
    """One to four times one or two samples far off: a disturbance on the line, or a contact that opens for a moment."""
    work = int(rng.integers(WORK))
    size = float(np.exp(rng.uniform(np.log(15), np.log(150)))) * (1 if rng.random() < 0.5 else -1)
    starts = sorted(_onset(spec, rng) for _ in range(int(rng.integers(1, 5))))
    values = clean.values[clean.row(_name(work))].copy()
    for start in starts:
        first = int(np.searchsorted(spec.t, start))
        values[first : first + int(rng.integers(1, 3))] += size
    fault = Injected("spike", (_name(work),), starts[0], starts[-1], min(1.0, abs(size) / 150), f"{size:+.1f} °C")
    return _recorded(spec, clean, work, values), fault


_MAKERS = {
    "detached": _detached,
    "open": _open,
    "frozen": _frozen,
    "step": _step,
    "noisy": _noisy,
    "reversed": _reversed,
    "swapped": _swapped,
    "wrong type": _wrong_type,
    "shorted": _shorted,
    "drifting": _drifting,
    "spike": _spike,
}

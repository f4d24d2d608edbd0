"""Physical loads for scoring the fault detectors: furnace, two-node bodies, thermocouples, recorder, and faults.

A load is a furnace that follows a program, eight bodies or sections that it heats by air or, in vacuum, by radiation
alone, and a recorder with a resolution and an interval. Each body has a surface node and a core node; a work TC
reads a mixture of the two, with a class error. Loads are drawn one by one (so that each is the same whatever is
drawn beside it) and integrated together, by the implicit Euler method, at the recorder's own interval.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy.signal import lfilter

from loadbook.analysis.trace.model import Channel, Cycle, Event, PieceRecord, Segment, Trace

WORK = 8
KELVIN = 273.15
RADIATION_K = 873.0  # the temperature at which radiation alone gives a body its stated time constant


@dataclass
class Load:
    """One generated load. trace is what the recorder kept, clean the same without the fault (same noise)."""

    trace: Trace
    clean: Trace
    cycle: Cycle
    pieces: list[PieceRecord]
    spec: Spec
    fault: Injected | None = None


@dataclass
class Injected:
    """The fault that was put in: what, where, from when to when, and how bad (0..1 within its kind's range)."""

    kind: str
    channels: tuple[str, ...]
    start_s: float
    end_s: float
    severity: float
    detail: str


@dataclass
class Spec:
    """Everything that was drawn for one load; temperatures °C, times seconds."""

    seed: tuple[int, ...]
    vacuum: bool
    dt: float
    t: np.ndarray
    program: np.ndarray
    marks: list[tuple[str, float, float, float]]  # kind, start, end, target of each segment
    start_c: float
    target_c: float
    lag_s: float
    ripple: np.ndarray
    zones: np.ndarray  # offsets of the control zones
    tau_s: np.ndarray  # (8,) time constant of each body
    core: np.ndarray  # share of the heat capacity in the core node
    biot: np.ndarray
    mix: np.ndarray  # share of the surface node in the reading
    graze: np.ndarray  # share of the furnace in an honest reading
    cold_c: np.ndarray  # how much colder each place is than the furnace at the hold
    shadow: np.ndarray  # factor on the heat transfer of each place
    drag: float  # how much the load cools what surrounds it
    fan_s: float
    fan_factor: float
    offset_c: np.ndarray
    slope: np.ndarray
    noise_c: float
    resolution_c: float
    with_setpoint: bool
    events: list[Event] = field(default_factory=list)


def draw(seed: int, index: int, *, cold_corner: bool | None = None) -> Spec:
    """The load number `index` of a series."""
    rng = np.random.default_rng([seed, index])
    vacuum = bool(rng.random() < 0.4)
    start = float(rng.uniform(15, 35)) if rng.random() < 0.85 else float(rng.uniform(60, 150))
    target = float(rng.uniform(550, 1050) if vacuum else rng.uniform(450, 720))
    mixture = rng.choice(["thick and thin", "alike", "all thick", "spread out"], p=[0.5, 0.15, 0.1, 0.25])
    longest = 100.0 if vacuum else 240.0
    if mixture == "thick and thin":
        thin = rng.random(WORK) < rng.uniform(0.2, 0.7)
        tau = np.where(thin, rng.uniform(4, 20, WORK), rng.uniform(40, rng.uniform(60, longest), WORK))
    elif mixture == "alike":
        tau = np.full(WORK, rng.uniform(10, 120)) * rng.uniform(0.8, 1.25, WORK)
    elif mixture == "all thick":
        tau = rng.uniform(60, longest, WORK)
    else:
        tau = np.exp(rng.uniform(np.log(5), np.log(longest), WORK))
    t_program, program, marks = _program(rng, vacuum, start, target, float(tau.max()))
    length = float(t_program[-1])
    dt = float(rng.choice([10, 15, 20, 30, 60]))
    while length / dt > 6000:
        dt = {10: 15, 15: 20, 20: 30, 30: 60, 60: 120}[int(dt)]
    t = np.arange(int(length / dt)) * dt
    thick = tau > 35
    cold = rng.normal(0, 2.0, WORK)
    shadow = rng.uniform(0.85, 1.15, WORK)
    if rng.random() < 0.4 if cold_corner is None else cold_corner:
        where = rng.choice(WORK, size=rng.choice([1, 2]), replace=False)
        cold[where] = rng.uniform(6, 30, len(where))
        shadow[where] *= rng.uniform(0.55, 1.0)
    hold_start = next(a for kind, a, _, _ in marks if kind == "cool")
    fan = bool(vacuum or rng.random() < 0.3)
    fan_s = hold_start + float(rng.uniform(0, 1800)) if fan else np.inf
    period = rng.uniform(240, 1500)
    ripple = rng.uniform(0.1, 1.5) * np.sin(2 * np.pi * t / period + rng.uniform(0, 6))
    events = [Event(fan_s, "gas backfill" if vacuum else "fan on")] if fan and fan_s < length else []
    return Spec(
        (seed, index), vacuum, dt, t, np.interp(t, t_program, program), marks, start, target,
        lag_s=float(rng.uniform(90, 420)),
        ripple=ripple,
        zones=rng.normal(0, 1.5, int(rng.choice([1, 2, 3]))),
        tau_s=tau * 60.0,
        core=np.where(thick, rng.uniform(0.4, 0.7, WORK), rng.uniform(0.2, 0.4, WORK)),
        biot=rng.uniform(0.03, 0.4, WORK),
        mix=np.where(rng.random(WORK) < 0.6, rng.uniform(0.7, 1.0, WORK), rng.uniform(0.0, 0.3, WORK)),
        graze=rng.uniform(0.0, 0.05, WORK),
        cold_c=cold, shadow=shadow, drag=float(rng.uniform(0, 0.25)),
        fan_s=fan_s, fan_factor=float(rng.uniform(0.5, 3.0)),
        offset_c=rng.normal(0, 0.8, WORK), slope=rng.normal(0, 0.0015, WORK),
        noise_c=float(rng.uniform(0.05, 0.6)),
        resolution_c=float(rng.choice([0.01, 0.1, 0.1, 0.5, 1.0, 1.0])),
        with_setpoint=bool(rng.random() < 0.6), events=events,
    )  # fmt: skip


def _program(
    rng: np.random.Generator, vacuum: bool, start: float, target: float, tau_min: float
) -> tuple[np.ndarray, np.ndarray, list[tuple[str, float, float, float]]]:
    """Breakpoints of the program and its segments: heat, often a low hold, heat, hold, cool."""
    times, temps = [0.0, float(rng.uniform(0, 900))], [start, start]
    marks: list[tuple[str, float, float, float]] = []

    def go(to: float, rate: float) -> None:
        begin = times[-1]
        times.append(begin + abs(to - temps[-1]) / rate * 3600.0)
        marks.append(("heat" if to > temps[-1] else "cool", begin, times[-1], to))
        temps.append(to)

    def stay(seconds: float) -> None:
        marks.append(("hold", times[-1], times[-1] + seconds, temps[-1]))
        times.append(times[-1] + seconds)
        temps.append(temps[-1])

    rate = float(rng.uniform(60, 250))
    if rng.random() < 0.7:
        go(float(rng.uniform(180, 320)), rate)
        stay(float(rng.uniform(20, 90) if not vacuum else rng.uniform(40, 180)) * 60.0)
    if rng.random() < 0.3:
        go(target - float(rng.uniform(40, 120)), rate)
        go(target, rate * float(rng.uniform(0.3, 0.7)))
    else:
        go(target, rate * float(rng.uniform(0.6, 1.2)))
    stay(min(tau_min * float(rng.uniform(0.8, 2.2)) + float(rng.uniform(45, 180)), 720.0) * 60.0)
    fall = float(rng.uniform(300, 1500)) if vacuum and rng.random() < 0.6 else float(rng.uniform(40, 250))
    end = float(rng.uniform(80, 200))
    begin, top = times[-1], temps[-1]
    # natural cooling: exponential toward 20 °C with the first slope `fall`
    scale = (top - 20.0) / fall * 3600.0
    last = scale * np.log((top - 20.0) / (end - 20.0))
    for x in np.linspace(0, last, 40)[1:]:
        times.append(begin + float(x))
        temps.append(20.0 + (top - 20.0) * float(np.exp(-x / scale)))
    marks.append(("cool", begin, times[-1], end))
    return np.array(times), np.array(temps), marks


@dataclass
class Physics:
    """What really happened in one load: furnace (n,), what surrounds each body (8, n), what an honest TC has (8, n)."""

    furnace: np.ndarray
    around: np.ndarray
    body: np.ndarray


def integrate(specs: list[Spec]) -> list[Physics]:
    """All loads together, each at its own interval."""
    count, longest = len(specs), max(len(s.t) for s in specs)
    furnace = np.empty((count, longest))
    for b, s in enumerate(specs):
        keep = np.exp(-s.dt / s.lag_s)
        follows, _ = lfilter([1 - keep], [1, -keep], s.program, zi=[s.program[0] * keep])
        furnace[b, : len(s.t)] = follows + s.ripple * np.clip((follows - s.start_c) / 100.0, 0, 1)
        furnace[b, len(s.t) :] = furnace[b, len(s.t) - 1]

    def stack(name: str) -> np.ndarray:
        return np.array([getattr(s, name) for s in specs])

    tau, core, biot, mix = stack("tau_s"), stack("core"), stack("biot"), stack("mix")
    cold, shadow, graze = stack("cold_c"), stack("shadow"), stack("graze")
    dt, start, target, drag = (stack(n)[:, None] for n in ("dt", "start_c", "target_c", "drag"))
    vacuum, fan, fan_s = (stack(n)[:, None] for n in ("vacuum", "fan_factor", "fan_s"))
    conductance = shadow * dt / (tau * (1 - core))
    inner = dt / (biot * tau * (1 - core))
    outer = dt / (biot * tau * core)
    coupling = 1 + inner - inner * outer / (1 + outer)
    surface = np.repeat(start, WORK, axis=1).astype(float)
    centre = surface.copy()
    around = np.empty((longest, count, WORK))
    body = np.empty((longest, count, WORK))
    scale = cold / (target - start)
    for k in range(longest):
        f = furnace[:, k, None]
        e = f - scale * (f - start) - drag * (f - surface.mean(axis=1, keepdims=True))
        hot, own = e + KELVIN, surface + KELVIN
        radiation = (hot * hot + own * own) * (hot + own) / (4 * RADIATION_K**3)
        moved = np.where(vacuum, radiation, 0.7 + 0.3 * radiation) + np.where(k * dt >= fan_s, fan, 0.0)
        a = conductance * moved
        surface = (surface + a * e + inner * centre / (1 + outer)) / (coupling + a)
        centre = (centre + outer * surface) / (1 + outer)
        around[k] = e
        reading = mix * surface + (1 - mix) * centre
        body[k] = reading + graze * (e - reading)
    return [
        Physics(furnace[b, : len(s.t)], around[: len(s.t), b].T.copy(), body[: len(s.t), b].T.copy())
        for b, s in enumerate(specs)
    ]


def generate(seed: int, indexes: range, kinds: list[str] | None = None, **choice: bool) -> list[Load]:
    """The loads of a series with these numbers; kinds gives the fault of each, None makes healthy loads."""
    return recorded([draw(seed, i, **choice) for i in indexes], kinds)


def recorded(specs: list[Spec], kinds: list[str] | None = None) -> list[Load]:
    """Loads as drawn, integrated and recorded; kinds gives the fault of each, None makes healthy loads."""
    from tests.faulty import inject

    loads = []
    for position, (spec, physics) in enumerate(zip(specs, integrate(specs), strict=True)):
        rng = np.random.default_rng([*spec.seed, 1])
        record = _recorder(spec, physics, rng)
        clean = record(physics.body, physics.furnace)
        cycle, pieces = _cycle(spec), _pieces(spec)
        if kinds is None:
            loads.append(Load(clean, clean, cycle, pieces, spec))
            continue
        values, fault = inject(kinds[position], spec, physics, clean, record, np.random.default_rng([*spec.seed, 2]))
        loads.append(Load(values, clean, cycle, pieces, spec, fault))
    return loads


def _recorder(spec: Spec, physics: Physics, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """A function (body, furnace) -> Trace that always adds the same noise."""
    zones = len(spec.zones)
    noise = rng.normal(0, spec.noise_c, (WORK + zones, len(spec.t)))
    channels = _channels(spec)

    def record(body: np.ndarray, furnace: np.ndarray) -> Trace:
        work = body + spec.offset_c[:, None] + spec.slope[:, None] * (body - 20.0)
        control = furnace[None, :] + spec.zones[:, None] * np.clip((furnace - spec.start_c) / 300.0, 0, 1)
        values = np.vstack([control, work]) + noise
        values = np.round(values / spec.resolution_c) * spec.resolution_c
        if spec.with_setpoint:
            values = np.vstack([values, spec.program])
        flags = np.zeros(values.shape, dtype=np.uint8)
        return Trace(spec.t, values, flags, channels, tuple(spec.events))

    return record


def _channels(spec: Spec) -> tuple[Channel, ...]:
    out = [Channel(i + 1, f"Zone {i + 1}", "control", zone=str(i + 1), tc_type="K") for i in range(len(spec.zones))]
    for i in range(WORK):
        place = "thick section" if spec.tau_s[i] > 35 * 60 else "thin section"
        out.append(
            Channel(20 + i, f"Work {i + 1}", "work", tc_type="K", part="P-1", serial=f"{i // 2 + 1}", place=place)
        )
    if spec.with_setpoint:
        out.append(Channel(90, "Set point", "setpoint"))
    return tuple(out)


def _cycle(spec: Spec) -> Cycle:
    segments = []
    for number, (kind, begin, end, target) in enumerate(spec.marks, start=1):
        if kind == "hold":
            segments.append(
                Segment(number, "hold", target_c=target, minutes=(end - begin) / 60, band_low_c=10.0, band_high_c=10.0)
            )
        else:
            segments.append(Segment(number, "heat" if kind == "heat" else "cool", target_c=target))
    return Cycle("SCORE", "1", segments=tuple(segments), process="stress relief")


def _pieces(spec: Spec) -> list[PieceRecord]:
    return [
        PieceRecord("P-1", str(k + 1), section_thick_mm=float(spec.tau_s[2 * k : 2 * k + 2].max() / 60))
        for k in range(4)
    ]


def figures(load: Load, trace: Trace, band_c: float = 10.0) -> dict[str, float]:
    """The figures that a verdict rests on, from every value that the trace holds: minutes of the longest time in which
    all work TCs are inside the band of the top hold, peak spread and peak lead of heating, hold and cooling."""
    control = trace.values[trace.rows("control")]
    work = trace.values[trace.rows("work")]
    with np.errstate(all="ignore"):
        hot = np.fmax.reduce(work, axis=0)
        cold = np.fmin.reduce(work, axis=0)
        zone_hot, zone_cold = np.fmax.reduce(control, axis=0), np.fmin.reduce(control, axis=0)
    top = [m for m in load.spec.marks if m[0] == "hold"][-1]
    heating = trace.t_s < top[1]
    cooling = trace.t_s > top[2]
    holding = ~heating & ~cooling
    inside = (cold >= top[3] - band_c) & (hot <= top[3] + band_c)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inside.astype(np.int8), [0]))))
    longest = max((b - a for a, b in zip(edges[::2], edges[1::2], strict=True)), default=0)
    found = {"soak_minutes": longest * load.spec.dt / 60.0}
    for name, mask in (("heating", heating), ("hold", holding), ("cooling", cooling)):
        found[f"spread_{name}_c"] = float(np.nanmax((hot - cold)[mask]))
    found["lead_heating_c"] = float(np.nanmax((zone_hot - cold)[heating]))
    found["lead_cooling_c"] = float(np.nanmax((hot - zone_cold)[cooling]))
    return found


def changes_a_verdict(load: Load, minutes: float = 5.0, difference_c: float = 5.0) -> bool:
    """Whether the fault moves the soak by more than 5 min, or any peak spread or lead by more than 5 °C, against the
    same trace without it."""
    bad, good = figures(load, load.trace), figures(load, load.clean)
    return any(abs(bad[k] - good[k]) > (minutes if k == "soak_minutes" else difference_c) for k in good)


def batches(total: int, size: int = 50) -> list[range]:
    """Ranges that together hold 0..total-1."""
    return [range(a, b) for a, b in pairwise([*range(0, total, size), total])]

"""Analytic traces for the tests of the calculation floor: straight legs, each channel a function of time."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from loadbook.analysis.trace.model import Channel, Event, Floats, Trace
from loadbook.analysis.trace.validity import Corrected, prepared


def legs(points: Sequence[tuple[float, float]]) -> Callable[[Floats], Floats]:
    """Straight lines through (hours, °C)."""
    hours, level = zip(*points, strict=True)
    return lambda t_s: np.interp(t_s / 3600.0, hours, level)


def trace_of(
    t_s: Floats,
    channels: Sequence[tuple[Channel, Floats]],
    events: Sequence[Event] = (),
) -> Corrected:
    """A prepared trace of given rows."""
    values = np.array([row for _, row in channels], dtype=float)
    flags = np.zeros(values.shape, dtype=np.uint8)
    return prepared(Trace(np.asarray(t_s, dtype=float), values, flags, tuple(c for c, _ in channels), tuple(events)))


def control(name: str = "C1", number: int = 1, **more: object) -> Channel:
    return Channel(number, name, "control", **more)  # type: ignore[arg-type]


def work(name: str, number: int = 10, **more: object) -> Channel:
    return Channel(number, name, "work", **more)  # type: ignore[arg-type]

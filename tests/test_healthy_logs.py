"""What looks odd and is healthy is not asked about, and its planted opposite is: each with its truth.

The courses are common practice of furnaces and ovens, not measured ones.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from loadbook.readers.recorder.layout import parse_channel_option
from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.read import Read, look
from loadbook.readers.recorder.source import Source

N = 600
K = np.arange(N)
Columns = dict[str, np.ndarray]


def noise(scale: float, n: int = N, seed: int = 5) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, scale, n)


def taken(columns: Columns, step_s: int = 60, **given: object) -> Read:
    """What is asked once every channel without a role is called work (temperatures) or other."""
    lines = ["Time," + ",".join(columns)]
    for i in range(len(next(iter(columns.values())))):
        moment = datetime(2026, 3, 14, 8) + timedelta(seconds=step_s * i)
        lines.append(f"{moment}," + ",".join(f"{v[i]:g}" for v in columns.values()))
    source = Source("log", ("\n".join(lines) + "\n").encode())
    first = look(source, Options.named(**given), zone=ZoneInfo("UTC"))  # type: ignore[arg-type]
    roles = tuple(
        parse_channel_option(f"{c.name}={'work' if c.quantity == 'temperature' else 'other'}")
        for c in first.reading.channels
        if not c.role
    )
    return look(source, replace(Options.named(**given), channels=roles), zone=ZoneInfo("UTC"))


def cooled(start: float, end: float, tau: float, n: int) -> np.ndarray:
    return end + (start - end) * np.exp(-np.arange(n) / tau)


def healthy() -> dict[str, tuple[Columns, int]]:
    profile = np.concatenate([np.full(39, 20.0), np.repeat([20.0, 300, 500, 300, 20], N // 5)])
    lagging = np.round(np.convolve(profile, np.ones(40) / 40, "valid"), 1)
    idle = np.concatenate(
        [np.full(100, 450.0), cooled(450, 560, 20, 200), np.full(100, 560.0), cooled(560, 450, 20, 200)]
    )
    quench = np.concatenate([np.full(60, 20.0), cooled(20, -195.8, 15, 540)])
    return {
        "a ramp of 60 °C/h, a row a minute": (
            {"Control (°C)": 20.0 + K, "Work 1 (°C)": np.round(18 + K + noise(0.3))},
            60,
        ),
        "a ramp of one degree a row": ({"Control (°C)": 20.0 + K, "Work 1 (°C)": np.round(15 + 0.98 * K)}, 10),
        "a ramp of the setpoint": ({"Setpoint (°C)": 0.0 + K, "Control (°C)": np.round(18 + 0.99 * K)}, 60),
        "an oven that never moves": (
            {"Control (°C)": np.full(N, 180.0), "Work 1 (°C)": 180 + np.round(noise(0.2), 1)},
            60,
        ),
        "steps of the setpoint": (
            {"Program (°C)": np.repeat([0.0, 300, 500, 300, 0], N // 5), "Furnace (°C)": lagging},
            60,
        ),
        "an output": ({"Control (°C)": lagging, "Output (%)": np.clip(np.round(50 + 60 * np.sin(K / 20)), 0, 100)}, 60),
        "on and off": ({"Control (°C)": lagging, "Heater": (np.sin(K / 10) > 0) * 1.0, "Fan on": np.ones(N)}, 60),
        "a chiller": (
            {"Bath (°C)": np.round(-40 + 3 * np.sin(K / 30), 1), "Work 1 (°C)": np.round(-38 + noise(0.1), 1)},
            60,
        ),
        "a cryogenic quench, all channels": ({f"Work {i} (°C)": np.round(quench + i, 1) for i in (1, 2, 3)}, 60),
        "a vacuum": ({"Control (°C)": 1000 + np.round(noise(0.5), 1), "Vacuum (mbar)": 10 ** (-1 - 4 * K / N)}, 60),
        "an idling furnace": ({"Control (°C)": np.round(idle + noise(0.3), 1)}, 60),
        "a furnace that takes a cold load": (
            {
                "Control (°C)": np.round(
                    np.concatenate([np.full(100, 925.0), 925 - 350 * np.exp(-np.arange(500) / 25.0)])
                )
            },
            60,
        ),
        "an induction coil": (
            {
                "Control (°C)": np.concatenate(
                    [
                        np.full(100, 25.0),
                        [200, 400, 600, 800],
                        900 + np.round(noise(2, 296)),
                        np.round(cooled(900, 25, 20, 200)),
                    ]
                )
            },
            60,
        ),
        "a hold on 85": (
            {
                "Control (°C)": np.where(K < 100, np.round(20 + 0.65 * K, 1), 85.0),
                "Work 1 (°C)": np.round(84 + noise(0.2), 1),
            },
            60,
        ),
    }


HEALTHY = healthy()


@pytest.mark.parametrize("name", HEALTHY)
def test_nothing_is_asked_of_a_healthy_log(name: str) -> None:
    columns, step = HEALTHY[name]
    found = taken(columns, step)
    assert [q.text for q in found.questions] == []
    assert found.reading.values.shape == (len(columns), len(K))


def kinked() -> np.ndarray:
    up = np.linspace(800, 1200, 100)
    return np.concatenate([np.full(50, 799.6), up, up[::-1], np.full(50, 799.6)])


PLANTED: dict[str, tuple[Columns, int, str]] = {
    "a count of the rows": (
        {"Control (°C)": np.round(200 + noise(1), 1), "Work 1 (°C)": 1.0 + K},
        60,
        "rises as the time",
    ),
    "seconds": (
        {"Control (°C)": np.round(200 + noise(1), 1), "Work 1 (°C)": 7200.0 / 10 + 2 * K},
        2,
        "rises as the time",
    ),
    "a numbered column given as work": (
        {"Control (°C)": np.round(200 + noise(1), 1), "X": 40.0 + K},
        60,
        "rises as the time",
    ),
    "a gauge that is off": (
        {"Control (°C)": 500 + np.round(noise(1), 1), "Vacuum (mbar)": np.where(K < 9, 9.9e37, 0.1)},
        60,
        "no gauge",
    ),
    "a pyrometer's floor": ({"Control (°C)": np.round(kinked(), 1)}, 60, "floor of a pyrometer"),
    "open downscale": ({"Work 1 (°C)": np.where(K > 400, -200.0, np.round(20 + 0.5 * K))}, 60, "open circuit"),
    "open at the start": ({"Work 1 (°C)": np.where(K < 50, 1372.0, np.round(20 + 0.5 * K))}, 60, "open circuit"),
    "open on a number in its range": (
        {"Work 1 (°C)": np.where((K > 300) & (K < 310), 25.0, np.round(20 + K))},
        60,
        "open circuit",
    ),
}


@pytest.mark.parametrize("name", PLANTED)
def test_what_is_planted_is_asked(name: str) -> None:
    columns, step, said = PLANTED[name]
    given = {"channel": ("X=work,c",)} if "X" in columns else {}
    if given:
        lines = ["Time,Control (°C),X"] + [
            f"{datetime(2026, 3, 14, 8) + timedelta(seconds=step * i)},"
            f"{columns['Control (°C)'][i]:g},{columns['X'][i]:g}"
            for i in range(N)
        ]
        source = Source("log", ("\n".join(lines) + "\n").encode())
        found = look(source, Options.named(**given), zone=ZoneInfo("UTC"))
    else:
        found = taken(columns, step)
    assert any(said in q.text for q in found.questions), found.questions


def test_the_number_in_an_answer_is_the_whole_number() -> None:
    """2047.9375 shown as 2047.94 would settle nothing."""
    course = np.where(K < 50, 2047.9375, np.round(20 + 0.5 * K))
    lines = ["Time,Work 1 (°C)"] + [
        f"{datetime(2026, 3, 14, 8) + timedelta(seconds=60 * i)},{float(v)!r}" for i, v in enumerate(course)
    ]
    source = Source("log", ("\n".join(lines) + "\n").encode())
    (question,) = look(source, Options(), zone=ZoneInfo("UTC")).questions
    answer = question.option.split(" or ")[0].removeprefix("--sentinel ").strip('"')
    settled = look(source, Options.named(sentinel=(answer,)), zone=ZoneInfo("UTC"))
    assert not settled.questions and settled.reading.counts.open == 50

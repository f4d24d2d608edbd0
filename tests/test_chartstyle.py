"""The shared colours hold what their module says of them."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from loadbook.render.charts import style

# Machado, Oliveira and Fernandes (2009), severity 1.0, on linear RGB
VISIONS = {
    "common": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def linear(colour: str) -> np.ndarray:
    s = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def lab(rgb: np.ndarray) -> np.ndarray:
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    t = np.clip(to_xyz @ rgb, 0, None) / [0.95047, 1.0, 1.08883]
    f = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("vision", VISIONS)
def test_any_two_colours_are_told_apart(vision: str) -> None:
    seen = [lab(np.clip(VISIONS[vision] @ linear(c), 0, 1)) for c in style.PALETTE]
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) > 20


def test_each_colour_is_seen_on_white_and_in_grey() -> None:
    light = sorted(luminance(c) for c in style.PALETTE)
    assert all(1.05 / (y + 0.05) >= 3.0 for y in light)
    lightness = [lab(np.full(3, y))[0] for y in light]
    assert min(b - a for a, b in itertools.pairwise(lightness)) > 5


def test_text_colours_have_contrast() -> None:
    for ink in (style.INK, style.MUTED, style.WARN):
        for ground in (style.GROUND, style.SHADE):
            assert (luminance(ground) + 0.05) / (luminance(ink) + 0.05) >= 4.5


def test_sixteen_series_look_different_from_one_another() -> None:
    looks = [style.series_style(n) for n in range(16)]
    assert len(set(looks)) == 16
    assert len({(shape, colour) for colour, shape, _ in looks}) == 16

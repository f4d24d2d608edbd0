"""Two further families of invented shops, beside tests/shops.py, for trials of answers alone.

Second family: stress relief by a creep law of time and temperature, yielding above a gradient threshold by wall
thickness, multiplicative lots, two furnaces that the rate goes with, selective measuring, rounding, t4 run errors and
lopsided pieces. Third: part numbers of a lognormal law with spreads of their own, a relaxation with memory of the last
run, seasonal level, three furnaces one of which drifts, mixture noise; made last, and nothing is chosen on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.shops import SETTINGS, WITHIN, Part

FAMILIES = ("second", "second, strong", "third")
FURNACES = ("F1", "F2", "F3")


@dataclass
class OtherShop:
    """A shop of one of FAMILIES; draws histories and the truth of any question. Movement in µm."""

    family: str
    runs: int
    many: int
    seed: int = 0

    def __post_init__(self) -> None:
        self.world = self.family
        self.rng = np.random.default_rng([self.seed, FAMILIES.index(self.family), self.runs, self.many, 77])
        rng = self.rng
        self.strong = 2.0 if "strong" in self.family else 1.0
        self.furnace = dict(zip(FURNACES, rng.normal(0.0, 5.0, 3), strict=True))
        self.lots = rng.lognormal(0.0, 0.12, 9)
        self.parts = [self.new_part(f"PN-{i:03d}") for i in range(self.many)]

    def new_part(self, name: str) -> Part:
        rng = self.rng
        z = rng.normal(size=4)
        usual = np.array([110.0, 600.0, 120.0, 80.0]) + z * np.array([25.0, 15.0, 25.0, 15.0])
        usual[0] = max(usual[0], 40.0)
        labels = str(rng.choice(["M1", "M2", "M3"])), str(rng.choice(["ring", "plate"])), "from bar"
        section = float(rng.choice([8.0, 15.0, 25.0, 40.0]))
        own = rng.normal(0.0, 8.0) if self.family != "third" else 14.0 * (rng.lognormal(0.0, 0.6) - 1.2)
        return Part(
            name, *labels, 300.0, section, usual, own, float(rng.normal(-70.0, 18.0)), float(rng.lognormal(0.0, 0.25))
        )  # fmt: skip

    def like(self, part: Part) -> Part:
        """Another part number as like this one as its labels, section and usual settings tell."""
        other = self.new_part(part.name)
        return Part(
            part.name, part.material, part.shape, part.condition, part.length, part.section, part.usual, other.effect,
            other.stress, other.setup_gap,
        )  # fmt: skip

    def mean(self, part: Part, x: np.ndarray, when: np.ndarray, furnace: str) -> np.ndarray:
        rate, hold, soak = x[:, 0], x[:, 1], np.maximum(x[:, 2], 5.0)
        deviation = (x - part.usual) / WITHIN
        if self.family == "third":
            season = 4.0 * np.sin(2.0 * np.pi * when * 2.0)
            drift = 8.0 * when * (furnace == "F3")
            return (
                part.effect
                + 2.5 * np.tanh(deviation[:, 0])
                - 1.5 * deviation[:, 1]
                + season
                + drift
                + self.furnace[furnace]
            )
        creep = np.exp(-18000.0 * (1.0 / (hold + 273.15) - 1.0 / 873.15)) * (soak / 120.0) ** 0.3
        relieved = part.stress * (1.0 - 1.0 / (1.0 + creep))
        gradient = rate / 100.0 * (part.section / 25.0) ** 2
        yielding = self.strong * 9.0 * np.maximum(gradient - 1.6, 0.0) ** 1.2
        return part.effect + relieved + yielding + self.furnace[furnace] + 0.0 * when

    def noise(self, part: Part, runs: int, pieces: int) -> np.ndarray:
        rng, wide = self.rng, part.setup_gap
        if self.family == "third":
            run = np.where(rng.random((runs, 1)) < 0.1, 3.0, 1.0) * rng.normal(size=(runs, 1)) * 4.5
            return wide * (run + rng.normal(size=(runs, pieces)) * 4.5)
        run = rng.standard_t(4, (runs, 1)) / np.sqrt(2.0) * 5.0
        lopsided = (rng.gamma(2.0, 1.0, (runs, pieces)) - 2.0) / np.sqrt(2.0) * 5.0
        return run + wide * lopsided

    def pick_furnace(self, part: Part, rate: float) -> str:
        names = FURNACES[:2] if self.family != "third" else FURNACES
        if self.family != "third":  # fast runs go to the second furnace
            return names[int(self.rng.random() < 1.0 / (1.0 + np.exp(-(rate - part.usual[0]) / WITHIN[0])))]
        return names[int(self.rng.integers(3))]

    def history(self) -> pd.DataFrame:
        rng, rows = self.rng, []
        popular = rng.dirichlet(np.full(self.many, 1.5))
        chosen = [*range(self.many), *rng.choice(self.many, size=self.runs - self.many, p=popular)]
        rng.shuffle(chosen)
        days = np.sort(rng.uniform(0.0, 730.0, self.runs))
        for r, index in enumerate(chosen):
            part = self.parts[index]
            asked = (part.usual + rng.normal(size=4) * WITHIN)[None, :]
            furnace = self.pick_furnace(part, float(asked[0, 0]))
            made, pieces = int(rng.integers(3, 10)), int(rng.integers(2, 7))
            z = self.mean(part, asked, np.array([days[r] / 730.0]), furnace)[:, None] + self.noise(part, 1, made)
            z = z[0] * (self.lots[index % 9] if self.family != "third" else 1.0)
            for k, value in enumerate(z[:pieces]):
                rows.append((f"R{r:05d}", part.name, "C1", f"{r}-{k}", np.round(value), days[r], part.material,
                             part.shape, part.condition, "laid", furnace, part.section, part.length,
                             *asked[0]))  # fmt: skip
        names = ("run", "part", "characteristic", "serial", "z", "day", "material", "shape", "condition", "setup",
                 "furnace", "section_mm", "length_mm", *SETTINGS)  # fmt: skip
        return pd.DataFrame(rows, columns=names)

    def draws(
        self, part: Part, asked: np.ndarray, furnace: str, runs: int = 600, pieces: int = 4, when: float = 1.0
    ) -> np.ndarray:
        """True movements of new pieces in new runs: (runs, pieces)."""
        x = np.repeat(asked[None, :], runs, axis=0)
        z = self.mean(part, x, np.full(runs, when), furnace)[:, None] + self.noise(part, runs, pieces)
        known = next((i for i, p in enumerate(self.parts) if p.name == part.name), None)
        lot = self.rng.choice(self.lots, size=(runs, 1)) if known is None else self.lots[known % 9]
        return np.asarray(z * (lot if self.family != "third" else 1.0))

"""Invented shops whose truth is known: seeded histories to try effects and answers on.

Thirteen worlds. The first ten: plain (delicate parts get slow ramps, so the pooled slope has the wrong sign),
unconfounded, heavy-tailed, spread growing with length and ramp x section², non-negative form errors, gauge blunders,
missing sensors, mixed loads, drift, threshold. Three of another family: movement that follows relieved stress with a
saturating dose, a two-level setup with interaction, and noise in the parameters themselves (what was asked is not
what happened). Every figure is in µm, or in percent (100·ln) in the world of form errors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

WORLDS = (
    "plain", "unconfounded", "heavy", "growing", "form", "blunders", "missing", "mixed", "drift", "threshold",
    "dose", "setup", "noisy",
)  # fmt: skip
SIZES = {10: 4, 30: 8, 100: 20, 400: 80}  # runs: part numbers
RATE, HOLD, SOAK, COOL = "heating_rate_peak_c_per_h", "hold_mean_c", "soak_minutes", "cooling_rate_peak_c_per_h"
SETTINGS = (RATE, HOLD, SOAK, COOL)
WITHIN = np.array([10.0, 5.0, 15.0, 8.0])
MATERIALS, SHAPES, CONDITIONS = ("M1", "M2", "M3"), ("ring", "plate", "shaft"), ("from bar", "welded")
SLOPE = 3.0  # µm per within-part standard deviation of the heating rate
SETUPS = ("laid", "hung")


@dataclass
class Part:
    """One part number and its truth."""

    name: str
    material: str
    shape: str
    condition: str
    length: float
    section: float
    usual: np.ndarray  # mean settings
    effect: float  # everything of the part number's own
    stress: float  # of the dose world
    setup_gap: float  # hung minus laid, of the setup world


class Shop:
    """A world with its part numbers; draws histories and the truth of any question.

    world  one of WORLDS;  runs, parts sizes;  seed
    """

    def __init__(self, world: str, runs: int, parts: int | None = None, seed: int = 0, slope: float = SLOPE) -> None:
        if world not in WORLDS:
            raise ValueError(f"no world is called {world!r}")
        self.world, self.runs, self.slope = world, runs, slope
        self.rng = np.random.default_rng([seed, WORLDS.index(world), runs])
        self.run_sd, self.piece_sd = (12.0, 14.0) if world == "form" else (6.0, 5.0)
        rng = self.rng
        self.family = {name: rng.normal(0.0, 6.0) for name in (*MATERIALS, *SHAPES, *CONDITIONS)}
        self.confounding = 0.0 if world == "unconfounded" else -12.0
        self.drift = rng.choice([-1.0, 1.0]) * 10.0 if world == "drift" else 0.0
        self.parts = [self.new_part(f"PN-{i:03d}") for i in range(parts or SIZES[runs])]

    def new_part(self, name: str) -> Part:
        """A part number of this shop's population."""
        rng = self.rng
        z = rng.normal(size=4)
        usual = np.array([110.0, 600.0, 120.0, 80.0]) + z * np.array([25.0, 15.0, 25.0, 15.0])
        usual[0] = max(usual[0], 40.0)
        labels = str(rng.choice(MATERIALS)), str(rng.choice(SHAPES)), str(rng.choice(CONDITIONS))
        own = rng.normal(0.0, 10.0) + self.confounding * (usual[0] - 110.0) / 25.0
        effect = own + sum(self.family[x] for x in labels)
        return Part(
            name, *labels, float(rng.uniform(150, 900)), float(rng.choice([8.0, 15.0, 25.0, 40.0])), usual, effect,
            float(rng.normal(-60.0, 15.0)), float(rng.normal(12.0, 6.0)),
        )  # fmt: skip

    def mean(self, part: Part, settings: np.ndarray, when: np.ndarray, hung: np.ndarray) -> np.ndarray:
        """Expected movement; settings (m, 4), when (m,) 0 at the history's start and 1 at its end, hung (m,) 0 or 1."""
        deviation = (settings - part.usual) / WITHIN
        out = part.effect + np.full(len(settings), 0.0)
        if self.world == "threshold":
            out += self.slope * 2.5 * (deviation[:, 0] > 0.5)
        elif self.world == "dose":
            hours = np.maximum(settings[:, 2], 5.0) / 60.0
            dose = (settings[:, 1] + 273.15) * (20.0 + np.log10(hours)) / 1000.0
            out += part.stress * (1.0 - np.exp(-np.maximum(dose - 15.5, 0.0) / 1.6)) + self.slope / 2 * deviation[:, 0]
        else:
            out += self.slope * deviation[:, 0]
        if self.world == "setup":
            out += hung * part.setup_gap
        return out + self.drift * (2.0 * when - 1.0)

    def noise(self, part: Part, settings: np.ndarray, pieces: int) -> np.ndarray:
        """(m, pieces) run and piece noise of m runs of this part."""
        rng, m = self.rng, len(settings)
        if self.world == "heavy":
            return (rng.standard_t(3, (m, 1)) * self.run_sd + rng.standard_t(3, (m, pieces)) * self.piece_sd) / np.sqrt(
                3.0
            )
        scale = np.ones((m, 1))
        if self.world == "growing":
            heat = settings[:, :1] / 110.0 * (part.section / 25.0) ** 2
            scale = np.clip(0.5 + 0.3 * part.length / 400.0 + 0.4 * heat, 0.5, 2.5)
        return scale * (rng.normal(size=(m, 1)) * self.run_sd + rng.normal(size=(m, pieces)) * self.piece_sd)

    def happened(self, asked: np.ndarray) -> np.ndarray:
        """What the furnace did when this was asked: the same, except where parameters are noisy."""
        return asked + self.rng.normal(size=asked.shape) * WITHIN * 0.8 if self.world == "noisy" else asked

    def history(self) -> pd.DataFrame:
        """Pieces of all runs: columns for analysis.answers.cells.make_cells, and before/after for form errors."""
        rng, rows = self.rng, []
        per_run = 3 if self.world == "mixed" else 1
        popular = rng.dirichlet(np.full(len(self.parts), 1.5))
        days = np.sort(rng.uniform(0.0, 730.0, self.runs))
        for r in range(self.runs):
            chosen = rng.choice(len(self.parts), size=min(per_run, len(self.parts)), replace=False, p=popular)
            shared_shift = rng.normal(size=4) * WITHIN
            luck = rng.normal() * self.run_sd
            for index in chosen:
                part = self.parts[index]
                asked = (part.usual + (shared_shift if per_run > 1 else rng.normal(size=4) * WITHIN))[None, :]
                hung = np.array([float(rng.random() < 0.4)])
                pieces = int(rng.integers(2, 9))
                mean = self.mean(part, self.happened(asked), np.array([days[r] / 730.0]), hung)
                if per_run > 1:  # one furnace load shares its luck
                    noise = luck + rng.normal(size=(1, pieces)) * self.piece_sd
                else:
                    noise = self.noise(part, asked, pieces)
                z = (mean[:, None] + noise)[0]
                if self.world == "blunders":
                    wrong = rng.random(pieces) < 0.01
                    z = z + wrong * rng.choice([-1.0, 1.0], pieces) * rng.uniform(60.0, 150.0, pieces)
                seen = asked[0].copy()
                if self.world == "missing":
                    seen[rng.random(4) < 0.3] = np.nan
                for k in range(pieces):
                    rows.append(
                        (f"R{r:05d}", part.name, "C1", f"{r}-{k}", z[k], days[r], part.material, part.shape,
                         part.condition, SETUPS[int(hung[0])] if self.world == "setup" else "laid", part.section,
                         part.length, *seen)
                    )  # fmt: skip
        names = ("run", "part", "characteristic", "serial", "z", "day", "material", "shape", "condition", "setup",
                 "section_mm", "length_mm", *SETTINGS)  # fmt: skip
        frame = pd.DataFrame(rows, columns=names)
        frame["kind"] = "flatness" if self.world == "form" else "outside diameter"
        if self.world == "form":
            frame["before_um"] = np.round(np.exp(rng.normal(3.0, 0.3, len(frame))), 1)
            frame["after_um"] = frame["before_um"] * np.exp(frame["z"] / 100.0)
        return frame

    def draws(
        self, part: Part, asked: np.ndarray, hung: float, runs: int = 600, pieces: int = 4, when: float = 1.0
    ) -> np.ndarray:
        """True movements of new pieces in new runs of this part treated so: (runs, pieces)."""
        settings = self.happened(np.repeat(asked[None, :], runs, axis=0))
        mean = self.mean(part, settings, np.full(runs, when), np.full(runs, hung))
        return mean[:, None] + self.noise(part, settings, pieces)

    def like(self, part: Part) -> Part:
        """Another part number as like this one as its labels and usual settings tell (for the oracle of new parts)."""
        other = self.new_part(part.name)
        labels = part.material, part.shape, part.condition
        own = self.rng.normal(0.0, 10.0) + self.confounding * (part.usual[0] - 110.0) / 25.0
        effect = own + sum(self.family[x] for x in labels)
        return Part(
            part.name, *labels, part.length, part.section, part.usual, effect, other.stress, other.setup_gap
        )  # fmt: skip

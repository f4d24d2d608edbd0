"""Heat conduction into one section, integrated in time: slab, long cylinder or sphere in a changing furnace.

Finite volumes of equal width from the middle to the surface; Crank-Nicolson or implicit steps; heat enters through a
film (convection and radiation) or the surface follows the furnace at once. Constant properties.
Source: Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. (1959), ch. I and III; Crank & Nicolson (1947).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dgtsv

from loadbook.core.errors import CalculationError

from .lag import Shape
from .model import Floats

Film = Callable[[float, float], float]  # (furnace °C, surface °C) -> W/(m2 K)
STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), CODATA 2018
POWER: dict[Shape, int] = {"slab": 0, "cylinder": 1, "sphere": 2}
CELLS = 40


@dataclass(frozen=True)
class Body:
    """One section: half_mm is a slab's half-thickness (heated from both sides) or a round's radius [mm].

    across_mm  the other, wider side of a bar's or ring's section, whose shape is 'slab' (it is heated from all four
               sides): volume over surface is then the rectangle's own. A square is taken as the round that it holds:
               the film exactly, conduction in it 15 % short (0.2947 B L²/D against 0.25, Carslaw & Jaeger, ch. V), the
               stress 11 % (0.1406 against 0.125, Timoshenko & Goodier, torsion of a square).
    """

    shape: Shape
    half_mm: float
    conductivity_w_mk: float
    diffusivity_m2_per_s: float
    across_mm: float | None = None

    @property
    def power(self) -> float:
        """How the area grows from the middle outwards: 0 in a slab, 1 in a cylinder, 2 in a sphere."""
        if self.shape == "slab" and self.across_mm is not None:
            return min(2.0 * self.half_mm / self.across_mm, 1.0)
        return float(POWER[self.shape])

    @property
    def divisor(self) -> float:
        """Settled lag of the middle is r L²/(divisor a)."""
        return 2.0 * (self.power + 1.0)


def radiating(emissivity: float, convection_w_m2k: float) -> Film:
    """A film of radiation between grey surfaces and of convection.

    >>> round(radiating(0.5, 0.0)(600.0, 600.0), 1)
    75.5
    """

    def film(furnace_c: float, surface_c: float) -> float:
        a, b = furnace_c + 273.15, surface_c + 273.15
        return emissivity * STEFAN_BOLTZMANN * (a * a + b * b) * (a + b) + convection_w_m2k

    return film


def constant(film_w_m2k: float) -> Film:
    """A film that does not change with temperature."""
    return lambda furnace_c, surface_c: film_w_m2k


class Section:
    """A section's state between the steps. values: (cells,) °C from the middle outwards."""

    def __init__(
        self, body: Body, start_c: float, film: Film | None, cells: int = CELLS, implicit: float = 0.5
    ) -> None:
        """implicit  0.5: Crank-Nicolson; 1: fully implicit, for long steps.
        film None: the surface has the furnace's temperature. Raises CalculationError for a body that is none."""
        if not (body.half_mm > 0.0 and body.conductivity_w_mk > 0.0 and body.diffusivity_m2_per_s > 0.0):
            raise CalculationError("a section needs a size, a conductivity and a diffusivity above zero")
        self.body, self.film, self.implicit = body, film, implicit
        self.length_m = body.half_mm / 1000.0
        self.width_m = self.length_m / cells
        edges = np.arange(cells + 1) * self.width_m
        m = body.power
        self.volume = (edges[1:] ** (m + 1) - edges[:-1] ** (m + 1)) / (m + 1)
        area = edges**m
        self.inner = area[1:-1] / self.width_m  # conductance between neighbours, per conductivity
        self.outer_area = float(area[-1])
        self.values: Floats = np.full(cells, float(start_c))
        self.surface_c = float(start_c)
        self.share = self.volume / self.volume.sum()

    @property
    def centre_c(self) -> float:
        """Temperature of the middle, extrapolated from the two innermost cells (zero slope there)."""
        a, b = self.values[0], self.values[1]
        power = self.body.power
        # cell means of T = T0 + c r^2 in the first two cells: w^2 (m+1)/(m+3) times 1 and (2^(m+3)-1)/(2^(m+1)-1)
        ratio = (2.0 ** (power + 3) - 1.0) / (2.0 ** (power + 1) - 1.0)
        return float(a - (b - a) / (ratio - 1.0))

    @property
    def mean_c(self) -> float:
        return float(self.share @ self.values)

    def step(self, seconds: float, before_c: float, after_c: float) -> None:
        """Advance one step while the furnace goes from before_c to after_c."""
        k, a = self.body.conductivity_w_mk, self.body.diffusivity_m2_per_s
        half_cell = self.width_m / (2.0 * k)
        resistance = half_cell
        if self.film is not None:
            resistance += 1.0 / self.film(0.5 * (before_c + after_c), self.surface_c)
        outer = self.outer_area / resistance / k  # conductance to the furnace, per conductivity
        factor = a * seconds / self.volume
        new, old = self.implicit, 1.0 - self.implicit
        low = np.concatenate(([0.0], self.inner)) * factor  # coupling inwards
        high = np.concatenate((self.inner, [0.0])) * factor  # coupling outwards
        last = outer * factor[-1]
        t = self.values
        right = t.copy()
        right[1:] += old * low[1:] * (t[:-1] - t[1:])
        right[:-1] += old * high[:-1] * (t[1:] - t[:-1])
        right[-1] += old * last * (before_c - t[-1]) + new * last * after_c
        diagonal = 1.0 + new * (low + high)
        diagonal[-1] += new * last
        *_, solved, info = dgtsv(-new * low[1:], diagonal, -new * high[:-1], right)
        if info != 0:
            raise CalculationError("the conduction step could not be solved")
        self.values = np.asarray(solved)
        flux = (after_c - float(self.values[-1])) / resistance
        self.surface_c = after_c if self.film is None else float(self.values[-1]) + flux * half_cell

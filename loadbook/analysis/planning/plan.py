"""Planning a cycle for a section: what the cycle does to it, and the heating rate that keeps its lag under a limit.

The furnace is taken to follow the program; the thick and the thin section are integrated (`trace.conduction`).
A hold lasts until the middle of the thick section has been in the band for the minutes asked: the soak clock runs on
the work. The quasi-steady figures of `trace.lag` stand beside the integrated ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from loadbook.analysis.trace.conduction import Body, Film, Section, constant, radiating
from loadbook.analysis.trace.dose import doses
from loadbook.analysis.trace.model import Cycle, Floats, Segment
from loadbook.core.errors import CalculationError
from loadbook.core.remarks import Remark, remark

from .review import stages

DEFAULT_BAND_C = 5.0
EMISSIVITY = 0.5  # grey, oxidised or machined steel in a bright chamber: common practice for an estimate
CONVECTION_W_M2K = {"vacuum": 0.0, "air": 20.0, "gas": 20.0}
LONGEST_HOLD_H = 200.0
FASTEST_C_PER_H, SLOWEST_C_PER_H = 2000.0, 1.0


@dataclass(frozen=True)
class Sections:
    """The thick section, the thin one where known, and how heat gets in (None: the surface follows the furnace)."""

    thick: Body
    thin: Body | None
    film: Film | None
    film_said: Remark


@dataclass(frozen=True)
class PlannedSegment:
    """One segment as it would go. lag: surface minus middle of the thick section; difference: thin minus thick middle;
    lead: furnace minus thick middle (each the largest, °C difference, negative while cooling is shown as positive)."""

    number: int
    kind: str
    from_c: float
    to_c: float
    rate_c_per_h: float | None
    hours: float
    lag_peak_c: float
    difference_peak_c: float | None
    lead_peak_c: float
    soak_through_min: float | None = None  # from the furnace at temperature until the middle is in the band
    soak_minutes: float | None = None


@dataclass(frozen=True)
class Plan:
    """What a cycle does to a section.

    rate_steady_c_per_h  the rate whose settled lag is the limit (quasi-steady formula)
    rate_c_per_h         the fastest rate at which neither limit is passed when the ramps are integrated
    bound_by             'lag', 'difference' or 'nothing' (no limit was reached at the fastest rate tried)
    dose_middle, dose_surface  thousands; None where the material has no constant
    t_s, furnace_c, surface_c, middle_c, mean_c, thin_c   the course of the integrated cycle as asked: surface, middle
        and mean of the thick section, mean of the thin one
    """

    segments: tuple[PlannedSegment, ...]
    rate_steady_c_per_h: float
    rate_c_per_h: float
    bound_by: str
    furnace_hours: float
    dose_middle: float | None
    dose_surface: float | None
    assumptions: tuple[Remark, ...]
    t_s: Floats
    furnace_c: Floats
    surface_c: Floats
    middle_c: Floats
    mean_c: Floats
    thin_c: Floats | None


def film_of(atmosphere: str, film_w_m2k: float | None = None) -> tuple[Film, Remark]:
    """How heat gets in, and what to say of it: the user's own figure, else radiation with convection by atmosphere."""
    if film_w_m2k is not None:
        return constant(film_w_m2k), remark("plan_film_stated", film_w_m2k=film_w_m2k)
    kind = next((k for k in CONVECTION_W_M2K if k in atmosphere.casefold()), "gas")
    convection = CONVECTION_W_M2K[kind]
    said = remark("plan_film", emissivity=EMISSIVITY, film_w_m2k=convection, atmosphere=atmosphere)
    return radiating(EMISSIVITY, convection), said


def steady_rate(body: Body, lag_c: float) -> float:
    """Heating rate [°C/h] whose settled surface-to-middle lag is lag_c: lag k a / L².

    >>> round(steady_rate(Body("slab", 25.0, 40.0, 1.2e-5), 0.72338), 2)
    100.0
    """
    half_m = body.half_mm / 1000.0
    return 3600.0 * lag_c * body.divisor * body.diffusivity_m2_per_s / half_m**2


def fastest_rate(
    cycle: Cycle, sections: Sections, lag_c: float, difference_c: float | None, start_c: float = 20.0
) -> tuple[float, str]:
    """The fastest one rate of all heat segments at which neither limit is passed, and which limit binds it.

    Found by bisection on the integrated transient (the fastest rate tried is 2000 °C/h), to 0.2 %.
    Raises CalculationError where even the slowest, 1 °C/h, passes a limit.
    """
    top = max((s.to_c or 0.0 for s in stages(cycle, start_c)), default=0.0)
    heating = [replace(s, asked_rate_c_per_h=None) for s in _heating(cycle)]

    def passed(course: _Course) -> str | None:
        if course.lag_peak > lag_c:
            return "lag"
        return "difference" if difference_c is not None and (course.difference_peak or 0.0) > difference_c else None

    def passes(rate: float) -> str | None:
        step_s = max((top - start_c) / rate * 3600.0 / 400.0, 2.0)
        course = _Course(sections, start_c, step_s, cells=20, implicit=1.0)
        for s in heating:
            if s.kind == "heat":
                course.ramp(s.target_c or start_c, rate)
            else:
                course.hold(s.minutes or 0.0, *_band(s), follow=False)
            if passed(course):
                break
        return passed(course)

    if passes(FASTEST_C_PER_H) is None:
        return FASTEST_C_PER_H, "nothing"
    bound = passes(SLOWEST_C_PER_H)
    if bound is not None:
        raise CalculationError(f"even the slowest heating passes the limit on the {bound}", remedy="Allow more")
    low, high, by = SLOWEST_C_PER_H, FASTEST_C_PER_H, "lag"
    while high / low > 1.002:
        middle = float(np.sqrt(low * high))
        found = passes(middle)
        if found is None:
            low = middle
        else:
            high, by = middle, found
    return low, by


def _heating(cycle: Cycle) -> list[Segment]:
    """Segments up to the end of the main hold: heating beyond it is none."""
    main = cycle.main_hold[0] if cycle.main_hold else None
    last = main.number if main is not None else len(cycle.segments)
    return [s for s in cycle.segments if s.number <= last and s.kind in ("heat", "hold")]


def _band(s: Segment) -> tuple[float, float]:
    low = DEFAULT_BAND_C if s.band_low_c is None else s.band_low_c
    high = DEFAULT_BAND_C if s.band_high_c is None else s.band_high_c
    return low, high


def plan(
    cycle: Cycle,
    sections: Sections,
    lag_c: float,
    difference_c: float | None,
    dose_constant: float | None = None,
    start_c: float = 20.0,
    step_s: float = 20.0,
) -> Plan:
    """Integrate a cycle through a section.

    lag_c, difference_c  limits [°C difference]: surface ahead of the middle; thin section ahead of the thick middle
    A heat segment without any rate is run at the fastest rate that the limits allow.
    Raises CalculationError where the cycle has no heat segment with a target, or a hold is never soaked through.
    """
    if not any(s.kind == "heat" and s.target_c is not None for s in cycle.segments):
        raise CalculationError("the cycle heats to no temperature", where=cycle.cycle)
    rate, bound = fastest_rate(cycle, sections, lag_c, difference_c, start_c)
    course = _Course(sections, start_c, step_s)
    done: list[PlannedSegment] = []
    notes: list[Remark] = []
    for stage in stages(cycle, start_c):
        s = stage.segment
        course.begin()
        from_c = course.furnace[-1]
        used: float | None = None
        through = soaked = None
        if s.kind == "hold":
            through, soaked = course.hold(s.minutes or 0.0, *_band(s), follow=s.soak_by == "work")
        else:
            used = stage.segment.pace_c_per_h
            if used is None:
                used = rate if s.kind == "heat" else _last_rate(done, rate)
                notes.append(remark("plan_no_rate", segment=s.number, rate_c_per_h=used))
            course.ramp(stage.to_c if stage.to_c is not None else start_c, used)
        done.append(course.planned(s, from_c, used, through, soaked))
    t = np.array(course.t)
    middle, surface = np.array(course.middle), np.array(course.surface)
    dose_middle = dose_surface = None
    if dose_constant is not None:
        found = doses(t, np.vstack((middle, surface)), dose_constant)
        dose_middle, dose_surface = float(found[0]), float(found[1])
    return Plan(
        tuple(done), steady_rate(sections.thick, lag_c), rate, bound, float(t[-1]) / 3600.0, dose_middle, dose_surface,
        _assumptions(sections, start_c, notes), t, np.array(course.furnace), surface, middle,
        np.array(course.mean), np.array(course.thin) if sections.thin else None,
    )  # fmt: skip


def _last_rate(done: Sequence[PlannedSegment], otherwise: float) -> float:
    rates = [d.rate_c_per_h for d in done if d.rate_c_per_h]
    return rates[-1] if rates else otherwise


def _assumptions(sections: Sections, start_c: float, notes: list[Remark]) -> tuple[Remark, ...]:
    body = sections.thick
    return (
        remark(
            "plan_section",
            shape=body.shape,
            wide_mm=2 * body.half_mm,
            diffusivity_mm2_per_s=body.diffusivity_m2_per_s * 1e6,
        ),
        sections.film_said,
        remark("plan_start", start_c=start_c),
        remark("plan_alone"),
        *notes,
    )


class _Course:
    """The cycle as it goes: furnace, surface and middle of the thick section, mean of the thin one."""

    def __init__(
        self, sections: Sections, start_c: float, step_s: float, cells: int = 40, implicit: float = 0.5
    ) -> None:
        self.step_s = step_s
        self.big = Section(sections.thick, start_c, sections.film, cells, implicit)
        self.small = Section(sections.thin, start_c, sections.film, cells, implicit) if sections.thin else None
        self.t, self.furnace = [0.0], [start_c]
        self.surface, self.middle, self.mean, self.thin = [start_c], [start_c], [start_c], [start_c]
        self.lag_peak = self.lead_peak = 0.0
        self.difference_peak: float | None = 0.0 if self.small else None
        self.began = 0.0

    def begin(self) -> None:
        """A new segment: its own peaks and clock."""
        self.began = self.t[-1]
        self.lag_peak = self.lead_peak = 0.0
        self.difference_peak = 0.0 if self.small else None

    def _advance(self, seconds: float, furnace_c: float) -> None:
        before = self.furnace[-1]
        self.big.step(seconds, before, furnace_c)
        middle = self.big.centre_c
        self.t.append(self.t[-1] + seconds)
        self.furnace.append(furnace_c)
        self.surface.append(self.big.surface_c)
        self.middle.append(middle)
        self.mean.append(self.big.mean_c)
        self.lag_peak = max(self.lag_peak, abs(self.big.surface_c - middle))
        self.lead_peak = max(self.lead_peak, abs(furnace_c - middle))
        if self.small is not None:
            self.small.step(seconds, before, furnace_c)
            self.thin.append(self.small.mean_c)
            self.difference_peak = max(self.difference_peak or 0.0, abs(self.small.mean_c - middle))

    def ramp(self, target_c: float, rate_c_per_h: float) -> None:
        start = self.furnace[-1]
        seconds = abs(target_c - start) / rate_c_per_h * 3600.0
        steps = max(1, int(np.ceil(seconds / self.step_s)))
        for k in range(1, steps + 1):
            self._advance(seconds / steps, start + (target_c - start) * k / steps)

    def hold(self, minutes: float, low_c: float, high_c: float, *, follow: bool) -> tuple[float | None, float]:
        """Hold the furnace until the middle was in the band for the minutes (follow), else for the minutes alone.

        Returns minutes until the middle was in the band (None where it was not), and minutes it was inside.
        """
        level, entered = self.furnace[-1], None
        start = self.t[-1]
        if level - low_c <= self.middle[-1] <= level + high_c:
            entered = start
        while True:
            if entered is not None and follow and self.t[-1] - entered >= minutes * 60.0 - 1e-6:
                break
            if not follow and self.t[-1] - start >= minutes * 60.0 - 1e-6:
                break
            if self.t[-1] - start > LONGEST_HOLD_H * 3600.0:
                raise CalculationError(
                    f"the middle of the section is not in the band after {LONGEST_HOLD_H:g} h",
                    remedy="See that the film and the band are what you mean",
                )
            left = minutes * 60.0 - (self.t[-1] - (entered if follow and entered is not None else start))
            self._advance(min(self.step_s, left) if left > 1e-6 else self.step_s, level)
            if entered is None and level - low_c <= self.middle[-1] <= level + high_c:
                entered = self.t[-1]
        inside = 0.0 if entered is None else (self.t[-1] - entered) / 60.0
        return (None if entered is None else (entered - start) / 60.0), inside

    def planned(
        self, s: Segment, from_c: float, rate: float | None, through: float | None, soaked: float | None
    ) -> PlannedSegment:
        return PlannedSegment(
            s.number, s.kind, from_c, self.furnace[-1], rate, (self.t[-1] - self.began) / 3600.0, self.lag_peak,
            self.difference_peak, self.lead_peak, through, soaked,
        )  # fmt: skip

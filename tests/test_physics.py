"""Physics as checks of mechanism: worked examples with their source, finite-difference bodies, and the traps.

The examples (T1-01 ...) are those of the project's own table of checks: closed forms recomputed by hand, values of a
published table (named beside the check), or both. Those that rest on constants from memory say so.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from loadbook.analysis.physics import checks, expansion, growth, relief, sag, surface
from loadbook.analysis.physics.checks import Part, Step
from loadbook.analysis.physics.metal import group_of, metal
from loadbook.analysis.physics.tables import MARKS, properties, rows
from loadbook.analysis.planning.plan import Sections
from loadbook.analysis.trace import lag
from loadbook.analysis.trace.conduction import Body, Section, constant, radiating
from loadbook.core.errors import CalculationError
from loadbook.core.remarks import remark
from loadbook.queries import mechanism
from loadbook.queries.evidence_words import words

STEEL = metal("S355", "carbon steel", yields=[(None, 355.0)])
BAR = 40.0, 7850.0
COLD_BAR = sag.weight_over_stiffness("round", *BAR, 210.0)
HOT_BAR = sag.weight_over_stiffness("round", *BAR, 46.2)


def lag_at_yield(power: float, stress_mpa: float) -> float:
    """The lag of the middle that a metal of 200 GPa, 12e-6/K and nu 0.3 bears, if it yields at a stress."""
    one = metal("X", "odd", False, 12e-6, [(None, stress_mpa), (100.0, stress_mpa)], [(None, 200.0)])
    return checks.elastic_limits(one, power, [20.0], [1.0])[0].lag_c


def ring(points: int) -> float:
    return sag.flat_ring_mm(500.0, 40.0, 40.0, points, 7850.0, 46.2)


# (example, value, expected, relative tolerance); closed forms of Boley & Weiner and Timoshenko & Goodier unless named
EXAMPLES = [
    # 1: temperature lag and stress
    ("T1-01", lag.section_lag_c("slab", 50.0, 200.0, 1e-5), 6.94444, 1e-3),
    ("T1-02", lag_at_yield(0.0, 15.87302), lag.section_lag_c("slab", 50.0, 200.0, 1e-5), 1e-3),
    ("T1-04", lag_at_yield(1.0, 5.95238), lag.section_lag_c("cylinder", 50.0, 200.0, 1e-5), 1e-3),
    ("T1-06", lag_at_yield(2.0, 3.1746), lag.section_lag_c("sphere", 50.0, 200.0, 1e-5), 1e-3),
    ("T1-09", 200.0 * lag_at_yield(0.0, 50.0) / lag.section_lag_c("slab", 50.0, 200.0, 1e-5), 630.0, 1e-3),
    # 2: EN 1993-1-2 3.4.1 and Annex C, EN 1999-1-2 (in open implementations); Ti-6Al-4V: doi 10.1007/bf00420541
    ("T2-01", expansion.steel_strain(600.0) * 500.0, 4.1992, 1e-6),
    ("T2-02 at 600", expansion.steel_heat(600.0), 760.217, 1e-5),
    ("T2-02 at 735", expansion.steel_heat(735.0), 5000.0, 1e-5),
    ("T2-04 modulus", STEEL.modulus_gpa(650.0), 46.2, 1e-3),
    ("T2-04 limit", STEEL.onset_mpa(650.0), 45.26, 1e-3),
    ("T2-05", expansion.steel_enthalpy(20.0, 850.0) / 1000.0, 598.56, 2e-3),
    ("T2-06 strain", expansion.stainless_strain(1000.0), 1.91561e-2, 1e-4),
    ("T2-07", metal("AlSi1MgMn", "aluminium").modulus_gpa(225.0), 57.4, 1e-3),
    ("T2-08", metal("Ti-6Al-4V", "titanium").modulus_gpa(500.0), 81.39, 1e-2),
    # 3: relief; creep of 2.25Cr-1Mo as in the documentation of NEML (Argonne)
    ("T3-01", relief.relaxed(300.0, 1.0, 2.5401992e-17, 6.7140812, 163e3), 72.38, 5e-3),
    # the table prints A as 8.245e-17: its own rate of 4.274e-3 per h at 100 MPa, and its result, need ten times that
    ("T3-02", relief.relaxed(300.0, 2.0, 8.2452776e-16, 6.3573171, 157e3), 45.02, 5e-3),
    ("T3-03 at 600", relief.creep_rate(100.0, 600.0), 6.808e-4, 5e-3),
    ("T3-03 at 649", relief.creep_rate(100.0, 649.0), 4.274e-3, 5e-3),
    ("T3-07", relief.after_heating(355.0, STEEL.onset_mpa(600.0) or 0.0, 0.31), 206.13, 1e-3),
    # 4: size change; 17-4PH: trade note of the Precision Machined Products Association, C17200: Materion (2024)
    ("T4-01 H900", next(growth.changes("17-4PH")).low * 500.0, -0.30, 1e-9),
    ("T4-01 H1150", list(growth.changes("17-4PH"))[1].high * 500.0, -0.45, 1e-9),
    ("T4-02", next(growth.changes("C17200")).low * 120.0, -0.24, 5e-3),
    ("T4-03 volume", growth.martensite_volume(0.4) * 100.0, 4.428, 1e-4),
    ("T4-03 length", growth.linear(growth.martensite_volume(0.4)) * 100.0, 1.4547, 1e-3),
    ("T4-04", growth.linear(growth.martensite_volume(1.0)) / 100.0 * 1e6, 135.2, 1e-2),
    # 5: sag (closed forms, and a grillage and a frame for rings)
    ("T5-01", sag.beam_sag_mm(1500.0, COLD_BAR, sag.beam(1.0)[0]), 0.24164, 1e-3),
    ("T5-02 ends", sag.beam_sag_mm(1500.0, HOT_BAR, sag.beam(1.0)[0]), 1.0984, 1e-3),
    ("T5-02 Airy", sag.beam_sag_mm(1500.0, HOT_BAR, sag.beam(1.0 / math.sqrt(3.0))[0]), 0.04356, 1e-3),
    ("T5-03 span", sag.best_span(), 0.55370, 1e-4),
    ("T5-03 sag", sag.worst(sag.best_span()), 2.6972e-4, 1e-4),
    ("T5-04 middle", sag.beam(0.5)[0], -1.62760e-4, 1e-4),
    ("T5-04 ends", sag.beam(0.5)[1], 1.139323e-3, 1e-4),
    ("T5-05 on 3", ring(3), 0.05776, 5e-3),
    ("T5-05 on 4", ring(4), 0.01541, 5e-3),
    ("T5-05 on 6", ring(6), 0.002695, 5e-3),
    ("T5-06", sag.standing_ring_mm(500.0, 10.0, 7850.0, 140.0), -1.9275, 5e-3),
    # 6: scale (Paidassi as quoted, constants from memory) and vapour (Alcock, Itkin & Horrigan 1984)
    ("T6-01 scale", surface.scale_um([(1.0, 900.0)])[0], 250.0, 2e-2),
    ("T6-01 metal", surface.metal_lost_um(250.3), 141.0, 2e-2),
    ("T6-02 pure", surface.vapour_mbar("Cr", 1050.0) * 100.0, 9.23e-4, 2e-2),
    ("T6-02 alloyed", surface.vapour_mbar("Cr", 1050.0) * 0.194, 1.79e-6, 2e-2),
    *((f"T6-03 {e}", surface.vapour_mbar(e, t), 1e-3, 0.1)
      for e, t in (("Zn", 286.0), ("Mn", 857.0), ("Cr", 1254.0), ("Cu", 1112.0))),
    # the table calls this one pure: it is that of 19.4 atom %; p sqrt(M/(2 pi R T)) of the pure metal is 2.88
    ("T6-04", surface.evaporation_g_m2h("Cr", 1050.0, 0.194), 0.559, 2e-2),
    ("T6-05 (Testbourne prints 327)", surface.vapour_mbar("Mg", 324.0), 1.333e-4, 0.1),
    # 7: heat
    ("T7-02 cold", radiating(0.8, 0.0)(850.0, 20.0), 86.6, 3e-3),
    ("T7-02 half way", radiating(0.8, 0.0)(850.0, 425.0), 144.5, 3e-3),
    ("T7-05", expansion.steel_enthalpy(20.0, 850.0) * 2000.0 / 3.6e6, 332.5, 3e-3),
]  # fmt: skip


@pytest.mark.parametrize(("example", "value", "expected", "tolerance"), EXAMPLES, ids=[e[0] for e in EXAMPLES])
def test_worked_examples(example: str, value: float, expected: float, tolerance: float) -> None:
    assert value == pytest.approx(expected, rel=tolerance), example


def ramp_profile(power: int, fourier: float, cells: int = 60) -> tuple[np.ndarray, np.ndarray]:
    """Explicit finite differences: a body of radius 1 and diffusivity 1 whose surface rises at 1 from 0. (r, T)."""
    dr = 1.0 / cells
    r = (np.arange(cells) + 0.5) * dr
    faces = (np.arange(cells + 1) * dr) ** power
    steps = math.ceil(fourier / (0.2 * dr * dr))
    dt, values = fourier / steps, np.zeros(cells)
    for k in range(steps):
        flux = np.zeros(cells + 1)
        flux[1:-1] = np.diff(values) / dr * faces[1:-1]
        flux[-1] = ((k + 0.5) * dt - values[-1]) / (0.5 * dr) * faces[-1]
        values += dt * np.diff(flux) / (r**power * dr)
    return np.append(r, 1.0), np.append(values, fourier)


def elastic(power: int, r: np.ndarray, t: np.ndarray, nu: float) -> tuple[float, float]:
    """Hoop stress at the surface and in the middle, over E a, by linear finite elements in the displacement: another
    road than the closed forms. power 1: a long cylinder free to grow in length; 2: a sphere."""
    lam, mu = nu / ((1 + nu) * (1 - 2 * nu)), 0.5 / (1 + nu)
    nodes = np.linspace(0.0, 1.0, 201)
    n = nodes.size
    stiff, load = np.zeros((n + 1, n + 1)), np.zeros(n + 1)
    law = lam + 2 * mu * np.eye(3)
    rows_of = []
    for i in range(n - 1):
        h, at = nodes[i + 1] - nodes[i], 0.5 * (nodes[i] + nodes[i + 1])
        b = np.zeros((3, 3))  # radial, hoop, third strain by (u_i, u_i+1, axial strain)
        b[0, :2] = -1 / h, 1 / h
        b[1, :2] = 0.5 / at, 0.5 / at
        b[2] = (0.5 / at, 0.5 / at, 0.0) if power == 2 else (0.0, 0.0, 1.0)
        heat = (3 * lam + 2 * mu) * float(np.interp(at, r, t)) * np.ones(3)
        where, weight = [i, i + 1, n], h * at**power
        stiff[np.ix_(where, where)] += b.T @ law @ b * weight
        load[where] += b.T @ heat * weight
        rows_of.append((b, where, heat))
    stiff[0, :] = stiff[:, 0] = 0.0
    stiff[0, 0], load[0] = 1.0, 0.0
    if power == 2:
        stiff[n, n] = 1.0
    u = np.linalg.solve(stiff, load)
    hoop = [float((law @ b @ u[where] - heat)[1]) for b, where, heat in rows_of]
    return 1.5 * hoop[-1] - 0.5 * hoop[-2], 1.5 * hoop[2] - 0.5 * hoop[4]


@pytest.mark.parametrize(("shape", "power"), [("slab", 0), ("cylinder", 1), ("sphere", 2)])
def test_lag_and_stress_against_finite_differences(shape: lag.Shape, power: int) -> None:
    """A surface that rises steadily (1 m, 1 K/s, 1 m²/s), settled: lag, the surface's lead of the mean, and the stress
    that a plan's check tells from it."""
    nu = 0.3
    r, t = ramp_profile(power, 2.0)
    middle, mean, surface_c = float(t[0]), float(np.average(t[:-1], weights=r[:-1] ** power)), 2.0
    settled = lag.section_lag_c(shape, 1000.0, 3600.0, 1.0)
    assert surface_c - middle == pytest.approx(settled, rel=0.02)
    assert surface_c - mean == pytest.approx(settled * 2.0 / (power + 3.0), rel=0.01)
    step = Step(1, "heat", 1.0, 20.0 + surface_c, 20.0 + surface_c, 20.0 + middle, 20.0 + mean)
    told = checks.section_stress([step], power, STEEL).said.figures["stress_mpa"]
    line = STEEL.line_factor(20.0 + surface_c)
    assert line is not None
    at_surface = -elastic(power, r, t, nu)[0] if power else (surface_c - mean) / (1.0 - nu)
    assert told / line == pytest.approx(at_surface, rel=0.02)


def test_a_square_bar_against_two_dimensions() -> None:
    """A 50 x 50 mm bar, put into 600 °C with a film of 100 W/(m² K): soaked through to 5 °C in the time of a
    two-dimensional finite-difference section, within 4 %; as a slab it would take nearly twice as long."""
    k, diffusivity, film, half = 42.0, 9.55e-6, 100.0, 0.025
    n = 10
    d = half / n
    dt = 0.2 * d * d / diffusivity
    t = np.full((n, n), 20.0)
    rho_c = k / diffusivity
    outer = 1.0 / (0.5 * d / k + 1.0 / film)
    seconds = 0.0
    while t[0, 0] < 595.0:
        heat = np.zeros_like(t)
        for axis in (0, 1):
            a = np.moveaxis(t, axis, 0)
            flow = np.diff(a, axis=0) * k / d
            h = np.moveaxis(heat, axis, 0)
            h[:-1] += flow
            h[1:] -= flow
            h[-1] += outer * (600.0 - a[-1])
        t += heat * dt / (rho_c * d)
        seconds += dt

    def soaked(body: Body) -> float:
        section, at = Section(body, 20.0, constant(film)), 0.0
        while section.centre_c < 595.0:
            section.step(10.0, 600.0, 600.0)
            at += 10.0
        return at

    assert soaked(Body("slab", 25.0, k, diffusivity, 50.0)) == pytest.approx(seconds, rel=0.04)
    assert soaked(Body("slab", 25.0, k, diffusivity)) > 1.8 * seconds
    square = Body("slab", 25.0, k, diffusivity, 50.0)
    assert square.divisor == 4.0  # as the round that the square holds
    # its surface's lead of the mean is 0.1406 B L²/D (the torsion constant of a square over 16: Timoshenko & Goodier,
    # art. 109); taken as a round it comes 11 % short, and so does the stress
    assert 1.0 / ((square.power + 1.0) * (square.power + 3.0)) == pytest.approx(0.89 * 0.1406, rel=0.005)


# ---- traps ------------------------------------------------------------------------------------------------------


def test_yielding_begins_at_the_proportional_limit() -> None:
    """EN 1993-1-2, table 3.1: at 400 °C the strength at 2 % strain is all of the yield, the proportional limit 42 %."""
    assert metal("S355", "steel", yields=[(None, 100.0)]).onset_mpa(400.0) == pytest.approx(42.0)


def test_the_shops_own_figures_overrule_the_tables() -> None:
    own = metal("42CrMo4", "low-alloy steel", False, 13e-6, [(None, 700.0), (600.0, 150.0)], [(None, 200.0)])
    assert own.onset_mpa(600.0) == 150.0 and own.onset_mpa(20.0) == 700.0
    assert own.onset_mpa(310.0) == pytest.approx(425.0)  # linear between what was stated
    assert own.onset_mpa(700.0) is None  # nobody stated it
    assert own.modulus_gpa(600.0) == pytest.approx(65.1 * 200.0 / 210.0)
    assert own.expansion_at(25.0) == pytest.approx(13e-6, rel=0.01)
    assert {s.mark for s in own.sources()} >= {"own"}


def test_what_nobody_published_is_not_guessed() -> None:
    assert metal("Ti-6Al-4V", "titanium", yields=[(None, 900.0)]).onset_mpa(500.0) is None
    assert metal("CuZn39", "brass").modulus is None and group_of("titanium", "Ti-5553") == ""
    others = ("maraging steel", "duplex stainless steel", "iron-nickel alloy", "nickel alloy", "manganese steel")
    assert [group_of(family, "") for family in others] == [""] * len(others)
    assert group_of("high-speed steel", "HS6-5-2") == "tool steel" and group_of("cast iron", "x") == "grey iron"
    assert STEEL.factor(800.0) is None  # it transforms
    assert relief.creep_rate(100.0, 550.0) is None  # the law's own table breaks there
    assert metal("X", "aluminium").modulus_gpa(600.0) is None
    with pytest.raises(CalculationError, match="no vapour pressure"):
        surface.vapour_mbar("Xx", 500.0)


def test_every_value_has_a_source_and_none_is_from_memory() -> None:
    for name in ("properties", "vapour", "size_change"):
        for row in rows(name):
            assert row["source"] and row["mark"] in ("V", "V+R", "R"), row
    assert set(MARKS) >= {"V", "V+R", "R", "M"} and all(c.source.text for c in properties().values())


def test_scale_below_the_law_is_an_upper_figure() -> None:
    """Nothing is told by the law below 700 °C; between 570 and 700 °C it counts as at 700 °C; a published point is met:
    Materials 18 (2025) 2463, 5 K/min to 1000 °C, 15 min, 5 K/min, 401 µm."""
    told, most = surface.scale_um([(2.0, 600.0)])
    assert told == 0.0 and most == pytest.approx(surface.scale_um([(2.0, 700.0)])[0])
    assert surface.scale_um([(100.0, 500.0)]) == (0.0, 0.0)
    ramp = [(1.0 / 30.0, 570.0 + 10.0 * k) for k in range(43)]
    assert surface.scale_um([*ramp, (0.25, 1000.0), *ramp])[0] == pytest.approx(401.0, rel=0.07)


def test_creep_forgets_where_it_began() -> None:
    """200 or 400 MPa end alike, and time outside the law's range is not counted."""
    course = [(0.1, 600.0)] * 20
    low, high = (relief.relaxed_along(course, s)[0] for s in (200.0, 400.0))
    assert 55.0 < low < high < 70.0 and high - low < 1.0
    assert relief.relaxed_along([(5.0, 580.0)], 300.0) == (300.0, 0.0, 0.0)
    assert relief.relaxed_along([(2.0, 600.0)], 300.0)[0] == pytest.approx(
        300.0 * (1.0 - 0.786), rel=0.01
    )  # in one step


# ---- the checks, and their words in both systems of units -------------------------------------------------------


def course(ahead_c: float, top_c: float = 600.0, thin_c: float | None = None, gas: str = "air") -> list[Step]:
    """A heating in steps of 20 °C at 40 °C/h with the surface ahead of the middle, then 2 h at the top."""
    steps = [
        Step(
            1,
            "heat",
            0.5,
            t + ahead_c,
            t,
            t - ahead_c,
            t - 2 / 3 * ahead_c,
            None if thin_c is None else t + thin_c,
            gas,
        )
        for t in np.arange(40.0, top_c + 1.0, 20.0).tolist()
    ]
    return [*steps, Step(2, "hold", 2.0, top_c, top_c, top_c, top_c, None if thin_c is None else top_c, gas)]


PLATE = Part("plate", 800.0, 30.0, 20.0, 7850.0, pct=(("c", 0.41), ("cr", 1.0), ("mn", 0.8)))


def test_a_slow_ramp_is_elastic_and_a_fast_one_moves_the_part() -> None:
    """S355 at 600 °C: onset 0.18 x 355 = 63.9 MPa; S = 65.1e3 x 16.8e-6/0.7; a slab yields at 1.5 onset/S ahead."""
    limit = 1.5 * 63.9 / (65.1e3 * 16.8e-6 / 0.7)
    slow = checks.section_stress(course(5.0), 0.0, STEEL)
    assert slow.acts is False and slow.said.code == "stress_elastic"
    fast = checks.section_stress(course(70.0), 0.0, STEEL)
    assert fast.acts is True and fast.said.figures["limit_c_diff"] == pytest.approx(limit, rel=0.01)
    assert "from 61 °C on this ramp itself moves the part" in words(fast.said, "si")
    assert "°C" not in words(fast.said, "us") and "ksi" in words(fast.said, "us")
    unstated = checks.section_stress(course(70.0), 0.0, metal("S355", "steel"))
    assert unstated.acts is None and unstated.said.figures["needs_mpa"] == pytest.approx(355.0 * 70.0 / limit, rel=0.01)


def test_thick_against_thin_is_at_most_fully_held() -> None:
    found = checks.pair_stress(course(1.0, thin_c=40.0), STEEL)
    assert found is not None and found.said.figures["stress_mpa"] > 20.0
    assert "at most" in words(found.said, "si")
    assert checks.pair_stress(course(1.0), STEEL) is None


def test_the_largest_elastic_differences() -> None:
    """At 400 °C: onset 42 % of 355; E 147 GPa, a 15.2e-6: spread onset/(E a), lag 1.5 (1 - nu) times it in a slab, 2
    in a round. The lead follows by the ratios given."""
    slab = checks.elastic_limits(STEEL, 0.0, [400.0], [3.0])[0]
    assert slab.spread_c == pytest.approx(0.42 * 355.0 / (147e3 * 15.2e-6), rel=0.01)
    assert slab.lag_c == pytest.approx(1.5 * 0.7 * slab.spread_c) and slab.lead_c == pytest.approx(3.0 * slab.lag_c)
    assert checks.elastic_limits(STEEL, 1.0, [400.0], [3.0])[0].lag_c == pytest.approx(slab.lag_c * 2.0 / 1.5)
    assert checks.elastic_limits(STEEL, 0.0, [400.0], [3.0], [2.0])[0].lead_c == pytest.approx(2.0 * slab.spread_c)
    assert checks.elastic_limits(metal("S355", "steel"), 0.0, [400.0], [1.0])[0].per_100
    assert checks.elastic_limits(metal("Ti-6Al-4V", "titanium"), 0.0, [400.0], [1.0]) == []


@pytest.mark.parametrize("system", ["si", "us"])
def test_every_check_has_words(system: str) -> None:
    """Every mechanism of a stress relief in air, a vacuum hardening and an ageing; US words hold no metric unit."""
    iron, aged = metal("EN-GJL-250", "cast iron"), metal("X5CrNiCuNb16-4", "stainless steel", False, 10.9e-6)
    stainless = metal("X2CrNiMo17-12-2", "stainless steel", True)
    round_ring = Part("ring", 900.0, 30.0, 20.0, 7850.0, 900.0, 40.0, (("cr", 17.0), ("mn", 1.2)))
    shapeless = Part("", 1.0, 1.0, 1.0, 1.0)
    found = [
        *checks.all_checks(course(5.0, thin_c=40.0), 0.0, STEEL, PLATE, 600.0, "stress relief", 0.05),
        *checks.all_checks(course(5.0, 900.0), 0.0, STEEL, PLATE, 900.0, "normalise"),
        *checks.all_checks(course(5.0, 400.0), 0.0, STEEL, PLATE, 400.0, "temper"),
        *checks.all_checks(course(1.0, 560.0), 0.0, iron, PLATE, 560.0, "stress relief"),
        *checks.all_checks(course(1.0, 550.0), 0.0, aged, PLATE, 550.0, "age"),
        *checks.all_checks(course(1.0, 720.0), 0.0, metal("A", "nickel alloy"), shapeless, 720.0, "age"),
        *checks.all_checks(course(1.0, 1050.0, gas="vacuum"), 1.0, stainless, round_ring, 1050.0, "anneal"),
    ]  # fmt: skip
    deep = [Step(2, "hold", 1.0, 1050.0, 1050.0, 1050.0, 1050.0, None, "vacuum", 1e-5)]
    found.append(checks.evaporating(deep, round_ring, stainless))  # type: ignore[arg-type]
    said = {c.said.code: words(c.said, system) for c in found}
    assert set(said) >= {
        "stress_elastic", "stress_unknown", "stress_against_yield", "relief_by_heating", "relief_by_creep",
        "relief_of_iron", "sag_beam", "sag_ring", "sag_unknown", "size_published", "size_unknown", "size_retained",
        "scale_thin", "scale_law", "scale_at_most", "evaporates", "evaporates_not",
    }  # fmt: skip
    assert all(said.values())
    strange = ("°C", " mm", "µm", "MPa", "mbar", "g/m²") if system == "us" else ("°F", "ksi", "torr", "0.001 in", "oz/")
    assert not [(code, text) for code, text in said.items() if any(s in text for s in strange)]
    assert "-0.12 to -0.04 %" in said["size_published"] and "17-4PH" in said["size_published"]


def test_a_relief_in_stages_ages_nothing() -> None:
    for process, found in (("two-stage stress relief", []), ("age hardening", ["size_unknown"])):
        assert [c.said.code for c in checks.size_change(PLATE, 550.0, process, metal("A", "nickel alloy"))] == found


def test_plating_goes_before_the_alloy() -> None:
    plated = Part("bar", 1.0, 1.0, 1.0, 1.0, pct=(("mn", 0.8),), words="low-alloy steel cadmium plated")
    found = checks.evaporating(course(1.0, 300.0, gas="vacuum"), plated, STEEL)
    assert found is not None and found.said.figures["element"] == "Cd"
    assert checks.evaporating(course(1.0, 300.0), plated, STEEL) is None  # in air
    leaded = Part("bar", 1.0, 1.0, 1.0, 1.0, words="steel dipped in lead")
    found = checks.evaporating(course(1.0, 700.0, gas="vacuum"), leaded, STEEL)
    assert found is not None and found.said.figures["element"] == "Pb"
    clean = Part("bar", 1.0, 1.0, 1.0, 1.0, pct=(("mn", 0.8),))
    assert checks.evaporating(course(1.0, 300.0, gas="vacuum"), clean, STEEL) is None


def test_lead_and_spread_by_the_settled_formulas_are_those_of_the_integration() -> None:
    """A film of 60 W/(m² K) and a long ramp: furnace over middle, over the thin section's mean ahead of the thick one's
    and over the lag, within 1 % of the integrated course, for slabs, rounds and a square bar."""
    for shape, across in (("slab", None), ("cylinder", None), ("slab", 60.0)):
        thick = Body(shape, 30.0, 40.0, 9e-6, across)  # type: ignore[arg-type]
        thin = Body(shape, 10.0, 40.0, 9e-6, across)  # type: ignore[arg-type]
        found = Sections(thick, thin, constant(60.0), remark("plan_film_stated", film_w_m2k=60.0))
        big, small = Section(thick, 20.0, found.film), Section(thin, 20.0, found.film)
        for k in range(1200):
            before, after = 20.0 + 0.5 * k, 20.5 + 0.5 * k
            big.step(36.0, before, after)
            small.step(36.0, before, after)
        lead, lag_c, spread = after - big.centre_c, big.surface_c - big.centre_c, small.mean_c - big.mean_c
        assert mechanism.lead_over_lag(found, 300.0) == pytest.approx(lead / lag_c, rel=0.01)
        assert mechanism.lead_over_spread(found, 300.0) == pytest.approx(lead / spread, rel=0.01)
        assert (big.surface_c - big.mean_c) * (thick.power + 3.0) / 2.0 == pytest.approx(lag_c, rel=0.01)

"""What physics can say of a plan: each check of mechanism, its formula, what it does not cover, and its source."""

from __future__ import annotations

from .lookup import Term


def _m(name: str, definition: str, formula: str = "", source: str = "common practice") -> Term:
    return Term(name, "method", " ".join(definition.split()), formula, "", source)


TERMS: tuple[Term, ...] = (
    _m(
        "check of mechanism",
        """What loadbook cycle plan says by physics: whether a thing can act on this part in this cycle, and how far off it
        is. Never a prediction of movement: that takes measured runs (loadbook answer). Every value has its source and
        a mark: read in its source, recomputed, or from memory, which informs and never decides. Where nothing is
        published, that is said in the place of a figure. The shop's own figures (--yield, --modulus, --section, the
        material's record) overrule the tables.""",
    ),
    _m(
        "thermal stress",
        """Stress from temperature differences: inside a section (surface against its mean) and between thick and thin
        sections that hold each other. Taken from the integrated course of the plan, against where yielding begins at that
        temperature: the proportional limit of structural steel, or the 0.2 % proof stress of stainless 1.4301 and
        6061-T6, as shares of the yield at {20 c}; never the strength at 2 % strain, which at {400 c} is still all of it.
        Below it the difference is elastic and adds no movement; above it, the ramp itself moves the part. The film at
        the surface, not conduction, makes most of the difference between thick and thin. Not covered: what a
        transformation does, and stress that the piece brings along, which adds to it.""",
        "surface: E a (T mean - T surface)/(1 - nu);  thin section held by a thick one: at most E a (T thick - T thin)",
        "Boley & Weiner, Theory of Thermal Stresses (1960), ch. 9; EN 1993-1-2:2005; EN 1999-1-2:2007",
    ),
    _m(
        "largest elastic differences",
        """The lag, the spread between thick and thin, and the furnace's lead that just begin to yield the metal, by
        temperature: the ground for differential limits. With no yield stated, for each {100 mpa} of yield at {20 c}.
        The lead is the one that goes with them at a steady rate, by the film of the plan.""",
        "lag: onset (1 - nu)/(E a) x 3/2 slab, x 2 round, x 5/2 ball;  spread: onset/(E a)",
    ),
    _m(
        "stress relief reached",
        """Two mechanisms. Heating alone: a stress cannot exceed what the hot metal bears, so a stress as high as the yield
        comes down to the share that proportional limit and modulus leave. Creep in the hold: the published law of
        2.25Cr-1Mo, from {590 c} to {649 c}, the ramps counted; other steels differ, and a piece relaxes faster in its
        first hour. The dose orders cycles of one material; it is no percentage. Cast iron: relief is slow below {538 c}.
        Of stainless, titanium, nickel and aluminium no verified curve is on record, and none is shown.""",
        "left after heating: min(s E hot/E, onset)/(E hot/E);  creep: ds/dt = -E A s^n",
        "Dong, Song & Zhang, Int. J. Press. Vess. Piping 122 (2014) 6; NEML documentation (Argonne); DTIC AD0620556",
    ),
    _m(
        "sag",
        """What a piece bends under its own weight at the hold, elastic, laid on two supports (bars and plates) or on three
        to six points (rings), or stood. Supports at the right distance do more than any temperature: on the best span
        (0.554 of the length) a bar sags a fiftieth of what it sags on its ends. The modulus of the fire code holds some
        creep already, so the figure is an upper one. Not covered: creep under own weight ({1 mpa} to {5 mpa}, where the
        published laws explain nothing) and what a transformation does to a loaded piece; with three supports or more the
        level of the hearth decides.""",
        "beam: y = c w L^4/(E I);  flat ring: w R^4 (cb/(E I) + ct/(G J));  standing: 0.467 w R^4/(E I)",
        "beam, ring and plate theory (Timoshenko; Roark), derived again",
    ),
    _m(
        "size change of the material",
        """What the metal itself grows or shrinks, as published ranges: ageing of 17-4PH, 15-5PH and copper beryllium;
        in hardened steel, each 1 % of retained austenite that turns to martensite adds about 0.014 % in length. Of nickel
        alloys, maraging steels and aluminium no verified range is on record. Never taken from densities, which are
        rounded.""",
        "austenite to martensite: (4.64 - 0.53 C) volume %, C dissolved carbon in mass %",
        "MMPDS-04 (2008); trade note on 17-4PH; ASM Handbook vol. 4 as quoted",
    ),
    _m(
        "scale in air",
        """Stock lost per side to oxide, by the parabolic law of pure iron from {700 c} to {1250 c} (constants from memory,
        checked against one published thickness). From {570 c} to {700 c} it is counted as at {700 c}: an upper figure.
        Colder, a piece colours; {427 c} to {482 c} is advised where colour matters. Steels often lose half as much;
        chromium, silicon and burned gas change it. Not told of stainless, titanium and nickel.""",
        "x^2 = k t,  k = 6.1 exp(-169452/(R T)) cm2/s;  metal lost: x/1.78",
        "Paidassi, as quoted by Chen & Yuen, Oxid. Met. 59 (2003) 433",
    ),
    _m(
        "evaporation in vacuum",
        """A metal leaves the surface where its vapour pressure over the alloy passes the pressure of the furnace: manganese
        and chromium of the alloy by their share of atoms, coats and brazes of cadmium, zinc, silver and lead as pure. The
        loss shown is the most there can be; a partial pressure of argon or nitrogen holds it. Cadmium, zinc and brass do
        not belong into a vacuum furnace.""",
        "log10(p/atm) = A + B/T + C log10 T + D T/1000;  loss: p sqrt(M/(2 pi R T))",
        "Alcock, Itkin & Horrigan, Can. Metall. Quart. 23 (1984) 309",
    ),
)

"""What a review works on and gives: the cycle, what is known of the part, and remarks with their reason and source."""

from __future__ import annotations

from dataclasses import dataclass

from .model import Cycle, Segment

COMMON = "common practice"


@dataclass(frozen=True)
class Remark:
    """One remark. name is its kind, always the same; source a citation or "common practice"."""

    name: str
    remark: str
    where: str
    why: str
    source: str = COMMON


@dataclass(frozen=True)
class Subject:
    """What the book knows of a part that the cycle is for. None where not recorded; temperatures °C, lengths mm.

    conditions   words of its pieces' conditions;  operations  words of what was done to them before
    tempered_at_c  the lowest last tempering (or ageing) temperature among its pieces
    pct          composition, mass % by element symbol
    """

    part: str
    material: str = ""
    family: str = ""
    shape: str | None = None
    section_thick_mm: float | None = None
    section_thin_mm: float | None = None
    tempered_at_c: float | None = None
    max_soak_c: float | None = None
    ac1_c: float | None = None
    reactive: bool | None = None
    pct: tuple[tuple[str, float], ...] = ()
    conditions: tuple[str, ...] = ()
    operations: tuple[str, ...] = ()

    def share(self, element: str) -> float | None:
        """Mass % of an element, None where not recorded."""
        return dict(self.pct).get(element)

    def is_of(self, *words: str) -> bool:
        """Does the family or the material's name hold any of these words?"""
        text = f"{self.family} {self.material}".casefold()
        return any(w in text for w in words)

    @property
    def austenitic(self) -> bool:
        """A stainless steel that never transforms: by its family's or its own name, or by its nickel."""
        named = self.is_of("austenitic", "304", "316", "1.43", "1.44")
        return named or (self.is_of("stainless") and (self.share("ni") or 0.0) >= 7.0)

    def marked(self, *words: str) -> list[str]:
        """Conditions and operations that hold any of these words."""
        return [t for t in (*self.conditions, *self.operations) if any(w in t.casefold() for w in words)]


@dataclass(frozen=True)
class Stage:
    """A segment with the temperature it starts from, the one it goes to, and the atmosphere that it runs in."""

    segment: Segment
    from_c: float | None
    to_c: float | None
    atmosphere: str

    @property
    def where(self) -> str:
        return f"segment {self.segment.number}"

    @property
    def rate_c_per_h(self) -> float | None:
        """The rate it is asked to run at, else the fastest allowed."""
        s = self.segment
        return s.asked_rate_c_per_h if s.asked_rate_c_per_h is not None else s.rate_max_c_per_h


def stages(cycle: Cycle, start_c: float = 20.0) -> list[Stage]:
    """The cycle's segments in order with where each begins; a last cool without a target goes to the start."""
    out = []
    at: float | None = start_c
    for s in cycle.segments:
        target = s.target_c
        if target is None:
            target = at if s.kind == "hold" else start_c
        out.append(Stage(s, at, target, (s.atmosphere or cycle.atmosphere).casefold()))
        at = target
    return out


def main_hold(cycle: Cycle) -> Segment | None:
    """The hold that the cycle is for: the hottest, of equal ones the longest."""
    holds = [s for s in cycle.segments if s.kind == "hold" and s.target_c is not None]
    return max(holds, key=lambda s: (s.target_c or 0.0, s.minutes or 0.0), default=None)


def limits_of(cycle: Cycle, *quantities: str) -> list[float]:
    """Values of the limits on some quantities."""
    return [x.value for x in cycle.limits if x.quantity in quantities]

"""The words of remarks on a choice of cycle (queries/choose.py), for the shop alone; joined in remark_words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from loadbook.core.figures import share_range, share_words
from loadbook.core.vocabulary.parameter_names import spoken

Figures = Mapping[str, Any]
Words = str | Callable[[Figures, str], str]


def _of(name: str, system: str) -> str:
    return name if name in ("setup", "atmosphere", "furnace") else spoken(name, system)


def _none_keeps(f: Figures, s: str) -> str:
    best = "the present way" if f["present"] else "the best of them"
    untold = f"; of {f['untold']} more nothing can be told" if f["untold"] else ""
    return (
        f"nothing inside the evidence keeps {share_words(f['keep'])} of pieces inside with 95 % confidence; {best} "
        f"keeps {share_range(f['share'], f['low'], f['high'])}{untold}"
    )


CHOOSING_WORDS: dict[str, Words] = {
    "no_hours": lambda f, s: f"{f['cycle']} states no hours: a segment of it has neither a rate to ask for nor minutes",
    "never_ran": lambda f, s: f"{f['part']} has no run with {f['characteristic']} measured before and after",
    "present_beyond": lambda f, s: (
        f"{f['cycle']} lies beyond what this part was run at, so there is nothing to choose from"
    ),
    "nothing_varied": lambda f, s: (
        f"nothing that could be chosen ({', '.join(_of(n, s) for n in f['parameters']) or 'setup'}) ever varied inside "
        "part numbers, and the part ran by one cycle in one setup"
    ),
    "none_keeps": _none_keeps,
    "goes_together": lambda f, s: (
        f"{_of(f['parameter'], s)} hardly changed inside part numbers without {_of(f['other'], s)}: which of the two "
        "moves the parts cannot be told, so no gain from it alone is promised"
    ),
    "faster_breaks": lambda f, s: (
        f"a way of {f['hours_h']:.1f} h would keep the tolerance but is not offered: {f['where']} {f['what']}"
    ),
    "outside_not_offered": "ways beyond what was run are shown for comparison and not offered",
}
CHOOSING_NEEDED: dict[str, Words] = {
    "no_hours": "Take in a revision of the cycle whose heats and cools have asked_rate and whose holds have minutes.",
    "never_ran": "Run it by its present cycle and measure before and after; loadbook answer says what such parts do.",
    "present_beyond": "Give --cycle: the one that it is run by now.",
    "nothing_varied": lambda f, s: (
        "Run this part at two settings, a low and a high one in turn, and measure: loadbook trial plans such runs."
    ),
    "none_keeps": lambda f, s: (
        "Measure more runs by the best of them, allow more tolerance or stock, or ask with a smaller --keep; what "
        "would narrow the figure most stands with loadbook answer."
    ),
}

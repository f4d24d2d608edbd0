"""The vocabulary: one source for `explain`, help texts, reports and the workbook's definitions sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import import_module

from loadbook.core.figures import inline

TERM_MODULES = (
    "loadbook.core.vocabulary.words", "loadbook.core.vocabulary.parameters", "loadbook.core.vocabulary.faults",
    "loadbook.core.vocabulary.clauses", "loadbook.core.vocabulary.methods", "loadbook.core.vocabulary.mechanisms",
    "loadbook.core.vocabulary.answers",
)  # fmt: skip


@dataclass(frozen=True)
class Term:
    """One word, parameter, fault, clause, rule or method.

    kind     'word', 'parameter', 'fault', 'clause', 'rule' or 'method'
    formula  as plain text; unit as units.py writes it; source a standard, a book, or 'common practice'
    """

    name: str
    kind: str
    definition: str
    formula: str = ""
    unit: str = ""
    source: str = ""


@lru_cache(maxsize=2)
def terms(system: str = "si") -> dict[str, Term]:
    """Every term by name, its words in the units of a system. Raises ValueError where two modules define the same name."""
    found: dict[str, Term] = {}
    for module in TERM_MODULES:
        for term in import_module(module).TERMS:
            if term.name in found:
                raise ValueError(f"{term.name!r} is defined twice")
            worded = {name: inline(getattr(term, name), system) for name in ("definition", "formula", "source")}
            found[term.name] = replace(term, **worded)
    return found

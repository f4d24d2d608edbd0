"""Phrases of the trade that tell nobody's business: the only ones of a book's free columns that a letter may say.

A column such as setup or place takes any text; a letter says it only where it is one of these, and then in the
spelling of this list, never with the book's own characters. What a group may read is judged word by word, by the wider
list of trade_words.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache

from loadbook.core.vocabulary.intake_kinds import CHARACTERISTIC_KINDS

WORDS: dict[str, tuple[str, ...]] = {
    "kind": CHARACTERISTIC_KINDS,
    "process": (
        "stress relief", "stress relieving", "anneal", "annealing", "soft anneal", "full anneal", "bright anneal",
        "normalise", "normalising", "normalize", "normalizing", "harden", "hardening", "quench", "quenching",
        "quench and temper", "temper", "tempering", "age", "ageing", "aging", "solution treatment", "solution treat",
        "solution anneal", "precipitation hardening", "carburise", "carburising", "carburize", "carburizing",
        "carbonitride", "carbonitriding", "nitride", "nitriding", "nitrocarburise", "nitrocarburising",
        "nitrocarburize", "nitrocarburizing", "case hardening", "austemper", "austempering", "martemper",
        "martempering", "subzero", "sub-zero treatment", "deep cooling", "bake", "baking", "hydrogen bake", "degas",
        "degassing", "homogenise", "homogenising", "homogenize", "homogenizing", "braze", "brazing", "sinter",
        "sintering", "preheat", "postweld heat treatment", "post-weld heat treatment", "heat treatment",
    ),
    "setup": (
        "laid", "hung", "stood", "racked", "shimmed", "fixtured", "clamped", "stacked", "nested", "supported",
        "lying", "hanging", "standing", "upright", "flat", "in a basket", "in baskets", "on a tray", "on trays",
    ),
    "atmosphere": (
        "air", "vacuum", "nitrogen", "argon", "helium", "hydrogen", "inert gas", "dry inert gas", "forming gas",
        "endothermic gas", "exothermic gas", "ammonia", "cracked ammonia", "dissociated ammonia", "methane", "propane",
        "steam", "salt", "salt bath", "partial pressure",
    ),
    "shape": (
        "ring", "plate", "shaft", "sleeve", "housing", "disc", "disk", "gear", "gear ring", "ring gear", "pinion",
        "bush", "bushing", "flange", "block", "bar", "rod", "tube", "pipe", "cylinder", "spindle", "frame", "bracket",
        "cover", "body", "hub", "wheel", "blade", "vane", "nozzle", "nut", "bolt", "screw", "pin", "washer", "spring",
        "strip", "sheet", "beam", "lever", "arm", "fork", "yoke", "cone", "dome", "bowl", "cup", "roll", "roller",
        "die", "mould", "mold", "punch", "insert", "segment", "sector", "rack", "rail", "wedge", "weldment", "casting",
        "forging", "billet", "case", "box", "cage", "race", "collar", "coupling", "crankshaft", "camshaft", "piston",
        "liner", "valve", "seat", "table", "base", "bed", "column", "slide", "carrier", "impeller", "rotor", "stator",
    ),
    "family": (
        "carbon steel", "plain carbon steel", "low-alloy steel", "alloy steel", "case-hardening steel",
        "carburising steel", "carburizing steel", "nitriding steel", "spring steel", "bearing steel", "tool steel",
        "hot-work steel", "cold-work steel", "high-speed steel", "stainless steel", "austenitic stainless steel",
        "ferritic stainless steel", "martensitic stainless steel", "duplex stainless steel",
        "precipitation-hardening stainless steel", "maraging steel", "cast steel", "cast iron", "ductile iron",
        "grey iron", "gray iron", "aluminium", "aluminum", "copper", "copper alloy", "brass", "bronze", "magnesium",
        "titanium", "titanium alloy", "zirconium", "niobium", "tantalum", "refractory", "nickel alloy", "superalloy",
        "cobalt alloy",
    ),
    "condition": (
        "from bar", "from plate", "from tube", "from sheet", "forged", "cast", "welded", "cold formed", "hot formed",
        "cold drawn", "rolled", "cold rolled", "hot rolled", "straightened", "annealed", "normalised", "normalized",
        "hardened", "quenched and tempered", "tempered", "stress relieved", "sintered", "printed", "brazed",
        "rough machined", "semi-finished", "finish machined", "ground",
    ),
    "place": (
        "thick section", "thin section", "thickest section", "thinnest section", "core", "surface", "skin", "edge",
        "rim", "hub", "web", "bore", "flange", "face", "end", "both ends", "middle", "centre", "center", "top",
        "bottom", "corner", "shoulder", "root", "tip", "tooth", "wall", "neck", "base", "outside diameter",
        "inside diameter", "outside", "inside", "near the surface", "in the bore", "at the flange",
    ),
    "unit": ("um", "%", "mm", "deg", "°", "rad", "mrad", "arcmin", "arcsec", "HRC", "HRB", "HRA", "HB", "HBW", "HV",
             "MPa", "ksi", "G"),
}  # fmt: skip


def phrase(kind: str, text: str | None) -> str | None:
    """A text's word of a vocabulary of WORDS, in the vocabulary's spelling; None where it is none.

    A list (';' or ',' between) is its words in order, and None where any of them is not a word of the vocabulary.

    >>> phrase("setup", " HUNG"), phrase("condition", "Welded;from bar"), phrase("family", "Low alloy steel")
    ('hung', 'welded, from bar', 'low-alloy steel')
    >>> phrase("setup", "hung beside PN-1003") is None
    True
    """
    words = _spellings(kind)
    found = [words.get(_plain(part)) for part in re.split(r"[;,]", text or "") if part.strip()]
    return ", ".join(w for w in found if w) if found and all(found) else None


@cache
def single_words() -> frozenset[str]:
    """Every word that stands in a vocabulary, alone or with others."""
    return frozenset(part for words in WORDS.values() for word in words for part in _plain(word).split())


@cache
def _spellings(kind: str) -> dict[str, str]:
    return {_plain(word): word for word in WORDS[kind]}


def _plain(text: str) -> str:
    """A text for comparing: compatibility forms and case folded, hyphens and runs of spaces one space."""
    return " ".join(re.split(r"[\s_-]+", unicodedata.normalize("NFKC", text).casefold().strip()))

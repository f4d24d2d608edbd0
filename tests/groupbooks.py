"""Books of three small plants, each of the invented shop's generator with a seed of its own."""

from __future__ import annotations

from pathlib import Path

from loadbook.cli.demo import _take_all, _team, shop_module
from loadbook.store.book import BookFolder

PLANTS = {"Linz": (20241007, 16), "Graz Süd": (11, 14), "Steyr": (12, 12)}  # name -> (seed, runs)


def make(folder: Path, name: str, runs: int | None = None) -> Path:
    """The book of one of the plants; runs: how many from its beginning (None: as many as PLANTS says)."""
    seed, usual = PLANTS[name]
    build = shop_module("build")
    path = folder / f"book-{seed}"
    with BookFolder.create(path, zone=shop_module("catalogue").ZONE) as book, _team(book) as team:
        _take_all(
            book,
            team,
            build,
            build.build(seed, first=runs or usual),
            folder / f"files-{seed}",
            lambda text, done, whole: None,
        )
    return path

"""Published check values, read from fixtures/published (INDEX.md there names every source)."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "published"


def table(name: str) -> pd.DataFrame:
    """A published table as it stands in its file."""
    return pd.read_csv(FOLDER / f"{name}.csv")

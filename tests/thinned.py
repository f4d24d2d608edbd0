"""Long lists of cases of one kind: some of them in the usual suite, all of them under the marker `thorough`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest


def thinned(cases: Iterable[Any], every: int) -> list[Any]:
    """The first case and each so-manieth after it as they are, the others for `-m thorough` only."""
    return [c if i % every == 0 else pytest.param(c, marks=pytest.mark.thorough) for i, c in enumerate(cases)]

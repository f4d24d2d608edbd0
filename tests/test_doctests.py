"""The worked examples of the docstrings."""

from __future__ import annotations

import doctest
import importlib
import re
from pathlib import Path

import numpy as np
import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "loadbook"
WITH_EXAMPLES = sorted(
    ".".join(("loadbook", *path.relative_to(PACKAGE).with_suffix("").parts))
    for path in PACKAGE.rglob("*.py")
    if re.search(r">>> (?!.*doctest: \+SKIP)", path.read_text(encoding="utf-8"))
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples(name: str) -> None:
    found = doctest.testmod(importlib.import_module(name), extraglobs={"np": np})
    assert found.attempted > 0 and found.failed == 0

"""What is packed for a page's script comes out again as it was told."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from loadbook.render.pages.packed_values import packed, packed_moments, unpacked

VALUES = st.one_of(st.floats(-3000.0, 3000.0), st.just(float("nan")), st.floats(20.0, 25.0))


@given(st.lists(VALUES, max_size=60), st.integers(0, 2))
def test_values_come_out_as_they_are_told(values: list[float], decimals: int) -> None:
    text = packed(np.array(values, dtype=float), decimals)
    assert text.isascii() and not set(text) & set("<&\"'\\ ")
    got = unpacked(text, decimals)
    assert [v is None for v in got] == [v != v for v in values]
    assert all(abs(a - b) <= 0.5 * 10.0**-decimals + 1e-9 for a, b in zip(got, values, strict=True) if a is not None)


def test_moments_do_not_drift() -> None:
    t_s = np.arange(8640) * 10.0 / 3.0
    steps = unpacked(packed_moments(t_s), 0)
    assert None not in steps
    assert np.abs(np.cumsum([s for s in steps if s is not None]) / 1000.0 - t_s).max() <= 0.0005 + 1e-9

"""Our medians against NumPy's own, with ties, missing values and columns without any value."""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pytest

from loadbook.analysis.quantiles import median_of, median_without_each, middle, middles, ranked
from loadbook.analysis.trace.model import Floats


def nanmedian(values: Floats, axis: int | None = None) -> Floats:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # all-NaN slices
        return np.asarray(np.nanmedian(values, axis=axis))


def without_each(values: Floats) -> Floats:
    return np.array([nanmedian(np.delete(values, i, axis=0), 0) for i in range(len(values))])


@pytest.mark.parametrize("missing", [0.0, 0.2, 0.8])
@pytest.mark.parametrize("rows", [2, 3, 8, 9])
@pytest.mark.parametrize(
    ("ours", "numpys"),
    [(median_of, lambda v: nanmedian(v, 0)), (middles, lambda v: nanmedian(v, 1)), (median_without_each, without_each)],
)
def test_as_numpy_finds_them(
    ours: Callable[[Floats], Floats], numpys: Callable[[Floats], Floats], rows: int, missing: float
) -> None:
    rng = np.random.default_rng(rows)
    values = np.round(rng.normal(0.0, 2.0, (rows, 60)))  # many ties
    values[rng.random(values.shape) < missing] = np.nan
    np.testing.assert_array_equal(ours(values), numpys(values))


def test_nothing_has_no_median() -> None:
    assert np.isnan(middle(np.array([]))) and np.isnan(middle(np.array([np.nan])))
    assert np.isnan(median_of(np.empty((0, 3)))).all() and np.isnan(median_without_each(np.ones((1, 3)))).all()


@pytest.mark.parametrize("digits", [0, 1, 12])
@pytest.mark.parametrize("count", [1, 50, 2001, 8640])
def test_every_place_in_the_ranking_is_exact(count: int, digits: int) -> None:
    """Also where the sample misleads: values in order, and one that is far more frequent than the others."""
    rng = np.random.default_rng(count)
    drawn = np.round(rng.normal(0.0, 2.0, count), digits)
    for values in (drawn, np.sort(drawn), np.where(rng.random(count) < 0.9, 0.0, drawn), np.arange(count) % 16.0):
        in_order = np.sort(values)
        for place in {0, count // 100, count // 2, count - 1}:
            assert ranked(values, place) == in_order[place]

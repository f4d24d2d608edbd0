"""Part numbers eliminated one by one: exactly the dense formulas, whatever the design, and linear in part numbers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import sparse

from loadbook.analysis.answers import backtest, blocks
from loadbook.analysis.answers import fit as answerfit
from loadbook.analysis.answers.cells import Grouping, Ints, OwnSlopes, Slopes, Term
from loadbook.analysis.answers.fewparts import A, B, kind
from loadbook.analysis.answers.fit import dense_covariance, fit
from loadbook.analysis.answers.sums import Sums
from loadbook.analysis.trace.model import Floats

Design = tuple[Floats, Floats, Ints, list[Term]]
PARTS = 12


def design(run_of: Callable[[np.random.Generator, Ints], Ints], seed: int = 1, parts: int = PARTS) -> Design:
    """Cells of part numbers in families and furnaces; run_of(rng, part) says which cells share a run."""
    rng = np.random.default_rng(seed)
    part = np.sort(rng.integers(0, parts, 8 * parts))
    run = np.unique(run_of(rng, part), return_inverse=True)[1].astype(np.int64)
    furnace = run % 3
    n = rng.integers(1, 5, len(part)).astype(float)
    slopes = rng.normal(size=(len(part), 2))
    z = rng.normal(size=parts)[part] * 5 + slopes @ [1.0, 2.0] + rng.normal(size=run.max() + 1)[run] * 2
    z = z + rng.normal(size=len(part)) / np.sqrt(n)
    own = sparse.csr_array((slopes[:, 0], (np.arange(len(part)), part)), shape=(len(part), parts))
    characteristic = rng.integers(0, 2, len(part))  # two levels inside a part number; some cells belong to none
    names = [None if c and p % 4 == 0 else (int(p), int(c)) for p, c in zip(part, characteristic, strict=True)]
    terms: list[Term] = [
        Grouping("family", ([f"m{p % 3}" for p in part], [f"s{p % 2}" for p in part])),
        Grouping("part", (part.tolist(),)),
        Slopes("settings", slopes),
        Grouping("part and furnace", (list(zip(part.tolist(), furnace.tolist(), strict=True)),)),
        OwnSlopes("own slopes", own),
        Grouping("series", (names,)),
    ]
    return z, n, run, terms


def alone(rng: np.random.Generator, part: Ints) -> Ints:
    return np.arange(len(part))


def in_pairs(rng: np.random.Generator, part: Ints) -> Ints:
    """Two cells of a part number share a run: mostly inside a part number."""
    return np.arange(len(part)) // 2


def some_mixed(rng: np.random.Generator, part: Ints) -> Ints:
    """Two loads hold any part numbers."""
    run = np.arange(len(part))
    at = rng.permutation(len(part))[:8]
    run[at[:4]], run[at[4:]] = len(part), len(part) + 1
    return run


def all_mixed(rng: np.random.Generator, part: Ints) -> Ints:
    return np.asarray(rng.permutation(np.arange(len(part)) // 3), dtype=np.int64)


WAYS = [alone, in_pairs, some_mixed, all_mixed]


@pytest.fixture
def eager(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks also where columns are few."""
    monkeypatch.setattr(blocks, "FEW", 0)


@pytest.mark.parametrize("run_of", WAYS)
@pytest.mark.parametrize("s2", [1.3, None])
def test_value_gradient_and_posterior_are_those_of_all_columns_shared(
    run_of: Callable[[np.random.Generator, Ints], Ints], s2: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    z, n, run, terms = design(run_of)
    whole = Sums(z, n, run, terms)
    monkeypatch.setattr(blocks, "FEW", 0)
    arrow = Sums(z, n, run, terms)
    assert whole.layout.sizes == () and arrow.layout.sizes
    given = answerfit._Given(len(terms), 1e3, s2, (5.0, 4.0), 2.0)
    q = np.arange(whole.U.shape[1])
    for seed in range(3):
        at = np.random.default_rng(seed).normal(size=len(terms) + 1 + (s2 is None)) * 2.0
        one, two = (answerfit._evaluate(s, at, given) for s in (whole, arrow))
        assert two.value == pytest.approx(one.value, rel=1e-10)
        assert two.log_likelihood == pytest.approx(one.log_likelihood, rel=1e-10)
        np.testing.assert_allclose(two.gradient, one.gradient, rtol=1e-8, atol=1e-8)
        C = one.C.block(q)
        np.testing.assert_allclose(two.C.block(q), C, rtol=1e-8, atol=1e-8 * np.abs(C).max())
        np.testing.assert_allclose(
            two.beta[arrow.layout.place[q]], one.beta[whole.layout.place[q]], rtol=1e-8, atol=1e-8
        )
        x = np.random.default_rng(seed).normal(size=(2, len(q)))
        np.testing.assert_allclose(two.C.times(x[0]), C @ x[0], rtol=1e-8, atol=1e-8)
        np.testing.assert_allclose(two.C.quadratic(x), np.einsum("ij,jk,ik->i", x, C, x), rtol=1e-8)
        slopes, more = np.array([1, 2]), np.array([0.4, -0.05])
        changed, beta = two.C.with_prior(slopes, more, two.beta[arrow.layout.place[q]])
        precision = np.linalg.inv(C)
        told = precision @ one.beta[whole.layout.place[q]]
        precision[slopes, slopes] += more
        np.testing.assert_allclose(changed.block(q), np.linalg.inv(precision), rtol=1e-6, atol=1e-8)
        np.testing.assert_allclose(beta, np.linalg.solve(precision, told), rtol=1e-6, atol=1e-8)


@pytest.mark.parametrize("run_of", WAYS)
def test_a_fit_by_blocks_is_that_of_the_cells_covariance(
    run_of: Callable[[np.random.Generator, Ints], Ints], eager: None
) -> None:
    """Likelihood, predictions and their variances, and runs and part numbers left out, from K itself."""
    z, n, run, terms = design(run_of, seed=2)
    f = fit(z, n, run, terms, 200.0, 200.0)
    assert f.C.layout.sizes
    K, zc = dense_covariance(f), z - f.centre
    sign, log_det = np.linalg.slogdet(K)
    dense = -0.5 * (log_det + zc @ np.linalg.solve(K, zc) + len(zc) * np.log(2 * np.pi))
    assert sign == 1 and f.log_likelihood == pytest.approx(dense, rel=1e-8)
    slopes = np.array([0.5, -1.0])
    for p in (0, 3, PARTS - 1):
        columns = {"settings": slopes, "own slopes": slopes[0] * (np.arange(PARTS) == p)}
        row = f.row({"family": ("m1", None), "part": (p,), "part and furnace": ((p, 1),), "series": ((p, 0),)}, columns)
        u = np.zeros(len(f.g))
        u[row.at] = row.values
        k = f.U @ (f.g * u)
        assert f.mean(row) == pytest.approx(f.centre + k @ np.linalg.solve(K, zc), rel=1e-8)
        own = float(u @ (f.g * u)) + row.unknown
        assert f.mean_variance(row) == pytest.approx(own - k @ np.linalg.solve(K, k), rel=1e-8)
    part = terms[1].codes[0]  # type: ignore[union-attr]
    inverse = np.linalg.inv(K)
    for group in (run, part):
        error, variance = backtest.left_out(f, group)
        for g in np.unique(group):
            i = group == g
            block = np.linalg.inv(inverse[np.ix_(i, i)])
            np.testing.assert_allclose(error[i], block @ (inverse @ zc)[i], rtol=1e-7, atol=1e-8)
            np.testing.assert_allclose(variance[i], np.diag(block), rtol=1e-7)


def test_a_large_group_across_blocks_is_left_out_through_its_columns(
    eager: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    z, n, run, terms = design(some_mixed, seed=3)
    f = fit(z, n, run, terms, 200.0, 200.0)
    group = np.arange(len(z)) % 4
    direct = backtest.left_out(f, group)
    monkeypatch.setattr(backtest, "_DIRECT", 0)
    np.testing.assert_allclose(backtest.left_out(f, group), direct, rtol=1e-7, atol=1e-8)


def test_what_shares_a_block_follows_from_the_design(eager: None) -> None:
    """Nested: a block a part number. Two mixed loads: columns of their own. Loads mixed inside each furnace: a block a
    furnace, part numbers shared. No name says so."""

    def laid(run_of: Callable[[np.random.Generator, Ints], Ints], parts: int = 40) -> blocks.Layout:
        z, n, run, terms = design(run_of, parts=parts)
        return Sums(z, n, run, terms[:4]).layout

    nested, loads, mixed = laid(alone), laid(some_mixed), laid(all_mixed, 90)
    assert sum(count for count, _ in nested.sizes) == 40 and nested.shared == 3 + 5 and len(nested.alone) == 0
    assert sum(count for count, _ in loads.sizes) == 40 and loads.shared == 8 + 2 and len(loads.alone) == 2
    assert sum(count for count, _ in mixed.sizes) == 3 and mixed.shared == 3 + 5 + 90


def test_a_load_of_very_many_cells_holds_its_part_numbers_together(eager: None) -> None:
    """256 cells of each of two part numbers in one run: one block, or the run has its own column."""
    part, run = np.repeat([0, 1, 2, 3], 256), np.repeat([0, 0, 1, 2], 256)
    own = Grouping("part", (part.tolist(),))
    slot = Grouping("slot", ([(int(p), i % 3) for i, p in enumerate(part)],))
    found = Sums(np.arange(1024.0), np.ones(1024), run, [own, slot]).layout
    blocks_of = {int(f) for f in found.first}
    assert len(found.alone) == 1 or len(blocks_of) == 3


def test_time_and_memory_grow_with_the_part_numbers_and_not_with_their_square() -> None:
    """What an evaluation touches: the entries of the arrow, and the products that they are added up from."""

    def touched(parts: int) -> float:
        z, n, run, terms = design(alone, parts=parts)
        sums = Sums(z, n, run, terms)
        return float(sums.layout.entries + sums._mixed.size + sums._few.nnz + sums._dense.size)

    assert touched(1600) / touched(400) == pytest.approx(4.0, rel=0.05)


def test_likelihoods_of_many_part_numbers_are_added_up_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    part = rng.integers(0, 30, 200)
    y, n = rng.normal(size=200) + rng.normal(size=30)[part], rng.integers(1, 5, 200).astype(float)
    whole = kind(y, n, part, 2.0)
    monkeypatch.setattr("loadbook.analysis.answers.fewparts.AT_ONCE", 7)
    pieces = kind(y, n, part, 2.0)
    assert pieces.parts == whole.parts == 30 and whole.Lb.shape == (len(A), len(B))
    for one, two in ((whole.Lb, pieces.Lb), (whole.mu, pieces.mu), (whole.V, pieces.V), (whole.Lw, pieces.Lw)):
        np.testing.assert_allclose(two, one, rtol=1e-10, atol=1e-12)

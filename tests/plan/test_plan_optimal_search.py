"""The optimal search reaches the best known determinants and keeps its limits."""

import dataclasses
import sys
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from firelab.plan.efficiency import efficiency
from firelab.plan.optimal.information import (
    Exchange,
    exchange_gains,
    information_matrix,
    shrinkage,
    update_inverse,
)
from firelab.plan.optimal.problem import Candidates
from firelab.plan.optimal.search import search_design

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "plans"))
from plain_search import free_problem, without_limits

SEEDS, TEN = range(20), range(10)
# A search of two starts in place of 100 misses one of these tables in each ten seeds.


def quadratic(points):
    a, b = np.asarray(points, dtype=float).T
    return np.column_stack([np.ones(len(a)), a, b, a * b, a * a, b * b])


GRID = np.array(list(product((-1, 0, 1), repeat=2)))
# Two factors, full quadratic, 3-level grid: largest det(X'X) by exhaustive search.
QUADRATIC = dict(
    zip(range(6, 14), (256, 960, 2304, 5184, 9360, 16896, 30320, 54400), strict=True)
)
# Largest determinants of n x n matrices of +-1: OEIS A003433.
HADAMARD = {5: 48, 6: 160, 7: 576, 8: 4096, 9: 14336, 10: 73728}
# One whole-plot and one sub-plot factor, quadratic, variance ratio 1, by
# exhaustive search: largest det(X'V^-1 X).
SPLIT_PLOT = {(6, 2): 723.75309, (4, 3): 396.0}


def reached(candidates, plot, best, *, eta=0.0, power=1.0, seeds=SEEDS):
    """How many seeds reach the best determinant; none may exceed it."""
    hits = 0
    for seed in seeds:
        found = search_design(
            free_problem(candidates, plot, eta=eta),
            n_starts=100,
            rng=np.random.default_rng(seed),
        )
        value = np.exp(found.value * power)
        assert value < best * (1 + 1e-6)
        hits += value > best * (1 - 1e-6)
    return hits


@pytest.mark.parametrize(("n", "best"), QUADRATIC.items())
def test_quadratic_determinants(n, best):
    candidates = without_limits(quadratic(GRID)[None], GRID + 1)
    assert reached(candidates, np.arange(n), best, seeds=TEN) == 10


@pytest.mark.parametrize(("n", "best"), HADAMARD.items())
def test_plus_minus_one_determinants(n, best):
    signs = np.array(list(product((-1, 1), repeat=n - 1)))
    rows = np.column_stack([np.ones(len(signs)), signs])[None]
    candidates = without_limits(rows, (signs + 1) // 2)
    assert reached(candidates, np.arange(n), best, power=0.5, seeds=TEN) == 10


@pytest.mark.parametrize(("size", "best"), SPLIT_PLOT.items())
def test_split_plot_determinants(size, best):
    n_loads, per_load = size
    levels = (-1, 0, 1)
    rows = np.array([quadratic([(w, s) for s in levels]) for w in levels])
    candidates = without_limits(rows, np.arange(3)[:, None])
    plot = np.repeat(np.arange(n_loads), per_load)
    assert reached(candidates, plot, best, eta=1.0) >= 19


def test_a_search_says_how_far_its_seeds_differ():
    # Temperature and three factors of three levels in 8 loads of 4: one seed's plan is
    # better than another's, and each says of itself as much or more. Where every start
    # comes to the same determinant nothing is behind.
    levels, within = (-1, 0, 1), np.array(list(product((-1.0, 0.0, 1.0), repeat=3)))
    rows = []
    for w in levels:
        x = np.column_stack([np.full(27, w), within])
        products = [x[:, i] * x[:, j] for i in range(4) for j in range(i)]
        rows.append(np.column_stack([np.ones(27), x, *products, x**2]))
    hard = free_problem(
        without_limits(np.array(rows), (within + 1).astype(int)),
        np.repeat(np.arange(8), 4),
        eta=1.0,
    )
    found = [
        search_design(hard, n_starts=75, rng=np.random.default_rng(seed))
        for seed in range(6)
    ]
    value = np.array([one.value for one in found])
    told = np.array([one.behind for one in found])
    differ = -np.expm1((value.min() - value.max()) / 15)
    assert differ > 0.0005
    assert differ < told.min() and np.median(told) < 5 * differ
    # The best known by an iterated local search of ten times the time: analyses/plans.
    assert np.all(-np.expm1((value - 35.59757) / 15) < told)
    easy = without_limits(quadratic(GRID)[None], GRID + 1)
    only = search_design(
        free_problem(easy, np.arange(9)), n_starts=75, rng=np.random.default_rng(0)
    )
    assert only.behind == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("eta", [0.0, 0.5, 1.0, 4.0])
@pytest.mark.parametrize("per_load", [4, 8])
def test_orthogonal_split_plots_have_the_closed_form(eta, per_load):
    # n^p / (1 + m eta)^(1 + whole-plot terms), where every load is balanced in
    # the sub-plot factors. Two whole-plot, two sub-plot factors.
    whole = [w for w in product((-1, 1), repeat=2) for _ in range(8 // per_load)]
    sub = list(product((-1, 1), repeat=2))
    inner = (sub * (per_load // 4 + 1))[:per_load]
    rows = np.array([(1, *w, *s) for w in whole for s in inner], dtype=float)
    plot = np.repeat(np.arange(len(whole)), per_load)
    n = len(rows)
    closed = n**5 / (1 + per_load * eta) ** 3
    assert np.linalg.det(information_matrix(rows, plot, eta)) == pytest.approx(closed)


def test_the_information_is_that_of_generalised_least_squares():
    rng = np.random.default_rng(5)
    rows = rng.normal(size=(11, 4))
    plot = np.array([0, 0, 0, 1, 1, 2, 2, 2, 2, 3, 4])
    loads = (plot[:, None] == np.arange(5)).astype(float)
    v = np.eye(11) + 0.7 * loads @ loads.T
    direct = rows.T @ np.linalg.solve(v, rows)
    np.testing.assert_allclose(information_matrix(rows, plot, 0.7), direct, atol=1e-12)


@pytest.mark.parametrize("criterion", ["D", "I"])
def test_the_worth_of_an_exchange_is_that_of_doing_it(criterion):
    rng = np.random.default_rng(8)
    rows, plot, eta = rng.normal(size=(12, 4)), np.repeat(np.arange(4), 3), 1.3
    region = rng.normal(size=(30, 4))
    moments = region.T @ region / 30
    before = information_matrix(rows, plot, eta)
    c = float(shrinkage(np.array([3]), eta)[0])
    new = rng.normal(size=(5, 4))
    anchor = rows[4] - c * rows[plot == 1].sum(axis=0)
    exchange = Exchange(change=(new - rows[4])[None], anchor=anchor[None], c=c)
    inverse = np.linalg.inv(before)[None]
    gains = exchange_gains(exchange, inverse, moments, criterion)[0]
    for place, row in enumerate(new):
        changed = rows.copy()
        changed[4] = row
        after = information_matrix(changed, plot, eta)
        if criterion == "D":
            direct = np.linalg.det(after) / np.linalg.det(before)
        else:
            direct = np.trace(inverse[0] @ moments) / np.trace(
                np.linalg.solve(after, moments)
            )
        assert gains[place] == pytest.approx(direct)
        updated = update_inverse(inverse, (row - rows[4])[None], anchor[None], c)[0]
        np.testing.assert_allclose(updated, np.linalg.inv(after), atol=1e-9)


def test_the_i_criterion_predicts_better_than_d_and_d_determines_better():
    steps = np.array(list(product(np.linspace(-1, 1, 5), repeat=2)))
    codes = np.array(list(product(range(5), repeat=2)))
    candidates = without_limits(quadratic(steps)[None], codes)
    found = {}
    for criterion in ("D", "I"):
        problem = free_problem(candidates, np.arange(12), criterion=criterion)
        design = search_design(problem, n_starts=60, rng=np.random.default_rng(2))
        rows = candidates.rows[0][design.sub]
        found[criterion] = efficiency(rows, np.arange(12), 0.0, candidates.rows[0])
    assert found["I"].i < found["D"].i * 0.97
    assert found["D"].d > found["I"].d * 1.01


def limited(limit):
    """Dwell by mesh by coats; the first mesh has so many coats and no more."""
    codes = np.array(list(product(range(3), range(2), range(2))))
    whole = (-1.0, 0.0, 1.0)

    def row(t, code):
        d, m, c = code[0] - 1, 2 * code[1] - 1, 2 * code[2] - 1
        return (1, t, d, m, c, t * m)

    rows = np.array([[row(t, code) for code in codes] for t in whole], dtype=float)
    use = np.where(codes[:, 1] == 0, codes[:, 2] + 1, 0)[:, None].astype(float)
    allowed = np.ones(rows.shape[:2], dtype=bool)
    allowed[2] &= ~((codes[:, 0] == 2) & (codes[:, 2] == 1))
    return Candidates(
        rows=rows, allowed=allowed, codes=codes, use=use, limits=np.array([limit])
    )


@pytest.mark.parametrize("limit", [6.0, 9.0, 1e9])
@pytest.mark.parametrize("seed", range(5))
def test_rules_and_limits_are_kept(limit, seed):
    candidates = limited(limit)
    plot = np.repeat(np.arange(6), 4)
    found = search_design(
        free_problem(candidates, plot, eta=1.0),
        n_starts=20,
        rng=np.random.default_rng(seed),
    )
    assert candidates.allowed[found.whole[plot], found.sub].all()
    assert candidates.use[found.sub].sum() <= limit
    rows = candidates.rows[found.whole[plot], found.sub]
    direct = np.linalg.slogdet(information_matrix(rows, plot, 1.0))[1]
    assert found.value == pytest.approx(direct)


def test_a_scarce_powder_is_used_up_where_it_teaches():
    """With few coats of a mesh the plan still spends them all, on single coats."""
    candidates = limited(6.0)
    plot = np.repeat(np.arange(6), 4)
    found = search_design(
        free_problem(candidates, plot, eta=1.0), n_starts=40, rng=np.random.default_rng(1)
    )
    spent = candidates.use[found.sub, 0]
    assert spent.sum() == 6.0
    heat = found.whole[plot][spent > 0]
    # The mesh is met at both ends of temperature, where its slope shows.
    assert {0, 2} <= set(heat.tolist())


def test_what_is_given_stays_and_what_stands_counts():
    candidates = without_limits(quadratic(GRID)[None], GRID + 1)
    problem = free_problem(candidates, np.arange(8))
    sub = problem.sub.copy()
    sub[:3] = 4
    kept = dataclasses.replace(problem, sub=sub)
    found = search_design(kept, n_starts=40, rng=np.random.default_rng(1))
    assert (found.sub[:3] == 4).all()
    corners = quadratic([(-1, -1), (-1, 1), (1, -1), (1, 1)])
    standing = dataclasses.replace(
        free_problem(candidates, np.arange(5)), standing=corners.T @ corners
    )
    added = search_design(standing, n_starts=40, rng=np.random.default_rng(1))
    # Nine of nine points are best for n = 9: the five that are missing are added.
    assert np.exp(added.value) == pytest.approx(QUADRATIC[9])


def test_no_plan_where_the_limit_leaves_none():
    problem = free_problem(limited(0.0), np.repeat(np.arange(6), 4), eta=1.0)
    assert search_design(problem, n_starts=10, rng=np.random.default_rng(1)) is None

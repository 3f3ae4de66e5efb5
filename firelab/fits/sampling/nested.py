r"""Importance sampling of parameters and random effects together.

The parameters :math:`\psi` are proposed from multivariate t distributions around the
mode of an approximate marginal posterior, in which the random effects are integrated
by Laplace's method (Tierney and Kadane 1986; Rue, Martino and Chopin 2009); the random
effects are proposed from a t around their conditional mode given :math:`\psi`. Weights
by the exact joint density make up for both approximations, and their Pareto diagnostic
tells whether they do (Vehtari et al. 2024). Several draws of the effects share a point:
their mean weight is an unbiased estimate of the marginal one (Tran, Scharth, Pitt and
Kohn 2013, importance sampling squared).

Given the parameters, few effects are drawn together from a multivariate t around their
conditional mode. Of many, the weight of such a draw is a product of hundreds of ratios and
varies without end. But the groups of one effect are independent given all the others: those
of the finest are drawn one by one given the rest, each a few times over, and the weight
takes each group's mean. The mean of a product of independent means is unbiased, as is that
of whole draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np
from scipy.optimize import minimize
from scipy.special import logsumexp, ndtri

from firelab.arrays import FloatArray, IntArray
from firelab.fits.sampling.importance import TRUSTED_K, Mode, sample_by_importance
from firelab.fits.sampling.sparse_root import Roots
from firelab.fits.sampling.watch import Progress

_TOGETHER = 3
"""Draws of the effects for each point: their mean weight errs less than one's (Tran et
al. 2013), and the costly part, the conditional mode, is shared (chosen here)."""
_FREEDOM = 10.0
"""Degrees of freedom of the effects' proposal: tails heavier than theirs (chosen here)."""
_APART = 4
"""Draws of each group of the finest effect, one from each quarter of its proposal (chosen
here)."""
_NOTHING = -1e300
"""Log of the weight of a draw that the density gives no value: none at all."""


class Conditional(NamedTuple):
    """Random effects given the parameters, as a normal approximation at M points.

    Attributes
    ----------
    mode : ndarray, shape (M, d)
    roots : Roots
        Of the precisions.
    log_marginal : ndarray, shape (M,)
        Log density of the parameters with the effects integrated by Laplace's method.
    """

    mode: FloatArray
    roots: Roots
    log_marginal: FloatArray


class NestedDensity(Protocol):
    """A log density of q parameters and d standard normal scores of random effects."""

    @property
    def finest(self) -> IntArray:
        """Scores, a of them, that are drawn one by one given the rest; none if few."""

    def conditional(self, points: FloatArray, start: FloatArray) -> Conditional:
        """Approximate the effects at (M, q) points, from a start of shape (d,)."""

    def joint(self, points: FloatArray, scores: FloatArray) -> FloatArray:
        """Return the log density, shape (M,), of points and (M, d) scores."""

    def joint_apart(
        self, points: FloatArray, scores: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return what of it each finest score takes part in, (M, a), and the rest, (M,)."""


def draw_effects(
    density: NestedDensity,
    points: FloatArray,
    given: Conditional,
    *,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Draw effects at (M, q) points; return log weights (M,) and scores (M, d)."""
    if density.finest.size:
        return _draw_apart(density, points, given, rng)
    return _draw_together(density, points, given, rng)


def _draw_together(
    density: NestedDensity, points: FloatArray, given: Conditional, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    m, d = given.mode.shape
    log_root = given.roots.log_diagonal.sum(axis=0)
    drawn, ratios = [], []
    for _ in range(_TOGETHER):
        normal = rng.standard_normal((m, d))
        stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, size=m))
        own = given.mode + stretch[:, None] * given.roots.turn(normal.T).T
        squared = (normal**2).sum(axis=1) * stretch**2
        log_t = log_root - 0.5 * (_FREEDOM + d) * np.log1p(squared / _FREEDOM)
        ratio = density.joint(points, own) - log_t
        drawn.append(own)
        ratios.append(np.where(np.isfinite(ratio), ratio, _NOTHING))
    table = np.array(ratios)
    chosen = _by_share(table, rng)
    scores = np.array(drawn)[chosen, np.arange(m)]
    return np.asarray(logsumexp(table, axis=0) - np.log(_TOGETHER)), scores


def _draw_apart(
    density: NestedDensity, points: FloatArray, given: Conditional, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    m, d = given.mode.shape
    finest = density.finest
    log_diagonal = given.roots.log_diagonal.T
    normal = rng.standard_normal((m, d))
    scores = given.mode + given.roots.turn(normal.T).T
    narrow = np.exp(-log_diagonal[:, finest])
    centre = scores[:, finest] - narrow * normal[:, finest]
    within = np.clip(rng.random((m, finest.size)), 1e-12, 1.0)
    drawn, ratios = [], []
    rest = np.zeros(m)
    for part in range(_APART):
        # One from each part of the proposal: the part's own place is drawn once.
        place = ndtri((part + within) / _APART - 1e-13)
        scores[:, finest] = centre + narrow * place
        of_group, rest = density.joint_apart(points, scores)
        ratio = of_group + 0.5 * place**2 - log_diagonal[:, finest]
        drawn.append(scores[:, finest].copy())
        ratios.append(np.where(np.isfinite(ratio), ratio, _NOTHING))
    table = np.array(ratios)
    chosen = _by_share(table, rng)
    scores[:, finest] = np.take_along_axis(np.array(drawn), chosen[None], axis=0)[0]
    weight = rest + (logsumexp(table, axis=0) - np.log(_APART)).sum(axis=1)
    others = np.setdiff1d(np.arange(d), finest)
    log_normal = log_diagonal[:, others] - 0.5 * normal[:, others] ** 2
    weight = weight - log_normal.sum(axis=1)
    return np.where(np.isfinite(weight), weight, _NOTHING), scores


def _by_share(table: FloatArray, rng: np.random.Generator) -> IntArray:
    """Draw one of the first axis by its share of the weight (the Gumbel trick)."""
    return np.asarray((table + rng.gumbel(size=table.shape)).argmax(axis=0))


_STEP = 1e-4
"""Of a differenced gradient: about the cube root of double precision."""
_MODE_STEPS, _SMALL_GRADIENT = 60, 0.02
"""Steps to the mode at most, and the slope that ends them: the proposal need not stand at
the mode to more than a fiftieth of a unit (chosen here, no source)."""
_USUAL_STEPS, _DRAWING = 25, 2.0
"""Steps of such a search as a rule, and how much longer a point takes with the draws of
its effects: seen with 3,000 looks."""
_FARTHEST, _TOO_FAR = 20.0, 1e12
"""How far from its start, a prior's mean, the mode is looked for, and what stands for a
value beyond: a line search that strays there turns back."""
_WIDE, _LEAST_WIDE = 0.3, 0.1
"""Steps of a curvature of many looks, as a share of the sd that the search for the mode
left, and prior sds at least: the curvature of a ridge holds for no draw (chosen here: 200
looks at 100 tiles were worth 230 independent draws without, 620 with these)."""
_LEAST_CURVATURE = 0.3
"""Least eigenvalue of that curvature, where a prior alone gives 1 (chosen here)."""
_AT_ONCE = 1 << 19
"""Points times effects held at a time: 4 MB for each array of them (chosen here)."""
_ROUNDS = (0.25, 0.25, 1.75, 1.25)
"""Points of each round, as shares of the draws asked for; the last is only made where the
ones before are worth less than 1,000 independent draws (chosen here: with 2,000 asked
for, 30 looks at 30 tiles need it seldom, tiles fired on often)."""
_SPARE_ROUNDS = (2.5, 2.5)
"""The same of rounds that are made only where chains would have to take over, which need
ten times as long (seen here: 27 of 63 samples of 1,000 draws, most of tiles fired on, could
not be trusted without them, and 2 with them)."""


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
    fewest: float = 0.0,
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
    fewest : float, default 0
        Independent draws below which further points are drawn, while there are rounds.
    """
    sizes = [int(share * count) for share in _ROUNDS]
    progress = _foresee(start.size, sizes)
    mode, effects = _marginal_mode(density, start, n_effects, progress)
    if density.finest.size:
        mode = _with_curvature(density, mode, effects)
    scores: list[FloatArray] = []

    def log_ratio(points: FloatArray) -> FloatArray:
        """Return log density less that of the effects, on average over their draws."""
        weights = []
        for part in _parts(points, n_effects):
            given = density.conditional(part, effects)
            weight, drawn = draw_effects(density, part, given, rng=rng)
            weights.append(weight)
            scores.append(drawn)
            progress.add(_DRAWING * len(part))
        return np.concatenate(weights)

    sample = sample_by_importance(
        log_ratio,
        mode,
        count,
        rng=rng,
        rounds=sizes,
        spare=[int(share * count) for share in _SPARE_ROUNDS],
        good_k=TRUSTED_K,
        fewest=fewest,
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


def _parts(points: FloatArray, n_effects: int) -> list[FloatArray]:
    """Split (M, q) points into parts whose effects are held at once."""
    size = max(1, _AT_ONCE // max(1, n_effects))
    return [points[first : first + size] for first in range(0, len(points), size)]


def _foresee(q: int, sizes: Sequence[int]) -> Progress:
    """Return the work foreseen, in points at which the effects are approximated."""
    search = _USUAL_STEPS * (1 + 2 * q) + 2 * q * (q + 1)
    return Progress(foreseen=search + _DRAWING * sum(sizes[:-1]))


def _marginal_mode(
    density: NestedDensity, start: FloatArray, n_effects: int, progress: Progress
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
        progress.add(1 + 2 * q)
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


def _with_curvature(density: NestedDensity, mode: Mode, effects: FloatArray) -> Mode:
    """Return a mode with the curvature of the approximate marginal by differences.

    What a search for the mode knows of the curvature comes from its own path, and is
    worth little where many looks leave little room.
    """
    q = mode.point.size
    sd = np.sqrt(np.diagonal(np.linalg.inv(mode.precision)))
    away = np.diag(np.maximum(_WIDE * sd, _LEAST_WIDE))
    one, other = np.tril_indices(q)
    signs = ((1, 1), (1, -1), (-1, 1), (-1, -1))
    points = np.vstack([mode.point + a * away[one] + b * away[other] for a, b in signs])
    parts = [density.conditional(part, effects) for part in _parts(points, effects.size)]
    values = np.concatenate([part.log_marginal for part in parts]).reshape(4, -1)
    bend = np.zeros((q, q))
    bend[one, other] = -(values[0] - values[1] - values[2] + values[3])
    width = np.diagonal(away)
    bend = (bend + np.tril(bend, -1).T) / (4.0 * np.outer(width, width))
    if not np.all(np.isfinite(bend)):
        return mode
    roots, axes = np.linalg.eigh(bend)
    roots = np.maximum(roots, _LEAST_CURVATURE)
    return replace(
        mode,
        precision=np.asarray((axes * roots) @ axes.T),
        condition=float(roots[-1] / roots[0]),
    )

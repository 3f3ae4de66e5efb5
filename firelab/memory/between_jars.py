r"""The predictive distribution of a new jar, from the posteriors of earlier ones.

One parameter at a time, on a scale where jars are normal: series :math:`i` has
:math:`\theta_i \sim N(\mu, \tau^2)`, and of it a likelihood that is known on a grid. The
posterior draws of a series that was fitted under the prior :math:`p_0` give it as their
density over :math:`p_0` (Hogg, Myers and Bovy 2010); so a series that saw little says
little. :math:`\mu` and :math:`\tau` are integrated on grids, without approximation beyond
their steps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import logsumexp, stdtrit

from firelab.arrays import BoolArray, FloatArray

_MEANS, _SDS = 51, 120
"""Points of the grids of mean and sd between jars (chosen here: the published values
come out to three digits)."""
_REACH = 4.0
"""Prior sds that the grids span at first."""
_NEGLIGIBLE = 1e-7
"""Share of the posterior beyond which the grids are drawn in, once."""
_SPOKEN = 0.8
"""Share of the prior's variance above which a series says nothing of a parameter: what
is left of 1,000 draws is then mostly their own noise (chosen here)."""
_FEWEST_DF, _MOST_DF = 3.0, 100.0
"""Of a t that stands for a predictive distribution: below 3 its sd, from which its scale is
worked out, soon is infinite; above 100 it is a normal's (chosen here)."""
_CHUNK = 1000
"""Series worked at a time: 40 MB (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BetweenPrior:
    """Prior of the mean and the sd between jars.

    Attributes
    ----------
    mean, mean_sd : float
        Of the normal prior of the mean.
    sd_scale : float
        Of the half-normal prior of the sd between jars.
    """

    mean: float
    mean_sd: float
    sd_scale: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BetweenJars:
    """What jars have in common, and a new one.

    Attributes
    ----------
    mean, sd : tuple of float
        Mean and standard deviation of the posterior of each: the mean of jars, and the
        sd between them.
    grid, density : ndarray, shape (G,)
        Predictive distribution of a new jar; the density sums to 1 over the grid.
    sd_grid, sd_weight : ndarray, shape (T,)
        Posterior of the sd between jars.
    """

    mean: tuple[float, float]
    sd: tuple[float, float]
    grid: FloatArray
    density: FloatArray
    sd_grid: FloatArray
    sd_weight: FloatArray

    @property
    def predictive_mean(self) -> float:
        """Mean of a new jar."""
        return float(self.density @ self.grid)

    @property
    def predictive_sd(self) -> float:
        """Standard deviation of a new jar."""
        return float(np.sqrt(self.density @ (self.grid - self.predictive_mean) ** 2))

    @property
    def predictive_df(self) -> float | None:
        """Degrees of freedom of the t of which 90 and 99 % intervals are as wide apart.

        None where the tails are no longer than a normal's.
        """
        low, lower, upper, high = self.quantiles([0.005, 0.05, 0.95, 0.995])
        wanted = (high - low) / (upper - lower)

        def beyond(df: float) -> float:
            return float(stdtrit(df, 0.995) / stdtrit(df, 0.95) - wanted)

        if beyond(_MOST_DF) >= 0.0:
            return None
        if beyond(_FEWEST_DF) <= 0.0:
            return _FEWEST_DF
        return float(brentq(beyond, _FEWEST_DF, _MOST_DF))

    def quantiles(self, shares: Sequence[float]) -> FloatArray:
        """Return quantiles of a new jar."""
        return grid_quantiles(self.grid, self.density, shares)


def grid_quantiles(
    grid: FloatArray, weight: FloatArray, shares: Sequence[float]
) -> FloatArray:
    """Return quantiles of weights on an even grid, each spread over its step.

    Examples
    --------
    >>> grid_quantiles(np.arange(4.0), np.full(4, 0.25), [0.5])
    array([1.5])
    """
    half = 0.5 * (grid[1] - grid[0])
    ends = np.concatenate([[grid[0] - half], grid + half])
    reached = np.concatenate([[0.0], np.cumsum(weight)])
    return np.asarray(np.interp(shares, reached / reached[-1], ends))


def speaks(sd: FloatArray, prior_sd: FloatArray) -> BoolArray:
    """Tell which series say more of a parameter than their prior did, by their sds."""
    return np.asarray(sd**2 < _SPOKEN * prior_sd**2)


def likelihood_of_posterior(
    mean: FloatArray,
    sd: FloatArray,
    grid: FloatArray,
    prior_mean: FloatArray,
    prior_sd: FloatArray,
) -> FloatArray:
    """Return the likelihood of each series on a grid, from its posterior draws.

    That of a normal which, times the prior, has the mean and the sd of the draws: the
    ratio of two histograms would be all noise where the draws are few.

    Parameters
    ----------
    mean, sd : ndarray, shape (n,)
        Of the draws of one parameter, of n series that speak of it.
    grid : ndarray, shape (G,)
    prior_mean, prior_sd : ndarray, shape (n,)
        Normal prior under which each series was fitted.

    Returns
    -------
    ndarray, shape (n, G)
        Its largest value is 1.
    """
    own = 1.0 / sd**2 - 1.0 / prior_sd**2
    centre = (mean / sd**2 - prior_mean / prior_sd**2) / own
    log = -0.5 * own[:, None] * (grid[None, :] - centre[:, None]) ** 2
    return np.asarray(np.exp(log - log.max(axis=1, keepdims=True)))


def join_jars(likelihood: FloatArray, grid: FloatArray, prior: BetweenPrior) -> BetweenJars:
    """Return what jars have in common, and the predictive distribution of a new one.

    Parameters
    ----------
    likelihood : ndarray, shape (n, G)
        Of each series, on the grid.
    grid : ndarray, shape (G,)
        Even; wide enough for a new jar.
    prior : BetweenPrior

    References
    ----------
    .. [1] Schmidli, H. et al. (2014). Robust meta-analytic-predictive priors in clinical
       trials with historical control information. *Biometrics*, 70, 1023-1032.
    .. [2] Hogg, D. W., Myers, A. D. & Bovy, J. (2010). Inferring the eccentricity
       distribution. *Astrophys. J.*, 725, 2166-2175.
    """
    reach = _REACH * prior.mean_sd
    means = np.linspace(prior.mean - reach, prior.mean + reach, _MEANS)
    sds = _midpoints(0.0, _REACH * prior.sd_scale)
    for last in (False, False, True):
        weight = _between_weights(likelihood, grid, means, sds, prior)
        if last:
            break
        means = np.linspace(*_span(means, weight.sum(axis=1)), _MEANS)
        low, high = _span(sds, weight.sum(axis=0))
        sds = _midpoints(max(low, 0.0), high)
    new = _normal(grid, means[:, None, None], sds[None, :, None])
    density = np.tensordot(weight / new.sum(axis=2), new, axes=2)
    by_mean, by_sd = weight.sum(axis=1), weight.sum(axis=0)
    return BetweenJars(
        mean=_moments(means, by_mean),
        sd=_moments(sds, by_sd),
        grid=grid,
        density=density,
        sd_grid=sds,
        sd_weight=by_sd,
    )


def _between_weights(
    likelihood: FloatArray,
    grid: FloatArray,
    means: FloatArray,
    sds: FloatArray,
    prior: BetweenPrior,
) -> FloatArray:
    """Return the posterior of mean and sd on their grids, shape (_MEANS, _SDS)."""
    log = -0.5 * ((means - prior.mean) / prior.mean_sd)[:, None] ** 2
    log = log - 0.5 * (sds / prior.sd_scale)[None, :] ** 2
    new = _normal(grid, means[:, None, None], sds[None, :, None]).reshape(-1, grid.size)
    total = np.zeros(new.shape[0])
    for first in range(0, len(likelihood), _CHUNK):
        marginal = likelihood[first : first + _CHUNK] @ new.T
        total += np.log(np.maximum(marginal, np.finfo(float).tiny)).sum(axis=0)
    log = log + total.reshape(log.shape)
    return np.asarray(np.exp(log - logsumexp(log)))


def _normal(grid: FloatArray, mean: FloatArray, sd: FloatArray) -> FloatArray:
    """Return the mass of each step of the grid: a spread far below a step is one step."""
    step = grid[1] - grid[0]
    wide = np.hypot(sd, step / np.sqrt(12.0))
    return np.asarray(np.exp(-0.5 * ((grid - mean) / wide) ** 2) / wide)


def _midpoints(low: float, high: float) -> FloatArray:
    step = (high - low) / _SDS
    return np.asarray(low + step * (np.arange(_SDS) + 0.5))


def _span(grid: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Return the ends of the grid's part that counts, a step wider."""
    counted = np.flatnonzero(weight > _NEGLIGIBLE)
    step = grid[1] - grid[0]
    return float(grid[counted[0]] - step), float(grid[counted[-1]] + step)


def _moments(grid: FloatArray, weight: FloatArray) -> tuple[float, float]:
    mean = float(weight @ grid)
    return mean, float(np.sqrt(weight @ (grid - mean) ** 2))

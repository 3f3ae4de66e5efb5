r"""The priors of the stage posterior: their density, their words.

Everything is unconstrained and normal: a positive quantity is held by its
logarithm, so that a log-normal prior is a normal one there; a standard
deviation :math:`\tau` with a half-normal prior of scale :math:`s` is held as the
normal score :math:`w` of its place in that prior,
:math:`\tau = s\,\Phi^{-1}\{(1 + \Phi(w)) / 2\}`, which has no long tail towards 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from firelab.fits.links import link_named
from firelab.series.firing_series import FiringSeries
from firelab.series.prior_wish import PriorWish

FloatArray = NDArray[np.float64]

_FARTHEST_SCORE = 30.0
_LATENT_SD = {"logit": np.pi / np.sqrt(3.0), "cloglog": np.pi / np.sqrt(6.0)}
_LATENT_SD |= {"loglog": _LATENT_SD["cloglog"], "probit": 1.0}
_SPREADS = (
    "steepness_spread",
    "place_spread",
    "grade_width_spread",
    "dwell_spread",
    "effect",
    "interaction",
    "load_sd",
    "tile_sd",
)


def latent_scale(link: str) -> float:
    """Return latent units of a link per logit: the ratio of their deviations.

    Examples
    --------
    >>> round(latent_scale("probit"), 4)
    0.5513
    """
    return float(_LATENT_SD[link_named(link).name] / _LATENT_SD["logit"])


def scaled_spreads(wish: PriorWish, factor: float) -> PriorWish:
    """Return the priors with every spread multiplied, medians kept."""
    widened = {name: getattr(wish, name) * factor for name in _SPREADS}
    return replace(wish, **{name: min(value, 10.0) for name, value in widened.items()})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Priors:
    """Independent normal priors of the q unconstrained parameters.

    Attributes
    ----------
    mean, sd : ndarray, shape (q,)
    words : tuple of str
        One line each, as every result prints them.
    """

    mean: FloatArray
    sd: FloatArray
    words: tuple[str, ...]

    def log_density(self, points: FloatArray) -> FloatArray:
        """Return the log prior up to a constant of (M, q) points, shape (M,)."""
        return np.asarray(-0.5 * (((points - self.mean) / self.sd) ** 2).sum(axis=1))

    def gradient(self, points: FloatArray) -> FloatArray:
        """Return the gradient of `log_density`, shape (M, q)."""
        return np.asarray((self.mean - points) / self.sd**2)


def half_normal(score: FloatArray, scale: float) -> tuple[FloatArray, FloatArray]:
    """Return the deviation of a normal score, and its derivative.

    Parameters
    ----------
    score : ndarray
        Standard normal under the prior.
    scale : float
        Scale of the half-normal prior.

    Returns
    -------
    tuple of (ndarray, ndarray)

    Examples
    --------
    >>> float(half_normal(np.zeros(1), 1.0)[0].round(4)[0])
    0.6745
    """
    held = np.clip(score, -_FARTHEST_SCORE, _FARTHEST_SCORE)
    unit = -ndtri(0.5 * ndtr(-held))
    slope = 0.5 * np.exp(0.5 * (unit**2 - held**2))
    return scale * unit, scale * slope


def prior_words(series: FiringSeries, link: str, columns: Sequence[str]) -> tuple[str, ...]:
    """Say the priors of a stage fit, one line each."""
    wish, unit = series.priors, latent_scale(link)
    low, high = series.span("temperature")
    half = (high - low) / 2 if "temperature" in columns and high > low else None
    per_half = f" ({half:.0f} degC)" if half else ""
    lines = [
        f"half the fired range{per_half} shifts the grade by "
        f"{_times(wish.steepness * unit, wish.steepness_spread)} {link} units, never back",
        f"middle of the scale: {wish.place:g} +/- {wish.place_spread:g} half ranges "
        "from the middle of the fired range",
        "width of a grade, four on the scale: "
        f"{_times(wish.grade_width, wish.grade_width_spread)} half ranges",
    ]
    if "dwell" in columns:
        lines.append(
            "dwell against temperature: "
            f"{_times(wish.dwell, wish.dwell_spread)} of its effect, never back"
        )
    others = [c for c in columns if c not in ("temperature", "dwell")]
    if [c for c in others if not is_product(c)]:
        lines.append(f"mesh, layers and base: 0 +/- {wish.effect:g} of the effect")
    if [c for c in others if is_product(c)]:
        lines.append(f"products and squares: 0 +/- {wish.interaction:g} of the effect")
    lines.append(f"deviation between loads: half-normal, {wish.load_sd * unit:.2g} units")
    return tuple(lines)


def is_product(column: str) -> bool:
    """Tell whether a column is a product or a square of factors."""
    return ":" in column or "^" in column


def _times(median: float, spread: float) -> str:
    """Write a log-normal by its median and the ends of its middle 80 %."""
    low, high = median * np.exp(-1.2816 * spread), median * np.exp(1.2816 * spread)
    return f"{median:.2g} (80 % within {low:.2g} to {high:.2g})"

r"""The priors of the stage posterior: their density, their words.

Everything is unconstrained, and normal or, where earlier jars taught it, of Student's t:
a positive quantity is held by its logarithm, so that a log-normal prior is a normal one
there; a standard deviation :math:`\tau` with a half-normal prior of scale :math:`s` is
held as the normal score :math:`w` of its place in that prior,
:math:`\tau = s\,\Phi^{-1}\{(1 + \Phi(w)) / 2\}`, which has no long tail towards 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import gammaln, ndtr, ndtri, stdtrit

from firelab.arrays import FloatArray
from firelab.craft.degrees import PER_DEGC, SIGN
from firelab.craft.units import format_temperature_difference
from firelab.fits.ordinal.links import link_named
from firelab.series.declared_parts import PriorSpecification
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import DWELL, TEMPERATURE, ModelColumn

_FARTHEST_SCORE = 30.0
"""Normal score beyond which a deviation is held: the normal law leaves 5e-198 there."""
_LATENT_SD = {"logit": np.pi / np.sqrt(3.0), "cloglog": np.pi / np.sqrt(6.0)}
_LATENT_SD |= {"loglog": _LATENT_SD["cloglog"], "probit": 1.0}
"""Of the logistic, the two extreme-value laws and the normal."""
_SPREADS = (
    "blur_spread",
    "grade_width_spread",
    "full_width_spread",
    "doubling_spread",
)
_DEVIATIONS = (
    "place_spread",
    "middle_sd",
    "effect",
    "interaction",
    "session",
    "load",
    "rack_place",
    "tile",
    "observer",
)
_MOST_SPREAD, _MOST_DEVIATION = 10.0, 1000.0
"""Largest spread of a logarithm, and of what is in degC, that `[priors]` takes."""
LOGITS_20_TO_80 = 2.0 * float(np.log(4.0))
"""By how many logits a grade passes from 20 to 80 % of tiles."""
_NOTIONAL_HALF_DEGC = 45.0
"""Half a range of temperature where the series has neither that nor dwell: 160 degF from
end to end (chosen here, no source)."""


def latent_scale(link: str) -> float:
    """Return latent units of a link per logit: the ratio of their deviations.

    Examples
    --------
    >>> round(latent_scale("probit"), 4)
    0.5513
    """
    return latent_sd(link) / latent_sd("logit")


def latent_sd(link: str) -> float:
    """Return the standard deviation of a link's latent grade."""
    return float(_LATENT_SD[link_named(link).name])


def first_look_spread(tile_sd: FloatArray, link: str) -> FloatArray:
    """Return the deviation of a tile's first look over that of a look at a known tile.

    Parameters
    ----------
    tile_sd : ndarray
        Of what all looks at a tile share, latent units.
    link : str

    Examples
    --------
    >>> float(first_look_spread(np.array([0.75]), "probit")[0])
    1.25
    """
    return np.asarray(np.hypot(1.0, tile_sd / latent_sd(link)))


def tile_scale(stated: PriorSpecification, link: str) -> float:
    """Return the scale of what tiles differ by, in latent units of a look at one.

    It is stated in degC where a grade passes as expected, and is in proportion elsewhere:
    where tiles pass slowly, it can be because they differ.

    Examples
    --------
    >>> round(tile_scale(PriorSpecification(tile=5.0, blur=20.0), "logit"), 4)
    0.6931
    """
    return stated.tile * LOGITS_20_TO_80 * latent_scale(link) / stated.blur


def half_range_degC(series: FiringSeries, columns: Sequence[ModelColumn]) -> float:
    """Return what one coded unit of the steepest column is worth, degC.

    That column is the temperature; without it the dwell, by what a doubling is
    worth.
    """
    if TEMPERATURE in columns:
        low, high = series.span("temperature")
        return (high - low) / 2 or _NOTIONAL_HALF_DEGC
    return dwell_half_degC(series) if DWELL in columns else _NOTIONAL_HALF_DEGC


def dwell_half_degC(series: FiringSeries) -> float:
    """Return what half the range of ln dwell is worth in the prior median, degC."""
    short, long = series.span("dwell")
    doublings = np.log2(long / short) / 2
    return float(series.priors.doubling * doublings) or _NOTIONAL_HALF_DEGC


def prior_steepness(
    series: FiringSeries, columns: Sequence[ModelColumn]
) -> tuple[float, float]:
    """Return median (logits per coded unit) and log spread of the steepest column."""
    stated = series.priors
    median = LOGITS_20_TO_80 * half_range_degC(series, columns) / stated.blur
    if TEMPERATURE in columns or DWELL not in columns:
        return median, stated.blur_spread
    return median, float(np.hypot(stated.blur_spread, stated.doubling_spread))


FULL = "full"
"""Name of the grade whose width has a prior of its own."""


def inner_widths(series: FiringSeries) -> tuple[FloatArray, FloatArray]:
    """Return median (degC) and log spread of each inner grade's width, (J - 2,) each.

    On a scale of more than four grades each is narrower.
    """
    stated, grades = series.priors, series.responses.stage.grades
    inner = grades[1:-1]
    narrower = min(1.0, 2.0 / max(len(inner), 1))
    median = np.full(len(inner), stated.grade_width)
    spread = np.full(len(inner), stated.grade_width_spread)
    if FULL in inner:
        at = inner.index(FULL)
        median[at] = stated.full_width or stated.grade_width
        spread[at] = stated.full_width_spread or stated.grade_width_spread
    return narrower * median, spread


def scaled_spreads(stated: PriorSpecification, factor: float) -> PriorSpecification:
    """Return the priors with every spread multiplied, medians kept."""
    most = dict.fromkeys(_SPREADS, _MOST_SPREAD)
    most |= dict.fromkeys(_DEVIATIONS, _MOST_DEVIATION)
    widened: dict[str, Any] = {
        name: min(spread * factor, top)
        for name, top in most.items()
        if (spread := getattr(stated, name)) is not None
    }
    if stated.learned is not None:
        widened["learned"] = stated.learned.widened(factor)
    return replace(stated, **widened)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Priors:
    """Independent priors of the q unconstrained parameters: normal, or Student's t.

    Attributes
    ----------
    mean, sd : ndarray, shape (q,)
        Of a t its centre and its scale.
    words : tuple of str
        One line each, as every result prints them.
    df : ndarray, shape (q,), optional
        Degrees of freedom; infinite where normal, as all are by default.
    """

    mean: FloatArray
    sd: FloatArray
    words: tuple[str, ...]
    df: FloatArray | None = None

    @property
    def log_constant(self) -> float:
        """The logarithm of what `log_density` leaves out, but for powers of 2 pi."""
        found = -float(np.log(self.sd).sum())
        if self.df is not None:
            df = self.df[np.isfinite(self.df)]
            ratio = gammaln(0.5 * (df + 1.0)) - gammaln(0.5 * df) - 0.5 * np.log(0.5 * df)
            found += float(ratio.sum())
        return found

    def log_density(self, points: FloatArray) -> FloatArray:
        """Return the log prior up to a constant of (M, q) points, shape (M,)."""
        squares = ((points - self.mean) / self.sd) ** 2
        if self.df is not None:
            heavy = np.isfinite(self.df)
            df = self.df[heavy]
            squares[:, heavy] = (df + 1.0) * np.log1p(squares[:, heavy] / df)
        return np.asarray(-0.5 * squares.sum(axis=1))

    def gradient(self, points: FloatArray) -> FloatArray:
        """Return the gradient of `log_density`, shape (M, q)."""
        slopes = (self.mean - points) / self.sd**2
        if self.df is not None:
            squares = ((points - self.mean) / self.sd) ** 2
            slopes *= (1.0 + 1.0 / self.df) / (1.0 + squares / self.df)
        return np.asarray(slopes)

    def at_scores(self, scores: FloatArray) -> FloatArray:
        """Return the points of (M, q) standard normal scores, shape (M, q)."""
        if self.df is not None:
            heavy = np.isfinite(self.df)
            scores = scores.copy()
            scores[:, heavy] = stdtrit(self.df[heavy], ndtr(scores[:, heavy]))
        return np.asarray(self.mean + self.sd * scores)


def half_normal(score: FloatArray, scale: float) -> tuple[FloatArray, FloatArray]:
    """Return the deviation of a normal score, and its derivative.

    Parameters
    ----------
    score : ndarray
        Standard normal under the prior.
    scale : float
        Scale of the half-normal prior.

    Examples
    --------
    >>> float(half_normal(np.zeros(1), 1.0)[0].round(4)[0])
    0.6745
    """
    clipped = np.clip(score, -_FARTHEST_SCORE, _FARTHEST_SCORE)
    unit = -ndtri(0.5 * ndtr(-clipped))
    slope = 0.5 * np.exp(0.5 * (unit**2 - clipped**2))
    return scale * unit, scale * slope


def prior_words(
    series: FiringSeries, columns: Sequence[ModelColumn], place: str
) -> tuple[str, ...]:
    """Return the priors of thresholds and coefficients in words, one line each.

    Parameters
    ----------
    series : FiringSeries
    columns : sequence of ModelColumn
    place : str
        The line of the place of the grades.
    """
    stated, reads = series.priors, series.kiln.reads
    lines = [
        "a grade passes from 20 to 80 % of tiles over "
        f"{log_normal_words(stated.blur, stated.blur_spread, reads)}; "
        "heat never takes it back",
        place,
        "width of a grade, four on the scale: "
        f"{log_normal_words(stated.grade_width, stated.grade_width_spread, reads)}",
    ]
    if stated.full_width and FULL in series.responses.stage.grades[1:-1]:
        spread = stated.full_width_spread or stated.grade_width_spread
        lines.append(f"width of full: {log_normal_words(stated.full_width, spread, reads)}")
    if DWELL in columns:
        lines.append(
            "doubling the dwell is worth "
            f"{log_normal_words(stated.doubling, stated.doubling_spread, reads)}, "
            "never less than nothing"
        )
    others = [c for c in columns if c not in (TEMPERATURE, DWELL)]
    if any(not column.is_product for column in others):
        lines.append(f"mesh, layers and base: 0 +/- {_in_degrees(stated.effect, reads)}")
    if any(column.is_product for column in others):
        lines.append(
            f"products and squares: 0 +/- {_in_degrees(stated.interaction, reads)}"
        )
    return tuple(lines)


def effect_scales_degC(stated: PriorSpecification) -> dict[str, float]:
    """Return the scale of each random effect's half-normal standard deviation, degC."""
    return {
        "session": stated.session,
        "load": stated.load,
        "place": stated.rack_place,
        "tile": stated.tile,
        "observer": stated.observer,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomEffect:
    """A normal random effect of the latent grade.

    Attributes
    ----------
    name : str
        What shares it: session, load, place, tile, observer.
    scale : float
        Of the half-normal prior of its standard deviation: degC, of a tile latent units.
    """

    name: str
    scale: float


def random_effects(
    stated: PriorSpecification, names: Sequence[str], link: str
) -> tuple[RandomEffect, ...]:
    """Return the random effects of some names with their priors."""
    scales = effect_scales_degC(stated) | {"tile": tile_scale(stated, link)}
    return tuple(RandomEffect(name=one, scale=scales[one]) for one in names)


_EFFECT_WORDS = {
    "session": "sessions {}",
    "load": "loads of a session {}",
    "place": "places of the rack {}",
    "tile": "tiles looked at again {} (more where a grade passes over more)",
    "observer": "people who grade {}",
}


def deviation_words(
    stated: PriorSpecification, names: Sequence[str], reads: str
) -> tuple[str, ...]:
    """Return the priors of random effects in words, one line for all of them."""
    found = effect_scales_degC(stated)
    listed = [_EFFECT_WORDS[one].format(_in_degrees(found[one], reads)) for one in names]
    return (f"half-normal deviations between {', '.join(listed)}",) if listed else ()


def _in_degrees(degC: float, reads: str) -> str:
    return format_temperature_difference(degC, reads, written=".3g")


def log_normal_words(median: float, spread: float, reads: str) -> str:
    """Write a log-normal of degC apart by its median and its middle 80 %."""
    low, high = median * np.exp(-1.2816 * spread), median * np.exp(1.2816 * spread)
    share, unit = PER_DEGC[reads], SIGN[reads]
    middle = _in_degrees(median, reads).removesuffix(")")
    return f"{middle}; 80 % within {share * low:.3g} to {share * high:.3g} {unit})"


def width_words(width: float, unit: str) -> str:
    """Write a width to a tenth: of degC in both units where `unit` is a kiln's.

    Examples
    --------
    >>> width_words(10.4, "degF"), width_words(0.3, "latent units")
    ('18.7 °F (10.4 °C)', '0.3 latent units')
    """
    if unit not in ("degF", "degC"):
        return f"{width:.1f} {unit}"
    return format_temperature_difference(width, unit, written=".1f")

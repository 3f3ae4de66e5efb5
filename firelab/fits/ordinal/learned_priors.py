"""What earlier jars taught, as a prior of the next: on shared scales, and never alone.

The fit's own coordinates are in half ranges of the series' temperature. On the scales that
any series of a kind shares each is a value that belongs to the enamel and the kiln alone:
degC, ln degC, degC per doubling of the grain, a logit, a normal score. So what one series
found can be the prior of another.

A new jar may be like the earlier ones or not. So each part of the mixture, learned and
usual, is fitted by itself; the posterior share of a part is its prior share times its
evidence, and as many of its draws are kept (Schmidli et al. 2014). A jar far from the rest
so brings the share of what was learned to 0, and its posterior to that of the usual priors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logit, ndtr, ndtri, softmax

from firelab.arrays import FloatArray
from firelab.fits.ordinal.middle_prior import USUAL_DWELL_S
from firelab.fits.ordinal.parameters import Parameterisation
from firelab.fits.ordinal.priors import (
    LOGITS_20_TO_80,
    Priors,
    effect_scales_degC,
    first_look_spread,
    latent_scale,
    tile_scale,
)
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence, StagePosterior
from firelab.series.declared_parts import PriorSpecification
from firelab.series.firing_series import FiringSeries
from firelab.series.history import TARGET
from firelab.series.terms import DWELL, TEMPERATURE, coding

MIDDLE, LOW, HIGH = "middle", "low", "high"
"""Middle of the scale, and the two ends of the target, at the usual dwell, degC."""
BLUR, DOUBLING, SLIP = "blur", "doubling", "slip"
"""The logarithms of the
degrees over which a grade passes and of those that doubling the dwell is worth; the logit
of a slip."""
_LEARNED_AS = {"tile": "tile share"}
"""Name of a random effect's deviation, where it is not the effect's own: what an earlier
history has of `tile` was in degC, which is another thing, and is passed over."""
_SURELY = 1e-12
"""Least probability that a normal score or a logit is taken of."""


def _width_name(grade: str) -> str:
    """Return the name of the logarithm of the degrees that an inner grade is wide."""
    return f"width of {grade}"


def deviation_scales(stated: PriorSpecification) -> dict[str, float]:
    """Return the stated scale of each deviation, degC, by the name it is learned as."""
    scales = effect_scales_degC(stated)
    return {_LEARNED_AS.get(effect, effect): scale for effect, scale in scales.items()}


def doublings_beyond_usual(series: FiringSeries) -> float:
    """Return by how many doublings the middle of the dwells is longer than the usual."""
    return float((coding(series, "dwell").centre - np.log(USUAL_DWELL_S)) / np.log(2.0))


def shared_values(fit: StagePosterior) -> dict[str, FloatArray]:
    """Return the draws of a fit on the shared scales, by name, shape (S,).

    Effects of mesh, layers and base are in degC per doubling of the grain, per coat and
    from the first base; a deviation is the normal score of its place in its prior.
    Empty where the temperature is no term: nothing then has a scale in degC.
    """
    series, draws = fit.series, fit.draws
    if TEMPERATURE not in fit.columns:
        return {}
    steepness = draws.coefficients[:, fit.columns.index(TEMPERATURE)]
    per_latent = coding(series, "temperature").half_width / steepness
    values = {}
    doubling = np.full(draws.n_draws, series.priors.doubling)
    for column, beta in zip(fit.columns, draws.coefficients.T, strict=True):
        if column == TEMPERATURE or column.is_product:
            continue
        degC = beta * per_latent
        if column.base is None:
            degC = degC / coding(series, column.powers[0][0]).half_width
        if column == DWELL:
            doubling = degC * np.log(2.0)
            values[DOUBLING] = np.log(doubling)
        else:
            values[str(column)] = degC
    places = coding(series, "temperature").centre + draws.thresholds * per_latent[:, None]
    places = places + (doubling * doublings_beyond_usual(series))[:, None]
    values[MIDDLE] = places.mean(axis=1)
    first, last = series.responses.stage.target_span
    if first > 0 and last < len(fit.grades) - 1:
        values[LOW], values[HIGH] = places[:, first - 1], places[:, last]
        values[TARGET] = 0.5 * (values[LOW] + values[HIGH])
    for place, grade in enumerate(fit.grades[1:-1]):
        values[_width_name(grade)] = np.log(places[:, place + 1] - places[:, place])
    of_first_looks = per_latent * first_look_spread(draws.tile_sd, fit.link)
    values[BLUR] = np.log(LOGITS_20_TO_80 * latent_scale(fit.link) * of_first_looks)
    scales = deviation_scales(series.priors)
    for effect, found in fit.effects.items():
        name = _LEARNED_AS.get(effect, effect)
        ratio = found.sd_degC / scales[name]
        if effect == "tile":
            ratio = draws.tile_sd / tile_scale(series.priors, fit.link)
        share = 2.0 * ndtr(ratio) - 1.0
        values[name] = ndtri(np.clip(share, _SURELY, 1.0 - _SURELY))
    values[SLIP] = logit(np.clip(fit.slip, _SURELY, 1.0 - _SURELY))
    return values


def learned_priors(
    series: FiringSeries, layout: Parameterisation, default: Priors, *, link: str
) -> Priors | None:
    """Return the priors with what earlier jars taught in the place of the usual ones.

    None where the series rests on no history, or no temperature is a term. A deviation
    whose scale the series states itself keeps it.

    Parameters
    ----------
    series : FiringSeries
    layout : Parameterisation
    default : Priors
        Of the same layout, for what was not learned.
    link : str
    """
    learned = series.priors.learned
    if learned is None or TEMPERATURE not in layout.columns:
        return None
    mean, sd, used = default.mean.copy(), default.sd.copy(), []
    df = np.full(mean.shape, np.inf)
    scales = deviation_scales(series.priors)
    usual = deviation_scales(PriorSpecification())
    for at, (name, origin, slope) in _shared_scale(series, layout, link=link).items():
        if name in learned.mean and scales.get(name) == usual.get(name):
            mean[at] = (learned.mean[name] - origin) / slope
            sd[at] = learned.scale(name) / abs(slope)
            df[at] = learned.df.get(name, np.inf)
            used.append(name)
    words = f"{learned.share:.0%}: what {learned.source} taught of {', '.join(used)}"
    return Priors(mean=mean, sd=sd, words=(words,), df=df)


def _shared_scale(
    series: FiringSeries, layout: Parameterisation, *, link: str
) -> dict[int, tuple[str, float, float]]:
    """Return name, origin and slope of the shared value of each coordinate that has one.

    The inverse of `shared_values`, but that the middle is brought to the usual dwell with
    one worth of doubling, the likeliest.
    """
    half = layout.half_degC
    learned = series.priors.learned
    doubling = np.log(series.priors.doubling)
    if learned is not None:
        doubling = learned.mean.get(DOUBLING, doubling)
    centre = coding(series, "temperature").centre
    centre += float(np.exp(doubling)) * doublings_beyond_usual(series)
    found = {0: (MIDDLE, centre, half)}
    for place, grade in enumerate(series.responses.stage.grades[1:-1], start=1):
        found[place] = (_width_name(grade), float(np.log(half)), 1.0)
    if layout.steepness_at is not None:
        blur = LOGITS_20_TO_80 * half * latent_scale(link)
        found[layout.steepness_at] = (BLUR, float(np.log(blur)), -1.0)
    for column, at in zip(layout.columns, layout.coefficients_at, strict=True):
        if at < 0 or column.is_product:
            continue
        if column == DWELL:
            worth = half * np.log(2.0) / coding(series, "dwell").half_width
            found[at] = (DOUBLING, float(np.log(worth)), 1.0)
        elif column.base is not None:
            found[at] = (str(column), 0.0, half)
        else:
            unit = coding(series, column.powers[0][0]).half_width
            found[at] = (str(column), 0.0, half / unit)
    for place, effect in enumerate(layout.effects):
        name = _LEARNED_AS.get(effect.name, effect.name)
        found[layout.sd_at + place] = (name, 0.0, 1.0)
    if layout.has_slips:
        found[layout.slip_at] = (SLIP, 0.0, 1.0)
    return found


_COUNTED = 0.05
"""Share below which a doubt about a part's draws is not passed on (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartDraws:
    """Draws of the posterior under one part of the prior.

    Attributes
    ----------
    share : float
        Of the part, before any look.
    points : ndarray, shape (S, q)
    scores : ndarray, shape (S, d)
        In random order.
    log_evidence : float
        Of the looks under the part, up to a constant that the parts share.
    convergence : PosteriorConvergence
    """

    share: float
    points: FloatArray
    scores: FloatArray
    log_evidence: float
    convergence: PosteriorConvergence


def posterior_shares(parts: Sequence[PartDraws]) -> FloatArray:
    """Return the posterior share of each part: its share times its evidence."""
    logs = [np.log(part.share) + part.log_evidence for part in parts]
    return np.asarray(softmax(logs), dtype=float)


def join_parts(
    parts: Sequence[PartDraws], *, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, PosteriorConvergence]:
    """Return the draws of a mixture: of each part as many as its posterior share.

    Parameters
    ----------
    parts : sequence of PartDraws
        Equally many draws of each.
    rng : numpy.random.Generator
        Mixes them, where there is more than one part.
    """
    if len(parts) == 1:
        return parts[0].points, parts[0].scores, parts[0].convergence
    shares = posterior_shares(parts)
    ends = np.rint(np.cumsum(shares) * len(parts[0].points)).astype(int)
    counts = np.diff(ends, prepend=0)
    kept = list(zip(parts, counts, strict=True))
    sizes = [part.convergence.effective_size for part in parts]
    counted = [
        part.convergence
        for part, share in zip(parts, shares, strict=True)
        if share >= _COUNTED
    ]
    worst = max(counted, key=lambda one: (one.code, -one.effective_size))
    joined = replace(
        worst,
        message=f"of the part of the prior that was hardest to draw: {worst.message}",
        effective_size=float(1.0 / (shares**2 / sizes).sum()),
    )
    mixed = rng.permutation(len(parts[0].points))
    points = np.vstack([part.points[:count] for part, count in kept])[mixed]
    scores = np.vstack([part.scores[:count] for part, count in kept])[mixed]
    return points, scores, joined

"""What the stated spreads of the priors do to a fit: fitted again with twice and half."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from firelab.arrays import FloatArray
from firelab.fits.ordinal.priors import scaled_spreads, width_words
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.ordinal.warming_up import without_warm_up
from firelab.fits.sampling.watch import part
from firelab.records.records import Records
from firelab.series.terms import TEMPERATURE, coding

_DRAWS = 1000
"""Of each of the two fits, of which a hundred must be independent (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PriorSensitivity:
    """What doubling and halving every prior's spread does.

    Attributes
    ----------
    doubled, halved : float
        Largest move of the middle of a step from grade to grade, in `unit`.
    interval : float
        Half width of the widest interval of those middles, in `unit`.
    unit : str
        ``degC`` where temperature is a term, else ``latent units``.
    words : str
        One line.
    """

    doubled: float
    halved: float
    interval: float
    unit: str
    words: str


def prior_sensitivity(records: Records, fit: StagePosterior) -> PriorSensitivity:
    """Fit again with the spread of every prior doubled and halved.

    Parameters
    ----------
    records : Records
        What was fitted.
    fit : StagePosterior

    Returns
    -------
    PriorSensitivity
        Moves are of posterior medians, at the centre of every coded factor.
    """
    series = records.series
    own, unit = _step_places(fit)
    tail = (1.0 - series.window.level) / 2.0
    low, high = np.quantile(own, [tail, 1.0 - tail], axis=0)
    moves = {}
    for at, (name, factor) in enumerate((("doubled", 2.0), ("halved", 0.5))):
        stated = scaled_spreads(fit.series.priors, factor)
        # The priors of the fit hold what its traces say.
        changed = replace(records, series=replace(series, priors=stated), traces={})
        with part(at / 2, (at + 1) / 2):
            other = fit_posterior(
                changed,
                without_warm_up(fit.terms),
                link=fit.link,
                rng=np.random.default_rng(series.seed),
                n_draws=_DRAWS,
                only_medians=True,
            )
        moved = np.median(_step_places(other)[0], axis=0) - np.median(own, axis=0)
        moves[name] = float(np.max(np.abs(moved)))
    interval = float(np.max(high - low) / 2.0)
    reads = series.kiln.reads if unit == "degC" else unit
    double, half, alone = (width_words(one, reads) for one in (*moves.values(), interval))
    return PriorSensitivity(
        doubled=moves["doubled"],
        halved=moves["halved"],
        interval=interval,
        unit=unit,
        words=(
            f"spreads doubled, a step from grade to grade moves by at most {double}; "
            f"halved, by {half}; by itself it is known to {alone} either way"
        ),
    )


def _step_places(fit: StagePosterior) -> tuple[FloatArray, str]:
    """Return where each draw steps to the next grade, shape (S, J - 1)."""
    draws = fit.draws
    if TEMPERATURE not in fit.columns:
        return draws.thresholds, "latent units"
    slope = draws.coefficients[:, fit.columns.index(TEMPERATURE)]
    half = coding(fit.series, "temperature").half_width
    return half * draws.thresholds / slope[:, None], "degC"

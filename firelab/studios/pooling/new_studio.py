"""A window carried to a studio that was not pooled, with or without control tiles.

The new studio's kiln and hand are drawn from the spread between the pooled
studios. Control tiles fired there, or tiles of the colour itself, weigh those
draws by the probability of their grades.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray, IntArray
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.fits.ordinal.likelihood import grade_ends, grouped_looks, hermite_nodes
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.looks import Groups
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.sampling.importance import effective_size, resample, smooth_weights
from firelab.series.terms import model_matrix
from firelab.studios.pooling.pool_fit import PooledStage
from firelab.windows.firing_windows import firing_windows
from firelab.windows.window import FiringWindows

_COPIES = 10
_NODES = 15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NewStudio:
    """What is believed of a studio before and after its own looks.

    Attributes
    ----------
    pool : PooledStage
    draw : ndarray of int, shape (N,)
        Which of the pool's draws each row goes with.
    kiln, total : ndarray, shape (N,)
        Shift by its kiln, and in all, coded units against a studio that
        shifts nothing.
    weights : ndarray, shape (N,)
        They add to 1.
    n_looks : int
        Looks that were used.
    """

    pool: PooledStage
    draw: IntArray
    kiln: FloatArray
    total: FloatArray
    weights: FloatArray
    n_looks: int

    @property
    def shift_degC(self) -> tuple[float, float, float]:
        """Lower end, median and upper end of the shift against the pooled mean, degC."""
        mean = self.pool.total.mean(axis=1)[self.draw]
        shift = (self.total - mean) * self.pool.half_range_degC
        return weighted_interval(shift, self.weights, self.pool.shared.series.window.level)

    def posterior(self, *, rng: np.random.Generator, n_draws: int = 2000) -> StagePosterior:
        """Return the posterior of the colour there, as windows take it.

        Parameters
        ----------
        rng : numpy.random.Generator
        n_draws : int, default 2000
            How many draws.
        """
        logs = np.log(np.maximum(self.weights, 1e-300))
        kept = resample(logs, n_draws, rng=rng)
        return self.pool.shifted(self.total[kept], self.draw[kept])

    def windows(self, *, rng: np.random.Generator) -> FiringWindows:
        """Return the firing windows of the colour there."""
        return firing_windows(self.posterior(rng=rng))


def before_looks(pool: PooledStage, *, rng: np.random.Generator) -> NewStudio:
    """Return what is believed of a further studio before it fires anything.

    Returns
    -------
    NewStudio
        Its kiln and hand have the spread that the pooled studios have.
    """
    draw = np.repeat(np.arange(pool.draws.n_draws), _COPIES)
    spread, share = pool.spread[draw], pool.kiln_share[draw]
    kiln = spread * np.sqrt(share) * rng.standard_normal(draw.size)
    hand = spread * np.sqrt(1 - share) * rng.standard_normal(draw.size)
    return NewStudio(
        pool=pool,
        draw=draw,
        kiln=kiln,
        total=kiln + hand,
        weights=np.full(draw.size, 1 / draw.size),
        n_looks=0,
    )


def after_looks(studio: NewStudio, looks: pd.DataFrame) -> NewStudio:
    """Return what is believed after tiles were fired and graded there.

    Parameters
    ----------
    studio : NewStudio
    looks : DataFrame
        Graded looks with ``role, stage, temperature_degC, dwell_s, load``: those
        of role ``control`` are of the pool's control colour, all others of the
        colour itself, which shows kiln and hand together and needs ``mesh,
        grain_um, layers, base``.

    Raises
    ------
    RecordsInsufficient
        If nothing is graded, or control tiles are given and the pool has none.
    FirelabError
        If a grade is none of the pool's.
    """
    graded = looks[looks["stage"].notna()]
    if graded.empty:
        raise RecordsInsufficient(
            "no tile is graded", hint="fire, grade and record them first"
        )
    logs = np.log(np.maximum(studio.weights, 1e-300))
    for _, load in graded.groupby("load", sort=True):
        logs = logs + load_log_likelihood(studio, load)
    smoothed, _ = smooth_weights(logs)
    if effective_size(smoothed) < 50:
        raise RecordsInsufficient(
            "these tiles are so far from what the pooled studios found that the "
            "window cannot be carried there",
            hint="look for a mix-up of tiles or a faulty thermocouple; else fire a series",
        )
    n_looks = studio.n_looks + len(graded)
    return replace(studio, weights=np.exp(smoothed), n_looks=n_looks)


def load_log_likelihood(studio: NewStudio, load: pd.DataFrame) -> FloatArray:
    """Return the log likelihood of one load's grades in each row, shape (N,)."""
    pool = studio.pool
    kinds = np.asarray(load["role"] == "control", dtype=np.int64)
    grades = _grade_places(pool, load)
    lower, upper = (np.empty((studio.draw.size, kinds.size)) for _ in range(2))
    moves = np.zeros((studio.draw.size, 2))
    for kind in np.unique(kinds):
        draws, shift = _draws_of(studio, is_control=bool(kind))
        at = np.flatnonzero(kinds == kind)
        eta = _latent(pool, draws, load.iloc[at], is_control=bool(kind))
        ends = grade_ends(grades[at], draws.thresholds, eta)
        lower[:, at], upper[:, at] = (end[studio.draw] - shift[:, None] for end in ends)
        moves[:, kind] = draws.load_sd[studio.draw]
    return grouped_looks(
        link_named(pool.link),
        lower,
        upper,
        moves,
        Groups.of(np.zeros_like(kinds)),
        hermite_nodes(_NODES),
        kinds=kinds,
        with_slopes=False,
    ).value


def _draws_of(studio: NewStudio, *, is_control: bool) -> tuple[StageDraws, FloatArray]:
    """Return the draws of a colour, and what the studio shifts it by, latent units."""
    pool = studio.pool
    if not is_control:
        return pool.draws, pool.steepness[studio.draw] * studio.total
    if pool.control is None:
        raise RecordsInsufficient(
            "the pooled studios share no control colour",
            hint="fire tiles of the colour itself instead",
        )
    steepness = pool.control.coefficients[:, 0]
    return pool.control, steepness[studio.draw] * studio.kiln


def _latent(
    pool: PooledStage, draws: StageDraws, looks: pd.DataFrame, *, is_control: bool
) -> FloatArray:
    terms = [str(column) for column in draws.columns] if is_control else pool.terms
    return draws.linear(model_matrix(pool.shared.series, looks, terms))


def _grade_places(pool: PooledStage, looks: pd.DataFrame) -> IntArray:
    grades = pool.shared.series.responses.stage.grades
    strange = sorted(set(looks["stage"].astype(str)) - set(grades))
    if strange:
        raise FirelabError(
            f"{', '.join(strange)} is no grade of these studios: {', '.join(grades)}",
            hint="grade on their scale",
        )
    return np.array([grades.index(str(stage)) for stage in looks["stage"]])


def weighted_interval(
    values: FloatArray, weights: FloatArray, level: float
) -> tuple[float, float, float]:
    """Return lower end, median and upper end of weighted values.

    Examples
    --------
    >>> weighted_interval(np.arange(1.0, 11.0), np.full(10, 0.1), 0.8)
    (1.0, 5.0, 9.0)
    """
    shares = [(1 - level) / 2, 0.5, (1 + level) / 2]
    low, middle, high = np.quantile(values, shares, weights=weights, method="inverted_cdf")
    return float(low), float(middle), float(high)

"""The posterior of the stage: mode, importance resampling, chains where needed.

Several looks at one tile share that tile's own effect, and the heat of its
firings adds up, at the model's own rate where their temperatures differ. A
load's effect is integrated out; a tile's effect crosses the loads, so it is
sampled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.added_heat import added_heat
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_density import (
    GradedLooks,
    make_density,
    sort_looks,
)
from firelab.fits.ordinal.stage_posterior_effects import EffectsDensity
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence, StagePosterior
from firelab.fits.ordinal.stage_posterior_grades import check_link
from firelab.fits.ordinal.stage_posterior_layout import Layout, make_layout, make_priors
from firelab.fits.sampling.chains import MIXED, ChainSample, sample_by_chains
from firelab.fits.sampling.importance import ImportanceSample, sample_by_importance
from firelab.fits.sampling.mode import Mode, find_mode
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import model_matrix, term_columns

FloatArray = NDArray[np.float64]

TRUSTED_K = 0.7
"""Pareto k above which importance weights are not trusted (Vehtari et al. 2024)."""
_CHAINS = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawn:
    points: FloatArray
    convergence: PosteriorConvergence


def fit_posterior(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    link: str = "logit",
    rng: np.random.Generator | None = None,
    n_draws: int = 2000,
) -> StagePosterior:
    r"""Draw from the posterior of the stage given the looks of a series.

    The probability that a look is graded at or below :math:`j` is
    :math:`F(\theta_j - x^\top\beta - u)`, with a load effect
    :math:`u \sim N(0, \sigma^2)`; the priors are those of
    ``series.priors``.

    Parameters
    ----------
    records : Records
        Looks of one series; those without a stage are counted in
        ``fit.n_omitted``.
    terms : sequence of str, optional
        Model terms, expanding to p columns; by default the series'.
    link : {'logit', 'probit', 'cloglog', 'loglog'}, default 'logit'
        Distribution of the latent grade.
    rng : numpy.random.Generator, optional
        By default seeded from the series.
    n_draws : int, default 2000
        How many draws, S.

    Returns
    -------
    StagePosterior

    Raises
    ------
    RecordsInsufficient
        If no look carries a stage.
    UsageError
        If there is no such link.

    References
    ----------
    .. [1] Vehtari, A., Simpson, D., Gelman, A., Yao, Y., Gabry, J. (2024).
       Pareto smoothed importance sampling. J. Mach. Learn. Res. 25(72).
    """
    check_link(link)
    series, graded = records.series, records.graded
    if graded.empty:
        raise RecordsInsufficient(
            "no look carries a stage",
            hint="grade the fired tiles and record them: firelab record FILE.csv",
        )
    used = tuple(series.terms if terms is None else terms)
    columns = term_columns(series, used)
    heat = added_heat(series, graded, used)
    looks = sort_looks(graded, model_matrix(series, graded, used), heat)
    random = np.random.default_rng(series.seed) if rng is None else rng
    layout = make_layout(series, columns, link=link, has_tiles=looks.looked_again)
    drawn = _draw(series, looks, layout, link, n_draws, random)
    natural = layout.natural(drawn.points)
    return StagePosterior(
        series=series,
        terms=used,
        columns=columns,
        grades=series.responses.stage.grades,
        link=link,
        draws=StageDraws(
            thresholds=natural.thresholds,
            coefficients=natural.coefficients,
            load_sd=natural.load_sd,
            tile_sd=natural.tile_sd,
            link=link,
            columns=columns,
        ),
        priors=make_priors(series, layout, link=link).words,
        looks=graded,
        n_omitted=len(records.looks) - looks.n_looks,
        has_tile_effect=layout.has_tiles,
        convergence=drawn.convergence,
        provenance=records.provenance,
    )


def _draw(
    series: FiringSeries,
    looks: GradedLooks,
    layout: Layout,
    link: str,
    n_draws: int,
    rng: np.random.Generator,
) -> _Drawn:
    """Draw (S, q) points, by importance where it holds and else by chains."""
    plain = make_layout(series, layout.columns, link=link, has_tiles=False)
    density = make_density(looks, plain, make_priors(series, plain, link=link), link=link)
    mode = find_mode(density.log_density_and_gradient, density.priors.mean)
    sample = sample_by_importance(density.log_density, mode, n_draws, rng=rng)
    if not layout.has_tiles and sample.pareto_k <= TRUSTED_K:
        return _Drawn(points=sample.points, convergence=_by_importance(sample, mode))
    effects = EffectsDensity(
        looks=looks, layout=layout, priors=make_priors(series, layout, link=link), link=link
    )
    q = layout.n_parameters
    scores = rng.standard_normal((_CHAINS, effects.n_coordinates - plain.n_parameters))
    starts = np.hstack([sample.points[:_CHAINS], scores])
    chains = sample_by_chains(effects.log_density_and_gradient, starts, rng=rng)
    kept = chains.flat[rng.permutation(len(chains.flat))[:n_draws], :q]
    k = None if layout.has_tiles else sample.pareto_k
    return _Drawn(points=kept, convergence=_by_chains(chains, mode, k))


def _by_importance(sample: ImportanceSample, mode: Mode) -> PosteriorConvergence:
    return PosteriorConvergence(
        code=0,
        message=(
            f"importance resampling, Pareto k {sample.pareto_k:.2f} (trusted to "
            f"{TRUSTED_K:g}), worth {sample.effective_size:.0f} independent draws"
        ),
        sampler="importance",
        pareto_k=float(sample.pareto_k),
        effective_size=float(sample.effective_size),
        r_hat=None,
        largest_gradient=mode.largest_gradient,
        condition=mode.condition,
    )


def _by_chains(chains: ChainSample, mode: Mode, k: float | None) -> PosteriorConvergence:
    mixed = chains.r_hat < MIXED
    why = "tiles were looked at again" if k is None else f"Pareto k was {k:.2f}"
    doubt = "" if mixed else "; the chains do not agree: take the intervals as rough"
    return PosteriorConvergence(
        code=0 if mixed else 1,
        message=(
            f"{_CHAINS} chains ({why}), R-hat {chains.r_hat:.3f}, worth "
            f"{chains.effective_size:.0f} independent draws{doubt}"
        ),
        sampler="chains",
        pareto_k=k if k is not None and np.isfinite(k) else None,
        effective_size=chains.effective_size,
        r_hat=chains.r_hat,
        largest_gradient=mode.largest_gradient,
        condition=mode.condition,
    )

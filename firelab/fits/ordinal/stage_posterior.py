"""The posterior of the stage: mode, importance resampling, chains where needed.

Several looks at one tile share that tile's own effect, and the heat of its
firings adds up, at the model's own rate where their temperatures differ. A
load's effect is integrated out; a tile's effect crosses the loads, so it is
sampled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.added_heat import added_heat
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.parameters import make_priors, parameterise
from firelab.fits.ordinal.posterior_density import (
    ExplicitDensity,
    SharedLooks,
    make_density,
    sort_looks,
)
from firelab.fits.ordinal.priors import scaled_spreads
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence, StagePosterior
from firelab.fits.sampling.chains import MIXED, ChainSample, sample_by_chains
from firelab.fits.sampling.importance import (
    TRUSTED_K,
    ImportanceSample,
    sample_by_importance,
)
from firelab.fits.sampling.mode import Mode, find_mode
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import (
    TEMPERATURE,
    ModelColumn,
    coding,
    model_matrix,
    term_columns,
)

FloatArray = NDArray[np.float64]

_CHAINS = 64
"""Chains at once: well above the coordinates of a series of forty looks (chosen here)."""
_SENSITIVITY_DRAWS = 1000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawn:
    draws: StageDraws
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
    link_named(link)
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
    drawn, words = _draw(series, looks, columns, link, n_draws, random)
    return StagePosterior(
        series=series,
        terms=used,
        columns=columns,
        grades=series.responses.stage.grades,
        link=link,
        draws=drawn.draws,
        priors=words,
        looks=graded,
        n_omitted=len(records.looks) - looks.n_looks,
        has_tile_effect=looks.has_tiles_again,
        convergence=drawn.convergence,
        provenance=records.provenance,
    )


def _draw(
    series: FiringSeries,
    looks: SharedLooks,
    columns: tuple[ModelColumn, ...],
    link: str,
    n_draws: int,
    rng: np.random.Generator,
) -> tuple[_Drawn, tuple[str, ...]]:
    """Draw by importance where it holds and else by chains; return the priors' words."""
    effects = ("load", "tile") if looks.has_tiles_again else ("load",)
    layout = parameterise(series, columns, link=link, effects=effects)
    priors = make_priors(series, layout, link=link)
    plain = parameterise(series, columns, link=link)
    density = make_density(looks, plain, make_priors(series, plain, link=link), link=link)
    mode = find_mode(density.log_density_and_gradient, density.priors.mean)
    sample = sample_by_importance(density.log_density, mode, n_draws, rng=rng)
    points, convergence = sample.points, _by_importance(sample, mode)
    if looks.has_tiles_again or sample.pareto_k > TRUSTED_K:
        explicit = ExplicitDensity(looks=looks, layout=layout, priors=priors, link=link)
        more = explicit.n_coordinates - plain.n_parameters
        scores = rng.standard_normal((_CHAINS, more))
        starts = np.hstack([sample.points[:_CHAINS], scores])
        chains = sample_by_chains(explicit.log_density_and_gradient, starts, rng=rng)
        kept = rng.permutation(len(chains.flat))[:n_draws]
        points = chains.flat[kept, : layout.n_parameters]
        k = None if looks.has_tiles_again else sample.pareto_k
        convergence = _by_chains(chains, mode, k)
    stage = layout.stage_parameters(points)
    sd = dict(zip(effects, stage.sd.T, strict=True))
    draws = StageDraws(
        thresholds=stage.thresholds,
        coefficients=stage.coefficients,
        load_sd=sd["load"],
        tile_sd=sd.get("tile", np.zeros(len(points))),
        link=link,
        columns=columns,
    )
    return _Drawn(draws=draws, convergence=convergence), priors.words


def _by_importance(sample: ImportanceSample, mode: Mode) -> PosteriorConvergence:
    return PosteriorConvergence(
        code=0,
        message=(
            f"importance resampling, Pareto k {sample.pareto_k:.2f} (trusted to "
            f"{TRUSTED_K:g}), worth {sample.effective_size:.0f} independent draws"
        ),
        sampler="importance",
        pareto_k=sample.pareto_k,
        effective_size=sample.effective_size,
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
    for name, factor in (("doubled", 2.0), ("halved", 0.5)):
        stated = scaled_spreads(series.priors, factor)
        changed = replace(records, series=replace(series, priors=stated))
        other = fit_posterior(
            changed,
            fit.terms,
            link=fit.link,
            rng=np.random.default_rng(series.seed),
            n_draws=_SENSITIVITY_DRAWS,
        )
        moved = np.median(_step_places(other)[0], axis=0) - np.median(own, axis=0)
        moves[name] = float(np.max(np.abs(moved)))
    interval = float(np.max(high - low) / 2.0)
    return PriorSensitivity(
        doubled=moves["doubled"],
        halved=moves["halved"],
        interval=interval,
        unit=unit,
        words=(
            f"spreads doubled, a step from grade to grade moves by at most "
            f"{moves['doubled']:.1f} {unit}; halved, {moves['halved']:.1f} {unit} "
            f"(its interval: +/- {interval:.1f} {unit})"
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

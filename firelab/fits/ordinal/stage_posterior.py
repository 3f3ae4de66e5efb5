"""The posterior of the stage: mode, importance resampling, chains where needed.

Sessions, loads, places, tiles looked at again and observers have effects of their own,
which cross and are drawn with the parameters; the heat of a tile's firings adds up at
the model's own rate. Of a series of which nothing was fired the draws are the priors'.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from firelab.arrays import BoolArray, FloatArray
from firelab.fits.ordinal.added_heat import added_heat
from firelab.fits.ordinal.learned_priors import (
    PartDraws,
    join_parts,
    learned_priors,
    posterior_shares,
    shared_values,
)
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.middle_prior import is_sequential, with_trade_priors
from firelab.fits.ordinal.parameters import (
    Parameterisation,
    StageParameters,
    make_priors,
    parameterise,
)
from firelab.fits.ordinal.posterior_density import StageDensity, share_looks
from firelab.fits.ordinal.priors import Priors
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence, StagePosterior
from firelab.fits.ordinal.warming_up import (
    traced_losses,
    traced_words,
    warming_up,
    with_traced_loss,
    with_warm_up,
)
from firelab.fits.ordinal.what_mattered import LIKELY_SLIP, DeviationDraws, misread_loads
from firelab.fits.sampling.chains import MIXED, ChainSample, sample_by_chains
from firelab.fits.sampling.importance import is_trusted
from firelab.fits.sampling.nested import NestedSample, sample_nested
from firelab.records.records import Records
from firelab.series.history import TARGET
from firelab.series.terms import model_matrix, term_columns

FEWEST_INDEPENDENT, ENOUGH_INDEPENDENT = 400, 1000
"""Independent draws below which chains take over, and below which intervals are called
rough: an end of a 90 % interval then errs by a twentieth of its width."""
_CHAINS = 64
"""Chains at once: well above the coordinates of a series of forty looks (chosen here)."""
_ENOUGH_FOR_MEDIANS = 100
"""Independent draws where medians alone are asked for: they err by an eighth of an sd,
1.25 / sqrt(100), which is a thirteenth of the half width of a 90 % interval."""


def fit_posterior(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    link: str = "logit",
    rng: np.random.Generator | None = None,
    n_draws: int = 2000,
    only_medians: bool = False,
    as_written: BoolArray | None = None,
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
    only_medians : bool, default False
        Whether medians alone are asked for, to which a hundred independent draws do.
    as_written : ndarray of bool, shape (n,), optional
        Graded looks that are no slips; by default those that were confirmed. A fit to
        which another is more likely a slip than not knows how to take it as written.

    Raises
    ------
    RecordsInsufficient
        If no look carries a stage, and the plan is not of one tile at a time: of
        that the priors are drawn (see `believed_stage`).
    UsageError
        If there is no such link.

    References
    ----------
    .. [1] Vehtari, A., Simpson, D., Gelman, A., Yao, Y., Gabry, J. (2024).
       Pareto smoothed importance sampling. J. Mach. Learn. Res. 25(72).
    """
    link_named(link)
    believed = with_trade_priors(records.series, records.plan)
    traced = traced_losses(believed, records)
    series = with_traced_loss(believed, traced)
    if is_sequential(records.plan) and not records.has_grade:
        return believed_stage(records, rng=rng, n_draws=n_draws)
    graded = records.require_graded()
    used = with_warm_up(series, series.terms if terms is None else terms)
    columns = term_columns(series, used)
    heat = added_heat(series, graded, used)
    looks = share_looks(graded, model_matrix(series, graded, used), heat)
    layout = parameterise(
        series,
        columns,
        link=link,
        effects=looks.effects,
        has_slips=True,
        has_lost=heat is not None,
        at_heat=warming_up(series, used),
    )
    priors = make_priors(series, layout, link=link)
    confirmed = np.asarray(graded.get("confirmed", np.zeros(len(graded))), dtype=bool)
    sure = confirmed if as_written is None else as_written
    density = StageDensity(
        looks=looks, layout=layout, priors=priors, link=link, as_written=sure
    )
    random = np.random.default_rng(series.seed) if rng is None else rng
    parts = [_draw(density, n_draws, random, 1.0, only_medians)]
    learned = learned_priors(series, layout, priors, link=link)
    stated = series.priors.learned
    if learned is not None and stated is not None:
        of_learned = replace(density, priors=learned)
        own = _draw(of_learned, n_draws, random, stated.share, only_medians)
        parts = [replace(parts[0], share=1.0 - stated.share), own]
    points, scores, convergence = join_parts(parts, rng=random)
    stage = layout.stage_parameters(points)
    slip_of_look, expected = density.check_looks(points, scores)
    loads = density.check_loads(points, scores, series.window.level)
    draws, effects = _at_the_rack(
        _stage_draws(layout, stage, link),
        _effects(density, stage, scores, graded),
        layout.half_degC / stage.steepness,
        series.budget.places,
        random,
    )
    fit = StagePosterior(
        series=series,
        terms=used,
        columns=columns,
        grades=series.responses.stage.grades,
        link=link,
        draws=draws,
        effects=effects,
        slip=stage.slip,
        slip_of_look=slip_of_look,
        misread=misread_loads(graded, *loads),
        expected=tuple(series.responses.stage.grades[place] for place in expected),
        priors=_words(priors, learned) + traced_words(traced),
        likeness=float(posterior_shares(parts)[1]) if learned else None,
        looks=graded,
        n_omitted=len(records.looks) - looks.n_looks,
        convergence=convergence,
        provenance=records.provenance,
    )
    middle = shared_values(fit).get(TARGET) if learned else None
    if middle is not None:
        fit = replace(fit, target_degC=float(np.median(middle)))
    doubted = slip_of_look > LIKELY_SLIP
    if as_written is not None or not doubted.any():
        return fit
    # Only who makes a promise needs it, so that it waits to be asked for.
    again = partial(
        fit_posterior, records, terms, link=link, n_draws=n_draws, as_written=sure | doubted
    )
    return replace(fit, with_every_look=again)


def _stage_draws(layout: Parameterisation, stage: StageParameters, link: str) -> StageDraws:
    """Return draws with what a future load, a tile and any place at all add."""
    sd = {one.name: sd for one, sd in zip(layout.effects, stage.sd.T, strict=True)}
    none = np.zeros(len(stage.sd))
    return StageDraws(
        thresholds=stage.thresholds,
        coefficients=stage.coefficients,
        load_sd=np.hypot(sd["session"], sd["load"]),
        tile_sd=sd.get("tile", none),
        place_sd=sd.get("place", none),
        lost=stage.lost,
        link=link,
        columns=layout.columns,
    )


def _words(default: Priors, learned: Priors | None) -> tuple[str, ...]:
    """Return the priors in words; of a mixture what was learned first."""
    return default.words if learned is None else (*learned.words, *default.words)


def _draw(
    density: StageDensity,
    n_draws: int,
    rng: np.random.Generator,
    share: float,
    only_medians: bool,
) -> PartDraws:
    """Draw a part of the prior by importance where it holds and else by chains."""
    start, q = density.priors.mean, density.layout.n_parameters
    fewest = _ENOUGH_FOR_MEDIANS if only_medians else min(FEWEST_INDEPENDENT, n_draws / 2)
    sample = sample_nested(
        density, start, density.n_scores, n_draws, rng=rng, fewest=fewest
    )
    evidence = sample.log_evidence + density.priors.log_constant
    if is_trusted(sample.pareto_k, sample.effective_size, fewest):
        rough = sample.effective_size < min(ENOUGH_INDEPENDENT, len(sample.points) / 2)
        record = PosteriorConvergence.of_importance(sample, sample, is_rough=rough)
        points, scores = sample.points, sample.scores
        return PartDraws(
            share=share,
            points=points,
            scores=scores,
            log_evidence=evidence,
            convergence=record,
        )
    starts = np.hstack([sample.points, sample.scores])[:_CHAINS]
    chains = sample_by_chains(
        density.log_density_and_gradient,
        starts,
        rng=rng,
        enough=_ENOUGH_FOR_MEDIANS if only_medians else np.inf,
    )
    kept = chains.take(n_draws, rng=rng)
    return PartDraws(
        share=share,
        points=kept[:, :q],
        scores=kept[:, q:],
        log_evidence=evidence,
        convergence=_by_chains(chains, sample),
    )


def _at_the_rack(
    draws: StageDraws,
    effects: dict[str, DeviationDraws],
    to_degC: FloatArray,
    n_places: int,
    rng: np.random.Generator,
) -> tuple[StageDraws, dict[str, DeviationDraws]]:
    """Return draws and effects of a tile at a place of this rack, which has no others.

    The mean of its places, which tiles tell better than that of all places there could
    be, goes to the thresholds; deviations and their spread are about it. A place that no
    look tells of has any deviation.

    Parameters
    ----------
    draws : StageDraws
        Of any place.
    effects : dict of str to DeviationDraws
    to_degC : ndarray, shape (S,)
        Degrees C per latent unit.
    n_places : int
        Of the rack.
    rng : numpy.random.Generator
    """
    if not draws.place_sd.any():
        return draws, effects
    known = effects.get("place")
    seen = np.zeros((draws.n_draws, 0)) if known is None else known.degC
    unseen = rng.standard_normal((draws.n_draws, max(n_places - seen.shape[1], 0)))
    sd_degC = draws.place_sd * to_degC
    degC = np.hstack([seen, unseen * sd_degC[:, None]])
    mean, spread = degC.mean(axis=1), degC.std(axis=1)
    of_rack = replace(
        draws,
        thresholds=draws.thresholds - (mean / to_degC)[:, None],
        place_sd=spread / to_degC,
    )
    if known is None:
        return of_rack, effects
    return of_rack, effects | {"place": replace(known, degC=seen - mean[:, None])}


_COLUMN_OF = {"place": "rack_place"}


def _effects(
    density: StageDensity, stage: StageParameters, scores: FloatArray, graded: pd.DataFrame
) -> dict[str, DeviationDraws]:
    """Return the draws of each random effect, in degC, with what they belong to."""
    to_degC = density.layout.half_degC / stage.steepness
    bounds = np.cumsum([0, *density.sizes])
    found = {}
    for place, effect in enumerate(density.layout.effects):
        own = scores[:, bounds[place] : bounds[place + 1]] * stage.sd[:, [place]]
        groups = density.looks.labels[effect.name]
        column = _COLUMN_OF.get(effect.name, effect.name)
        names = graded[column] if column in graded else pd.Series(groups)
        known = np.flatnonzero(groups >= 0)
        first = known[np.unique(groups[known], return_index=True)[1]]
        found[effect.name] = DeviationDraws(
            sd_degC=stage.sd[:, place] * to_degC,
            groups=tuple(str(names.iloc[row]) for row in first),
            degC=own * to_degC[:, None],
        )
    return found


def _by_chains(chains: ChainSample, sample: NestedSample) -> PosteriorConvergence:
    mixed = chains.r_hat < MIXED and chains.effective_size >= ENOUGH_INDEPENDENT
    k = sample.pareto_k
    doubt = "" if mixed else "; too few independent draws: take the intervals as rough"
    return PosteriorConvergence(
        code=0 if mixed else 1,
        message=(
            f"{_CHAINS} chains (Pareto k was {k:.2f}), R-hat {chains.r_hat:.3f}, worth "
            f"{chains.effective_size:.0f} independent draws{doubt}"
        ),
        sampler="chains",
        pareto_k=float(k) if np.isfinite(k) else None,
        effective_size=chains.effective_size,
        r_hat=chains.r_hat,
        largest_gradient=sample.largest_gradient,
        condition=sample.condition,
    )


def believed_stage(
    records: Records, *, rng: np.random.Generator | None = None, n_draws: int = 2000
) -> StagePosterior:
    """Draw from the priors of the stage, as a fit to no look.

    Parameters
    ----------
    records : Records
        None of its looks carries a stage.
    rng : numpy.random.Generator, optional
        By default seeded from the series.
    n_draws : int, default 2000
        How many draws, S.
    """
    series, link = with_trade_priors(records.series, records.plan), "logit"
    terms = with_warm_up(series, series.terms)
    columns = term_columns(series, terms)
    effects = ("session", "load", *(["place"] if series.budget.places > 1 else []))
    layout = parameterise(
        series,
        columns,
        link=link,
        effects=effects,
        has_slips=True,
        at_heat=warming_up(series, terms),
    )
    priors = make_priors(series, layout, link=link)
    random = np.random.default_rng(series.seed) if rng is None else rng
    normal = random.standard_normal((n_draws, layout.n_parameters))
    points = priors.at_scores(normal)
    learned = learned_priors(series, layout, priors, link=link)
    stated = series.priors.learned
    if learned is not None and stated is not None:
        n_learned = round(stated.share * n_draws)
        points[:n_learned] = learned.at_scores(normal[:n_learned])
    stage = layout.stage_parameters(points)
    per_latent = layout.half_degC / stage.steepness
    any_place = _stage_draws(layout, stage, link)
    draws, _ = _at_the_rack(any_place, {}, per_latent, series.budget.places, random)
    return StagePosterior(
        series=series,
        terms=terms,
        columns=columns,
        grades=series.responses.stage.grades,
        link=link,
        draws=draws,
        slip=stage.slip,
        priors=_words(priors, learned),
        likeness=stated.share if learned is not None and stated is not None else None,
        looks=records.graded,
        n_omitted=len(records.looks),
        convergence=PosteriorConvergence(
            code=0,
            message="drawn from the priors: no tile was graded yet",
            sampler="priors",
            pareto_k=None,
            effective_size=float(n_draws),
            r_hat=None,
            largest_gradient=0.0,
            condition=1.0,
        ),
        provenance=records.provenance,
    )

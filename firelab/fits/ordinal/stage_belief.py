"""What is believed of a series of which nothing was fired yet: draws from the priors."""

from __future__ import annotations

import numpy as np

from firelab.fits.ordinal.middle_prior import with_trade_priors
from firelab.fits.ordinal.parameters import make_priors, parameterise
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence, StagePosterior
from firelab.records.records import Records
from firelab.series.terms import term_columns


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
    columns = term_columns(series, series.terms)
    effects = ("session", "load", *(["place"] if series.budget.places > 1 else []))
    layout = parameterise(series, columns, link=link, effects=effects, has_slips=True)
    priors = make_priors(series, layout, link=link)
    random = np.random.default_rng(series.seed) if rng is None else rng
    normal = random.standard_normal((n_draws, layout.n_parameters))
    stage = layout.stage_parameters(priors.mean + priors.sd * normal)
    sd = dict(zip(effects, stage.sd.T, strict=True))
    none = np.zeros(n_draws)
    return StagePosterior(
        series=series,
        terms=series.terms,
        columns=columns,
        grades=series.responses.stage.grades,
        link=link,
        draws=StageDraws(
            thresholds=stage.thresholds,
            coefficients=stage.coefficients,
            load_sd=np.hypot(sd["session"], sd["load"]),
            tile_sd=none,
            place_sd=sd.get("place", none),
            lost=stage.lost,
            link=link,
            columns=columns,
        ),
        slip=stage.slip,
        priors=priors.words,
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

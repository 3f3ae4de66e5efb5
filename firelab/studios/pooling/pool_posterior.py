"""Drawing from the pooled posterior: all studios' looks at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray
from firelab.fits.ordinal.likelihood import even_nodes
from firelab.fits.ordinal.parameters import Parameterisation, make_priors, parameterise
from firelab.fits.ordinal.priors import Priors, log_normal_words
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence
from firelab.fits.sampling.importance import (
    find_mode,
    is_trusted,
    sample_by_importance,
)
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import model_matrix, term_columns
from firelab.studios.pooling.pool_density import PoolDensity, PooledGrades
from firelab.studios.pooling.pool_fit import PooledStage
from firelab.studios.pooling.pool_layout import (
    KILN_SHARE,
    KILN_SHARE_SD,
    SPREAD_DEGC,
    SPREAD_LOG_SD,
    PoolLayout,
)
from firelab.studios.pooling.shared_looks import SharedLooks, share_looks

_LINK = "logit"
_CONTROL_TERMS = ("temperature", "dwell")
_CONTROL_PLACE_SD = 1.5
_ROUNDS = (2000, 2000, 2000, 4000, 4000, 6000)
"""Draws of each round of importance sampling (chosen here, no source)."""


def pool_studios(
    parts: Sequence[tuple[str, Records]],
    *,
    rng: np.random.Generator | None = None,
    n_draws: int = 2000,
    same_colour: bool = False,
) -> PooledStage:
    r"""Draw from the posterior of one colour over several studios.

    Each studio's readings are shifted: by its kiln's offset, and by what its
    jar, coat and hand are worth. Control tiles of a shared colour show the
    kiln's offset alone and so tell the two apart.

    Parameters
    ----------
    parts : sequence of (str, Records)
        Studio and records; a studio may come more than once.
    rng : numpy.random.Generator, optional
        By default seeded from the first series.
    n_draws : int, default 2000
        How many draws, S.
    same_colour : bool, default False
        Whether spellings that differ name one colour.

    Raises
    ------
    RecordsInsufficient
        If there are fewer than two studios, or the temperature never varies.
    FirelabError
        If colour, metal, grades or target differ.
    """
    shared = share_looks(parts, same_colour=same_colour)
    series = shared.series
    random = np.random.default_rng(series.seed) if rng is None else rng
    terms = tuple(series.terms)
    density = make_pool_density(shared)
    mode = find_mode(density.log_density_and_gradient, start_point(density))
    sample = sample_by_importance(
        density.log_density, mode, n_draws, rng=random, rounds=_ROUNDS
    )
    layout, points = density.layout, sample.points
    stage = layout.colour.stage_parameters(points[:, : layout.colour.n_parameters])
    effects = layout.effects(points)
    columns = term_columns(series, terms)
    return PooledStage(
        shared=shared,
        terms=terms,
        columns=columns,
        link=_LINK,
        draws=StageDraws(
            thresholds=stage.thresholds,
            coefficients=stage.coefficients,
            load_sd=stage.sd[:, 0],
            tile_sd=np.zeros(len(points)),
            link=_LINK,
            columns=columns,
        ),
        total=effects.total,
        kiln=effects.kiln,
        spread=effects.spread,
        kiln_share=effects.share,
        control=_control_draws(layout, points),
        priors=(*density.priors.words, *_spread_words(layout, series.kiln.reads)),
        convergence=PosteriorConvergence.of_importance(
            sample,
            mode,
            is_rough=not is_trusted(sample.pareto_k, sample.effective_size),
            sampler="adaptive importance sampling",
        ),
        provenance=tuple(records.provenance for _, records in parts),
    )


def make_pool_density(shared: SharedLooks) -> PoolDensity:
    """Set up the pooled posterior of some looks."""
    series, tested, controls = shared.series, shared.tested, shared.controls
    terms = tuple(series.terms)
    colour = parameterise(series, term_columns(series, terms), link=_LINK)
    used = tuple(term for term in _CONTROL_TERMS if term in series.varied)
    control = (
        parameterise(series, term_columns(series, used), link=_LINK)
        if len(controls)
        else None
    )
    whole = pd.concat([tested, controls], ignore_index=True)
    load = pd.factorize(whole["load"])[0]
    order = np.argsort(load, kind="stable")
    place = np.argsort(order, kind="stable")
    return PoolDensity(
        layout=PoolLayout(
            colour=colour,
            control=control,
            n_studios=len(shared.studios),
            log_spread=float(np.log(SPREAD_DEGC / shared.half_range_degC)),
        ),
        priors=make_priors(series, colour, link=_LINK),
        control_priors=_control_priors(series, control),
        looks=PooledGrades(
            grade=np.asarray(whole["stage"].cat.codes, dtype=np.int64)[order],
            studio=whole["studio"].to_numpy(dtype=np.int64)[order],
            load=np.asarray(load, dtype=np.int64)[order],
            tested=place[: len(tested)],
            controls=place[len(tested) :],
            X=model_matrix(series, tested, terms),
            X_control=model_matrix(series, controls, used),
        ),
        link=_LINK,
        nodes=even_nodes(int(np.bincount(load).max())),
    )


def _control_priors(
    series: FiringSeries, control: Parameterisation | None
) -> Priors | None:
    """Let a control colour fuse anywhere in the fired range and beyond it."""
    if control is None:
        return None
    priors = make_priors(series, control, link=_LINK)
    mean, sd = priors.mean.copy(), priors.sd.copy()
    mean[0], sd[0] = 0.0, _CONTROL_PLACE_SD
    return replace(priors, mean=mean, sd=sd)


def start_point(density: PoolDensity) -> FloatArray:
    """Return where to start towards the mode: at the priors' means, shape (q,)."""
    layout = density.layout
    start = np.zeros(layout.n_parameters)
    start[: layout.colour.n_parameters] = density.priors.mean
    start[layout.spread_at] = layout.log_spread
    if density.control_priors is not None:
        start[layout.share_at] = KILN_SHARE
        start[layout.controls] = density.control_priors.mean
    return start


def _control_draws(layout: PoolLayout, points: FloatArray) -> StageDraws | None:
    if layout.control is None:
        return None
    known = layout.control.stage_parameters(points[:, layout.controls])
    stage = layout.colour.stage_parameters(points[:, : layout.colour.n_parameters])
    return StageDraws(
        thresholds=known.thresholds,
        coefficients=known.coefficients,
        load_sd=stage.sd[:, 0] * known.steepness / stage.steepness,
        tile_sd=np.zeros(len(points)),
        link=_LINK,
        columns=layout.control.columns,
    )


def _spread_words(layout: PoolLayout, reads: str) -> tuple[str, ...]:
    spread = (
        f"deviation between studios: {log_normal_words(SPREAD_DEGC, SPREAD_LOG_SD, reads)}"
    )
    if layout.control is None:
        return (spread,)
    ends = np.array([-1.2816, 0.0, 1.2816]) * KILN_SHARE_SD + KILN_SHARE
    low, middle, high = 100 / (1 + np.exp(-ends))
    return (
        spread,
        f"of its square the kilns have {middle:.0f} % (80 % within {low:.0f} to "
        f"{high:.0f} %), the studios' jars, coats and hands the rest",
        f"control colour: place 0 +/- {_CONTROL_PLACE_SD:g} half ranges; steepness, "
        "widths and dwell as for the colour",
    )

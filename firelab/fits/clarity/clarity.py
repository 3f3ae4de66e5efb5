"""Clarity: what makes a transparent come out clear, from the scores of fused tiles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from firelab.errors import FirelabError, UsageError
from firelab.fits.clarity.fit import ClarityConvergence, ClarityFit
from firelab.fits.clarity.grades import (
    draw_graded,
    graded_scores,
    has_few_grades,
    reaches_an_end,
    regress_grades,
)
from firelab.fits.clarity.maturity import ClarityDesign, clarity_design
from firelab.fits.clarity.posterior import (
    ClarityPosterior,
    ClarityPriors,
    clarity_priors,
    draw_clarity,
    score_sums,
)
from firelab.fits.clarity.regression import ClarityRegression, ScoreColumns, regress_clarity
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.records.records import Records
from firelab.series.responses import TransparencyResponse
from firelab.series.terms import TEMPERATURE, model_matrix


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScoredTiles:
    """One row per tile that counts, and how many do not.

    Attributes
    ----------
    tiles : DataFrame
        The columns of `Records.looks`; `dwell_s` is the tile's total dwell up
        to that look and `transparency` the mean over those who scored it.
    scale : TransparencyResponse
        Of the score.
    n_not_fused, n_not_scored : int
        Looks left out because their stage is not in the target, or is and no
        score was given.
    n_later : int
        Looks at a tile that had been scored in the target before.
    """

    tiles: pd.DataFrame
    scale: TransparencyResponse
    n_not_fused: int
    n_not_scored: int
    n_later: int

    @property
    def left_out(self) -> str:
        """What was left out, in words."""
        parts = [
            f"{count} {words}"
            for count, words in (
                (self.n_not_fused, "not in the target stage"),
                (self.n_not_scored, "fused but not scored"),
                (self.n_later, "of a tile already counted"),
            )
            if count
        ]
        return ", ".join(parts) or "none"


def scored_tiles(records: Records) -> ScoredTiles:
    """Return the tiles whose clarity counts.

    A score says how clear a colour is only once it has fused: looks whose
    stage is not in the target are left out. Of a tile seen several times in
    the target the first such look counts, so that each tile counts once.

    Raises
    ------
    FirelabError
        If the series scores no transparency.
    """
    responses = records.series.responses
    if responses.transparency is None:
        raise FirelabError(
            "this series scores no transparency",
            "series.toml",
            "add a table [responses.transparency] to score clarity",
        )
    looks = records.counted
    looks = looks[(looks["role"] != "control") & looks["stage"].notna()]
    fused = looks["stage"].astype(str).isin(responses.stage.target)
    scored = fused & looks["transparency"].notna()
    by_look = looks[scored].groupby(["tile", "look"], sort=False)
    once = by_look.first().reset_index()
    once["transparency"] = by_look["transparency"].mean().to_numpy(dtype=float)
    first = once.sort_values("look", kind="stable").groupby("tile", sort=False)
    counted = once.loc[sorted(first.head(1).index)].reset_index(drop=True)
    return ScoredTiles(
        tiles=counted,
        scale=responses.transparency,
        n_not_fused=int((~fused).sum()),
        n_not_scored=int((fused & ~scored).sum()),
        n_later=len(once) - len(counted),
    )


_LACK_P = 0.01
"""P value of a lack of fit that is told (a convention)."""
_FEWEST_DRAWS = 200
"""Independent draws below which a 90 % interval is rough: its ends err by a quarter of
an sd (chosen here, no source)."""


def fit_clarity(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    stage: StagePosterior | None = None,
    rng: np.random.Generator | None = None,
    n_draws: int = 2000,
) -> ClarityFit:
    r"""Fit a linear mixed model to the clarity scores of fused tiles.

    The score of a tile is :math:`\alpha + x^\top\beta + u + e`, with a load
    effect :math:`u \sim N(0, \sigma_u^2)` and a residual
    :math:`e \sim N(0, \sigma^2)`. It is fitted twice: without priors, by
    restricted maximum likelihood (by least squares where the loads cannot be
    told), for the tests; and as a posterior under weak priors, for the
    windows. Only tiles whose stage is in the target count. Where the scale has
    few grades, or few different scores were seen, the tests are those of a
    cumulative link model; where scores reach an end of the scale, the posterior
    takes each score as the step it stands for, and the end as open.

    Parameters
    ----------
    records : Records
    terms : sequence of str, optional
        Model terms, expanding to p columns; by default the series'.
    stage : StagePosterior, optional
        Of the same records. With it the score follows the maturity of a tile and
        its square in place of temperature and dwell, so that it can rise, peak and
        fall on the way through the target.
    rng : numpy.random.Generator, optional
        By default seeded from the series.
    n_draws : int, default 2000
        Posterior draws, S.

    Returns
    -------
    ClarityFit
        Always, however few tiles are fused: with none or one,
        ``fit.is_informed`` is False, the draws are all but the priors and
        ``fit.notes`` says so.

    Raises
    ------
    FirelabError
        If the series scores no transparency, or a term is no term.
    UsageError
        If fewer than one draw is asked for.

    References
    ----------
    .. [1] Kenward, M. G. & Roger, J. H. (1997). Small sample inference for
       fixed effects from restricted maximum likelihood. *Biometrics*, 53(3),
       983-997.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> firelab.fit_clarity(records)
    <ClarityFit: Clearness, scored on 15 fused tiles:>
    """
    if n_draws < 1:
        raise UsageError(f"{n_draws} draws were asked for", hint="ask for one or more")
    series = records.series
    counted = scored_tiles(records)
    design = clarity_design(series, series.terms if terms is None else terms, stage)
    scores = ScoreColumns(
        score=counted.tiles["transparency"].to_numpy(dtype=float),
        X=design.matrix(counted.tiles),
        load=np.unique(counted.tiles["load"], return_inverse=True)[1].astype(np.int64),
        columns=design.columns,
        owners=design.owners,
    )
    is_graded = has_few_grades(counted.scale, scores.score)
    regression = regress_grades(scores, series) if is_graded else regress_clarity(scores)
    priors = clarity_priors(counted.scale, series.priors, scores.columns)
    # A stream of its own: the draws do not hang on how many numbers the stage took.
    random = np.random.default_rng([series.seed, 1]) if rng is None else rng
    posterior = _posterior(scores, counted.scale, priors, n_draws, random)
    return ClarityFit(
        series=series,
        design=design,
        n_tiles=len(scores.score),
        n_loads=scores.n_loads,
        left_out=counted.left_out,
        regression=regression,
        draws=posterior.draws,
        priors=priors,
        notes=(*_notes(counted, regression), *_lack_of_fit(scores, counted, design)),
        convergence=_convergence(regression, posterior),
        provenance=records.provenance,
    )


def _posterior(
    scores: ScoreColumns,
    scale: TransparencyResponse,
    priors: ClarityPriors,
    n_draws: int,
    rng: np.random.Generator,
) -> ClarityPosterior:
    """Draw by steps where scores reach an end of the scale, else as measured."""
    if reaches_an_end(scale, scores.score):
        graded = graded_scores(scores, scale, priors)
        return draw_graded(graded, n_draws=n_draws, rng=rng)
    sums = score_sums(scores, priors)
    return draw_clarity(sums, priors, n_draws=n_draws, rng=rng)


def _notes(counted: ScoredTiles, regression: ClarityRegression) -> tuple[str, ...]:
    scores, scale = counted.tiles["transparency"], counted.scale
    notes: list[str] = []
    if len(scores) < 2:
        return (
            f"fused tiles that carry a score: {len(scores)}; these records cannot tell "
            "what makes this colour clear, and what is shown is the prior, hardly moved",
        )
    if regression.aliased:
        notes.append(
            "these tiles cannot tell "
            + ", ".join(regression.aliased)
            + " from the other terms; only the prior speaks of them"
        )
    if reaches_an_end(scale, scores.to_numpy(dtype=float)):
        notes.append(
            "a quarter or more of the scores are at an end of the scale; what lies "
            "beyond it is told by the posterior, and the table makes it look smaller"
        )
    return tuple(notes)


def _lack_of_fit(
    scores: ScoreColumns, counted: ScoredTiles, design: ClarityDesign
) -> tuple[str, ...]:
    """Tell where the scores follow heat beyond the maturity, by an F test."""
    if design.maturity is None or has_few_grades(counted.scale, scores.score):
        return ()
    heat = model_matrix(design.series, counted.tiles, ["temperature"])
    wider = replace(
        scores,
        X=np.hstack([scores.X, heat]),
        columns=(*scores.columns, TEMPERATURE),
        owners=(*scores.owners, str(TEMPERATURE)),
    )
    tests = regress_clarity(wider).terms.set_index("term")["p_value"]
    p_value = float(tests.get(str(TEMPERATURE), 1.0))
    if not p_value < _LACK_P:
        return ()
    return (
        "tiles that came equally far by hotter or by longer firing differ in clearness "
        f"(p {p_value:.3f}): it follows more than how far a tile has come",
    )


def _convergence(
    regression: ClarityRegression, posterior: ClarityPosterior
) -> ClarityConvergence:
    mixed = regression.mixed
    message = "converged"
    if mixed is not None and not mixed.converged:
        message = "the variances did not settle"
    elif posterior.effective_draws < min(_FEWEST_DRAWS, posterior.draws.n_draws / 2):
        message = (
            f"the draws are worth {posterior.effective_draws:.0f} independent ones; "
            "take their intervals as rough"
        )
    return ClarityConvergence(
        code=0 if message == "converged" else 1,
        message=message,
        gradient=mixed.gradient if mixed else None,
        effective_draws=posterior.effective_draws,
        condition=regression.condition,
    )

"""The stage by maximum likelihood: for the tests of terms, and to hold the rest to.

A posterior serves the windows; this fit has no priors. Where the records have
no finite maximum it says which factor is to blame and reduces the bias
instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.crossed_likelihood import CrossedLikelihood
from firelab.fits.ordinal.cumulative_link import fit_cumulative_link
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.fit_choices import FitChoices
from firelab.fits.ordinal.level_words import separation_words
from firelab.fits.ordinal.profile_likelihood import profile_intervals
from firelab.fits.ordinal.ratio_tests import (
    TermTest,
    compare_nested,
    drop_each_term,
    free_each_term,
)
from firelab.fits.ordinal.stage_likelihood_fit import StageLikelihoodFit
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import ModelColumn, model_matrix, term_columns

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GradedColumns:
    """Graded looks as arrays, with the columns of some terms.

    Attributes
    ----------
    y : ndarray of int, shape (n,)
        Place of each look's stage on the scale of the series.
    X : ndarray, shape (n, p)
    columns : tuple of ModelColumn
    places : mapping of str to tuple of int
        Columns of each term.
    load, tile : ndarray of int, shape (n,)
    """

    y: IntArray
    X: FloatArray
    columns: tuple[ModelColumn, ...]
    places: Mapping[str, tuple[int, ...]]
    load: IntArray
    tile: IntArray


def graded_columns(
    series: FiringSeries, graded: pd.DataFrame, terms: Sequence[str]
) -> GradedColumns:
    """Return graded looks as a likelihood takes them.

    Parameters
    ----------
    series : FiringSeries
    graded : DataFrame, n rows
        As `Records.graded` gives them.
    terms : sequence of str
    """
    places: dict[str, tuple[int, ...]] = {}
    first = 0
    for term in terms:
        count = len(term_columns(series, [term]))
        places[term] = tuple(range(first, first + count))
        first += count
    return GradedColumns(
        y=np.asarray(graded["stage"].cat.codes, dtype=np.int64),
        X=model_matrix(series, graded, terms),
        columns=term_columns(series, terms),
        places=places,
        load=graded["load"].to_numpy(dtype=np.int64),
        tile=pd.factorize(graded["tile"])[0].astype(np.int64),
    )


def effect_choices(looks: GradedColumns, n_quadrature: int) -> FitChoices:
    """Return how load and tile effects enter: none, one, nested or crossed.

    Loads have an effect where some hold several looks and there are at least
    two. Tiles have one where a tile was looked at more than once: within its
    load by quadrature, or in several loads by the Laplace approximation.
    """
    n_loads, n_tiles = len(np.unique(looks.load)), len(np.unique(looks.tile))
    n = len(looks.y)
    choices = FitChoices(n_quadrature=n_quadrature, effect_names=("load", "tile"))
    if not 1 < n_loads < n:
        return choices
    choices["groups"] = looks.load
    if n_tiles == n:
        return choices
    pairs = len(np.unique(np.column_stack([looks.load, looks.tile]), axis=0))
    if pairs == n_tiles:
        choices["nested"] = looks.tile
    else:
        choices["crossed"] = (looks.tile,)
    return choices


def fit_stage_likelihood(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    link: str = "logit",
    load_effect: bool = True,
    n_quadrature: int = 10,
    estimator: Literal["auto", "ml", "mean_br", "median_br"] = "auto",
) -> StageLikelihoodFit:
    r"""Fit the stage of fusing by maximum likelihood.

    The probability that a look is graded at or below :math:`j` is
    :math:`F(\theta_j - x^\top\beta - u)`, :math:`u` the effect of its load, and
    of its tile where tiles were looked at more than once.

    Parameters
    ----------
    records : Records
    terms : sequence of str, optional
        Model terms, expanding to p columns; by default the series'.
    link : {'logit', 'probit', 'cloglog', 'loglog', 'cauchit'}, default 'logit'
    load_effect : bool, default True
        Give loads, and tiles looked at again, an effect of their own.
    n_quadrature : int, default 10
        Nodes of the load effect.
    estimator : {'auto', 'ml', 'mean_br', 'median_br'}, default 'auto'
        'auto' is maximum likelihood, or mean bias reduction where that has no
        finite answer; bias reduction takes no load effect.

    Returns
    -------
    StageLikelihoodFit

    Raises
    ------
    RecordsInsufficient
        If fewer than two grades were seen, or no estimate is finite.
    NotEstimable
        If terms are aliased; ``.aliased`` names their columns.
    UsageError
        If there is no such link or estimator.

    See Also
    --------
    firelab.fits.questions.terms.compare_terms : Which terms predict.
    """
    series, graded = records.series, records.graded
    if graded.empty:
        raise RecordsInsufficient(
            "no look carries a stage",
            hint="grade the fired tiles and record them: firelab record FILE.csv",
        )
    used = tuple(series.terms if terms is None else terms)
    looks = graded_columns(series, graded, used)
    grades = series.responses.stage.grades
    choices = FitChoices(
        n_grades=len(grades),
        grades=grades,
        link=link,
        names=([str(column) for column in looks.columns], None, None),
        estimator=estimator,
    )
    plain_only = not load_effect or estimator.endswith("_br")
    effects = FitChoices() if plain_only else effect_choices(looks, n_quadrature)
    both = FitChoices(**{**choices, **effects})
    fit = fit_cumulative_link(looks.y, looks.X, **both)
    level = series.window.level
    profiled = fit.estimator == "ml" and not isinstance(fit.likelihood, CrossedLikelihood)
    tested = both if fit.n_effects else choices
    tested["estimator"] = "auto"
    return StageLikelihoodFit(
        series=series,
        terms=used,
        columns=looks.columns,
        grades=grades,
        link=link,
        fit=fit,
        intervals=profile_intervals(fit, level=level) if profiled else (),
        tests=drop_each_term(looks.y, looks.X, looks.places, **tested),
        proportional_odds=_proportional_odds(looks, tested),
        load_test=_load_test(looks, fit, choices),
        looks=graded,
        n_omitted=len(records.looks) - len(graded),
        notes=_notes(series, looks.columns, fit),
        provenance=records.provenance,
    )


def _proportional_odds(looks: GradedColumns, choices: FitChoices) -> tuple[TermTest, ...]:
    if len(np.unique(looks.y)) < 3:
        return ()
    return free_each_term(looks.y, looks.X, looks.places, **choices)


def _load_test(
    looks: GradedColumns, fit: CumulativeLinkFit, choices: FitChoices
) -> TermTest | None:
    if not fit.n_effects:
        return None
    without = fit_cumulative_link(looks.y, looks.X, **choices)
    return compare_nested(fit, without) if without.estimator == "ml" else None


def _notes(
    series: FiringSeries, columns: Sequence[ModelColumn], fit: CumulativeLinkFit
) -> tuple[str, ...]:
    if fit.separation is None:
        return fit.notes
    coded = set(fit.separation.sentences(fit.grades))
    natural = separation_words(series, columns, fit.separation, fit.grades)
    return (*natural, *(note for note in fit.notes if note not in coded))

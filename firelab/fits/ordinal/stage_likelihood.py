"""The stage by maximum likelihood: for the tests of terms, and to hold the rest to.

A posterior serves the windows; this fit has no priors. Where the records have no
finite maximum it says which factor is to blame, and refuses.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from firelab.arrays import FloatArray, IntArray
from firelab.craft.trade_words import Shown, count_words, note_lines
from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.cumulative_link import FitChoices, fit_cumulative_link
from firelab.fits.ordinal.cumulative_link_fit import ESTIMATOR_WORDS, CumulativeLinkFit
from firelab.fits.ordinal.look_table import has_groups
from firelab.fits.ordinal.maximum import Convergence
from firelab.fits.ordinal.profile_likelihood import (
    ProfileInterval,
    TermTest,
    compare_nested,
    profile_intervals,
    term_tests,
)
from firelab.fits.ordinal.separation import Separated, separation_words
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance, plain_rows
from firelab.series.terms import ModelColumn, model_matrix, term_columns

SCHEMA = "firelab/stage-likelihood/1"


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
    """Return graded looks as a likelihood takes them."""
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


def load_choices(looks: GradedColumns) -> FitChoices:
    """Return how a load effect enters: where loads differ and some hold several looks."""
    return FitChoices(groups=looks.load) if has_groups(looks.load) else FitChoices()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class StageLikelihoodFit(Shown):
    """The stage of fusing explained by the terms of a series, without priors.

    Attributes
    ----------
    series : FiringSeries
    terms : tuple of str
    columns : tuple of ModelColumn
        Model terms, and the p columns that they expand to.
    grades : tuple of str
        Of the series, J of them; `fit.grades` are those that could be placed.
    link : str
    fit : CumulativeLinkFit
    intervals : tuple of ProfileInterval
        Of coefficients and the deviation of loads.
    tests : tuple of TermTest
        Likelihood ratio of each term.
    proportional_odds : tuple of TermTest
        Of each term: does it act alike on every threshold?
    load_test : TermTest or None
        Whether loads differ at all.
    looks : DataFrame, n rows
        The graded looks that were fitted.
    n_omitted : int
        Looks left out: without a stage, or of a control tile.
    notes : tuple of str
        What these records cannot tell, and what was done about it.
    provenance : Provenance
    """

    series: FiringSeries
    terms: tuple[str, ...]
    columns: tuple[ModelColumn, ...]
    grades: tuple[str, ...]
    link: str
    fit: CumulativeLinkFit
    intervals: tuple[ProfileInterval, ...]
    tests: tuple[TermTest, ...]
    proportional_odds: tuple[TermTest, ...]
    load_test: TermTest | None
    looks: pd.DataFrame
    n_omitted: int
    notes: tuple[str, ...]
    provenance: Provenance

    @property
    def convergence(self) -> Convergence:
        """How well the maximum was found, parameter by parameter."""
        return self.fit.convergence

    @property
    def n_looks(self) -> int:
        """Number of graded looks, n."""
        return len(self.looks)

    @property
    def n_loads(self) -> int:
        """Number of loads with a graded look."""
        return int(self.looks["load"].nunique())

    @property
    def table(self) -> pd.DataFrame:
        """One row per parameter, in latent units per coded unit.

        Columns: ``name, kind, estimate, standard_error, lower, upper,
        interval, correct_decimals``; `interval` says whether the two ends come
        from the profile of the likelihood or from the standard error. An end
        that does not exist is infinite.
        """
        fit = self.fit
        z = float(ndtri(0.5 + 0.5 * self.series.window.level))
        estimates, errors = fit.estimates, fit.standard_errors
        frame = pd.DataFrame(
            {
                "name": list(fit.names),
                "kind": _kinds(fit),
                "estimate": estimates,
                "standard_error": errors,
                "lower": estimates - z * errors,
                "upper": estimates + z * errors,
                "interval": "standard error",
                "correct_decimals": np.floor(fit.convergence.correct_decimals),
            }
        )
        for one in self.intervals:
            at = fit.place(one.name)
            frame.loc[at, "lower"] = -np.inf if one.lower is None else one.lower
            frame.loc[at, "upper"] = np.inf if one.upper is None else one.upper
            frame.loc[at, "interval"] = "profile"
        return frame

    def summary(self) -> str:
        """Return the fit in words, as the terminal shows it."""
        fit, level = self.fit, self.series.window.level
        lines = [
            f"Stage by {ESTIMATOR_WORDS[fit.estimator]}, {self.link} link: "
            f"{count_words(self.n_looks, 'look')} in {count_words(self.n_loads, 'load')}, "
            f"{self.n_omitted} left out",
            f"log-likelihood {fit.log_likelihood:.6f}, AIC {fit.aic:.3f}; "
            f"{fit.convergence.message}, largest gradient "
            f"{fit.convergence.largest_gradient:.1e}, condition "
            f"{fit.convergence.condition_number:.3g}; intervals at {level:.0%}",
            self.table.to_string(index=False, float_format="{:.4g}".format),
        ]
        lines += _test_lines("each term, by likelihood ratio", self.tests)
        lines += _test_lines(
            "does a term act alike on every threshold", self.proportional_odds
        )
        if self.load_test is not None:
            lines += _test_lines("do loads differ", (self.load_test,))
        return "\n".join([*lines, *note_lines(self.notes)])

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain values, None where there is no number."""
        return {
            "schema": SCHEMA,
            "terms": list(self.terms),
            "columns": [str(column) for column in self.columns],
            "n_looks": self.n_looks,
            "n_loads": self.n_loads,
            "n_omitted": self.n_omitted,
            "level": self.series.window.level,
            "parameters": plain_rows(self.table),
            "tests": [asdict(test) for test in self.tests],
            "proportional_odds": [asdict(test) for test in self.proportional_odds],
            "load_test": asdict(self.load_test) if self.load_test else None,
            **{
                key: value
                for key, value in self.fit.to_dict().items()
                if key not in ("estimates", "n_looks", "notes")
            },
            "notes": list(self.notes),
            "provenance": self.provenance.to_dict(),
        }


def _kinds(fit: CumulativeLinkFit) -> list[str]:
    return [
        *["threshold"] * fit.looks.n_thresholds,
        *["coefficient"] * fit.looks.X.shape[1],
        *["deviation"] * int(fit.has_effect),
    ]


def _test_lines(title: str, tests: Sequence[TermTest]) -> list[str]:
    return [f"{title}:"] * bool(tests) + [
        f"  {test.term}: chi2 {test.statistic:.3f}, {test.df} df, p {test.p_value:.4f}"
        for test in tests
    ]


def fit_stage_likelihood(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    link: str = "logit",
    load_effect: bool = True,
) -> StageLikelihoodFit:
    r"""Fit the stage of fusing by maximum likelihood.

    The probability that a look is graded at or below :math:`j` is
    :math:`F(\theta_j - x^\top\beta - u)`, :math:`u` the effect of its load where some
    loads hold several looks.

    Parameters
    ----------
    records : Records
    terms : sequence of str, optional
        Model terms, expanding to p columns; by default the series'.
    link : {'logit', 'probit', 'cloglog', 'loglog'}, default 'logit'
    load_effect : bool, default True
        Give loads an effect of their own.

    Raises
    ------
    RecordsInsufficient
        If fewer than two grades were seen, a tile has several looks (they are not
        independent, which this fit cannot allow for), or no estimate is finite: then
        `Separated`, which names the factor that separates the grades.
    NotEstimable
        If terms are aliased; ``.aliased`` names their columns.
    UsageError
        If there is no such link.

    See Also
    --------
    firelab.fits.questions.terms.compare_terms : Which terms predict.
    """
    series, graded = records.series, records.require_graded()
    _refuse_looks_again(graded)
    used = tuple(series.terms if terms is None else terms)
    looks = graded_columns(series, graded, used)
    grades = series.responses.stage.grades
    choices = FitChoices(
        n_grades=len(grades),
        grades=grades,
        link=link,
        names=[str(column) for column in looks.columns],
        estimator="ml",
    )
    effect = load_choices(looks) if load_effect else FitChoices()
    both = FitChoices(**{**choices, **effect})
    try:
        fit = fit_cumulative_link(looks.y, looks.X, **both)
    except Separated as found:
        if found.separation is None:
            raise
        words = separation_words(series, looks.columns, found.separation, found.grades)
        raise Separated(words, found.separation, found.grades) from None
    tested = both if fit.has_effect else choices
    return StageLikelihoodFit(
        series=series,
        terms=used,
        columns=looks.columns,
        grades=grades,
        link=link,
        fit=fit,
        intervals=profile_intervals(fit, level=series.window.level),
        tests=term_tests(looks.y, looks.X, looks.places, **tested),
        proportional_odds=(
            term_tests(looks.y, looks.X, looks.places, freed=True, **tested)
            if len(fit.grades) > 2
            else ()
        ),
        load_test=(
            compare_nested(fit, fit_cumulative_link(looks.y, looks.X, **choices))
            if fit.has_effect
            else None
        ),
        looks=graded,
        n_omitted=len(records.looks) - len(graded),
        notes=fit.notes,
        provenance=records.provenance,
    )


def _refuse_looks_again(graded: pd.DataFrame) -> None:
    again = graded["tile"].value_counts()
    if again.iloc[0] > 1:
        raise RecordsInsufficient(
            f"tile {again.index[0]} has {again.iloc[0]} graded looks, which are not "
            "independent: maximum likelihood would be too sure",
            hint="take the posterior, which gives every such tile an effect of its own: "
            "firelab fit, without --method ml",
        )

"""A maximum-likelihood fit of the stage: table, summary, how good it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from firelab.craft.trade_words import count_words
from firelab.fits.ordinal.cumulative_link_fit import ESTIMATOR_WORDS, CumulativeLinkFit
from firelab.fits.ordinal.newton import Convergence
from firelab.fits.ordinal.profile_likelihood import ProfileInterval
from firelab.fits.ordinal.ratio_tests import TermTest
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance
from firelab.series.terms import ModelColumn

SCHEMA = "firelab/stage-likelihood/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageLikelihoodFit:
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
        Of coefficients and standard deviations; empty where the fit is
        bias-reduced, and where tiles cross loads, as it would take long.
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
        return "\n".join([*lines, *(f"Note: {note}" for note in self.notes)])

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
            "parameters": _plain_rows(self.table),
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
    design = fit.design
    return [
        *["threshold"] * design.n_spacing,
        *["coefficient at a threshold"] * design.n_nominal,
        *["coefficient"] * design.X.shape[1],
        *["log scale"] * design.scale.shape[1],
        *["deviation"] * fit.n_effects,
    ]


def _test_lines(title: str, tests: Sequence[TermTest]) -> list[str]:
    return [f"{title}:"] * bool(tests) + [
        f"  {test.term}: chi2 {test.statistic:.3f}, {test.df} df, p {test.p_value:.4f}"
        for test in tests
    ]


def _plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {
            str(key): None if isinstance(value, float) and not np.isfinite(value) else value
            for key, value in row.items()
        }
        for row in frame.to_dict("records")
    ]

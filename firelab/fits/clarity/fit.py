"""A fitted clarity regression: its table, its summary, and what a maker reads of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.trade_words import count_words
from firelab.fits.clarity.draws import ClarityDraws
from firelab.fits.clarity.posterior import ClarityPriors
from firelab.fits.clarity.regression import INTERCEPT, METHOD_WORDS, ClarityRegression
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance
from firelab.series.terms import ModelColumn

_MORE = {
    "temperature": "hotter firing",
    "dwell": "longer firing",
    "mesh": "coarser grains",
    "layers": "more coats",
}


def column_words(column: ModelColumn, first_base: str) -> str:
    """Return a column as a person would say what goes up with it.

    Examples
    --------
    >>> column_words(ModelColumn(powers=(("mesh", 1),)), "none")
    'coarser grains'
    >>> column_words(ModelColumn(powers=(("base", 1),), base="hard clear"), "none")
    'base hard clear instead of none'
    """
    if column.factor == "base":
        return f"base {column.base} instead of {first_base}"
    return _MORE[column.factor] if column.factor else str(column)


def effect_words(
    draws: ClarityDraws, *, sign: int, level: float, first_base: str
) -> tuple[str, ...]:
    """Say which effects these tiles show, and which they cannot tell.

    Parameters
    ----------
    draws : ClarityDraws
    sign : {1, -1}
        1 where a higher score is clearer.
    level : float
        Of the intervals; an effect is shown where its interval leaves out 0.
    first_base : str
        The base that others are compared with.
    """
    tail = (1.0 - level) / 2.0
    shown, unsure = [], []
    for column, values in zip(draws.columns, draws.coefficients.T, strict=True):
        low, high = np.sort(sign * np.quantile(values, [tail, 1.0 - tail]))
        words = column_words(column, first_base)
        if low > 0 or high < 0:
            effect = "clearer" if low > 0 else "less clear"
            least, most = sorted((abs(float(low)), abs(float(high))))
            shown.append(f"{effect} with {words}: by {least:.1f} to {most:.1f}")
        else:
            unsure.append(words)
    if shown:
        shown[-1] += f" (half the range of a factor, or one base; {level:.0%} interval)"
    return (*shown, *_unsure_words(unsure))


def _unsure_words(unsure: Sequence[str]) -> tuple[str, ...]:
    if not unsure:
        return ()
    return (f"these tiles do not tell whether it matters: {', '.join(unsure)}",)


SCHEMA = "firelab/clarity/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClarityConvergence:
    """How good the numbers are.

    Attributes
    ----------
    code : int
        0 where all is well, 1 where a doubt is told in `message`.
    message : str
    gradient : float or None
        Largest scaled derivative of the restricted deviance; None where the
        method needs no search.
    effective_draws : float
        Independent draws that the two sds' draws are worth.
    condition : float or None
        Condition number of the scaled columns; None where nothing was fitted.
    """

    code: int
    message: str
    gradient: float | None
    effective_draws: float
    condition: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClarityFit:
    """The clarity score explained by the terms of a series.

    Attributes
    ----------
    series : FiringSeries
    terms : tuple of str
    columns : tuple of ModelColumn
    n_tiles, n_loads : int
        Tiles that count, and loads that hold them.
    left_out : str
        Looks that do not count, in words.
    regression : ClarityRegression
        REML or OLS, as the tiles support.
    draws : ClarityDraws
        Of the posterior; the windows use these.
    priors : ClarityPriors
    notes : tuple of str
        What these records cannot tell.
    convergence : ClarityConvergence
    provenance : Provenance
    """

    series: FiringSeries
    terms: tuple[str, ...]
    columns: tuple[ModelColumn, ...]
    n_tiles: int
    n_loads: int
    left_out: str
    regression: ClarityRegression
    draws: ClarityDraws
    priors: ClarityPriors
    notes: tuple[str, ...]
    convergence: ClarityConvergence
    provenance: Provenance

    @property
    def is_informed(self) -> bool:
        """Whether at least two tiles counted; else the draws are all but the priors."""
        return self.n_tiles >= 2

    @property
    def table(self) -> pd.DataFrame:
        """One row per coefficient and sd.

        Columns: column; estimate, standard_error, df, t, p_value of the
        classical fit (nan where it cannot tell); posterior_mean, lower and
        upper of the posterior at the level of the series.
        """
        edge = (1 - self.series.window.level) / 2
        draws = self.draws
        drawn = {INTERCEPT: draws.intercept}
        drawn |= dict(zip(map(str, self.columns), draws.coefficients.T, strict=True))
        drawn |= {"load sd": draws.load_sd, "residual sd": draws.residual_sd}
        frame = pd.DataFrame(
            {
                "column": list(drawn),
                "posterior_mean": [float(one.mean()) for one in drawn.values()],
                "lower": [float(np.quantile(one, edge)) for one in drawn.values()],
                "upper": [float(np.quantile(one, 1 - edge)) for one in drawn.values()],
            }
        )
        sds = pd.DataFrame(
            [(f"{name} sd", value) for name, value in self.regression.sds.items()],
            columns=["column", "estimate"],
        )
        parts = [part for part in (self.regression.coefficients, sds) if len(part)]
        known = pd.concat(parts) if parts else self.regression.coefficients
        classical = known.set_index("column").reindex(frame["column"]).astype(float)
        return pd.concat(
            [frame[["column"]], classical.reset_index(drop=True), frame.iloc[:, 1:]],
            axis=1,
        )

    @property
    def findings(self) -> tuple[str, ...]:
        """What makes this colour clearer, and what these tiles do not tell, in words."""
        scale = self.series.responses.transparency
        if scale is None or not self.is_informed:
            return ()
        return effect_words(
            self.draws,
            sign=scale.sign,
            level=self.series.window.level,
            first_base=self.series.factors.base.levels[0],
        )

    def summary(self) -> str:
        """Return the fit in words, as the terminal shows it."""
        scale = self.series.responses.transparency
        direction = scale.direction if scale else ""
        lines = [
            f"Clarity score, {direction}: {count_words(self.n_tiles, 'tile')} counted "
            f"in {count_words(self.n_loads, 'load')}; looks left out: {self.left_out}",
            f"Method: {METHOD_WORDS[self.regression.method]}; posterior beside it",
            self.table.to_string(index=False, float_format="{:.4g}".format, na_rep=""),
        ]
        if len(self.regression.terms):
            lines += [
                "Terms:",
                self.regression.terms.to_string(index=False, float_format="{:.4g}".format),
            ]
        lines += [f"Found: {line}" for line in self.findings]
        lines += [f"Prior: {line}" for line in self.priors.lines()]
        lines += [f"Note: {note}" for note in self.notes]
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain values, None where a value is not estimable."""
        regression = self.regression
        return {
            "schema": SCHEMA,
            "terms": list(self.terms),
            "n_tiles": self.n_tiles,
            "n_loads": self.n_loads,
            "left_out": self.left_out,
            "method": regression.method,
            "coefficients": _plain(self.table),
            "tests": _plain(regression.terms),
            "aliased": list(regression.aliased),
            "findings": list(self.findings),
            "log_likelihood": regression.mixed.log_likelihood if regression.mixed else None,
            "priors": list(self.priors.lines()),
            "notes": list(self.notes),
            "convergence": {
                "code": self.convergence.code,
                "message": self.convergence.message,
                "gradient": self.convergence.gradient,
                "effective_draws": self.convergence.effective_draws,
                "condition": self.convergence.condition,
            },
            "provenance": self.provenance.to_dict(),
        }


def _plain(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {
            str(key): (
                None if isinstance(value, float) and not np.isfinite(value) else value
            )
            for key, value in row.items()
        }
        for row in frame.to_dict("records")
    ]

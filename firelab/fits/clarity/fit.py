"""A fitted clarity regression: its table, its summary, and what a maker reads of it.

Its parameters are told on scales that any series of a kind shares, too. A score is a share
of its scale, from 0, the cloudiest, to 1, the clearest; heat is the maturity, from -1 where
the target begins to +1 where it ends. So it holds whatever range, levels and scores a
series has. Every one of them is normal under its prior, the two deviations as the normal
score of their place in a half-normal one.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from firelab.arrays import FloatArray
from firelab.craft.trade_words import Shown, count_words, note_lines
from firelab.craft.units import format_duration, format_temperature
from firelab.fits.clarity.maturity import ClarityDesign, ClarityDraws, MaturityColumn
from firelab.fits.clarity.posterior import ClarityPriors
from firelab.fits.clarity.regression import INTERCEPT, METHOD_WORDS, ClarityRegression
from firelab.fits.ordinal.what_mattered import LevelPair, level_pairs, middle_setting
from firelab.series.declared_parts import PriorSpecification
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance, plain_rows
from firelab.series.terms import coding

SCHEMA = "firelab/clarity/1"
_PART = 0.8
"""Maturity taken as early and late in the target stage (chosen here, no source)."""


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ClarityFit(Shown):
    """The clarity score explained by the terms of a series.

    Attributes
    ----------
    series : FiringSeries
    design : ClarityDesign
        Its terms, and the columns of any setting.
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
    design: ClarityDesign
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
        drawn |= dict(zip(map(str, self.design.columns), draws.coefficients.T, strict=True))
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
        """Which levels gave clearer tiles, and which cannot be told apart, in words."""
        scale = self.series.responses.transparency
        if scale is None or not self.is_informed:
            return ()
        return _clarity_differences(self.design, self.draws, sign=scale.sign)

    def summary(self) -> str:
        """Return what made tiles clearer, as lines for a terminal."""
        counted = count_words(self.n_tiles, "fused tile")
        lines = [f"Clearness, scored on {counted}:", *self.findings]
        return "\n".join([*lines, *note_lines(self.notes)])

    def details(self) -> str:
        """Return the regression's tables and the priors, for who checks."""
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
        lines += [f"Prior: {line}" for line in self.priors.lines()]
        lines += note_lines(self.regression.notes)
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain values, None where a value is not estimable."""
        regression = self.regression
        return {
            "schema": SCHEMA,
            "terms": list(dict.fromkeys(self.design.owners)),
            "n_tiles": self.n_tiles,
            "n_loads": self.n_loads,
            "left_out": self.left_out,
            "method": regression.method,
            "coefficients": plain_rows(self.table),
            "tests": plain_rows(regression.terms),
            "aliased": list(regression.aliased),
            "findings": list(self.findings),
            "log_likelihood": regression.mixed.log_likelihood if regression.mixed else None,
            "priors": list(self.priors.lines()),
            "notes": list(self.notes),
            "convergence": asdict(self.convergence),
            "provenance": self.provenance.to_dict(),
        }


def _clarity_differences(
    design: ClarityDesign, draws: ClarityDraws, *, sign: int
) -> tuple[str, ...]:
    """Say which levels gave clearer tiles, and which cannot be told apart."""
    series = design.series
    tail = (1.0 - series.window.level) / 2.0
    middle = pd.DataFrame([middle_setting(series)] * 2)
    pairs = level_pairs(series)
    if design.maturity is None:
        pairs += _heat_pairs(series)
    compared: list[tuple[str, str, FloatArray]] = []
    for one, other, levels in pairs:
        if set(levels) <= set(design.terms):
            changed = {series.column(name): values for name, values in levels.items()}
            X = design.matrix(middle.assign(**changed))
            if design.maturity is not None:
                X[:, :2] = 0.0
            compared.append((one, other, X))
    if design.maturity is not None:
        target = " or ".join(series.responses.stage.target)
        for one, other, m in (("early", "halfway", -_PART), ("halfway", "late", _PART)):
            X = np.zeros((2, len(design.columns)))
            X[0 if m < 0 else 1, :2] = m, m * m
            compared.append((one, f"{other} in {target}", X))
    shown, unsure = [], []
    for one, other, X in compared:
        score = draws.mean_score(X)
        gain = np.quantile(sign * (score[:, 1] - score[:, 0]), [tail, 1.0 - tail])
        if gain[0] <= 0.0 <= gain[1]:
            unsure.append(f"{one} or {other} (within {np.abs(gain).max():.1f} points)")
            continue
        better, worse = (other, one) if gain[0] > 0 else (one, other)
        least, most = sorted(float(points) for points in np.abs(gain))
        first = better[0].upper() + better[1:]
        shown.append(
            f"{first} instead of {worse}: {least:.1f} to {most:.1f} points clearer."
        )
    if unsure:
        shown.append(f"No difference in clearness seen: {'; '.join(unsure)}.")
    return tuple(shown)


def _heat_pairs(series: FiringSeries) -> list[LevelPair]:
    """Return the comparison of the ends of temperature, and of dwell."""
    pairs: list[LevelPair] = []
    if "temperature" in series.varied:
        cool, hot = series.span("temperature")
        words = [format_temperature(degC, series.kiln.reads) for degC in (cool, hot)]
        pairs.append((words[0], words[1], {"temperature": (cool, hot)}))
    if "dwell" in series.varied:
        short, long = series.span("dwell")
        words = [format_duration(seconds) for seconds in (short, long)]
        pairs.append((words[0], words[1], {"dwell": (short, long)}))
    return pairs


CLARITY = "clarity"
"""In the middle of the target; begins the name of every other one, too."""
CLARITY_RISE, CLARITY_PEAK = "clarity rise", "clarity peak"
"""What is gained from the beginning of the target to its end; how much clearer its middle
is than the mean of both ends."""
CLARITY_MESH = "clarity mesh"
_BY_POWER = {1: (CLARITY_RISE, 2.0), 2: (CLARITY_PEAK, -1.0)}
CLARITY_LOAD, CLARITY_TILE = "clarity between loads", "clarity between tiles"
_SURELY = 1e-12
"""Least probability that a normal score is taken of."""

Prior = tuple[float, float]
"""Mean and standard deviation."""


def clarity_deviations(scores: ArrayLike) -> FloatArray:
    """Return deviations between tiles, as shares of the scale, from their normal scores.

    Examples
    --------
    >>> clarity_deviations([0.0]).round(4)  # the median of a half-normal
    array([0.1012])
    """
    most = PriorSpecification().clarity_tile_sd
    return np.asarray(most * ndtri((ndtr(scores) + 1.0) / 2.0))


def shared_clarity(fit: ClarityFit) -> tuple[dict[str, FloatArray], dict[str, Prior]]:
    """Return the draws of a clarity fit on the shared scales, and the prior of each.

    Effects of mesh, layers and base are per doubling of the grain, per coat and from the
    first base. Both are empty where clarity does not follow maturity: the middle of the
    target is then no setting of the fit.

    Returns
    -------
    dict of str to ndarray, shape (S,)
    dict of str to (float, float)
    """
    scale = fit.series.responses.transparency
    if scale is None or fit.design.maturity is None:
        return {}, {}
    width = scale.sign * (scale.high - scale.low)
    cloudiest = scale.low if scale.sign > 0 else scale.high
    draws, stated = fit.draws, fit.priors
    values = {CLARITY: (draws.intercept - cloudiest) / width}
    priors = {CLARITY: ((stated.mean[0] - cloudiest) / width, stated.sd[0] / abs(width))}
    for place, column in enumerate(fit.design.columns):
        if isinstance(column, MaturityColumn):
            name, times = _BY_POWER[column.power]
        elif column.factor is None:
            continue
        elif column.base is None:
            name = f"{CLARITY} {column}"
            times = 1.0 / coding(fit.series, column.factor).half_width
        else:
            name, times = f"{CLARITY} {column}", 1.0
        values[name] = times * draws.coefficients[:, place] / width
        sd = abs(times) * stated.sd[1 + place] / abs(width)
        priors[name] = (times * stated.mean[1 + place] / width, float(sd))
    for name, sds, most in (
        (CLARITY_LOAD, draws.load_sd, stated.load_scale),
        (CLARITY_TILE, draws.residual_sd, stated.residual_scale),
    ):
        share = 2.0 * ndtr(sds / most) - 1.0
        values[name] = ndtri(np.clip(share, _SURELY, 1.0 - _SURELY))
        priors[name] = (0.0, 1.0)
    return values, priors

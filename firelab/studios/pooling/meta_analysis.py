r"""Edges pooled from summaries alone: an estimate and a standard error each.

Studio :math:`i` reports :math:`y_i` with standard error :math:`s_i`; the model is
:math:`y_i \sim N(\mu, \tau^2 + s_i^2)`. The mean's interval is that of Hartung
and Knapp, which keeps its level with few studios where the usual one does not, and
is never let be narrower than the fixed-effect interval: studios that happen to agree
do not know more than their own errors say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.errors import FirelabError, RecordsInsufficient

SCHEMA = "firelab/meta/1"
Method = Literal["reml", "dersimonian-laird", "paule-mandel"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MetaAnalysis:
    """A mean over studios, and what the next studio may find.

    Attributes
    ----------
    method : str
        Estimator of the variance between studios.
    n_studios : int
    mean, standard_error : float
        In the unit of the estimates; the error is Hartung and Knapp's.
    lower, upper : float
        Interval of the mean.
    next_lower, next_upper : float or None
        Prediction interval: where a further studio's own value lies; None below
        three studios, which cannot tell.
    tau, tau_lower, tau_upper : float
        Sd between studios, and its interval.
    Q, Q_p : float
        Heterogeneity statistic and its p-value.
    I2 : float
        Share of the spread that sampling does not explain, 0 to 1.
    level : float
        Of both intervals.
    weights : tuple of float
        Of each studio in the mean; they add to 1.
    """

    method: str
    n_studios: int
    mean: float
    standard_error: float
    lower: float
    upper: float
    next_lower: float | None
    next_upper: float | None
    tau: float
    tau_lower: float
    tau_upper: float
    Q: float
    Q_p: float
    I2: float
    level: float
    weights: tuple[float, ...]

    def summary(self, unit: str = "degC") -> str:
        """Return the result in one sentence."""
        further = (
            f"needs three studios, not {self.n_studios}"
            if self.next_lower is None
            else f"{self.next_lower:.1f} to {self.next_upper:.1f} {unit}"
        )
        return (
            f"{self.n_studios} studios: {self.mean:.1f} {unit} "
            f"({self.lower:.1f} to {self.upper:.1f}); a further studio {further}; "
            f"sd between studios {self.tau:.1f} {unit} "
            f"({self.tau_lower:.1f} to {self.tau_upper:.1f})"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return {
            "schema": SCHEMA,
            **{name: getattr(self, name) for name in self.__slots__ if name != "weights"},
            "weights": list(self.weights),
        }


def combine_studios(
    estimates: ArrayLike,
    standard_errors: ArrayLike,
    *,
    method: Method = "reml",
    level: float = 0.9,
) -> MetaAnalysis:
    r"""Return the random-effects mean of several studios' estimates.

    Parameters
    ----------
    estimates : array_like, shape (n,)
        One per studio, such as the low edge at one dwell, degC.
    standard_errors : array_like, shape (n,)
        Of the estimates, same unit, above 0.
    method : {'reml', 'dersimonian-laird', 'paule-mandel'}, default 'reml'
        Estimator of :math:`\tau^2`.
    level : float, default 0.9
        Of the intervals.

    Returns
    -------
    MetaAnalysis
        The prediction interval uses :math:`t_{n-2}`.

    Raises
    ------
    RecordsInsufficient
        If there are fewer than two studios.
    FirelabError
        If a value is not finite or a standard error is not above 0.

    References
    ----------
    .. [1] DerSimonian, R. & Laird, N. (1986). Meta-analysis in clinical trials.
       *Controlled Clinical Trials*, 7(3), 177-188.
    .. [2] Hartung, J. & Knapp, G. (2001). *Statistics in Medicine*, 20, 3875-3889.
    .. [3] Higgins, J. P. T., Thompson, S. G. & Spiegelhalter, D. J. (2009).
       *J. R. Stat. Soc. A*, 172(1), 137-159: the prediction interval.
    .. [4] Viechtbauer, W. (2007). *Statistics in Medicine*, 26, 37-52: the Q-profile
       interval of :math:`\tau^2`.

    Examples
    --------
    >>> print(combine_studios([752, 760, 771, 766], [3, 4, 3, 5]).summary())
    4 studios: 762.1 degC (752.2 to 772.0); a further studio 736.0 to 788.2 degC;
    sd between studios 7.8 degC (4.0 to 23.7)
    """
    y, v = _checked(estimates, standard_errors)
    from scipy.special import ndtri
    from scipy.stats import chi2
    from scipy.stats import t as student

    tau2 = {"reml": _reml, "dersimonian-laird": _one_step, "paule-mandel": _iterated}[
        method
    ](y, v)
    weights = 1 / (v + tau2)
    share = weights / weights.sum()
    mean = float(share @ y)
    n, tail = y.size, (1 - level) / 2
    error = float(np.sqrt(share @ (y - mean) ** 2 / (n - 1)))
    fixed = float(-ndtri(tail) / np.sqrt((1 / v).sum()))
    reach = max(float(student.isf(tail, n - 1)) * error, fixed)
    further = (
        float(student.isf(tail, n - 2)) * float(np.sqrt(tau2 + 1 / weights.sum()))
        if n > 2
        else None
    )
    Q = _heterogeneity(y, v)
    return MetaAnalysis(
        method=method,
        n_studios=n,
        mean=mean,
        standard_error=error,
        lower=mean - reach,
        upper=mean + reach,
        next_lower=None if further is None else mean - further,
        next_upper=None if further is None else mean + further,
        tau=float(np.sqrt(tau2)),
        tau_lower=float(np.sqrt(_spread_at(y, v, float(chi2.isf(tail, n - 1))))),
        tau_upper=float(np.sqrt(_spread_at(y, v, float(chi2.ppf(tail, n - 1))))),
        Q=Q,
        Q_p=float(chi2.sf(Q, n - 1)),
        I2=tau2 / (tau2 + _typical_variance(v)),
        level=level,
        weights=tuple(share.tolist()),
    )


def error_of_interval(lower: float, upper: float, level: float) -> float:
    """Return the standard error that a reported interval stands for.

    Parameters
    ----------
    lower, upper : float
        Ends of the interval.
    level : float
        Its level, taken as of a normal distribution.

    Examples
    --------
    >>> round(error_of_interval(750.0, 770.0, 0.9), 3)
    6.08
    """
    from scipy.special import ndtri

    return float((upper - lower) / (2 * ndtri((1 + level) / 2)))


def _checked(estimates: ArrayLike, errors: ArrayLike) -> tuple[FloatArray, FloatArray]:
    y = np.atleast_1d(np.asarray(estimates, dtype=float))
    s = np.atleast_1d(np.asarray(errors, dtype=float))
    if y.shape != s.shape or y.ndim != 1:
        raise FirelabError(
            f"{y.size} estimates have {s.size} standard errors",
            hint="give one standard error per estimate",
        )
    if y.size < 2:
        raise RecordsInsufficient(
            f"{y.size} studio cannot be pooled", hint="two studios are the fewest"
        )
    faulty = np.flatnonzero(~(np.isfinite(y) & np.isfinite(s) & (s > 0)))
    if len(faulty):
        place = faulty[0]
        raise FirelabError(
            f"studio {place + 1}: estimate {y[place]:g} with standard error {s[place]:g}",
            hint="both must be finite and the error above 0; leave out open edges",
        )
    return y, s**2


def _heterogeneity(y: FloatArray, v: FloatArray, tau2: float = 0.0) -> float:
    w = 1 / (v + tau2)
    return float(w @ (y - w @ y / w.sum()) ** 2)


def _typical_variance(v: FloatArray) -> float:
    w = 1 / v
    return float((v.size - 1) * w.sum() / (w.sum() ** 2 - (w**2).sum()))


def _one_step(y: FloatArray, v: FloatArray) -> float:
    w = 1 / v
    excess = _heterogeneity(y, v) - (y.size - 1)
    return max(0.0, excess / float(w.sum() - (w**2).sum() / w.sum()))


def _largest(y: FloatArray, v: FloatArray) -> float:
    return float(10 * (np.ptp(y) ** 2 + v.max()))


def _iterated(y: FloatArray, v: FloatArray) -> float:
    return _spread_at(y, v, float(y.size - 1))


def _spread_at(y: FloatArray, v: FloatArray, wanted: float) -> float:
    """Return the variance between studios that makes Q as large as wanted."""
    from scipy.optimize import brentq

    def excess(tau2: float) -> float:
        return _heterogeneity(y, v, tau2) - wanted

    if excess(0.0) <= 0:
        return 0.0
    top = _largest(y, v)
    while excess(top) > 0:
        top *= 10
    return float(brentq(excess, 0.0, top, xtol=1e-14, rtol=1e-13))


def _reml(y: FloatArray, v: FloatArray) -> float:
    from scipy.optimize import brentq, minimize_scalar

    def minus_log(tau2: float) -> float:
        total = v + tau2
        return float(
            np.log(total).sum() + np.log((1 / total).sum()) + _heterogeneity(y, v, tau2)
        )

    def slope(tau2: float) -> float:
        w = 1 / (v + tau2)
        off = y - w @ y / w.sum()
        return float(w.sum() - (w**2).sum() / w.sum() - (w**2) @ off**2)

    # The restricted likelihood can have two peaks; a grid finds the higher one.
    grid = np.concatenate([[0.0], np.geomspace(1e-6, 1.0, 60) * _largest(y, v)])
    best = int(np.argmin([minus_log(one) for one in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
    if slope(low) >= 0:
        return 0.0 if low == 0 else float(low)
    if slope(high) > 0:
        return float(brentq(slope, low, high, xtol=1e-14, rtol=1e-13))
    found = minimize_scalar(minus_log, bounds=(low, high), method="bounded")
    return float(found.x)


def combine_edges(measured: pd.DataFrame) -> dict[str, MetaAnalysis]:
    """Pool edges of which only estimate and interval are known.

    Parameters
    ----------
    measured : DataFrame
        Columns ``studio, material, value, lower, upper, level``, as
        `edge_measures` returns them or a table of summaries holds them.

    Returns
    -------
    dict of str to MetaAnalysis
        Material to its mean over studios; edges without a whole interval, and
        those that one studio met, are left out.

    Raises
    ------
    FirelabError
        If a column is missing or an interval is not in order.
    """
    needed = ("studio", "material", "value", "lower", "upper", "level")
    missing = [name for name in needed if name not in measured]
    if missing:
        raise FirelabError(
            f"columns {', '.join(missing)} are missing",
            hint=f"give {', '.join(needed)}; value, lower and upper in degC",
        )
    whole = measured.dropna(subset=["value", "lower", "upper", "level"])
    wrong = whole[~(whole["lower"] < whole["value"]) | ~(whole["value"] < whole["upper"])]
    if len(wrong):
        row = wrong.iloc[0]
        raise FirelabError(
            f"{row['studio']}, {row['material']}: {row['value']:g} is not between "
            f"{row['lower']:g} and {row['upper']:g}",
            hint="give the estimate between the ends of its interval",
        )
    found = {}
    for material, rows in whole.groupby("material", sort=True):
        if rows["studio"].nunique() < 2:
            continue
        errors = [
            error_of_interval(low, high, level)
            for low, high, level in zip(
                rows["lower"], rows["upper"], rows["level"], strict=True
            )
        ]
        found[str(material)] = combine_studios(rows["value"], errors)
    return found

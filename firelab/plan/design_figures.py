r"""All figures of a plan, as they stand in plan.json.

What the terms hide: where the truth holds terms :math:`X_2` that the model leaves
out, its estimates are off by :math:`(X'V^{-1}X)^{-1}X'V^{-1}X_2` times them.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray, IntArray
from firelab.plan.efficiency import Efficiency, efficiency, power_table
from firelab.plan.optimal.information import information_matrix
from firelab.plan.optimal.series_candidates import model_rows_of, series_candidates
from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import counted, heat_before
from firelab.series.terms import model_matrix, split_term, term_columns

_LEAST_SHOWN = 0.05
"""Smaller shares and correlations are left out (chosen here, no source)."""


def omitted_terms(series: FiringSeries) -> tuple[str, ...]:
    """Return the two-factor interactions and bends that the model leaves out."""
    stated = {frozenset(split_term(term)) for term in series.terms}
    joined = [":".join(pair) for pair in combinations(series.varied, 2)]
    bends = [
        f"{name}^2"
        for name in series.varied
        if name in ("temperature", "dwell")
        and (series.factors.is_range(name) or len(series.factors.levels(name)) > 2)
    ]
    return tuple(
        term for term in [*joined, *bends] if frozenset(split_term(term)) not in stated
    )


def alias_matrix(
    rows: FloatArray, omitted: FloatArray, plot: IntArray, eta: float
) -> FloatArray:
    """Return how much of each omitted column each estimate takes up, shape (p, q).

    Parameters
    ----------
    rows : ndarray, shape (n, p)
        Model columns, the intercept among them; of full rank.
    omitted : ndarray, shape (n, q)
        Columns left out.
    plot : ndarray of int, shape (n,)
        Load of each row.
    eta : float
        Variance of loads over variance within a load.
    """
    joined = information_matrix(np.column_stack([rows, omitted]), plot, eta)
    p = rows.shape[1]
    return np.asarray(np.linalg.solve(joined[:p, :p], joined[:p, p:]), dtype=float)


def _alias_table(
    series: FiringSeries, settings: pd.DataFrame, rows: FloatArray, plot: IntArray
) -> dict[str, dict[str, float]]:
    """Return, for each term, the omitted terms that it hides, with their share."""
    left_out = omitted_terms(series)
    if not left_out:
        return {}
    columns = model_matrix(series, settings, left_out)
    shares = alias_matrix(rows, columns, plot, series.plan.load_variance_ratio)
    names = [str(column) for column in term_columns(series, left_out)]
    table: dict[str, dict[str, float]] = {}
    for term, line in zip(term_columns(series, series.terms), shares[1:], strict=True):
        hidden = {
            name: round(float(share), 3)
            for name, share in zip(names, line, strict=True)
            if abs(share) > _LEAST_SHOWN
        }
        if hidden:
            table[str(term)] = hidden
    return table


def correlations(rows: FloatArray, names: Sequence[str]) -> dict[str, float]:
    """Return the correlations of pairs of term columns that are not near zero.

    Parameters
    ----------
    rows : ndarray, shape (n, p)
        Model columns, the intercept first.
    names : sequence of str, length p - 1
        Names of the others.
    """
    centred = rows[:, 1:] - rows[:, 1:].mean(axis=0)
    length = np.sqrt((centred**2).sum(axis=0))
    found = {}
    for a, b in combinations(range(len(names)), 2):
        if length[a] * length[b] > 0:
            r = float(centred[:, a] @ centred[:, b] / (length[a] * length[b]))
            if abs(r) > _LEAST_SHOWN:
                found[f"{names[a]} ~ {names[b]}"] = round(r, 3)
    return found


def inseparable_terms(rows: FloatArray, names: Sequence[str]) -> tuple[str, ...]:
    """Return the columns that a plan cannot tell from others.

    Parameters
    ----------
    rows : ndarray, shape (n, p)
    names : sequence of str, length p
    """
    _, values, right = np.linalg.svd(rows, full_matrices=True)
    rank = int((values > 1e-9 * max(values[0], 1.0)).sum())
    mixed = (np.abs(right[rank:]) > 1e-8).any(axis=0)
    return tuple(name for name, lost in zip(names, mixed, strict=True) if lost)


def seen_settings(series: FiringSeries, tiles: pd.DataFrame) -> pd.DataFrame:
    """Return the test rows of a plan with ``dwell_s`` as the dwell of the tile so far.

    Control tiles are left out. Several firings of one tile add up in the order of
    their ``order``, as `firelab.series.heat_counted` counts them.

    Parameters
    ----------
    series : FiringSeries
        Its expectation says what doubling the dwell is worth.
    tiles : DataFrame
        Rows of a plan.
    """
    own = tiles[tiles["role"] != "control"].sort_values("order")
    if own["tile"].duplicated().any():
        own = own.assign(dwell_s=_counted(own, series))
    return own.reset_index(drop=True)


def _counted(own: pd.DataFrame, series: FiringSeries) -> list[float]:
    rows = zip(
        heat_before(series.blank, own), own["temperature_degC"], own["dwell_s"], strict=True
    )
    return [counted(series.blank, *row, series.priors.doubling) for row in rows]


def _rounded(value: float) -> float:
    return float(f"{value:.6g}")


def _efficiency_figures(found: Efficiency) -> dict[str, float]:
    return {
        "D": _rounded(found.d),
        "A": _rounded(found.a),
        "G": _rounded(found.g),
        "I": _rounded(found.i),
        "ln_det": _rounded(found.log_det),
    }


def _balance_figures(
    series: FiringSeries, tiles: pd.DataFrame
) -> dict[str, dict[str, int]]:
    """Return how many test firings each level of each varied factor gets."""
    own = seen_settings(series, tiles)
    counts: dict[str, dict[str, int]] = {}
    for name in series.varied:
        found = own[series.column(name)].value_counts().sort_index()
        counts[name] = {
            f"{level:g}" if isinstance(level, float) else str(level): int(count)
            for level, count in found.items()
        }
    return counts


def design_figures(series: FiringSeries, tiles: pd.DataFrame) -> dict[str, Any]:
    """Return efficiencies, prediction variance, aliases, balance and power.

    Parameters
    ----------
    series : FiringSeries
        Its terms are the model, its levels and rules the region.
    tiles : DataFrame
        Rows of a plan.

    Returns
    -------
    dict
        Plain values; ``estimable`` is False, with the terms that cannot be told
        apart, where the plan cannot carry the model.
    """
    seen = seen_settings(series, tiles)
    rows = model_rows_of(series, seen, series.terms)
    plot = seen["load"].to_numpy(dtype=np.int64)
    columns = term_columns(series, series.terms)
    names = [str(column) for column in columns]
    eta = series.plan.load_variance_ratio
    shared = {
        "terms": list(series.terms),
        "load_variance_ratio": eta,
        "balance": _balance_figures(series, tiles),
        "correlations": correlations(rows, names),
    }
    choice = series_candidates(series)
    found = efficiency(rows, plot, eta, choice.region_rows)
    if found is None:
        lost = [
            name for name in inseparable_terms(rows, ("mean", *names)) if name != "mean"
        ]
        return {"estimable": False, "inseparable": lost, **shared}
    plain = efficiency(rows, plot, 0.0, choice.region_rows)
    # Symmetric designs tie: the first of equal places, not the one rounding favours.
    largest = found.variance >= found.variance.max() * (1 - 1e-9)
    worst = choice.region.iloc[int(largest.argmax())]
    return {
        "estimable": True,
        **shared,
        "efficiency": _efficiency_figures(found),
        "efficiency_without_loads": _efficiency_figures(plain) if plain else None,
        "prediction_variance": {
            "mean": _rounded(float(found.variance.mean())),
            "median": _rounded(float(np.median(found.variance))),
            "ninety_percent": _rounded(float(np.quantile(found.variance, 0.9))),
            "largest": _rounded(float(found.variance.max())),
            "largest_at": {name: _plain(value) for name, value in worst.items()},
        },
        "aliases": _alias_table(series, seen, rows, plot),
        "shift_sd": series.plan.shift,
        "power": power_table(rows, plot, found.covariance, columns, series.plan.shift),
    }


def _plain(value: Any) -> float | int | str:
    if isinstance(value, str):
        return value
    number = float(value)
    return int(number) if number.is_integer() else number

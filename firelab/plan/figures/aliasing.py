r"""What a plan's terms hide: terms left out of the model, and each other.

Where the truth holds terms :math:`X_2` that the model leaves out, its estimates
are off by :math:`(X'V^{-1}X)^{-1}X'V^{-1}X_2` times them.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.plan.optimal.information import information_matrix
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import model_matrix, split_term, term_columns

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_WORTH_TELLING = 0.05


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


def alias_table(
    series: FiringSeries, settings: pd.DataFrame, rows: FloatArray, plot: IntArray
) -> dict[str, dict[str, float]]:
    """Return, for each term, the omitted terms that it hides, with their share.

    Parameters
    ----------
    series : FiringSeries
    settings : DataFrame, n rows
        As ``seen_settings`` gives them.
    rows : ndarray, shape (n, p)
        Their model columns, of full rank.
    plot : ndarray of int, shape (n,)
        Their loads.
    """
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
            if abs(share) > _WORTH_TELLING
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
    told = {}
    for a, b in combinations(range(len(names)), 2):
        if length[a] * length[b] > 0:
            r = float(centred[:, a] @ centred[:, b] / (length[a] * length[b]))
            if abs(r) > _WORTH_TELLING:
                told[f"{names[a]} ~ {names[b]}"] = round(r, 3)
    return told


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

"""All figures of a plan, as they stand in plan.json.

What each look at a tile stands for: the heat it has had, the load, the tile.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from firelab.plan.figures.aliasing import alias_table, correlations, inseparable_terms
from firelab.plan.figures.efficiency import Efficiency, efficiency, power_table
from firelab.plan.optimal.series_candidates import model_rows_of, series_candidates
from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import counted, heat_before
from firelab.series.terms import term_columns


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


def balance_figures(series: FiringSeries, tiles: pd.DataFrame) -> dict[str, dict[str, int]]:
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
        "balance": balance_figures(series, tiles),
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
        "aliases": alias_table(series, seen, rows, plot),
        "shift_sd": series.plan.shift,
        "power": power_table(rows, plot, found.covariance, columns, series.plan.shift),
    }


def _plain(value: Any) -> float | int | str:
    if isinstance(value, str):
        return value
    number = float(value)
    return int(number) if number.is_integer() else number

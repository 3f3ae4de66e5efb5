"""What the firing order costs, and what it leaves open."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.plan.kiln_time import firing_seconds
from firelab.series.firing_series import FiringSeries


def order_figures(
    series: FiringSeries, tiles: pd.DataFrame
) -> dict[str, float | int | str]:
    """Return changes of temperature, hours, and what the order is confounded with.

    Parameters
    ----------
    series : FiringSeries
    tiles : DataFrame
        Rows of a plan.

    Returns
    -------
    dict
        ``how``; ``changes`` of temperature, heating up among them; ``hours`` of
        the test firings and ``hours_low_to_high`` if each session went from low
        to high; ``correlation``, of temperature with the place of the load in
        its session, over all loads.
    """
    loads = tiles.drop_duplicates("load").sort_values("load")
    sorted_loads = loads.sort_values(["session", "temperature_degC"], kind="stable")
    return {
        "how": series.plan.order,
        "changes": _changes(loads),
        "hours": round(firing_seconds(series, tiles) / 3600.0, 3),
        "hours_low_to_high": round(
            (
                firing_seconds(series, tiles)
                - (_changes(loads) - _changes(sorted_loads)) * series.budget.change
            )
            / 3600.0,
            3,
        ),
        "correlation": order_correlation(loads),
    }


def _changes(loads: pd.DataFrame) -> int:
    here = list(zip(loads["session"], loads["temperature_degC"], strict=True))
    return sum(now != before for before, now in zip([None, *here], here, strict=False))


def order_correlation(loads: pd.DataFrame) -> float:
    """Return the correlation of temperature with the place of a load in its session.

    Parameters
    ----------
    loads : DataFrame
        ``session`` and ``temperature_degC`` of each load in firing order; both
        places and temperatures are taken from their session's mean.
    """
    place = loads.groupby("session").cumcount().to_numpy(dtype=float)
    group = loads["session"].to_numpy()
    heat = loads["temperature_degC"].to_numpy(dtype=float)
    for session in np.unique(group):
        mine = group == session
        place[mine] -= place[mine].mean()
        heat = np.where(mine, heat - heat[mine].mean(), heat)
    size = float(np.sqrt((place**2).sum() * (heat**2).sum()))
    return round(float(place @ heat) / size, 3) if size > 0 else 0.0


def order_note(figures: dict[str, float | int | str]) -> str:
    """Say how the firing order was chosen and what that costs."""
    low, hours = float(figures["hours_low_to_high"]), float(figures["hours"])
    r = float(figures["correlation"])
    if figures["how"] == "low to high":
        return (
            f"Order: low to high within each session, {figures['changes']} changes of "
            f"temperature. A drift of kiln or eye within a session cannot be told from "
            f"temperature (correlation {r:.2f}); a random order could."
        )
    more = max(hours - low, 0.0)
    cost = f"{more:.1f} h more" if more >= 0.05 else "no more time"
    return (
        f"Order: loads at random within each session (orders that climb or fall were "
        f"drawn again; correlation of place with temperature {r:.2f}), tiles at random "
        f"within a load. It costs {cost} than low to high, "
        "and keeps a drift of kiln or eye apart from temperature."
    )

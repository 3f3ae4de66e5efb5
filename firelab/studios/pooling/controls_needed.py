"""How many control tiles a new studio needs before it can use a window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.craft.units import format_temperature
from firelab.series.terms import model_matrix
from firelab.studios.pooling.new_studio import (
    NewStudio,
    before_controls,
    control_settings,
    load_log_likelihood,
    weighted_interval,
)
from firelab.studios.pooling.pool_fit import PooledStage
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.edges.target_span import target_span
from firelab.windows.firing_windows import firing_windows

FloatArray = NDArray[np.float64]

ENOUGH = 0.8
"""Wanted chance that the new studio ends with an assured temperature."""
_GRID = 61


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ControlsNeeded:
    """What control tiles would teach a new studio, on average.

    Attributes
    ----------
    settings_degC : tuple of float
        Where the kiln should read, one tile each, in this order.
    dwell_s : float
        Of the control tiles, and of the window asked for.
    counts : DataFrame
        ``controls, width_degC, assured``: number of tiles, mean width of the
        interval of the shift, and the chance that some temperature is assured
        at that dwell.
    needed : int or None
        Fewest tiles with a chance of at least `ENOUGH`; None if more than tried.
    with_own_colour : bool
        Whether the tiles are of the colour itself, where no control is shared.
    """

    settings_degC: tuple[float, ...]
    dwell_s: float
    counts: pd.DataFrame
    needed: int | None
    with_own_colour: bool

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the counts."""
        return self.counts.copy()

    def summary(self) -> str:
        """Return the need as lines for a terminal."""
        what = "tiles of the colour itself" if self.with_own_colour else "control tiles"
        lines = [
            f"{int(row['controls'])} {what}: shift known to {row['width_degC']:.0f} degC, "
            f"an assured temperature in {100 * row['assured']:.0f} of 100 studios"
            for row in self.counts.to_dict("records")
        ]
        if self.needed is None:
            lines.append(f"more than {len(self.settings_degC)} would be needed")
        elif self.needed == 0:
            lines.append("the window can be used without any")
        else:
            told = ", ".join(map(format_temperature, self.settings_degC[: self.needed]))
            lines.append(f"a new studio needs {self.needed}: fire them at {told}")
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the need as plain values."""
        return {
            "schema": "firelab/controls-needed/1",
            "settings_degC": list(self.settings_degC),
            "dwell_s": self.dwell_s,
            "counts": self.counts.to_dict("records"),
            "needed": self.needed,
            "with_own_colour": self.with_own_colour,
        }


def controls_needed(
    pool: PooledStage,
    *,
    rng: np.random.Generator,
    most: int = 6,
    n_studios: int = 100,
) -> ControlsNeeded:
    """Simulate new studios and tell what each further control tile gives.

    Parameters
    ----------
    pool : PooledStage
    rng : numpy.random.Generator
    most : int, default 6
        Tiles tried.
    n_studios : int, default 100
        Studios simulated, from the pooled spread.

    Returns
    -------
    ControlsNeeded
        For the dwell at which the pooled window is most sure.
    """
    best = firing_windows(pool.on_average()).windows[0]
    dwell_s = best.best.dwell_s
    settings = control_settings(pool, dwell_s, most)
    believed = before_controls(pool, rng=rng)
    likely = _likely_enough(believed, best.setting, dwell_s)
    logs = [_log_each_grade(believed, degC, dwell_s, best.setting) for degC in settings]
    truth = rng.choice(believed.draw.size, size=n_studios, replace=False)
    graded = [_graded(one[truth], rng) for one in logs]
    rows = []
    for count in range(most + 1):
        told = [
            _width_and_assurance(
                believed, likely, logs[:count], [one[place] for one in graded[:count]]
            )
            for place in range(n_studios)
        ]
        width, assured = np.mean(told, axis=0)
        rows.append(
            {"controls": count, "width_degC": float(width), "assured": float(assured)}
        )
    enough = [count for count, row in enumerate(rows) if row["assured"] >= ENOUGH]
    return ControlsNeeded(
        settings_degC=settings,
        dwell_s=dwell_s,
        counts=pd.DataFrame(rows),
        needed=enough[0] if enough else None,
        with_own_colour=not pool.has_control,
    )


def _width_and_assurance(
    believed: NewStudio,
    likely: FloatArray,
    logs: Sequence[FloatArray],
    grades: Sequence[int],
) -> tuple[float, bool]:
    """Return the width of the shift's interval, and whether a firing is assured."""
    window = believed.pool.shared.series.window
    total = np.zeros(believed.draw.size)
    for one, grade in zip(logs, grades, strict=True):
        total = total + one[:, grade]
    weights = np.exp(total - total.max())
    weights /= weights.sum()
    shift = believed.total * believed.pool.half_range_degC
    low, _, high = weighted_interval(shift, weights, window.level)
    return high - low, bool((weights @ likely).max() >= window.confidence)


def _likely_enough(
    believed: NewStudio, setting: Mapping[str, Any], dwell_s: float
) -> FloatArray:
    """Tell where the target is as likely as asked, 1 or 0, rows by temperatures."""
    pool = believed.pool
    series = pool.shared.series
    temperatures = np.linspace(*series.span("temperature"), _GRID)
    frame = settings_at(setting, temperatures, np.full(_GRID, dwell_s))
    first, last = series.responses.stage.target_span
    span = target_span(pool.draws, first, last, series.window.probability)
    eta = pool.draws.linear(model_matrix(series, frame, pool.terms))[believed.draw]
    eta += (pool.steepness[believed.draw] * believed.total)[:, None]
    low, high = span.low[believed.draw, None], span.high[believed.draw, None]
    return np.asarray((eta >= low) & (eta <= high), dtype=float)


def _log_each_grade(
    believed: NewStudio, degC: float, dwell_s: float, setting: Mapping[str, Any]
) -> FloatArray:
    """Return the log probability of every grade of one tile, shape (N, J)."""
    pool = believed.pool
    tile = settings_at(setting, [degC], [dwell_s]).assign(
        role="control" if pool.has_control else "test", load=0
    )
    grades = pool.shared.series.responses.stage.grades
    columns = [load_log_likelihood(believed, tile.assign(stage=one)) for one in grades]
    return np.stack(columns, axis=1)


def _graded(logs: FloatArray, rng: np.random.Generator) -> list[int]:
    """Draw a grade for each row of log probabilities."""
    reached = np.exp(logs).cumsum(axis=1)
    drawn = rng.random(len(logs)) * reached[:, -1]
    return [int(place) for place in (drawn[:, None] > reached).sum(axis=1)]

"""Response surfaces: central composite of temperature and dwell, and Box-Behnken."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.craft.units import format_duration, format_temperature
from firelab.plan.infeasible import Conflict, InfeasiblePlan, of_kind
from firelab.plan.kinds.kind import (
    Level,
    PlanKind,
    Proposal,
    cross_with_mixes,
    keep_allowed,
    middle_level,
    other_mixes,
    require_varied,
    three_level_factors,
)
from firelab.plan.pydoe import box_behnken, central_composite
from firelab.series.factors import COLUMN_OF, FactorName
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import settable_dwell, settable_temperature
from firelab.series.terms import coding

_CENTRAL_COMPOSITE_NAME = "central-composite"
DEFAULT_CENTRE = 3
"""Firings of the centre (common practice, no source)."""
_OUTER = 8
"""Corners and axis points of two factors."""
_SAME = 0.01
"""degC or s within which a value is a stated level: a plan's own rounding."""


def propose_central_composite(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return corners, axis points and centre over temperature and dwell.

    Rotatable and inscribed: nothing is fired outside the series' range. Every
    mix of the other factors gets the same points. `n_tiles` sets how often the
    centre is fired; `rng` is not used.
    """
    require_varied(series, 2, _CENTRAL_COMPOSITE_NAME)
    n_mixes = len(other_mixes(series, ("temperature", "dwell")))
    centre = _n_centre(series, n_tiles, n_mixes, _OUTER)
    points = central_composite(centre)
    heat, time = coding(series, "temperature"), coding(series, "dwell")
    degC = heat.centre + points[:, 0] * heat.half_width
    dwell_s = np.exp(time.centre + points[:, 1] * time.half_width)
    low_s, high_s = series.span("dwell")
    frame = pd.DataFrame(
        {
            "temperature_degC": [settable_temperature(series, t) for t in degC],
            "dwell_s": [
                settable_dwell(series, min(max(d, low_s), high_s)) for d in dwell_s
            ],
        }
    )
    settings = cross_with_mixes(series, ("temperature", "dwell"), frame)
    return keep_allowed(series, settings, notes=_between_levels(series, settings))


def _n_centre(series: FiringSeries, n_tiles: int | None, n_mixes: int, outer: int) -> int:
    """Return how often each mix fires the centre: as stated, or what the size leaves."""
    if series.plan.centre is not None:
        return series.plan.centre
    return DEFAULT_CENTRE if n_tiles is None else max(1, n_tiles // n_mixes - outer)


def _between_levels(series: FiringSeries, settings: pd.DataFrame) -> list[str]:
    """Say which temperatures and dwells are fired that the series does not state."""
    apart = []
    names: tuple[FactorName, ...] = ("temperature", "dwell")
    for name in names:
        stated = np.array(series.factors.levels(name), dtype=float)
        fired = np.unique(settings[COLUMN_OF[name]].astype(float))
        between = fired[np.abs(fired[:, None] - stated).min(axis=1) > _SAME]
        if not series.factors.is_range(name) and len(between):
            words = [
                format_temperature(one, series.kiln.reads)
                if name == "temperature"
                else format_duration(one)
                for one in between
            ]
            apart.append(f"{name} {', '.join(words)}")
    if not apart:
        return []
    return [f"Between the stated levels it fires {' and '.join(apart)}."]


CENTRAL_COMPOSITE = PlanKind(
    name=_CENTRAL_COMPOSITE_NAME,
    description="corners, axis points and centre over temperature and dwell",
    propose=propose_central_composite,
)


_BOX_BEHNKEN_NAME = "box-behnken"


def propose_box_behnken(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return edge middles and centre over every factor of three levels.

    No tile is fired at a corner, where everything is extreme at once. Every
    mix of the other factors gets the same points. `n_tiles` sets how often the
    centre is fired; `rng` is not used.
    """
    names = three_level_factors(series)
    if len(names) < 3:
        raise InfeasiblePlan(
            "a box-behnken plan needs three ordered factors with three levels",
            [
                Conflict(
                    path=("factors",), says=f"only {', '.join(names) or 'none'} has them"
                )
            ],
            "a central-composite plan over temperature and dwell",
            series=of_kind(series, "central-composite"),
        )
    n_mixes = max(len(other_mixes(series, names)), 1)
    outer = len(box_behnken(len(names), 1)[0]) - 1
    centre = _n_centre(series, n_tiles, n_mixes, outer)
    signs, fault = box_behnken(len(names), centre)
    columns: dict[str, list[Level]] = {}
    for place, name in enumerate(names):
        low, high = series.span(name)
        levels: dict[int, Level] = {-1: low, 0: middle_level(series, name), 1: high}
        columns[COLUMN_OF[name]] = [levels[int(sign)] for sign in signs[:, place]]
    settings = cross_with_mixes(series, names, pd.DataFrame(columns))
    notes = [f"{fault}; our own construction took its place."] if fault else []
    return keep_allowed(series, settings, notes=notes)


BOX_BEHNKEN = PlanKind(
    name=_BOX_BEHNKEN_NAME,
    description="edge middles and centre over three or four ordered factors",
    propose=propose_box_behnken,
)

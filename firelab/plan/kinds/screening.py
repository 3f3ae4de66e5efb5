"""Screening: Plackett-Burman at two ends, and L18 at low, middle and high."""

from __future__ import annotations

import numpy as np

from firelab.plan.infeasible import Conflict, InfeasiblePlan, with_levels
from firelab.plan.kinds.kind import (
    Level,
    PlanKind,
    Proposal,
    keep_allowed,
    middle_level,
    require_varied,
    settings_of_levels,
    settings_of_signs,
    with_centre,
)
from firelab.plan.pydoe.designs import PLACKETT_BURMAN_SIZES, l18, plackett_burman
from firelab.series.factors import FactorName
from firelab.series.firing_series import FiringSeries

_PLACKETT_BURMAN_NAME = "plackett-burman"
DEFAULT_RUNS = 12
"""The smallest that screens more factors than a series has (chosen here, no source)."""
SCREENING_NOTE = (
    "Screening: main effects only; each hides parts of many two-factor effects."
)


def propose_plackett_burman(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return a Plackett-Burman plan, of 12 runs where no size is named.

    The largest of 8, 12, 16, 20 and 24 runs that `n_tiles` allows is taken;
    `rng` is not used.
    """
    require_varied(series, 2, _PLACKETT_BURMAN_NAME)
    wanted = DEFAULT_RUNS if n_tiles is None else n_tiles - (series.plan.centre or 0)
    n_runs = max(
        (size for size in PLACKETT_BURMAN_SIZES if size <= wanted),
        default=PLACKETT_BURMAN_SIZES[0],
    )
    signs, fault = plackett_burman(len(series.varied), n_runs)
    settings = settings_of_signs(series, series.varied, signs, _PLACKETT_BURMAN_NAME)
    settings, bends = with_centre(series, settings)
    notes = [SCREENING_NOTE, bends]
    if fault:
        notes.append(f"{fault}; the cyclic construction took its place.")
    return keep_allowed(series, settings, notes=notes)


PLACKETT_BURMAN = PlanKind(
    name=_PLACKETT_BURMAN_NAME,
    description="screening at two ends in 8, 12, 16, 20 or 24 tiles",
    propose=propose_plackett_burman,
)


_L18_NAME = "l18"


def _three_levels(series: FiringSeries, name: FactorName) -> tuple[Level, ...]:
    """Return two or three levels of a factor: low, middle, high."""
    levels = series.factors.levels(name)
    if name == "base":
        if len(levels) > 3:
            raise InfeasiblePlan(
                "an l18 plan takes three levels of each factor",
                [Conflict(path=("factors", "base"), says=f"has {len(levels)} bases")],
                f"three bases, {', '.join(map(str, levels[:3]))}",
                series=with_levels(series, "base", levels[:3]),
            )
        return levels
    if not series.factors.is_range(name) and len(levels) == 2:
        return tuple(sorted(levels))
    low, high = series.span(name)
    ends: tuple[Level, Level] = (low, high)
    if name in ("mesh", "layers"):
        ends = (int(low), int(high))
    return ends[0], middle_level(series, name), ends[1]


def propose_l18(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return the 18 settings; the size is fixed and `rng` is not used.

    The first factor with two levels takes the column of two; a further one
    takes a column of three and stands at its first level twice as often, which
    keeps it orthogonal to the rest.
    """
    require_varied(series, 1, _L18_NAME)
    array = l18()
    levels = {name: _three_levels(series, name) for name in series.varied}
    pairs = [name for name, has in levels.items() if len(has) == 2]
    in_two = pairs[0] if pairs else None
    free = iter(range(1, array.shape[1]))
    columns: dict[FactorName, list[Level]] = {}
    for name, has in levels.items():
        chosen = array[:, 0] if name == in_two else array[:, next(free)]
        columns[name] = [has[int(number) % len(has)] for number in chosen]
    settings = settings_of_levels(series, columns)
    return keep_allowed(series, settings, notes=[SCREENING_NOTE])


SCREENING_L18 = PlanKind(
    name=_L18_NAME,
    description="screening at low, middle and high in 18 tiles",
    propose=propose_l18,
)

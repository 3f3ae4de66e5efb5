"""Plackett-Burman screening: each factor at its two ends, few tiles."""

from __future__ import annotations

import numpy as np

from firelab.plan.kinds.kind import PlanKind, Proposal, keep_allowed
from firelab.plan.kinds.two_ends import require_varied, settings_of_signs
from firelab.plan.pydoe.screening import PLACKETT_BURMAN_SIZES, plackett_burman
from firelab.series.firing_series import FiringSeries

NAME = "plackett-burman"
DEFAULT_RUNS = 12
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
    require_varied(series, 2, NAME)
    wanted = n_tiles or DEFAULT_RUNS
    n_runs = max(
        (size for size in PLACKETT_BURMAN_SIZES if size <= wanted),
        default=PLACKETT_BURMAN_SIZES[0],
    )
    signs, fault = plackett_burman(len(series.varied), n_runs)
    settings = settings_of_signs(series, series.varied, signs, NAME)
    notes = [SCREENING_NOTE]
    if fault:
        notes.append(f"{fault}; the cyclic construction took its place.")
    return keep_allowed(series, settings, notes=notes)


PLACKETT_BURMAN = PlanKind(
    name=NAME,
    description="screening at two ends in 8, 12, 16, 20 or 24 tiles",
    propose=propose_plackett_burman,
)

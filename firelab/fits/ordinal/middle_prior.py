r"""Where the middle of full is believed to be, in degC, as a prior of a stage fit.

The parameters hold the mean of the thresholds in half ranges of the steepest column.
A belief is of the middle of a grade at a usual time; the two lie apart by what the
widths of the grades, at their prior means, put between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_difference,
    to_degC,
)
from firelab.fits.ordinal.priors import FULL, half_range_degC, inner_widths
from firelab.plan.plan import Plan
from firelab.series.declared_parts import PriorSpecification
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import ModelColumn, coding

USUAL_DWELL_S = 135.0
"""The usual time in the kiln, 2 min 15 s (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualFiring:
    """Where full is believed to lie at the usual time.

    Attributes
    ----------
    middle_degC : float
        Middle of full.
    sd_degC : float
        Standard deviation of that from jar to jar.
    """

    middle_degC: float
    sd_degC: float


_MIDDLE_DEGF = {"opaque": 1375.0, "opalescent": 1400.0, "transparent": 1425.0}
"""On copper: opaques at 1350 to 1400 degF, transparents hotter or longer, opalescents
between (common practice, no source)."""
_HOTTER_DEGF = {"steel": 75.0}
"""How much hotter than on copper; the other metals carry the same enamels (common
practice, no source)."""
_SD_DEGF, _LESS_KNOWN_SD_DEGF = 35.0, 45.0
"""Of opaques on copper: two jars of three within a range as wide again as the trade's 50
degF, and one 60 degF off no rarer than 1 in 11; of everything else (common practice at
best, chosen here)."""


def usual_firing(kind: str, metal: str) -> UsualFiring:
    """Return where the trade fires a kind of enamel on a metal.

    Parameters
    ----------
    kind : {'opaque', 'transparent', 'opalescent'}
    metal : str
        One of ``firelab.craft.materials.METALS``.

    Examples
    --------
    >>> opaque = usual_firing("opaque", "copper")
    >>> round(opaque.middle_degC), round(opaque.sd_degC)
    (746, 19)
    """
    best_known = kind == "opaque" and metal == "copper"
    return UsualFiring(
        middle_degC=to_degC(_MIDDLE_DEGF[kind] + _HOTTER_DEGF.get(metal, 0.0)),
        sd_degC=(_SD_DEGF if best_known else _LESS_KNOWN_SD_DEGF) / 1.8,
    )


_TRADE_WIDTHS: dict[str, float] = {
    "full_width": 42.0,
    "full_width_spread": 0.3,
    "grade_width": 26.0,
    "grade_width_spread": 0.4,
    "blur_spread": 0.4,
}
"""Of enamels on metal, degC apart and spreads of their logarithms: full is 75 degF wide, in
four jars of five 50 to 110, and orange peel 47 (common practice, no source). Chosen on
colours 2000 to 2049 of two kilns of analyses/working_kiln: with the widths of a plan that
spreads its tiles over the range, odds of 35 in 100 were told where .55 to .60 was true."""
_DEFAULT = PriorSpecification()


def is_sequential(plan: Plan | None) -> bool:
    """Tell whether there is a plan, and it is of one tile at a time."""
    return plan is not None and plan.is_sequential


def with_trade_priors(series: FiringSeries, plan: Plan | None) -> FiringSeries:
    """Return the series with what the trade says as its prior, where it has none.

    Only where tiles are chosen one at a time: any other plan spreads its tiles over the
    range whatever is believed, and its looks soon weigh more than the belief.

    Parameters
    ----------
    series : FiringSeries
        A middle that it states stays; the trade's is held inside its range of
        temperature.
    plan : Plan or None
        Its kind decides.
    """
    stated = series.priors
    if not is_sequential(plan) and stated.middle is None:
        return series
    usual = usual_firing(series.enamel.kind, series.blank.metal)
    middle = stated.middle
    if middle is None:
        coolest, hottest = series.span("temperature")
        middle = min(max(usual.middle_degC, coolest), hottest)
    priors = replace(stated, middle=middle, middle_sd=stated.middle_sd or usual.sd_degC)
    if is_sequential(plan):
        left: dict[str, Any] = {
            name: value
            for name, value in _TRADE_WIDTHS.items()
            if getattr(stated, name) == getattr(_DEFAULT, name)
        }
        priors = replace(priors, **left)
    return replace(series, priors=priors)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacePrior:
    """Prior of the mean of the thresholds.

    Attributes
    ----------
    mean, sd : float
        Half ranges of the steepest column.
    words : str
        One line.
    """

    mean: float
    sd: float
    words: str


def place_prior(series: FiringSeries, columns: tuple[ModelColumn, ...]) -> PlacePrior:
    """Return the prior of the place: from a stated middle, or in half ranges.

    Parameters
    ----------
    series : FiringSeries
        ``priors.middle`` and ``priors.middle_sd`` as `with_trade_priors` fills them.
    columns : tuple of ModelColumn
    """
    stated, half_degC = series.priors, half_range_degC(series, columns)
    if stated.middle is None or stated.middle_sd is None:
        return PlacePrior(
            mean=stated.place,
            sd=stated.place_spread,
            words=(
                f"middle of the scale: {stated.place:g} +/- {stated.place_spread:g} half "
                "ranges from the middle of the fired range"
            ),
        )
    centre_s = float(np.exp(coding(series, "dwell").centre))
    longer = stated.doubling * np.log2(centre_s / USUAL_DWELL_S)
    from_centre = stated.middle - longer - coding(series, "temperature").centre
    grade, above_mean = _middle_above_mean(series)
    return PlacePrior(
        mean=float(from_centre - above_mean) / half_degC,
        sd=stated.middle_sd / half_degC,
        words=(
            f"middle of {grade} at {format_duration(USUAL_DWELL_S)}: "
            f"{format_temperature(stated.middle, series.kiln.reads)} +/- "
            f"{format_temperature_difference(stated.middle_sd, series.kiln.reads)}"
        ),
    )


def _middle_above_mean(series: FiringSeries) -> tuple[str, float]:
    """Return full, else the target, and how far its middle is above the thresholds' mean.

    An end of it that the scale does not have counts as half a width beyond the other.
    """
    stage = series.responses.stage
    first, last = stage.target_span
    if FULL in stage.grades:
        first = last = stage.grades.index(FULL)
    n_thresholds = len(stage.grades) - 1
    median, spread = inner_widths(series)
    widths = median * np.exp(0.5 * spread**2)
    places = np.concatenate([[0.0], np.cumsum(widths)])
    places -= places.mean()
    width = float(widths.mean()) if len(widths) else series.priors.grade_width
    low = places[first - 1] if first > 0 else places[last] - width
    high = places[last] if last < n_thresholds else places[first - 1] + width
    name = FULL if FULL in stage.grades else " or ".join(stage.target)
    return name, float(0.5 * (low + high))

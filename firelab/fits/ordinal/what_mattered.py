"""What mattered for the stage, in the kiln's degrees: what a fit is told by first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray
from firelab.craft.degrees import format_difference_range
from firelab.craft.trade_words import base_words, layers_words
from firelab.craft.units import format_temperature_difference
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.series.factors import FactorName
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import model_matrix

LevelPair = tuple[str, str, dict[FactorName, tuple[Any, Any]]]
"""Two levels in words, and as values of their factor."""

_HOTTER = {"degF": 10.0 / 1.8, "degC": 5.0}
"""Step of temperature that dwells are compared with, degC (chosen here, no source)."""
_TINY = 1e-3
"""Smallest slope, latent units per degC, that a difference is divided by: below it heat
does nothing, and no number of degrees makes a difference good (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeviationDraws:
    """Posterior draws of one kind of random effect.

    Attributes
    ----------
    sd_degC : ndarray, shape (S,)
        Standard deviation, degC.
    groups : tuple of str
        What the deviations belong to, g of them.
    degC : ndarray, shape (S, g)
        As if how much hotter than it reads each of them were.
    """

    sd_degC: FloatArray
    groups: tuple[str, ...]
    degC: FloatArray

    @property
    def means_degC(self) -> dict[str, float]:
        """Posterior mean of each, degC."""
        return dict(zip(self.groups, self.degC.mean(axis=0).tolist(), strict=True))


def middle_setting(series: FiringSeries) -> dict[str, Any]:
    """Return the setting that differences are counted at: mid-range, first of each kind."""
    factors, (short, long) = series.factors, series.span("dwell")
    return {
        "temperature_degC": sum(series.span("temperature")) / 2.0,
        "dwell_s": float(np.sqrt(short * long)),
        "mesh": factors.levels("mesh")[0],
        "layers": factors.levels("layers")[0],
        "base": factors.levels("base")[0],
    }


def level_pairs(
    series: FiringSeries,
) -> list[LevelPair]:
    """Return every comparison of two levels of mesh, coats or base."""
    named: dict[FactorName, Callable[[Any], str]] = {
        "mesh": lambda level: f"{level} mesh",
        "layers": layers_words,
        "base": base_words,
    }
    pairs: list[LevelPair] = []
    for factor, words in named.items():
        if factor in series.varied:
            levels = series.factors.levels(factor)
            pairs += [
                (words(one), words(other), {factor: (one, other)})
                for one, other in combinations(levels, 2)
            ]
    return pairs


def compared(
    series: FiringSeries, terms: Sequence[str], changes: Mapping[Any, Sequence[Any]]
) -> FloatArray:
    """Return the coded columns of the middle setting with some columns changed.

    Returns
    -------
    ndarray, shape (n, p)
        One row per value of `changes`.
    """
    n = len(next(iter(changes.values())))
    rows = pd.DataFrame([middle_setting(series)] * n).assign(**changes)
    return model_matrix(series, rows, terms)


def stage_differences(
    series: FiringSeries, terms: Sequence[str], draws: StageDraws
) -> tuple[str, ...]:
    """Say what mattered for the stage, each difference as the heat that makes it good.

    Parameters
    ----------
    series : FiringSeries
        Its kiln's unit, and the level of the intervals.
    terms : sequence of str
        Of the fit that made the draws.
    draws : StageDraws

    Returns
    -------
    tuple of str
        At mid-range of temperature and dwell, one sentence per pair of levels.
    """
    if "temperature" not in terms:
        return ()
    middle, reads = middle_setting(series), series.kiln.reads
    tail = (1.0 - series.window.level) / 2.0
    step = _HOTTER[reads]
    heat = [middle["temperature_degC"] - step / 2, middle["temperature_degC"] + step / 2]
    ends = draws.linear(compared(series, terms, {"temperature_degC": heat}))
    per_degC = np.maximum((ends[:, 1] - ends[:, 0]) / step, _TINY)
    lines = []
    if "dwell" in terms:
        seconds = middle["dwell_s"] * np.array([np.exp(-0.05), np.exp(0.05)])
        ends = draws.linear(compared(series, terms, {"dwell_s": seconds}))
        per_ln = np.maximum((ends[:, 1] - ends[:, 0]) / 0.1, _TINY)
        longer = middle["dwell_s"] * np.expm1(np.minimum(step * per_degC / per_ln, 5.0))
        low, mid, high = np.quantile(longer, [tail, 0.5, 1.0 - tail])
        lines.append(
            f"{format_temperature_difference(step, reads)} hotter does as much as "
            f"{mid:.0f} s longer ({low:.0f} to {high:.0f})."
        )
    for one, other, levels in level_pairs(series):
        if not set(levels) <= set(terms):
            continue
        ends = draws.linear(compared(series, terms, dict(levels)))
        degC = -(ends[:, 1] - ends[:, 0]) / per_degC
        lines.append(
            _difference_words(one, other, np.quantile(degC, [tail, 0.5, 1 - tail]), reads)
        )
    return tuple(lines)


_TELLING = 0.05
"""Probability on the wrong side of nothing up to which a deviation is spoken of: the end
of a 90 % interval (a convention)."""
LIKELY_SLIP = 0.5
"""Posterior probability above which a look is asked back: more likely a slip than not."""


def deviation_lines(
    series: FiringSeries, deviations: Mapping[str, DeviationDraws]
) -> tuple[str, ...]:
    """Say what the fit found of sessions, loads, places and people, in the kiln's unit.

    Parameters
    ----------
    series : FiringSeries
    deviations : mapping of str to DeviationDraws
        By kind: session, load, place, observer.
    """
    reads, lines = series.kiln.reads, []
    tail = (1.0 - series.window.level) / 2.0
    sessions = deviations.get("session")
    if sessions is not None and len(sessions.groups) > 1:
        low, middle, high = np.quantile(sessions.sd_degC, [tail, 0.5, 1.0 - tail])
        lines.append(
            f"Your kiln differed by about {format_temperature_difference(middle, reads)} "
            f"between sessions ({format_difference_range(low, high, reads)})."
        )
    for kind in _GROUP_WORDS:
        found = deviations.get(kind)
        if found is None or len(found.groups) < 2:
            continue
        for name, degC in _apart(found).items():
            if min((degC >= 0).mean(), (degC <= 0).mean()) > _TELLING:
                continue
            found_degC = np.quantile(degC, [0.5, tail, 1.0 - tail])
            lines.append(_as_if(kind, name, found_degC, reads))
    return tuple(lines)


def _as_if(kind: str, name: object, degC: Sequence[float] | FloatArray, reads: str) -> str:
    """Say by how much one stands out: the middle and the ends of its interval."""
    middle, least, most = degC[0], *sorted(map(abs, degC[1:]))
    return _GROUP_WORDS[kind][int(middle > 0)].format(
        name=name,
        degrees=format_temperature_difference(abs(middle), reads),
        range=format_difference_range(least, most, reads),
    )


def _apart(found: DeviationDraws) -> dict[str, FloatArray]:
    """Return how far each group lies from the usual one, by name, degC, shape (S,).

    The usual one is the median: one that stands out does not make the others do so. Of
    two the hotter is held to the other.
    """
    if len(found.groups) == 2:
        hotter = int(found.degC[:, 1].mean() > found.degC[:, 0].mean())
        return {found.groups[hotter]: found.degC[:, hotter] - found.degC[:, 1 - hotter]}
    apart = found.degC - np.median(found.degC, axis=1, keepdims=True)
    return dict(zip(found.groups, apart.T, strict=True))


_GROUP_WORDS = {
    "place": (
        "Place {name} of the rack is {degrees} cooler than the others ({range}): leave it "
        "free, or leave tiles there longer.",
        "Place {name} of the rack is {degrees} hotter than the others ({range}): leave it "
        "free, or take tiles out there earlier.",
    ),
    "load": (
        "Load {name} came out as if {degrees} cooler than it read ({range}): was it read "
        "right?",
        "Load {name} came out as if {degrees} hotter than it read ({range}): was it read "
        "right?",
    ),
    "observer": (
        "{name} grades as if tiles were {degrees} cooler than for the others ({range}).",
        "{name} grades as if tiles were {degrees} hotter than for the others ({range}).",
    ),
}
"""What is said of one that is cooler, and of one that is hotter."""


def unlikely_looks(
    looks: pd.DataFrame, slip_of_look: FloatArray, expected: Sequence[str]
) -> tuple[dict[str, Any], ...]:
    """Return which looks are more likely slips of eye or pen than true.

    Parameters
    ----------
    looks : DataFrame, n rows
        ``tile, look, observer, stage``.
    slip_of_look : ndarray, shape (n,)
    expected : sequence of str, n of them
        The grade that the rest of the looks lets expect.

    Returns
    -------
    tuple of dict
        ``tile, look, observer, stage`` as written, ``expected`` and ``slip``, the
        probability that it is one.
    """
    return tuple(
        {
            "tile": str(looks["tile"].iloc[row]),
            "look": int(looks["look"].iloc[row]),
            "observer": str(looks["observer"].iloc[row]),
            "stage": str(looks["stage"].iloc[row]),
            "expected": expected[row],
            "slip": round(float(slip_of_look[row]), 3),
        }
        for row in np.flatnonzero(slip_of_look > LIKELY_SLIP).tolist()
    )


_MISREAD = ("hotter_degC", "lower_degC", "upper_degC")


def misread_loads(
    looks: pd.DataFrame, chance: FloatArray, hotter_degC: FloatArray
) -> tuple[dict[str, Any], ...]:
    """Return which loads were more likely of another temperature than as written.

    Parameters
    ----------
    looks : DataFrame
        ``tile, load``.
    chance : ndarray, shape (L,)
    hotter_degC : ndarray, shape (L, 3)
        Of each load in order, as `StageDensity.check_loads` returns them.

    Returns
    -------
    tuple of dict
        ``load``, ``hotter_degC``, the ends of its interval and ``chance``. Of a load of
        one tile it is the look that is asked back.
    """
    n_tiles = looks.groupby("load")["tile"].nunique()
    return tuple(
        {
            "load": int(n_tiles.index[at]),
            **dict(zip(_MISREAD, hotter_degC[at].round(1).tolist(), strict=True)),
            "chance": round(float(chance[at]), 3),
        }
        for at in np.flatnonzero(chance > LIKELY_SLIP).tolist()
        if n_tiles.iloc[at] > 1
    )


def misread_words(one: Mapping[str, Any], reads: str) -> str:
    """Ask such a load back.

    Examples
    --------
    >>> loads = {"load": 7, "hotter_degC": -50.0, "lower_degC": -80.0, "upper_degC": -30.0}
    >>> misread_words(loads, "degC")
    'Load 7 came out as if 50 °C (90 °F) cooler than it read (30 to 80 °C): was it read \
right?'
    """
    return _as_if("load", one["load"], [one[name] for name in _MISREAD], reads)


def _difference_words(one: str, other: str, degC: FloatArray, reads: str) -> str:
    """Say by how much heat one level differs from another, from its interval in degC.

    Examples
    --------
    >>> _difference_words("1 coat", "2 coats", np.array([2.0, 6.7, 11.0]), "degF")
    '2 coats need 12 °F (7 °C) more than 1 coat (4 to 20 °F).'
    >>> _difference_words("80 mesh", "150 mesh", np.array([-4.4, 1.0, 3.0]), "degF")
    '150 mesh or 80 mesh: no difference seen (within 8 °F, 4 °C).'
    """
    low, middle, high = degC
    if low <= 0.0 <= high:
        within = format_temperature_difference(max(-low, high), reads)
        within = within.replace(" (", ", ").rstrip(")")
        return f"{other} or {one}: no difference seen (within {within})."
    least, most = sorted((abs(low), abs(high)))
    need = "need" if other.endswith("coats") else "needs"
    return (
        f"{other} {need} {format_temperature_difference(abs(middle), reads)} "
        f"{'more' if middle > 0 else 'less'} than {one} "
        f"({format_difference_range(least, most, reads)})."
    )

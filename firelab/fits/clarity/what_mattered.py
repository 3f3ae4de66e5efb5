"""What made tiles clearer, between the levels that were fired, in points of the score."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.craft.units import format_duration, format_temperature
from firelab.fits.clarity.draws import ClarityDraws
from firelab.fits.clarity.maturity import ClarityDesign
from firelab.fits.ordinal.what_mattered import LevelPair, level_pairs, middle_setting
from firelab.series.firing_series import FiringSeries

FloatArray = NDArray[np.float64]

_PART = 0.8
"""Maturity taken as early and late in the target stage (chosen here, no source)."""


def clarity_differences(
    design: ClarityDesign, draws: ClarityDraws, *, sign: int
) -> tuple[str, ...]:
    """Say which levels gave clearer tiles, and which cannot be told apart.

    Parameters
    ----------
    design : ClarityDesign
    draws : ClarityDraws
    sign : {1, -1}
        1 where a higher score is clearer.

    Returns
    -------
    tuple of str
        One sentence per pair of levels, in the middle of the target stage; or at
        mid-range of temperature and dwell where the design has no maturity.
    """
    series = design.series
    tail = (1.0 - series.window.level) / 2.0
    middle = pd.DataFrame([middle_setting(series)] * 2)
    pairs = level_pairs(series)
    if design.maturity is None:
        pairs += _heat_pairs(series)
    compared: list[tuple[str, str, FloatArray]] = []
    for one, other, levels in pairs:
        if set(levels) <= set(design.terms):
            changed = {series.column(name): values for name, values in levels.items()}
            X = design.matrix(middle.assign(**changed))
            if design.maturity is not None:
                X[:, :2] = 0.0
            compared.append((one, other, X))
    if design.maturity is not None:
        target = " or ".join(series.responses.stage.target)
        for one, other, m in (("early", "halfway", -_PART), ("halfway", "late", _PART)):
            X = np.zeros((2, len(design.columns)))
            X[0 if m < 0 else 1, :2] = m, m * m
            compared.append((f"{one} in {target}", f"{other} in {target}", X))
    shown, unsure = [], []
    for one, other, X in compared:
        score = draws.mean_score(X)
        gain = np.quantile(sign * (score[:, 1] - score[:, 0]), [tail, 1.0 - tail])
        if gain[0] <= 0.0 <= gain[1]:
            unsure.append(f"{one} or {other} (within {np.abs(gain).max():.1f} points)")
            continue
        better, worse = (other, one) if gain[0] > 0 else (one, other)
        least, most = sorted(float(points) for points in np.abs(gain))
        first = better[0].upper() + better[1:]
        shown.append(
            f"{first} instead of {worse}: {least:.1f} to {most:.1f} points clearer."
        )
    if unsure:
        shown.append(f"No difference in clearness seen: {'; '.join(unsure)}.")
    return tuple(shown)


def _heat_pairs(series: FiringSeries) -> list[LevelPair]:
    """Return the comparison of the ends of temperature, and of dwell."""
    pairs: list[LevelPair] = []
    if "temperature" in series.varied:
        cool, hot = series.span("temperature")
        words = [format_temperature(degC, series.kiln.reads) for degC in (cool, hot)]
        pairs.append((words[0], words[1], {"temperature": (cool, hot)}))
    if "dwell" in series.varied:
        short, long = series.span("dwell")
        words = [format_duration(seconds) for seconds in (short, long)]
        pairs.append((words[0], words[1], {"dwell": (short, long)}))
    return pairs

"""What made tiles clearer, between the levels that were fired, in points of the score."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from firelab.craft.units import format_duration, format_temperature
from firelab.fits.clarity.draws import ClarityDraws
from firelab.fits.ordinal.what_mattered import compared, level_pairs
from firelab.series.firing_series import FiringSeries


def clarity_differences(
    series: FiringSeries, terms: Sequence[str], draws: ClarityDraws, *, sign: int
) -> tuple[str, ...]:
    """Say which levels gave clearer tiles, and which cannot be told apart.

    Parameters
    ----------
    series : FiringSeries
    terms : sequence of str
        Of the fit that made the draws.
    draws : ClarityDraws
    sign : {1, -1}
        1 where a higher score is clearer.

    Returns
    -------
    tuple of str
        At mid-range of temperature and dwell, one sentence per pair of levels.
    """
    reads, tail = series.kiln.reads, (1.0 - series.window.level) / 2.0
    pairs = level_pairs(series)
    if "temperature" in series.varied:
        ends = series.span("temperature")
        cool, hot = (format_temperature(degC, reads) for degC in ends)
        pairs.append((cool, hot, {"temperature": ends}))
    if "dwell" in series.varied:
        short, long = series.span("dwell")
        words = format_duration(short), format_duration(long)
        pairs.append((*words, {"dwell": (short, long)}))
    shown, unsure = [], []
    for one, other, levels in pairs:
        if not set(levels) <= set(terms):
            continue
        columns = {series.column(name): values for name, values in levels.items()}
        score = draws.mean_score(compared(series, terms, columns))
        gain = np.quantile(sign * (score[:, 1] - score[:, 0]), [tail, 1.0 - tail])
        if gain[0] <= 0.0 <= gain[1]:
            unsure.append(f"{one} or {other} (within {np.abs(gain).max():.1f} points)")
            continue
        better, worse = (other, one) if gain[0] > 0 else (one, other)
        least, most = sorted(float(points) for points in np.abs(gain))
        shown.append(
            f"{better} instead of {worse}: {least:.1f} to {most:.1f} points clearer."
        )
    if unsure:
        shown.append(f"No difference in clearness seen: {'; '.join(unsure)}.")
    return tuple(shown)

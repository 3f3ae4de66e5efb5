"""What makes a colour clear, in the words of the bench."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from firelab.fits.clarity_draws import ClarityDraws

_MORE = {
    "temperature": "hotter firing",
    "dwell": "longer firing",
    "mesh": "coarser grains",
    "layers": "more coats",
}


def column_words(column: str, first_base: str) -> str:
    """Return a column as a person would say what goes up with it.

    Examples
    --------
    >>> column_words("mesh", "none"), column_words("base[hard clear]", "none")
    ('coarser grains', 'base hard clear instead of none')
    """
    if column in _MORE:
        return _MORE[column]
    if column.startswith("base[") and ":" not in column:
        return f"base {column[5:-1]} instead of {first_base}"
    return column


def effect_words(
    draws: ClarityDraws, *, sign: int, level: float, first_base: str
) -> tuple[str, ...]:
    """Say which effects these tiles show, and which they cannot tell.

    Parameters
    ----------
    draws : ClarityDraws
    sign : {1, -1}
        1 where a higher score is clearer.
    level : float
        Of the intervals; an effect is shown where its interval leaves out 0.
    first_base : str
        The base that others are compared with.
    """
    tail = (1.0 - level) / 2.0
    shown, unsure = [], []
    for column, values in zip(draws.columns, draws.coefficients.T, strict=True):
        low, high = np.sort(sign * np.quantile(values, [tail, 1.0 - tail]))
        words = column_words(column, first_base)
        if low > 0 or high < 0:
            effect = "clearer" if low > 0 else "less clear"
            least, most = sorted((abs(float(low)), abs(float(high))))
            shown.append(f"{effect} with {words}: by {least:.1f} to {most:.1f}")
        else:
            unsure.append(words)
    if shown:
        shown[-1] += f" (half the range of a factor, or one base; {level:.0%} interval)"
    return (*shown, *_unsure_words(unsure))


def _unsure_words(unsure: Sequence[str]) -> tuple[str, ...]:
    if not unsure:
        return ()
    return (f"these tiles do not tell whether it matters: {', '.join(unsure)}",)

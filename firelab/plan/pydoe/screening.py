"""Plackett-Burman and L18 from pyDOE3, verified; mended where it fails."""

from __future__ import annotations

import numpy as np

from firelab.errors import FirelabError
from firelab.plan.pydoe.checks import (
    IntArray,
    is_orthogonal_array,
    refuse_unless,
    refuse_unless_two_level,
    taken_or_mended,
    whole_numbers,
)

_FIRST_ROWS: dict[int, str] = {
    8: "+++-+--",
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
    24: "+++++-+-++--++--+-+----",
}
"""First rows of the cyclic designs (Plackett and Burman 1946, Biometrika 33, 305-325)."""

PLACKETT_BURMAN_SIZES = tuple(_FIRST_ROWS)
L18_LEVELS = (2, 3, 3, 3, 3, 3, 3, 3)


def _cyclic(n_runs: int) -> IntArray:
    first = np.array([1 if sign == "+" else -1 for sign in _FIRST_ROWS[n_runs]])
    rows = [np.roll(first, turn) for turn in range(n_runs - 1)]
    return np.array([*rows, -np.ones(n_runs - 1, dtype=np.int64)], dtype=np.int64)


def plackett_burman(k: int, n_runs: int) -> tuple[IntArray, str]:
    """Return a Plackett-Burman design for k factors.

    Parameters
    ----------
    k : int
        Number of factors, below `n_runs`.
    n_runs : int
        8, 12, 16, 20 or 24.

    Returns
    -------
    design : ndarray of int, shape (n, k)
        Of -1 and +1.
    fault : str
        What was wrong with the library's design, where ours took its place.

    Raises
    ------
    FirelabError
        If there is no such design.
    """
    if n_runs not in _FIRST_ROWS or not 1 <= k < n_runs:
        raise FirelabError(
            f"there is no Plackett-Burman plan of {k} factors in {n_runs} runs",
            hint=f"{', '.join(str(n) for n in PLACKETT_BURMAN_SIZES)} runs, "
            "and fewer factors than runs",
        )
    asked = f"Plackett-Burman design of {k} factors in {n_runs} runs"

    def ask() -> object:
        from pyDOE3 import pbdesign

        return np.asarray(pbdesign(n_runs - 1))[:, :k]

    return taken_or_mended(
        ask,
        lambda design: refuse_unless_two_level(design, (n_runs, k), asked),
        lambda: _cyclic(n_runs)[:, :k],
    )


def l18() -> IntArray:
    """Return the L18 array 2^1 3^7 as level numbers from 0, shape (18, 8).

    The library has it with the first two columns as one of six levels.

    Raises
    ------
    WrongDesign
        If it is not an orthogonal array.
    """
    from pyDOE3 import get_orthogonal_array

    asked = "L18(2^1 3^7)"
    joined = whole_numbers(get_orthogonal_array("L18(6^1 3^6)"), asked)
    refuse_unless(joined.shape == (18, 7), asked, f"has shape {joined.shape}")
    low = joined - joined.min(axis=0)
    design = np.column_stack([low[:, 0] // 3, low[:, 0] % 3, low[:, 1:]])
    inside = bool((design.max(axis=0) == np.array(L18_LEVELS) - 1).all())
    refuse_unless(inside, asked, "has wrong levels")
    refuse_unless(is_orthogonal_array(design, L18_LEVELS), asked, "is not orthogonal")
    return design

"""Central composite and Box-Behnken designs of pyDOE3, verified."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np

from firelab.errors import FirelabError
from firelab.plan.pydoe.checks import (
    FloatArray,
    IntArray,
    refuse_unless,
    taken_or_mended,
    whole_numbers,
)

BOX_BEHNKEN_BLOCKS: dict[int, tuple[tuple[int, ...], ...]] = {
    3: ((0, 1), (0, 2), (1, 2)),
    4: ((0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)),
    5: tuple((a, b) for a in range(5) for b in range(a + 1, 5)),
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
"""Factors that move together (Box and Behnken 1960, Technometrics 2, 455-475)."""


def central_composite(n_centre: int) -> FloatArray:
    """Return a rotatable central composite design of two factors, inscribed.

    Returns
    -------
    ndarray, shape (8 + n_centre, 2)
        Corners at 1 over root 2, then axis points at 1, then the centre.

    Raises
    ------
    WrongDesign
        If a point is missing or stands elsewhere.
    """
    from pyDOE3 import ccdesign

    asked = f"central composite design with {n_centre} centre points"
    given = np.asarray(
        ccdesign(2, center=(0, n_centre), alpha="rotatable", face="inscribed"),
        dtype=float,
    )
    corner = 1.0 / np.sqrt(2.0)
    wanted = np.array(
        [
            *(corner * np.array(list(product((-1, 1), repeat=2)))),
            *((-1.0, 0.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0)),
            *np.zeros((n_centre, 2)),
        ]
    )
    refuse_unless(given.shape == wanted.shape, asked, f"has shape {given.shape}")
    first, second = (p[np.lexsort(np.round(p, 9).T)] for p in (given, wanted))
    refuse_unless(bool(np.allclose(first, second)), asked, "has a point in the wrong place")
    return wanted


def _from_blocks(blocks: Sequence[Sequence[int]], k: int, n_centre: int) -> IntArray:
    rows = []
    for block in blocks:
        for signs in product((-1, 1), repeat=len(block)):
            row = np.zeros(k, dtype=np.int64)
            row[list(block)] = signs
            rows.append(row)
    return np.array([*rows, *np.zeros((n_centre, k), dtype=np.int64)])


def check_box_behnken(design: IntArray, k: int, n_centre: int) -> None:
    """Refuse what is not a Box-Behnken design.

    Raises
    ------
    WrongDesign
        If size, levels or the balance of the moments are wrong.
    """
    asked = f"Box-Behnken design of {k} factors"
    blocks = BOX_BEHNKEN_BLOCKS[k]
    n_runs = sum(2 ** len(block) for block in blocks) + n_centre
    fault = f"has {len(design)} runs, not {n_runs}"
    refuse_unless(design.shape == (n_runs, k), asked, fault)
    refuse_unless(bool((np.abs(design) <= 1).all()), asked, "has levels beside -1, 0, +1")
    moments = design.T @ design
    plain = bool((moments == np.diag(np.diag(moments))).all()) and not design.sum(0).any()
    refuse_unless(plain, asked, "has correlated main effects")
    even = len(set(np.diag(moments).tolist())) == 1
    refuse_unless(even, asked, "moves some factors more often than others")
    middle = int((design == 0).all(axis=1).sum())
    refuse_unless(middle == n_centre, asked, f"has {middle} centre points, not {n_centre}")


def box_behnken(k: int, n_centre: int) -> tuple[IntArray, str]:
    """Return a Box-Behnken design.

    Parameters
    ----------
    k : int
        Factors, 3 to 7.
    n_centre : int
        Centre points, at least 1.

    Returns
    -------
    design : ndarray of int, shape (n, k)
        Of -1, 0 and +1.
    fault : str
        What was wrong with the library's design, where ours took its place.

    Raises
    ------
    FirelabError
        If k is outside 3 to 7.
    """
    if k not in BOX_BEHNKEN_BLOCKS:
        raise FirelabError(
            f"a Box-Behnken plan of {k} factors is not at hand",
            hint="3 to 7 factors of three levels; for two take central-composite",
        )

    def ask() -> object:
        from pyDOE3 import bbdesign

        return whole_numbers(bbdesign(k, center=n_centre), f"Box-Behnken of {k}")

    return taken_or_mended(
        ask,
        lambda design: check_box_behnken(design, k, n_centre),
        lambda: _from_blocks(BOX_BEHNKEN_BLOCKS[k], k, n_centre),
    )

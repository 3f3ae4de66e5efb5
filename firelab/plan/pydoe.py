"""Factorials, L18 and response surfaces of pyDOE3, and the checks that designs must pass.

What fails a check is mended or refused.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations, product
from typing import Any

import numpy as np

from firelab.arrays import FloatArray, IntArray
from firelab.errors import FirelabError


class WrongDesign(FirelabError):
    """A design library returned something other than what was asked for."""


def refuse_unless(right: bool, asked: str, fault: str) -> None:
    """Refuse a design that fails a check.

    Raises
    ------
    WrongDesign
        Naming what was asked and what is wrong with what came back.
    """
    if not right:
        raise WrongDesign(
            f"{asked}: the design library returned a design that {fault}",
            hint="choose another kind or size, or another version of pyDOE3",
        )


def taken_or_mended(
    ask: Callable[[], Any],
    check: Callable[[IntArray], None],
    mend: Callable[[], IntArray],
) -> tuple[IntArray, str]:
    """Return the library's design where it passes, else our own, and why.

    Parameters
    ----------
    ask : callable
        Calls the library.
    check : callable
        Raises `WrongDesign` where the design fails.
    mend : callable
        Builds the design without the library; checked likewise.

    Returns
    -------
    tuple of (ndarray, str)
        The design, and what was wrong with the library's ('' where nothing).
    """
    fault = ""
    try:
        design = whole_numbers(ask(), "the design")
        check(design)
        return design, fault
    except WrongDesign as refusal:
        fault = refusal.what
    except (ValueError, IndexError, TypeError, RuntimeError, AssertionError) as raised:
        fault = f"the design library failed: {type(raised).__name__}: {raised}"
    design = mend()
    check(design)
    return design, fault


def whole_numbers(design: Any, asked: str) -> IntArray:
    """Return a design of level numbers as integers.

    Raises
    ------
    WrongDesign
        If an entry is no whole number.
    """
    given = np.asarray(design, dtype=float)
    rounded: IntArray = np.rint(given).astype(np.int64)
    refuse_unless(bool(np.allclose(rounded, given)), asked, "has levels between levels")
    return rounded


def _is_balanced(design: IntArray, n_levels: Sequence[int]) -> bool:
    """Tell whether every column holds each of its levels equally often."""
    n = len(design)
    return all(
        (np.bincount(column, minlength=size) * size == n).all()
        for column, size in zip(design.T, n_levels, strict=True)
    )


def is_orthogonal_array(design: IntArray, n_levels: Sequence[int]) -> bool:
    """Tell whether every pair of columns holds each pair of levels equally often.

    Parameters
    ----------
    design : ndarray of int, shape (n, k)
        Level numbers from 0.
    n_levels : sequence of int, length k
    """
    n = len(design)
    for a, b in combinations(range(design.shape[1]), 2):
        cells = n_levels[a] * n_levels[b]
        counts = np.bincount(design[:, a] * n_levels[b] + design[:, b], minlength=cells)
        if (counts * cells != n).any():
            return False
    return _is_balanced(design, n_levels)


def refuse_unless_two_level(design: IntArray, shape: tuple[int, int], asked: str) -> None:
    """Refuse what is not an orthogonal design of -1 and +1 of that shape.

    Raises
    ------
    WrongDesign
    """
    refuse_unless(design.shape == shape, asked, f"has shape {design.shape}, not {shape}")
    refuse_unless(bool((np.abs(design) == 1).all()), asked, "has levels beside -1 and +1")
    orthogonal = is_orthogonal_array((design + 1) // 2, [2] * shape[1])
    refuse_unless(orthogonal, asked, "is not orthogonal")


def full_factorial(n_levels: Sequence[int]) -> IntArray:
    """Return every combination of level numbers.

    Parameters
    ----------
    n_levels : sequence of int, length k
        Number of levels of each factor, each at least 1.

    Returns
    -------
    ndarray of int, shape (product of n_levels, k)
        Level numbers from 0; each combination once.

    Raises
    ------
    WrongDesign
        If the shape is wrong or a combination is missing.

    Examples
    --------
    >>> full_factorial([2, 3]).shape
    (6, 2)
    """
    from pyDOE3 import fullfact

    asked = f"full factorial of {' x '.join(str(n) for n in n_levels)} levels"
    levels = whole_numbers(fullfact(list(n_levels)), asked)
    size = int(np.prod(n_levels))
    refuse_unless(levels.shape == (size, len(n_levels)), asked, f"has shape {levels.shape}")
    inside = (levels >= 0).all() and (levels < np.array(n_levels)).all()
    refuse_unless(bool(inside), asked, "has levels that were not asked for")
    distinct = len(np.unique(levels, axis=0))
    refuse_unless(distinct == size, asked, f"has {distinct} of {size} combinations")
    return levels


L18_LEVELS = (2, 3, 3, 3, 3, 3, 3, 3)


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

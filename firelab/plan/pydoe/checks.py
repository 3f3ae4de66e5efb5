"""Checks that a design from a library has to pass."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations
from typing import Any

import numpy as np

from firelab.arrays import IntArray
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

"""What pyDOE3 returns, judged by the checks that firelab's wrapper applies."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pyDOE3
from plain_search import strength_of
from pyDOE3.doe_optimal import generate_candidate_set, optimal_design

from firelab.plan.pydoe import (
    BOX_BEHNKEN_BLOCKS,
    box_behnken,
    central_composite,
    check_box_behnken,
    is_orthogonal_array,
    l18,
    whole_numbers,
)
from firelab.plan.two_level_designs import (
    minimum_aberration,
    plackett_burman,
    regular_fraction,
    smallest_of_resolution,
)

MENDED = "mended"
TAKEN = "taken"
NOT_CALLED = "not called"
QUADRATIC = (256, 960, 2304, 5184, 9360, 16896, 30320, 54400)
"""Largest det(X'X) of two factors, full quadratic, 3-level grid, n = 6 to 13."""


def _told(call: Callable[[], str]) -> str:
    try:
        return call()
    except Exception as fault:  # the library's failure is what is recorded
        return f"fails: {type(fault).__name__}: {str(fault)[:70]}"


def _by_resolution(k: int, resolution: int) -> str:
    def call() -> str:
        design = whole_numbers(pyDOE3.fracfact_by_res(k, resolution), "it")
        best = smallest_of_resolution(k, resolution)
        found = strength_of(design) + 1
        faults = []
        if found < resolution:
            faults.append(f"resolution {found}, not {resolution}")
        if len(design) != best.n_runs:
            faults.append(f"{len(design)} runs; {best.n_runs} suffice")
        return "; ".join(faults) or "right"

    return _told(call)


def _fractions() -> list[dict[str, str]]:
    cases = []
    for k, resolution in ((5, 4), (6, 4), (7, 3), (7, 4), (7, 5), (8, 5), (9, 5)):
        said = _by_resolution(k, resolution)
        right = regular_fraction(smallest_of_resolution(k, resolution))
        if strength_of(right) + 1 < resolution:
            raise SystemExit(f"own fraction of {k} factors falls short of {resolution}")
        cases.append(
            {
                "call": f"fracfact_by_res({k}, {resolution})",
                "returned": said,
                "firelab": f"own generators to fracfact: {len(right)} runs",
                "handling": TAKEN if said == "right" else MENDED,
            }
        )

    def optimal() -> str:
        pyDOE3.fracfact_opt(7, 4)
        return "returns"

    right = regular_fraction(minimum_aberration(7, 4))
    cases.append(
        {
            "call": "fracfact_opt(7, 4)",
            "returned": _told(optimal),
            "firelab": f"minimum aberration by own search: {len(right)} runs",
            "handling": MENDED,
        }
    )
    return cases


def _arrays() -> list[dict[str, str]]:
    cases = []
    for name in pyDOE3.list_orthogonal_arrays():

        def judge(name: str = name) -> str:
            array = whole_numbers(pyDOE3.get_orthogonal_array(name), name)
            levels = array - array.min(axis=0)
            n_levels = [int(column.max()) + 1 for column in levels.T]
            repeats = len(levels) - len(np.unique(levels, axis=0))
            if not is_orthogonal_array(levels, n_levels):
                return f"not orthogonal; {repeats} rows stand twice"
            return f"{repeats} rows stand twice" if repeats else "right"

        said = _told(judge)
        used = name == "L18(6^1 3^6)"
        cases.append(
            {
                "call": f"get_orthogonal_array({name!r})",
                "returned": said,
                "firelab": f"L18(2^1 3^7) of it, shape {l18().shape}" if used else "",
                "handling": TAKEN if used else NOT_CALLED,
            }
        )
    return cases


def _screening() -> list[dict[str, str]]:
    cases = []
    for n_runs in (8, 12, 16, 20, 24):
        design, fault = plackett_burman(n_runs - 1, n_runs)
        cases.append(
            {
                "call": f"pbdesign({n_runs - 1})",
                "returned": fault or "right",
                "firelab": f"shape {design.shape}",
                "handling": MENDED if fault else TAKEN,
            }
        )
    return cases


def _surfaces() -> list[dict[str, str]]:
    cases = []
    for k in BOX_BEHNKEN_BLOCKS:
        design, fault = box_behnken(k, 3)
        check_box_behnken(design, k, 3)
        cases.append(
            {
                "call": f"bbdesign({k}, center=3)",
                "returned": fault.partition("returned a design that ")[2] or "right",
                "firelab": f"{len(design)} runs",
                "handling": MENDED if fault else TAKEN,
            }
        )
    cases.append(
        {
            "call": "ccdesign(2, (0, 3), 'rotatable', 'inscribed')",
            "returned": "right",
            "firelab": f"{len(central_composite(3))} runs",
            "handling": TAKEN,
        }
    )
    return cases


def _optimal_share(
    candidates: np.ndarray, n: int, method: str, best: float
) -> float | None:
    """Return the share of the best determinant; None where there is no such design."""
    try:
        design, _ = optimal_design(
            candidates=candidates, n_points=n, degree=2, criterion="D", method=method
        )
        a, b = np.asarray(design, dtype=float).T
    except (ValueError, IndexError, np.linalg.LinAlgError):
        return None
    x = np.column_stack([np.ones(len(a)), a, b, a * b, a * a, b * b])
    return float(np.linalg.det(x.T @ x) / best) if len(x) == n else None


def _optimal() -> list[dict[str, str]]:
    cases = []
    candidates = generate_candidate_set(n_factors=2, n_levels=3)
    for method in (
        "sequential",
        "simple_exchange",
        "fedorov",
        "modified_fedorov",
        "detmax",
    ):
        shares = {
            n: _optimal_share(candidates, n, method, best)
            for n, best in enumerate(QUADRATIC, start=6)
        }
        failed = [str(n) for n, share in shares.items() if share is None]
        known = [share for share in shares.values() if share is not None]
        said = []
        if failed:
            said.append(f"fails or falls short of n at n = {', '.join(failed)}")
        if known:
            singular = sum(share < 1e-9 for share in known)
            said.append(f"{singular} of {len(known)} singular")
            said.append(f"least share of the best determinant {min(known):.3f}")
        cases.append(
            {
                "call": f"optimal_design(..., method={method!r}), n = 6..13",
                "returned": "; ".join(said),
                "firelab": "own coordinate exchange",
                "handling": NOT_CALLED,
            }
        )
    return cases


def library_cases() -> pd.DataFrame:
    """Return each call of the library, what came back, and what firelab does."""
    cases = [*_fractions(), *_arrays(), *_screening(), *_surfaces(), *_optimal()]
    return pd.DataFrame(cases)

"""Full factorials, and regular two-level fractions of minimum aberration."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations, product

import numpy as np

from firelab.arrays import IntArray
from firelab.plan.infeasible import Conflict, InfeasiblePlan
from firelab.plan.kinds.kind import (
    PlanKind,
    Proposal,
    keep_allowed,
    require_varied,
    settings_of_levels,
    settings_of_signs,
    with_centre,
)
from firelab.plan.plan import is_allowed
from firelab.plan.pydoe.designs import full_factorial, regular_fraction
from firelab.plan.pydoe.fractions import (
    Fraction,
    letters,
    minimum_aberration,
    smallest_of_resolution,
)
from firelab.series.factors import FACTORS, FactorName
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import model_matrix


def propose_factorial(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return every allowed combination.

    A factor given as a range stands at its two ends. The size follows from the
    levels; `n_tiles` and `rng` are not used.
    """
    levels = {name: series.factors.levels(name) for name in FACTORS}
    chosen = full_factorial([len(each) for each in levels.values()])
    columns = {
        name: [levels[name][number] for number in chosen[:, place]]
        for place, name in enumerate(FACTORS)
    }
    return keep_allowed(series, settings_of_levels(series, columns))


FACTORIAL = PlanKind(
    name="factorial",
    description="every combination of the stated levels",
    propose=propose_factorial,
)


NAME = "two-level-fraction"
DEFAULT_RESOLUTION = 4
"""Main effects clear of two-factor interactions (Chen, Sun and Wu 1993)."""


def _choose_fraction(k: int, n_tiles: int | None, resolution: int | None) -> Fraction:
    """Return the fraction of a size or, where none is given, of a resolution."""
    if n_tiles is None or resolution is not None:
        return smallest_of_resolution(k, resolution or DEFAULT_RESOLUTION)
    least = 2 ** int(np.floor(np.log2(k)) + 1)
    if n_tiles < least:
        raise InfeasiblePlan(
            f"{n_tiles} tiles are too few for a fraction of {k} factors",
            [Conflict(path=("plan", "tiles"), says=f"leaves {n_tiles}")],
            f"at least {least} tiles",
        )
    n_basic = min(k, int(np.log2(n_tiles)))
    return minimum_aberration(k, k - n_basic)


def fraction_figures(fraction: Fraction, names: Sequence[str]) -> dict[str, object]:
    """Return generators, word lengths and aliases in the factors' own names.

    Parameters
    ----------
    fraction : Fraction
    names : sequence of str, length k
        Factor of each column.
    """

    def written(word: int) -> str:
        return ":".join(names[place] for place in letters(word))

    effects = [word for word in range(1, 2**fraction.k) if word.bit_count() <= 2]
    effects.sort(key=lambda word: (word.bit_count(), word))
    return {
        "runs": fraction.n_runs,
        "resolution": fraction.resolution,
        "word_length_pattern": list(fraction.pattern),
        "generators": [
            f"{names[fraction.n_basic + place]} = {written(word)}"
            for place, word in enumerate(fraction.generators)
        ],
        "defining_relation": [written(word) for word in fraction.words],
        "aliases": {
            written(word): [written(other) for other in fraction.aliases(word)]
            for word in effects
        },
    }


def _arrangements(
    series: FiringSeries, fraction: Fraction
) -> list[tuple[tuple[FactorName, ...], IntArray]]:
    """Return which factor may take which column, and signs, best first."""
    signs = regular_fraction(fraction)
    turned = []
    for flips in product((1, -1), repeat=len(fraction.generators)):
        columns = np.concatenate([np.ones(fraction.n_basic, dtype=np.int64), flips])
        turned.append(signs * columns)
    return [(order, one) for order in permutations(series.varied) for one in turned]


def propose_two_level_fraction(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return the fraction whose columns best carry the series' terms and rules.

    Of all ways to give factors to columns and to turn signs, the first is taken
    that can tell the model's terms apart and meets fewest rules; `rng` is not
    used.
    """
    require_varied(series, 2, NAME)
    names = series.varied
    runs = None if n_tiles is None else n_tiles - (series.plan.centre or 0)
    fraction = _choose_fraction(len(names), runs, series.plan.resolution)
    best: tuple[int, int] | None = None
    for order, signs in _arrangements(series, fraction):
        settings = settings_of_signs(series, order, signs, NAME)
        allowed = is_allowed(series, settings)
        kept = settings[allowed].reset_index(drop=True)
        rank = 0
        if len(kept):
            columns = model_matrix(series, kept, series.terms)
            rank = int(
                np.linalg.matrix_rank(np.column_stack([np.ones(len(kept)), columns]))
            )
        merit = (rank, int(allowed.sum()))
        if best is None or merit > best:
            best, chosen = merit, (order, kept)
        if allowed.all() and rank == columns.shape[1] + 1:
            break
    order, kept = chosen
    settings, bends = with_centre(series, kept)
    notes = [bends]
    if len(kept) < fraction.n_runs:
        notes.append(
            f"{fraction.n_runs - len(kept)} of {fraction.n_runs} runs are forbidden and "
            "left out: the alias table holds for the whole fraction only."
        )
    return Proposal(
        settings=settings,
        figures={"fraction": fraction_figures(fraction, order)},
        notes=tuple(notes),
    )


TWO_LEVEL_FRACTION = PlanKind(
    name=NAME,
    description="regular two-level fraction of minimum aberration, by size or resolution",
    propose=propose_two_level_fraction,
    sized=True,
)

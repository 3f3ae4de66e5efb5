"""Factorials, two-level fractions of minimum aberration, and screening designs."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations, product

import numpy as np

from firelab.arrays import IntArray
from firelab.plan.infeasible import Conflict, InfeasiblePlan, with_levels
from firelab.plan.kinds.kind import (
    Level,
    PlanKind,
    Proposal,
    keep_allowed,
    middle_level,
    require_varied,
    settings_of_levels,
    settings_of_signs,
    with_centre,
)
from firelab.plan.plan import is_allowed
from firelab.plan.pydoe import full_factorial, l18
from firelab.plan.two_level_designs import (
    PLACKETT_BURMAN_SIZES,
    Fraction,
    letters,
    minimum_aberration,
    plackett_burman,
    regular_fraction,
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


_FRACTION_NAME = "two-level-fraction"
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
    require_varied(series, 2, _FRACTION_NAME)
    names = series.varied
    runs = None if n_tiles is None else n_tiles - (series.plan.centre or 0)
    fraction = _choose_fraction(len(names), runs, series.plan.resolution)
    best: tuple[int, int] | None = None
    for order, signs in _arrangements(series, fraction):
        settings = settings_of_signs(series, order, signs, _FRACTION_NAME)
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
    name=_FRACTION_NAME,
    description="regular two-level fraction of minimum aberration, by size or resolution",
    propose=propose_two_level_fraction,
    sized=True,
)


_PLACKETT_BURMAN_NAME = "plackett-burman"
DEFAULT_RUNS = 12
"""The smallest that screens more factors than a series has (chosen here, no source)."""
SCREENING_NOTE = (
    "Screening: main effects only; each hides parts of many two-factor effects."
)


def propose_plackett_burman(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return a Plackett-Burman plan, of 12 runs where no size is named.

    The largest of 8, 12, 16, 20 and 24 runs that `n_tiles` allows is taken;
    `rng` is not used.
    """
    require_varied(series, 2, _PLACKETT_BURMAN_NAME)
    wanted = DEFAULT_RUNS if n_tiles is None else n_tiles - (series.plan.centre or 0)
    n_runs = max(
        (size for size in PLACKETT_BURMAN_SIZES if size <= wanted),
        default=PLACKETT_BURMAN_SIZES[0],
    )
    signs, fault = plackett_burman(len(series.varied), n_runs)
    settings = settings_of_signs(series, series.varied, signs, _PLACKETT_BURMAN_NAME)
    settings, bends = with_centre(series, settings)
    notes = [SCREENING_NOTE, bends]
    if fault:
        notes.append(f"{fault}; the cyclic construction took its place.")
    return keep_allowed(series, settings, notes=notes)


PLACKETT_BURMAN = PlanKind(
    name=_PLACKETT_BURMAN_NAME,
    description="screening at two ends in 8, 12, 16, 20 or 24 tiles",
    propose=propose_plackett_burman,
)


_L18_NAME = "l18"


def _three_levels(series: FiringSeries, name: FactorName) -> tuple[Level, ...]:
    """Return two or three levels of a factor: low, middle, high."""
    levels = series.factors.levels(name)
    if name == "base":
        if len(levels) > 3:
            raise InfeasiblePlan(
                "an l18 plan takes three levels of each factor",
                [Conflict(path=("factors", "base"), says=f"has {len(levels)} bases")],
                f"three bases, {', '.join(map(str, levels[:3]))}",
                series=with_levels(series, "base", levels[:3]),
            )
        return levels
    if not series.factors.is_range(name) and len(levels) == 2:
        return tuple(sorted(levels))
    low, high = series.span(name)
    ends: tuple[Level, Level] = (low, high)
    if name in ("mesh", "layers"):
        ends = (int(low), int(high))
    return ends[0], middle_level(series, name), ends[1]


def propose_l18(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return the 18 settings; the size is fixed and `rng` is not used.

    The first factor with two levels takes the column of two; a further one
    takes a column of three and stands at its first level twice as often, which
    keeps it orthogonal to the rest.
    """
    require_varied(series, 1, _L18_NAME)
    array = l18()
    levels = {name: _three_levels(series, name) for name in series.varied}
    pairs = [name for name, has in levels.items() if len(has) == 2]
    in_two = pairs[0] if pairs else None
    free = iter(range(1, array.shape[1]))
    columns: dict[FactorName, list[Level]] = {}
    for name, has in levels.items():
        chosen = array[:, 0] if name == in_two else array[:, next(free)]
        columns[name] = [has[int(number) % len(has)] for number in chosen]
    settings = settings_of_levels(series, columns)
    return keep_allowed(series, settings, notes=[SCREENING_NOTE])


SCREENING_L18 = PlanKind(
    name=_L18_NAME,
    description="screening at low, middle and high in 18 tiles",
    propose=propose_l18,
)

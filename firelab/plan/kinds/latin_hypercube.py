"""Tiles spread evenly over temperature and dwell, also within each powder mix."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pandas as pd

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.plan.infeasible import Conflict, InfeasiblePlan, of_kind, rule_conflicts
from firelab.plan.kinds.kind import Level, PlanKind, Proposal, other_mixes
from firelab.plan.kinds.maximin import maximin_columns
from firelab.plan.optimal.choose import most_loads
from firelab.plan.optimal.series_candidates import coat_limits
from firelab.plan.plan import as_settings, is_allowed
from firelab.series.factors import COLUMN_OF, FactorName
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import settable_dwell, settable_temperature

NAME = "latin-hypercube"
DEFAULT_TILES = 12
_TEMPERATURES_WITHOUT_BUDGET = 6
"""Where neither size nor loads are named (chosen here, no source)."""
_SPREAD: tuple[FactorName, ...] = ("temperature", "dwell")


def _n_load_temperatures(series: FiringSeries, n: int) -> int:
    """Return how many temperatures `n` tiles are grouped to: one per load.

    As many as the budget has loads; where it names none, as many as the places
    need and at least six.
    """
    needed = math.ceil(n / series.budget.places)
    loads = most_loads(series) or max(needed, _TEMPERATURES_WITHOUT_BUDGET)
    return min(n, max(loads, needed))


def _steps_of(series: FiringSeries, name: FactorName, n: int) -> list[Level]:
    """Return the values of temperature or dwell that n tiles share out, in order.

    Stated levels, of temperature no more than there are loads; a range divided
    evenly, ends included, in degC or in ln s, to values that a person can set.
    """
    if not series.factors.is_range(name):
        levels = sorted(series.factors.levels(name))
        if name == "temperature" and len(levels) > _n_load_temperatures(series, n):
            even = np.linspace(0, len(levels) - 1, _n_load_temperatures(series, n))
            return [levels[place] for place in np.rint(even).astype(int)]
        return levels
    low, high = series.span(name)
    if name == "temperature":
        even = np.linspace(low, high, _n_load_temperatures(series, n))
        return [settable_temperature(series, degC) for degC in even]
    return [settable_dwell(series, dwell) for dwell in np.geomspace(low, high, n)]


def _mix_of_each_tile(
    series: FiringSeries, mixes: pd.DataFrame, open_mixes: BoolArray, n: int
) -> IntArray:
    """Return the mix of each of n tiles: the least used that is open and has powder."""
    coats = {
        mesh: limit / series.plan.repeats for mesh, limit in coat_limits(series).items()
    }
    powders = list(zip(mixes["mesh"], mixes["layers"], strict=True))
    used = np.zeros(len(mixes), dtype=np.int64)
    chosen: list[int] = []
    for _ in range(n):
        left = [
            place
            for place, (mesh, layers) in enumerate(powders)
            if open_mixes[place] and coats.get(mesh, np.inf) >= layers
        ]
        if not left:
            raise InfeasiblePlan(
                f"there is powder for {len(chosen)} tiles, where {n} are asked for",
                [Conflict(path=("budget", "grams"), says=f"serves {len(chosen)} tiles")],
                f"a plan of {len(chosen)} tiles",
                series=of_kind(series, NAME, tiles=len(chosen)) if chosen else None,
            )
        place = min(left, key=lambda one: int(used[one]))
        mesh, layers = powders[place]
        if mesh in coats:
            coats[mesh] -= layers
        used[place] += 1
        chosen.append(place)
    return np.array(chosen)


def _settings(
    steps: dict[FactorName, list[Level]], places: IntArray, mixes: pd.DataFrame
) -> pd.DataFrame:
    frame = mixes.copy()
    for column, name in enumerate(_SPREAD):
        frame[COLUMN_OF[name]] = [steps[name][int(place)] for place in places[:, column]]
    return as_settings(frame)


def _allowed_table(
    series: FiringSeries, steps: dict[FactorName, list[Level]], mixes: pd.DataFrame
) -> BoolArray:
    """Return which temperature, dwell and mix may be fired, shape (T, D, C)."""
    sizes = (len(steps["temperature"]), len(steps["dwell"]), len(mixes))
    every = np.array(list(product(*(range(size) for size in sizes))))
    frame = _settings(steps, every[:, :2], mixes.iloc[every[:, 2]])
    return is_allowed(series, frame).reshape(sizes)


def _places(coordinates: FloatArray, sizes: IntArray, n: int) -> IntArray:
    """Return the steps at coordinates of 0 to n - 1."""
    return np.rint(coordinates / max(n - 1, 1) * (sizes - 1)).astype(np.int64)


def propose_latin_hypercube(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return a maximin Latin hypercube of `n_tiles` tiles (12 where none is named).

    Each dwell is used once and each temperature by one load; every mix of mesh,
    layers and base gets its equal share of tiles, as far as its powder goes, spread out
    in itself.

    Raises
    ------
    InfeasiblePlan
        If the rules or the powder leave no such plan.
    """
    n = n_tiles or DEFAULT_TILES
    mixes = other_mixes(series, _SPREAD)
    steps = {name: _steps_of(series, name, n) for name in _SPREAD}
    sizes = np.array([len(steps[name]) for name in _SPREAD])
    # The step of each of n ranks: every step as often as the others.
    shares = np.arange(n)[:, None] * sizes // n
    columns = shares / np.maximum(sizes - 1, 1) * max(n - 1, 1)
    table = _allowed_table(series, steps, mixes)
    open_mixes = np.asarray(table.any(axis=(0, 1)))
    mix = rng.permutation(_mix_of_each_tile(series, mixes, open_mixes, n))

    def permitted(points: FloatArray, rows: IntArray) -> BoolArray:
        chosen = _places(points, sizes, n)
        return np.asarray(table[chosen[..., 0], chosen[..., 1], mix[rows]], dtype=bool)

    same = mix[:, None] == mix[None, :]
    n_spread = int((sizes > 1).sum()) or 1
    share = np.bincount(mix, minlength=len(mixes))[mix] / n
    weights = np.where(same, share[:, None] ** (2.0 / n_spread), 1.0)
    best = maximin_columns(
        columns, rng=rng, weights=weights, permitted=None if table.all() else permitted
    )
    if not permitted(best, np.arange(n)).all():
        raise InfeasiblePlan(
            f"no Latin hypercube of {n} tiles keeps the rules",
            rule_conflicts(series),
            f"a d-optimal plan of {n} tiles",
            series=of_kind(series, "d-optimal", tiles=n),
        )
    places = _places(best, sizes, n)
    return Proposal(settings=_settings(steps, places, mixes.iloc[mix]))


LATIN_HYPERCUBE = PlanKind(
    name=NAME,
    description="tiles spread evenly over temperature and dwell, in every powder mix",
    propose=propose_latin_hypercube,
    sized=True,
)

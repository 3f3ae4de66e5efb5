r"""Which tiles tell a new studio most, and how many it needs before it uses a window.

A tile of the colour itself shows all that the studio is shifted by, a control tile its
kiln alone; which of them, at which temperature, is chosen one tile after the other: the
one after which the middle of the window in that studio is expected to have the least
variance (a one-step look-ahead, exact over the grades of the tile, averaged over
simulated studios). Every tile has a load of its own, so that no load's deviation is
taken for the kiln's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import softmax

from firelab.arrays import FloatArray, IntArray
from firelab.craft.trade_words import count_words
from firelab.craft.units import format_temperature, format_temperature_difference
from firelab.fits.sampling.importance import resample
from firelab.series.kiln_settings import settable_dwell, settable_temperature
from firelab.series.terms import model_matrix
from firelab.studios.pooling.new_studio import (
    NewStudio,
    before_looks,
    load_log_likelihood,
    weighted_interval,
)
from firelab.studios.pooling.pool_fit import PooledStage
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.edges.target_span import target_span
from firelab.windows.firing_windows import firing_windows

OWN, CONTROL = "own", "control"
"""A tile of the colour itself, and one of the shared control colour."""
ENOUGH = 0.8
"""Wanted chance that the new studio ends with an assured temperature (chosen here)."""
_GRID = 61
_PLACES = 13
"""Temperatures over the fired range that a tile may have (chosen here)."""
_ROWS = 3000
"""Of what is believed of the studio: a variance to 3 % (chosen here)."""

SAME_EYE = (
    "a control tile that the new studio grades itself shows its kiln and its eye together: "
    "to tell them apart, compare graded reference tiles or photographs, or send the tile "
    "back to be graded by those who graded the others"
)
_KINDS = {OWN: "of the colour itself", CONTROL: "of the control colour"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TilesNeeded:
    """What tiles would teach a new studio, on average.

    Attributes
    ----------
    tiles : DataFrame
        The chosen ones in order: ``kind`` (`OWN` or `CONTROL`), ``role`` and the
        settings of ``plan.csv``.
    counts : DataFrame
        ``controls, width_degC, assured``: number of chosen tiles, mean width of the
        interval of the shift, and the chance that some temperature is assured.
    alternatives : DataFrame
        The same with ``kind``, where all tiles are of one kind.
    needed : int or None
        Fewest tiles with a chance of at least `ENOUGH`; None if more than tried.
    reads : str
        Unit that the kilns read.
    """

    tiles: pd.DataFrame
    counts: pd.DataFrame
    alternatives: pd.DataFrame
    needed: int | None
    reads: str

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the counts."""
        return self.counts.copy()

    @property
    def settings_degC(self) -> tuple[float, ...]:
        """Where the kiln should read, one tile each, in this order."""
        return tuple(self.tiles["temperature_degC"].astype(float))

    @property
    def wanted(self) -> pd.DataFrame:
        """The tiles to be fired: those needed, or all that were tried."""
        return self.tiles.head(len(self.tiles) if self.needed is None else self.needed)

    def summary(self) -> str:
        """Return the need as lines for a terminal."""
        if self.needed == 0:
            lines = ["the window can be used without any tile"]
        else:
            fired = "; ".join(
                f"{format_temperature(row['temperature_degC'], self.reads)} "
                f"{_KINDS[row['kind']]}"
                for row in self.wanted.to_dict("records")
            )
            count = count_words(len(self.wanted), "tile")
            head = (
                f"a new studio needs {count}"
                if self.needed is not None
                else f"more than {count} would be needed; these tell most"
            )
            lines = [f"{head}, one a load: {fired}"]
        lines += [self._line(row, "") for row in self.counts.to_dict("records")]
        lines += [
            self._line(row, f" {_KINDS[row['kind']]}")
            for row in self.alternatives.to_dict("records")
        ]
        if CONTROL in set(self.alternatives["kind"]):
            lines.append(SAME_EYE)
        return "\n".join(lines)

    def _line(self, row: Mapping[Any, Any], what: str) -> str:
        width = format_temperature_difference(row["width_degC"], self.reads)
        count = count_words(int(row["controls"]), "tile")
        return (
            f"  after {count}{what}: its shift is known to {width}, and a temperature is "
            f"assured in {100 * row['assured']:.0f} of 100 studios"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the need as plain values."""
        kinds = set(self.wanted["kind"])
        dwells = self.tiles["dwell_s"]
        return {
            "schema": "firelab/controls-needed/1",
            "settings_degC": list(self.settings_degC),
            "dwell_s": float(dwells.iloc[0]) if len(dwells) else None,
            "tiles": self.tiles.to_dict("records"),
            "counts": self.counts.to_dict("records"),
            "alternatives": self.alternatives.to_dict("records"),
            "needed": self.needed,
            "with_own_colour": CONTROL not in kinds,
        }


def tiles_needed(
    studio: NewStudio | PooledStage,
    *,
    rng: np.random.Generator,
    most: int = 6,
    n_studios: int = 100,
    kinds: Sequence[str] = (OWN, CONTROL),
) -> TilesNeeded:
    """Choose the tiles that tell most, and tell what each further one gives.

    Parameters
    ----------
    studio : NewStudio or PooledStage
        What is believed of the studio; of a pool, one that has fired nothing.
    rng : numpy.random.Generator
    most : int, default 6
        Tiles tried.
    n_studios : int, default 100
        Studios simulated, from what is believed.
    kinds : sequence of {`OWN`, `CONTROL`}
        Which tiles may be fired.

    Returns
    -------
    TilesNeeded
        For the dwell at which the pooled window is most sure. Tiles of the control
        colour are tried where the pooled studios share one.
    """
    if isinstance(studio, PooledStage):
        studio = before_looks(studio, rng=rng)
    search = _set_up(studio, rng, n_studios)
    kinds = [kind for kind in kinds if kind == OWN or studio.pool.has_control]
    chosen, counts = _greedy(search, kinds, most, rng)
    alternatives = [
        _greedy(search, [kind], most, rng)[1].assign(kind=kind).iloc[1:]
        for kind in (kinds if len(kinds) > 1 else [])
    ]
    enough = counts.index[counts["assured"] >= ENOUGH]
    return TilesNeeded(
        tiles=search.candidates.iloc[chosen].drop(columns="load").reset_index(drop=True),
        counts=counts,
        alternatives=pd.concat(alternatives, ignore_index=True)
        if alternatives
        else pd.DataFrame(columns=[*counts.columns, "kind"]),
        needed=int(enough[0]) if len(enough) else None,
        reads=studio.pool.shared.series.kiln.reads,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Search:
    """N equally likely studios, C tiles that may be fired, S of the studios as truths."""

    candidates: pd.DataFrame
    logs: FloatArray
    """Log probability of each grade of each tile, shape (C, N, J)."""
    middle_degC: FloatArray
    """Of the window in each studio, shape (N,)."""
    shift_degC: FloatArray
    likely: FloatArray
    """Whether a temperature has the target as likely as asked, shape (N, G)."""
    truth: IntArray
    level: float
    confidence: float


def _set_up(studio: NewStudio, rng: np.random.Generator, n_studios: int) -> _Search:
    pool = studio.pool
    series, window = pool.shared.series, pool.shared.series.window
    rows = resample(np.log(np.maximum(studio.weights, 1e-300)), _ROWS, rng=rng)
    believed = replace(
        studio,
        draw=studio.draw[rows],
        kiln=studio.kiln[rows],
        total=studio.total[rows],
        weights=np.full(_ROWS, 1 / _ROWS),
    )
    best = firing_windows(pool.on_average()).windows[0]
    dwell_s = settable_dwell(series, best.best.dwell_s)
    candidates = _candidates(pool, best.setting, dwell_s)
    grades = series.responses.stage.grades
    logs = [
        [load_log_likelihood(believed, tile.assign(stage=one)) for one in grades]
        for tile in (candidates.iloc[[place]] for place in range(len(candidates)))
    ]
    mean = pool.total.mean(axis=1)[believed.draw]
    return _Search(
        candidates=candidates,
        logs=np.moveaxis(np.array(logs), 1, 2),
        middle_degC=_middle(believed, best.setting, dwell_s) * pool.half_range_degC,
        shift_degC=(believed.total - mean) * pool.half_range_degC,
        likely=_likely_enough(believed, best.setting, dwell_s),
        truth=rng.choice(_ROWS, size=n_studios, replace=False),
        level=window.level,
        confidence=window.confidence,
    )


def _candidates(
    pool: PooledStage, setting: Mapping[str, Any], dwell_s: float
) -> pd.DataFrame:
    series = pool.shared.series
    even = np.linspace(*series.span("temperature"), _PLACES)
    places = list(dict.fromkeys(settable_temperature(series, float(t)) for t in even))
    dwells = [dwell_s] * len(places)
    frames = [settings_at(setting, places, dwells).assign(role="test", kind=OWN)]
    if pool.has_control:
        first = pool.shared.controls.iloc[0]
        powder = {name: first[name] for name in ("mesh", "layers", "base")}
        tiles = settings_at(powder, places, dwells)
        frames.append(tiles.assign(role="control", kind=CONTROL))
    return pd.concat(frames, ignore_index=True).assign(load=0)


def _greedy(
    search: _Search, kinds: Sequence[str], most: int, rng: np.random.Generator
) -> tuple[list[int], pd.DataFrame]:
    """Return the tiles chosen one after the other, and what each count of them gives."""
    allowed = np.flatnonzero(search.candidates["kind"].isin(kinds))
    chance, middle = np.exp(search.logs[allowed]), search.middle_degC[:, None]
    log_weights = np.zeros((search.truth.size, search.shift_degC.size))
    chosen: list[int] = []
    rows = [_worth(search, log_weights)]
    for _ in range(most):
        weights = softmax(log_weights, axis=1)
        mass, first, second = (
            weights @ (chance * middle**power) for power in range(3)
        )  # each of shape (tiles, S, J)
        variance = (second - first**2 / np.maximum(mass, 1e-300)).sum(axis=2).mean(axis=1)
        place = int(allowed[np.argmin(variance)])
        grade = _graded(search.logs[place][search.truth], rng)
        log_weights = log_weights + search.logs[place][:, grade].T
        chosen.append(place)
        rows.append(_worth(search, log_weights))
    table = pd.DataFrame(rows, columns=["width_degC", "assured"])
    table.insert(0, "controls", np.arange(most + 1))
    return chosen, table


def _worth(search: _Search, log_weights: FloatArray) -> tuple[float, float]:
    """Return the mean width of the shift's interval, and how often a firing is assured."""
    weights = softmax(log_weights, axis=1)
    widths = []
    for own in weights:
        low, _, high = weighted_interval(search.shift_degC, own, search.level)
        widths.append(high - low)
    assured = (weights @ search.likely).max(axis=1) >= search.confidence
    return float(np.mean(widths)), float(assured.mean())


def _middle(believed: NewStudio, setting: Mapping[str, Any], dwell_s: float) -> FloatArray:
    """Return where the middle of the target's grades lies in each studio, coded."""
    pool = believed.pool
    series, draws = pool.shared.series, pool.draws
    low, high = series.span("temperature")
    frame = settings_at(setting, [low, high], [dwell_s, dwell_s])
    ends = draws.linear(model_matrix(series, frame, pool.terms))[believed.draw]
    slope, level = (ends[:, 1] - ends[:, 0]) / 2, ends.mean(axis=1)
    first, last = series.responses.stage.target_span
    count = draws.thresholds.shape[1]
    sides = [place for place in (first - 1, last) if 0 <= place < count]
    wanted = draws.thresholds[:, sides].mean(axis=1)[believed.draw]
    moved = pool.steepness[believed.draw] * believed.total
    return np.asarray((wanted - level - moved) / np.maximum(slope, 1e-3))


def _likely_enough(
    believed: NewStudio, setting: Mapping[str, Any], dwell_s: float
) -> FloatArray:
    """Tell where the target is as likely as asked, 1 or 0, rows by temperatures."""
    pool = believed.pool
    series = pool.shared.series
    temperatures = np.linspace(*series.span("temperature"), _GRID)
    frame = settings_at(setting, temperatures, np.full(_GRID, dwell_s))
    first, last = series.responses.stage.target_span
    span = target_span(pool.draws, first, last, series.window.probability)
    eta = pool.draws.linear(model_matrix(series, frame, pool.terms))[believed.draw]
    eta += (pool.steepness[believed.draw] * believed.total)[:, None]
    low, high = span.low[believed.draw, None], span.high[believed.draw, None]
    return np.asarray((eta >= low) & (eta <= high), dtype=float)


def _graded(logs: FloatArray, rng: np.random.Generator) -> IntArray:
    """Draw a grade for each row of log probabilities."""
    reached = np.exp(logs).cumsum(axis=1)
    drawn = rng.random(len(logs)) * reached[:, -1]
    return np.asarray((drawn[:, None] > reached).sum(axis=1))

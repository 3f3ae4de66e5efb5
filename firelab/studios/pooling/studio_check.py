r"""Which studio does not fit the others, and what its looks point at.

Each studio in turn is left out; what the rest say of the colour (the mode of the
pooled posterior and its normal approximation, B draws) predicts its grades, its own
shift left free. Four statistics say how badly:

- misfit: minus the log likelihood of its looks at its best shift;
- sessions: what a shift of its own for each session gains (a log likelihood ratio);
- drift: what a steady change over its loads gains;
- grader: what reading every grade as one step too high, or too low, gains.

Each is a function of the looks alone, taken at the mode of the rest; looks simulated
from the draws, the shift drawn with them, show what it would be by chance. Each becomes
the tail of a gamma with the moments of all of them, a scale that the four share, and
the smallest of the four is ranked among those of the simulated studios (single-step
minP: Westfall and Young 1993, Resampling-Based Multiple Testing). A rank is exact where
the studio is like the rest, whatever the gamma is worth (Monte Carlo test: Dwass 1957,
Annals of Mathematical Statistics 28, 181-187). It is multiplied by the number of studios
(Bonferroni). Two levels serve, as in ISO 5725-2 (7.3.2): below 1 % a studio stands out
(the standard's outlier), below 5 % it is doubtful (its straggler). So at most one sound
pool in a hundred accuses anybody, and one in twenty doubts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import softmax

from firelab.arrays import FloatArray, IntArray
from firelab.craft.trade_words import Shown
from firelab.craft.units import format_temperature_difference
from firelab.fits.ordinal.likelihood import hermite_nodes
from firelab.fits.ordinal.links import link_named
from firelab.fits.sampling.importance import Mode, find_mode
from firelab.series.declared_parts import PriorSpecification
from firelab.series.terms import model_matrix
from firelab.studios.pooling.pool_density import PoolDensity
from firelab.studios.pooling.pool_fit import repeatability
from firelab.studios.pooling.pool_posterior import make_pool_density, start_point
from firelab.studios.pooling.shared_looks import SharedLooks

ACCUSED_AT, DOUBTED_AT = 0.01, 0.05
"""Adjusted p-values below which a studio stands out, and is doubtful: the levels of
outliers and stragglers in ISO 5725-2."""
FEWEST_STUDIOS = 4
"""Below it the rest are two, and which of three is the odd one cannot be told."""
_DRAWS = 60
"""B (chosen here: they carry what the rest do not know, the ranks need many more)."""
_RESOLVED = 0.5
"""Smallest adjusted p there can be, as a share of `ACCUSED_AT`: it says how many studios
are simulated, 1,200 for six."""
_AT_ONCE = 340
"""Simulated studios whose tables are held together: 15 MB at 30 looks (chosen here)."""
_REACH_DEGC, _STEP_DEGC = 90.0, 5.0
"""Shifts that are tried: what two kilns 30 degC off either way, and half as much again,
differ by (chosen here, no source)."""
_DRIFTS = 12
"""Steps of the grid by which a drift runs over the loads, either way, at most."""
_NODES = 5
"""Of a load's effect (chosen here: p-values need two digits, not six)."""
_SLIP = PriorSpecification().slip
"""Share of looks that are slips: the prior median of a fit, so no look is impossible."""

_CAUSES = {
    "misfit": "its grades do not follow temperature and dwell as the others' do: look for "
    "mixed-up tiles or labels, and compare its log with its plan",
    "sessions": "some of its sessions are not like the rest: look for a temperature in "
    "another unit, another thermocouple, or another jar",
    "drift": "it drifts from its first load to its last: look at thermocouple and kiln, "
    "and at the order of its log",
    "grader": "its grades read as if they were one step off: compare graded reference "
    "tiles or photographs with the others",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class StudioCheck(Shown):
    """Who fits and who does not.

    Attributes
    ----------
    table : DataFrame
        One row per studio and statistic: ``studio, statistic, value, expected,
        p_value`` (adjusted), and ``repeatability_without_degC``, the sd of one tile
        again in the same studio once that studio is left out.
    repeatability_degC : float
        That sd with all studios.
    reads : str
        Unit that the first studio's kiln reads.
    """

    table: pd.DataFrame
    repeatability_degC: float
    reads: str

    @property
    def too_few(self) -> bool:
        """Whether there are too few studios to tell."""
        return self.table.empty

    @property
    def standing_out(self) -> pd.DataFrame:
        """The row with the smallest p-value of each studio that does not fit."""
        worst = self._worst
        return worst[worst["p_value"] < ACCUSED_AT].reset_index(drop=True)

    @property
    def doubtful(self) -> pd.DataFrame:
        """The same of each studio that chance may explain, in one pool of twenty."""
        worst = self._worst
        doubted = worst["p_value"].between(ACCUSED_AT, DOUBTED_AT, inclusive="left")
        return worst[doubted].reset_index(drop=True)

    @property
    def _worst(self) -> pd.DataFrame:
        ordered = self.table.sort_values("p_value", kind="stable")
        return ordered.drop_duplicates("studio")

    def summary(self) -> str:
        """Return who stands out and where to look for the cause."""
        if self.too_few:
            return f"fewer than {FEWEST_STUDIOS} studios are too few to tell a bad one"
        lines = [
            f"{row['studio']} stands out (adjusted p {row['p_value']:.1g}): "
            f"{self._cause(row)}"
            for row in self.standing_out.to_dict("records")
        ]
        if not lines:
            p = self.table["p_value"].min()
            lines.append(f"no studio stands out (smallest adjusted p {min(p, 1.0):.2g})")
        lines += [
            f"{row['studio']} is doubtful (adjusted p {row['p_value']:.1g}; in one sound "
            f"pool of twenty some studio is): {self._cause(row)}"
            for row in self.doubtful.to_dict("records")
        ]
        return "\n".join(lines)

    def _cause(self, row: Mapping[Any, Any]) -> str:
        now, without = (
            format_temperature_difference(value, self.reads)
            for value in (self.repeatability_degC, row["repeatability_without_degC"])
        )
        return (
            f"{_CAUSES[row['statistic']]}; one tile again in the same studio has an sd of "
            f"{without} without it, {now} with it"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the check as plain values."""
        return {
            "schema": "firelab/studio-check/1",
            "too_few": self.too_few,
            "repeatability_degC": self.repeatability_degC,
            "studios": self.table.to_dict("records"),
            "standing_out": self.standing_out["studio"].tolist(),
            "doubtful": self.doubtful["studio"].tolist(),
        }


def check_studios(shared: SharedLooks, *, rng: np.random.Generator) -> StudioCheck:
    """Hold each studio against what the others say.

    Returns
    -------
    StudioCheck
        Only looks at the colour are judged; control tiles help to know the kilns.
    """
    density = make_pool_density(shared)
    whole = find_mode(density.log_density_and_gradient, start_point(density))
    count = len(shared.studios)
    rows: list[dict[str, Any]] = []
    for place in range(count if count >= FEWEST_STUDIOS else 0):
        own = shared.tested[shared.tested["studio"] == place]
        own = own.sort_values(["session", "load"], kind="stable")
        rest = _without(shared, place)
        if own.empty or rest.tested.empty:
            continue
        others = make_pool_density(rest)
        mode = find_mode(others.log_density_and_gradient, whole.point)
        without = _repeatability(others, mode, shared)
        for name, one in _hold(others, mode, shared, own, rng).items():
            rows.append(
                {
                    "studio": shared.studios[place],
                    "statistic": name,
                    "value": float(one.found[0]),
                    "expected": float(one.found[1:].mean()),
                    "p_value": one.p_value,
                    "repeatability_without_degC": without,
                }
            )
    columns = ("studio", "statistic", "value", "expected", "p_value")
    table = pd.DataFrame(rows, columns=[*columns, "repeatability_without_degC"])
    table["p_value"] = np.minimum(table["p_value"].astype(float) * count, 1.0)
    return StudioCheck(
        table=table,
        repeatability_degC=_repeatability(density, whole, shared),
        reads=shared.series.kiln.reads,
    )


def _without(shared: SharedLooks, place: int) -> SharedLooks:
    tested, controls = shared.tested, shared.controls
    return replace(
        shared,
        tested=tested[tested["studio"] != place],
        controls=controls[controls["studio"] != place],
    )


def _repeatability(density: PoolDensity, mode: Mode, shared: SharedLooks) -> float:
    colour = density.layout.colour
    stage = colour.stage_parameters(mode.point[None, : colour.n_parameters])
    found = repeatability(density.link, stage.sd[:, 0], stage.steepness)
    return float(found[0] * shared.half_range_degC)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Held:
    """A statistic of the studio at hand and of M simulated ones, and its p-value.

    The p-value is that of the smallest of the four, at this statistic's rank.
    """

    found: FloatArray
    p_value: float


def _hold(
    others: PoolDensity,
    mode: Mode,
    shared: SharedLooks,
    own: pd.DataFrame,
    rng: np.random.Generator,
) -> dict[str, _Held]:
    """Hold the looks of one studio against simulated ones of the same tiles."""
    load = pd.factorize(own["load"])[0]
    session = own.groupby(load)["session"].first().to_numpy()
    grades = np.asarray(own["stage"].cat.codes, dtype=np.int64)
    root = np.linalg.cholesky(np.linalg.inv(mode.precision))
    points = mode.point + rng.standard_normal((_DRAWS, mode.point.size)) @ root.T
    drawn = _chances(others, points, shared, own)
    times = int(np.ceil(len(shared.studios) / (_DRAWS * _RESOLVED * ACCUSED_AT)))
    every = np.vstack([grades, _simulate(drawn, grades, load, times, rng)])
    at_mode = _chances(others, mode.point[None, :], shared, own)
    parts = [
        _gains(at_mode, every[start : start + _AT_ONCE], load, session)
        for start in range(0, len(every), _AT_ONCE)
    ]
    values = {name: np.concatenate([one[name] for one in parts]) for name in parts[0]}
    tails = {name: _tail(one) for name, one in values.items()}
    smallest = np.min(list(tails.values()), axis=0)
    return {
        name: _Held(found=values[name], p_value=float((smallest <= own_p[0]).mean()))
        for name, own_p in tails.items()
    }


def _tail(values: FloatArray) -> FloatArray:
    """Return the upper tail of each value in a gamma with the moments of all."""
    from scipy.stats import gamma

    mean, variance = max(float(values.mean()), 1e-3), max(float(values.var()), 1e-6)
    return np.asarray(gamma.sf(values, mean**2 / variance, scale=variance / mean))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Chances:
    """Probability of each grade of n looks at G shifts and Q nodes, by B draws."""

    grade: FloatArray
    """Shape (B, n, G, Q, J)."""
    weights: FloatArray
    """Of the nodes, shape (Q,)."""


def _chances(
    others: PoolDensity, points: FloatArray, shared: SharedLooks, own: pd.DataFrame
) -> _Chances:
    colour = others.layout.colour
    stage = colour.stage_parameters(points[:, : colour.n_parameters])
    X = model_matrix(shared.series, own, tuple(shared.series.terms))
    shifts = np.arange(-_REACH_DEGC, _REACH_DEGC + 1, _STEP_DEGC) / shared.half_range_degC
    nodes = hermite_nodes(_NODES)
    moved = (stage.steepness[:, None] * shifts)[:, :, None] + (
        stage.sd[:, :1] * nodes.place
    )[:, None, :]
    level = (stage.coefficients @ X.T)[:, :, None, None] + moved[:, None]
    cut = stage.thresholds[:, None, None, None, :] - level[..., None]
    below = np.asarray(link_named(others.link).cdf(cut))
    grade = np.diff(below, axis=-1, prepend=0.0, append=1.0)
    grade = (1 - _SLIP) * grade + _SLIP / grade.shape[-1]
    return _Chances(grade=grade, weights=np.exp(nodes.log_weight))


def _load_logs(
    chances: _Chances, grades: IntArray, load: IntArray, *, step: int = 0
) -> FloatArray:
    """Return the log likelihood of each load at each shift, (M, L, G).

    Grades have shape (M, n); one table serves all, or each has its own. With `step` 1
    every grade stands for the one below it (and the last for the last as well), with
    -1 for the one above it.
    """
    last = chances.grade.shape[-1] - 1
    table = chances.grade
    if step:
        taken = np.clip(np.arange(last + 1) - step, 0, last)
        table = table[..., taken].copy()
        end = last if step > 0 else 0
        table[..., end] += chances.grade[..., end]
        other = 0 if step > 0 else last
        table[..., other] = _SLIP / (last + 1)
    draw = np.arange(len(table))
    shape = (len(grades), int(load.max()) + 1, *table.shape[2:4])
    # A load's looks are few and no grade of one is impossible: no product vanishes.
    likely = np.ones(shape)
    by_grade = np.ascontiguousarray(np.moveaxis(table, -1, 2))
    for look, its_load in enumerate(load):
        likely[:, its_load] *= by_grade[draw, look, grades[:, look]]
    return np.asarray(np.log(likely @ chances.weights))


def _simulate(
    chances: _Chances,
    grades: IntArray,
    load: IntArray,
    times: int,
    rng: np.random.Generator,
) -> IntArray:
    """Draw grades `times` over from each draw, shape (B times, n).

    The shift comes from what the grades at hand say of it in that draw, each load's
    effect from its nodes.
    """
    n_draws, n_shifts = len(chances.grade), chances.grade.shape[2]
    logs = _load_logs(chances, np.broadcast_to(grades, (n_draws, load.size)), load)
    likely = softmax(logs.sum(axis=1), axis=1)
    shift = np.array([rng.choice(n_shifts, size=times, p=one) for one in likely]).ravel()
    share = chances.weights / chances.weights.sum()
    node = rng.choice(share.size, size=(n_draws * times, int(load.max()) + 1), p=share)
    draw = np.repeat(np.arange(n_draws), times)[:, None]
    at = chances.grade[draw, np.arange(load.size), shift[:, None], node[:, load]]
    reached = at.cumsum(axis=-1)
    drawn = rng.random((*reached.shape[:2], 1)) * reached[..., -1:]
    return np.asarray((drawn > reached).sum(axis=-1))


def _gains(
    chances: _Chances, grades: IntArray, load: IntArray, session: IntArray
) -> dict[str, FloatArray]:
    logs = _load_logs(chances, grades, load)
    whole = logs.sum(axis=1).max(axis=1)
    found = {"misfit": -whole}
    marks = np.unique(session)
    if marks.size > 1:
        each = [logs[:, session == one].sum(axis=1).max(axis=1) for one in marks]
        found["sessions"] = np.sum(each, axis=0) - whole
    if logs.shape[1] > 2:
        found["drift"] = _drift(logs) - whole
    steps = [
        _load_logs(chances, grades, load, step=step).sum(axis=1).max(axis=1)
        for step in (-1, 1)
    ]
    found["grader"] = np.maximum(np.maximum(*steps) - whole, 0.0)
    return found


def _drift(logs: FloatArray) -> FloatArray:
    """Return the largest log likelihood where the shift changes evenly over the loads."""
    n_loads, n_shifts = logs.shape[1:]
    time = np.linspace(-0.5, 0.5, n_loads)
    best = np.full(len(logs), -np.inf)
    for drift in range(-_DRIFTS, _DRIFTS + 1):
        at = np.arange(n_shifts) + np.rint(drift * time).astype(np.int64)[:, None]
        at = np.clip(at, 0, n_shifts - 1)
        moved = np.take_along_axis(logs, at[None], axis=2).sum(axis=1)
        best = np.maximum(best, moved.max(axis=1))
    return best

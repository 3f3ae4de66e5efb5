r"""An invented kiln and enamel whose truth is known: for demo, foresight, studies.

A tile's latent grade is :math:`\eta + u + e`: what its setting does, what its load,
session and place of the rack do, its own deviation. It is graded by fixed thresholds; a
look may be a slip. The heat of a tile that is fired on adds up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.special import log_ndtr, ndtr, ndtri

from firelab.arrays import FloatArray, IntArray
from firelab.errors import UsageError
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.records.records import counted_dwell
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import coding, model_matrix, term_columns
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.simulation.simulated_heat import SimulatedHeat

Family = Literal["logit", "probit", "heat work"]

NOISE_SD = float(np.pi / np.sqrt(3.0))
"""Deviation of a tile in every family, logits."""
_COLDEST_DEGC, _HOTTEST_DEGC = 300.0, 1400.0
"""Where true edges are sought: beyond what any enamel is fired at (chosen here)."""
_POINTS = 61
_CLOSINGS = 2
"""Of the search for a true edge: to 1100 / 60 / 60 = 0.3 degC, then a straight line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedClarity:
    """The invented transparency score of a fused tile.

    Attributes
    ----------
    intercept : float
        Score at the centre of every coded factor.
    effects : mapping of str to float
        Score per coded unit, by column.
    load_sd, residual_sd : float
    """

    intercept: float
    effects: Mapping[str, float] = field(default_factory=dict)
    load_sd: float = 0.4
    residual_sd: float = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedKiln:
    """The invented truth of a series.

    Attributes
    ----------
    series : FiringSeries
    family : {'logit', 'probit', 'heat work'}
        Logistic deviations; normal ones; normal ones about a heat-driven
        progress that is not linear in temperature and ln dwell.
    thresholds : tuple of float
        J - 1 of them, logits, rising.
    effects : mapping of str to float
        Logits per coded unit, by column. With heat work, ``temperature`` is the
        shift over half the range at the middle dwell, and ``dwell`` follows
        from the heat.
    load_sd, session_sd, place_sd : float
        Of loads of a session, of sessions and of places of the rack, logits.
    slip : float
        Probability that a look is written as another grade, any of them alike.
    lasting : float
        Share of a tile's deviation that stays its own when it is fired again, 0
        to 1: the correlation of two firings' normal scores. How much does is
        not known (no source).
    heat : SimulatedHeat
    clarity : SimulatedClarity or None
    """

    series: FiringSeries
    thresholds: tuple[float, ...]
    effects: Mapping[str, float]
    family: Family = "logit"
    load_sd: float = 0.4
    session_sd: float = 0.0
    place_sd: float = 0.0
    slip: float = 0.0
    lasting: float = 1.0
    heat: SimulatedHeat = field(default_factory=SimulatedHeat)
    clarity: SimulatedClarity | None = None

    @property
    def future_sd(self) -> float:
        """Spread of a future load, session and place together, logits."""
        return float(np.sqrt(self.load_sd**2 + self.session_sd**2 + self.place_sd**2))

    def latent(self, settings: pd.DataFrame) -> FloatArray:
        """Return the latent grade of n settings in a mean load, shape (n,)."""
        if self.family != "heat work":
            return self._moved(settings, self.effects)
        return self._unheated(settings) + self._heated(self._progress(settings))

    def latent_fired_on(self, looks: pd.DataFrame) -> FloatArray:
        """Return the latent grade of n looks in mean loads, shape (n,).

        Parameters
        ----------
        looks : DataFrame, n rows
            In firing order, `dwell_s` that of each firing; rows of one tile are
            its firings, whose heat adds up.
        """
        if self.family != "heat work":
            return self.latent(looks.assign(dwell_s=self._counted_dwell(looks)))
        # Each firing heats the tile up anew; what it fuses is added.
        work = pd.Series(np.exp(self._progress(looks)), index=looks.index)
        added = work.groupby(looks["tile"], sort=False).cumsum()
        return self._unheated(looks) + self._heated(np.log(added.to_numpy()))

    def _counted_dwell(self, looks: pd.DataFrame) -> pd.Series[float]:
        """Return the dwell of each tile so far as its last temperature counts it, s."""
        by_tile = looks.groupby("tile", sort=False)
        counted = looks.assign(look=by_tile.cumcount() + 1)
        heat, dwell = coding(self.series, "temperature"), coding(self.series, "dwell")
        per_degC = self.effects.get("temperature", 0.0) / heat.half_width
        per_log_s = self.effects.get("dwell", 0.0) / dwell.half_width
        # Where one of the two does nothing, the worth of a second is not defined.
        doubling = np.log(2.0) * per_log_s / per_degC if per_degC and per_log_s else None
        return counted_dwell(counted, self.series, doubling_degC=doubling)

    def _unheated(self, settings: pd.DataFrame) -> FloatArray:
        return self._moved(settings, {**self.effects, "temperature": 0.0, "dwell": 0.0})

    def _moved(self, settings: pd.DataFrame, effects: Mapping[str, float]) -> FloatArray:
        """Add up effects, by column, at n settings."""
        columns = [str(column) for column in term_columns(self.series, self._terms)]
        strange = sorted(set(effects) - set(columns))
        if strange:
            raise UsageError(
                f"there is no column {', '.join(strange)}",
                hint=f"one of {', '.join(columns)}",
            )
        X = model_matrix(self.series, settings, self._terms)
        return np.asarray(X @ np.array([effects.get(name, 0.0) for name in columns]))

    @property
    def _terms(self) -> tuple[str, ...]:
        interactions = self.series.model.interactions
        return ("temperature", "dwell", "mesh", "layers", "base", *interactions)

    def _progress(self, settings: pd.DataFrame) -> FloatArray:
        """Return ln of the heat work of n firings."""
        # Looks of one setting share their heat: each is worked out once.
        firings, place = np.unique(
            settings[["temperature_degC", "dwell_s"]].to_numpy(dtype=float),
            axis=0,
            return_inverse=True,
        )
        return self.heat.progress(*firings.T)[place.ravel()]

    def _heated(self, progress: FloatArray) -> FloatArray:
        """Return what a progress moves the latent grade."""
        heat, dwell = coding(self.series, "temperature"), coding(self.series, "dwell")
        ends = heat.centre + heat.half_width * np.array([-1.0, 0.0, 1.0])
        cool, middle, hot = self.heat.progress(ends, np.full(3, np.exp(dwell.centre)))
        share = (progress - middle) / (0.5 * (hot - cool))
        return np.asarray(self.effects["temperature"] * share)

    def simulate(
        self, table: pd.DataFrame, *, rng: np.random.Generator, growing: bool = False
    ) -> pd.DataFrame:
        """Fire a plan: return invented looks, one row per row of the plan.

        Parameters
        ----------
        table : DataFrame, n rows
            Of ``plan.csv``, in firing order; rows of one tile are several
            looks at it, whose heat adds up.
        rng : numpy.random.Generator
        growing : bool, default False
            With a generator of the same seed, a plan that has grown at its end
            gives the same looks first: a tile can be fired on.

        Returns
        -------
        DataFrame, n rows
            Columns of ``firings.csv``, ``stage`` as text; a score only where a
            tile is of a target grade.
        """
        looks = table.reset_index(drop=True)
        streams = rng.spawn(7) if growing else [rng] * 7
        of_tiles, of_loads, *of_scores = streams[:4]
        of_sessions, of_places, of_slips = streams[4:]
        load = pd.factorize(looks["load"])[0]
        tile = pd.factorize(looks["tile"])[0]
        own = self._deviations(tile, of_tiles)
        shared = self.load_sd * of_loads.standard_normal(int(load.max()) + 1)[load]
        level = self.latent_fired_on(looks) + own + shared
        if self.session_sd:
            session = pd.factorize(looks["session"])[0]
            shift = of_sessions.standard_normal(int(session.max()) + 1)
            level += self.session_sd * shift[session]
        if self.place_sd:
            place = looks.groupby("load").cumcount().to_numpy()
            shift = of_places.standard_normal(int(place.max()) + 1)
            level += self.place_sd * shift[place]
        grade = pd.Series((level[:, None] > np.array(self.thresholds)).sum(axis=1))
        grade = grade.groupby(tile).cummax()
        grades = self.series.responses.stage.grades
        return pd.DataFrame(
            {
                "tile": looks["tile"],
                "look": looks.groupby("tile").cumcount() + 1,
                "session": looks["session"],
                "load": looks["load"],
                "temperature_degC": looks["temperature_degC"],
                "dwell_s": looks["dwell_s"],
                "stage": [grades[one] for one in self._written(grade, of_slips)],
                "transparency": self._scores(looks, load, grade.to_numpy(), of_scores),
                "observer": "",
                "fired_at": "",
                "defects": "",
                "note": "",
            }
        )

    def _written(self, grade: pd.Series[int], rng: np.random.Generator) -> pd.Series[int]:
        """Return the grades as they are written: some of them are slips."""
        if not self.slip:
            return grade
        # One draw for each look in turn, so that a growing plan keeps the first.
        chance, other = rng.random((len(grade), 2)).T
        n_grades = len(self.thresholds) + 1
        away = 1 + np.floor(other * (n_grades - 1)).astype(int)
        return grade.where(chance >= self.slip, (grade + away) % n_grades)

    def _deviations(self, tile: IntArray, rng: np.random.Generator) -> FloatArray:
        """Return the deviation of each look at its tile, shape (n,)."""
        count = int(tile.max()) + 1
        if self.lasting < 1.0:
            # The looks' own last, so that a growing plan keeps the tiles'.
            kept, passing = rng.spawn(2)
            score = np.sqrt(self.lasting) * kept.standard_normal(count)[tile]
            score += np.sqrt(1.0 - self.lasting) * passing.standard_normal(tile.size)
            if self.family == "logit":
                return np.asarray(log_ndtr(score) - log_ndtr(-score))
            return np.asarray(NOISE_SD * score)
        if self.family == "logit":
            return rng.logistic(size=count)[tile]
        return np.asarray(NOISE_SD * rng.standard_normal(count)[tile])

    def _scores(
        self,
        looks: pd.DataFrame,
        load: IntArray,
        grade: IntArray,
        rngs: Sequence[np.random.Generator],
    ) -> FloatArray:
        scale, truth = self.series.responses.transparency, self.clarity
        if scale is None or truth is None:
            return np.full(len(looks), np.nan)
        settings = looks.assign(dwell_s=self._counted_dwell(looks))
        mean = truth.intercept + self._moved(settings, truth.effects)
        mean += truth.load_sd * rngs[0].standard_normal(int(load.max()) + 1)[load]
        mean += truth.residual_sd * rngs[1].standard_normal(len(mean))
        stepped = scale.low + scale.step * np.round((mean - scale.low) / scale.step)
        first, last = self.series.responses.stage.target_span
        wanted = (grade >= first) & (grade <= last)
        return np.where(wanted, np.clip(stepped, scale.low, scale.high), np.nan)

    def true_probability(self, settings: pd.DataFrame) -> FloatArray:
        """Return P(stage in target) of a tile in a future load, shape (n,)."""
        first, last = self.series.responses.stage.target_span
        eta, cuts = self.latent(settings), (-np.inf, *self.thresholds, np.inf)
        upper, lower = self._below(cuts[last + 1] - eta), self._below(cuts[first] - eta)
        clear = np.ones_like(eta)
        scale, truth = self.series.responses.transparency, self.clarity
        if scale is not None and truth is not None:
            mean = truth.intercept + self._moved(settings, truth.effects)
            spread = np.hypot(truth.load_sd, truth.residual_sd)
            distance = scale.sign * (mean - scale.target) + scale.step / 2
            clear = ndtr(distance / spread)
        return np.asarray((upper - lower) * clear)

    def _below(self, distance: FloatArray) -> FloatArray:
        """Return the chance of lying below a latent distance, future load."""
        if self.family == "logit":
            return np.asarray(self._logistic.cumulative(distance[None])[0])
        return np.asarray(ndtr(distance / np.hypot(NOISE_SD, self.future_sd)))

    @property
    def _logistic(self) -> StageDraws:
        return StageDraws(
            thresholds=np.array([self.thresholds]),
            coefficients=np.empty((1, 0)),
            load_sd=np.array([self.future_sd]),
            tile_sd=np.zeros(1),
            link="logit",
            columns=(),
        )

    def true_edges(
        self,
        dwell_s: float,
        probability: float | None = None,
        setting: Mapping[str, Any] | None = None,
    ) -> tuple[float, float]:
        """Return the true low and high edge at a dwell, degC.

        Parameters
        ----------
        dwell_s : float
            Total dwell.
        probability : float, optional
            Asked of each side; by default the series'.
        setting : mapping, optional
            ``mesh, layers, base``; by default the first of each.

        Returns
        -------
        tuple of (float, float)
            Not held to any range; infinite where the target has no such edge.
        """
        p = self.series.window.probability if probability is None else probability
        factors = self.series.factors
        at = setting or {
            "mesh": factors.mesh.levels[0],
            "layers": factors.layers.levels[0],
            "base": factors.base.levels[0],
        }
        first, last = self.series.responses.stage.target_span
        low, high = -np.inf, np.inf
        if first > 0:
            low = self._solve(
                self.thresholds[first - 1] - self._quantile(1 - p), dwell_s, at
            )
        if last < len(self.thresholds):
            high = self._solve(self.thresholds[last] - self._quantile(p), dwell_s, at)
        return low, high

    def _quantile(self, p: float) -> float:
        if self.family == "logit":
            return float(self._logistic.distance_where(p)[0])
        return float(ndtri(p) * np.hypot(NOISE_SD, self.future_sd))

    def _solve(self, wanted: float, dwell_s: float, setting: Mapping[str, Any]) -> float:
        """Find where the latent grade, rising in temperature, reaches a value."""
        low, high = _COLDEST_DEGC, _HOTTEST_DEGC
        columns = term_columns(self.series, self._terms)
        squared = {str(one) for one in columns if any(power > 1 for _, power in one.powers)}
        bent = self.family == "heat work" or not squared.isdisjoint(self.effects)
        for _ in range(_CLOSINGS if bent else 1):
            degC = np.linspace(low, high, _POINTS)
            eta = self.latent(settings_at(setting, degC, np.full(_POINTS, dwell_s)))
            place = int(np.searchsorted(eta, wanted))
            if place == 0:
                return -np.inf
            if place == _POINTS:
                return np.inf
            low, high = degC[place - 1], degC[place]
        below, above = eta[place - 1], eta[place]
        return float(low + (high - low) * (wanted - below) / (above - below))

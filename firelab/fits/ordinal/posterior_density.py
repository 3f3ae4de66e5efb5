r"""The log posterior of the stage at many points at once, with its gradient.

Sessions, loads, places of the rack, tiles looked at again and observers cross, so that
no one-dimensional integral is left: their random effects are held as standard normal
scores times their standard deviations. Given the parameters the scores have a posterior
close to normal, which `StageDensity.conditional` finds.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import expit, logit, logsumexp

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.fits.ordinal.added_heat import AddedAt, AddedHeat, with_added_heat
from firelab.fits.ordinal.likelihood import (
    LookTerms,
    by_threshold,
    grade_ends,
    log_with_slips,
    looks_with_slips,
)
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.parameters import Parameterisation, StageParameters
from firelab.fits.ordinal.priors import Priors
from firelab.fits.ordinal.stage_draws import evenly_taken
from firelab.fits.sampling.nested import Conditional
from firelab.fits.sampling.sparse_root import Roots, ScoreGroups, group_scores

_CHUNK = 1 << 19
"""Values of points times looks, or times entries of a precision, worked at a time: 4 MB
(chosen here)."""
_NEWTON_STEPS = 3
"""Towards the conditional mode, from that at the mode of the parameters: what is left
the importance weights make up for."""
_LONGEST_STEP, _LEAST_BEND = 1.5, 1e-3
"""Longest such step, prior sds, and the least curvature that a look lends it: a slip can
bend the other way (chosen here, no source; the weights make up for it too)."""

_MISREAD, _MISREAD_DEGC = 0.02, 55.0
"""How probable it is that a load had another temperature than written, as rare as a slip
of the pen, and the standard deviation of how much hotter it was then: 100 degF (chosen
here, no source; analyses/working_kiln has how many are found and how many are sound)."""
_HOTTER_DEGC = np.arange(-120.0, 121.0, 10.0)
_POINTS_OF_LOADS = 400
_AS_GOOD_AS_NEVER = 1e-9
"""Of the chance of a slip where a look is none: not 0, so that no logarithm is of 0."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedLooks:
    """Graded looks with the groups that share random effects.

    Attributes
    ----------
    grade : ndarray of int, shape (n,)
        Place on the scale.
    X : ndarray, shape (n, p)
        Coded columns.
    labels : dict of str to ndarray of int, shape (n,)
        Group of each look by effect, numbered from 0; -1 where it is not known.
    heat : AddedHeat or None
        Of tiles fired before.
    """

    grade: IntArray
    X: FloatArray
    labels: dict[str, IntArray]
    heat: AddedHeat | None = None

    @property
    def n_looks(self) -> int:
        """Number of looks, n."""
        return int(self.grade.size)

    @property
    def effects(self) -> tuple[str, ...]:
        """Random effects that these looks have.

        A session and a load always: a future one differs although only one was seen. A
        place where several were used, a tile where some were looked at again, an observer
        where several people graded.
        """
        size = {name: int(group.max()) + 1 for name, group in self.labels.items()}
        found = ["session", "load"]
        if size.get("place", 1) > 1:
            found.append("place")
        if size["tile"] < self.n_looks:
            found.append("tile")
        if size.get("observer", 1) > 1:
            found.append("observer")
        return tuple(found)

    def latent(self, stage: StageParameters) -> tuple[FloatArray, AddedAt | None]:
        """Return the latent grade without random effects, (M, n), and what heat added."""
        return with_added_heat(stage.coefficients, stage.lost, self.X, self.heat)

    def by_parameter(
        self, by_eta: FloatArray, added: AddedAt | None
    ) -> tuple[FloatArray, FloatArray]:
        """Turn slopes by the latent grade, (M, n), into (M, p) and (M,) by the loss."""
        by, by_lost = by_eta @ self.X, np.zeros(len(by_eta))
        if added is not None:
            more, by_lost = added.by_parameter(by_eta[:, added.heat.rows])
            by = by + more
        return by, by_lost


def share_looks(
    graded: pd.DataFrame, X: FloatArray, heat: AddedHeat | None = None
) -> SharedLooks:
    """Return the graded looks of a frame with what they share.

    Parameters
    ----------
    graded : DataFrame, n rows
        As `Records.graded`; ``session``, ``rack_place`` and ``observer`` where it has them.
    X : ndarray, shape (n, p)
    heat : AddedHeat, optional
    """
    labels = {name: graded[name] for name in ("load", "tile")}
    labels["session"] = graded["session"] if "session" in graded else graded["load"] * 0
    if "rack_place" in graded:
        labels["place"] = graded["rack_place"].where(graded["rack_place"] > 0)
    if "observer" in graded:
        written = graded["observer"].fillna("").astype(str).str.strip().str.casefold()
        labels["observer"] = written.where(written != "")
    return SharedLooks(
        grade=np.asarray(graded["stage"].cat.codes, dtype=np.int64),
        X=np.asarray(X, dtype=float),
        labels={
            name: pd.factorize(group, sort=True)[0].astype(np.int64)
            for name, group in labels.items()
        },
        heat=heat,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageDensity:
    """Log posterior over q parameters and d scores of random effects.

    Attributes
    ----------
    looks : SharedLooks
    layout : Parameterisation
    priors : Priors
    link : str
    as_written : ndarray of bool, shape (n,), optional
        Looks that are no slips.
    groups : ScoreGroups
        Follows from the looks and their effects.
    """

    looks: SharedLooks
    layout: Parameterisation
    priors: Priors
    link: str
    as_written: BoolArray | None = None

    groups: ScoreGroups = field(init=False)

    def __post_init__(self) -> None:
        """Work out once which looks share which score."""
        labels = [self.looks.labels[effect.name] for effect in self.layout.effects]
        object.__setattr__(self, "groups", group_scores(labels))

    @property
    def sizes(self) -> tuple[int, ...]:
        """Number of groups of each effect."""
        counts = np.bincount(self.groups.effect_of, minlength=len(self.layout.effects))
        return tuple(int(count) for count in counts)

    @property
    def n_scores(self) -> int:
        """Number of scores, d."""
        return int(self.groups.effect_of.size)

    @property
    def finest(self) -> IntArray:
        """Scores that are drawn one by one given the rest."""
        return self.groups.finest

    def conditional(self, points: FloatArray, start: FloatArray) -> Conditional:
        """Approximate the scores given (M, q) points by a normal, from a start (d,)."""
        size = max(1, _CHUNK // max(self.groups.pattern.n_entries, self.looks.n_looks))
        parts = [
            self._conditional(points[first : first + size], start)
            for first in range(0, len(points), size)
        ]
        modes, roots, logs = zip(*parts, strict=True)
        return Conditional(
            np.vstack(modes),
            Roots(
                pattern=self.groups.pattern,
                entries=np.hstack([one.entries for one in roots]),
            ),
            np.concatenate(logs),
        )

    def _conditional(self, points: FloatArray, start: FloatArray) -> Conditional:
        stage, groups = self.layout.stage_parameters(points), self.groups
        lower, upper = self._ends(stage)
        sd, d = stage.sd.T[groups.effect_of], self.n_scores
        apart = sd[groups.pattern.rows] * sd[groups.pattern.columns]
        scores = np.repeat(start[:, None], len(points), axis=1)
        for step in range(_NEWTON_STEPS + 1):
            terms = self._terms(stage, lower, upper, (groups.members @ (scores * sd)).T)
            bend = np.maximum(-terms.bend, _LEAST_BEND)
            precision = (groups.shared @ bend.T) * apart
            precision[:d] += 1.0
            roots = Roots.of(groups.pattern, precision)
            if step == _NEWTON_STEPS:
                break
            by_group = groups.by_score @ (terms.by_lower + terms.by_upper).T
            move = roots.solve(-by_group * sd - scores)
            longest = np.abs(move).max(axis=0)
            scores += move * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-9))
        log_root = roots.log_diagonal.sum(axis=0)
        marginal = terms.log_p.sum(axis=1) - 0.5 * (scores**2).sum(axis=0) - log_root
        return Conditional(scores.T, roots, marginal + self.priors.log_density(points))

    def joint(self, points: FloatArray, scores: FloatArray) -> FloatArray:
        """Return the log posterior up to a constant of points and scores, shape (M,)."""
        prior = self.priors.log_density(points) - 0.5 * (scores**2).sum(axis=1)
        return np.asarray(self._log_looks(points, scores).sum(axis=1) + prior)

    def joint_apart(
        self, points: FloatArray, scores: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return of `joint` the part of each finest score, (M, a), and the rest, (M,)."""
        groups, by_look = self.groups, self._log_looks(points, scores)
        squares = -0.5 * scores**2
        own = squares[:, groups.finest]
        rest = self.priors.log_density(points) + squares.sum(axis=1) - own.sum(axis=1)
        rest = rest + by_look[:, groups.without_finest].sum(axis=1)
        return (groups.by_finest @ by_look.T).T + own, rest

    def log_density_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return log posterior, shape (M,), and gradient of (M, q + d) coordinates."""
        q = self.layout.n_parameters
        own, scores = points[:, :q], points[:, q:]
        stage = self.layout.stage_parameters(own)
        eta, added = self.looks.latent(stage)
        ends = grade_ends(self.looks.grade, stage.thresholds, eta)
        terms = self._terms(stage, *ends, self._effects(stage, scores))
        by_eta = -(terms.by_lower + terms.by_upper)
        by_group = (self.groups.by_score @ by_eta.T).T
        sd = stage.sd[:, self.groups.effect_of]
        bounds = np.cumsum([0, *self.sizes[:-1]])
        by_coefficient, by_lost = self.looks.by_parameter(by_eta, added)
        gradient = self.layout.gradient(
            own,
            stage,
            by_threshold(
                self.looks.grade, self.layout.n_grades, terms.by_lower, terms.by_upper
            ),
            by_coefficient,
            np.add.reduceat(by_group * scores, bounds, axis=1),
            (terms.by_slip * self._can_slip).sum(axis=1),
            by_lost,
        )
        value = terms.log_p.sum(axis=1) - 0.5 * (scores**2).sum(axis=1)
        return (
            value + self.priors.log_density(own),
            np.hstack([gradient + self.priors.gradient(own), sd * by_group - scores]),
        )

    def check_looks(
        self, points: FloatArray, scores: FloatArray
    ) -> tuple[FloatArray, IntArray]:
        """Return how probable it is that each look is a slip, and the grade expected.

        Returns
        -------
        tuple of (ndarray, ndarray), shape (n,)
        """
        stage = self.layout.stage_parameters(points)
        shift = self._effects(stage, scores)
        terms = self._terms(stage, *self._ends(stage), shift)
        eta = (self.looks.latent(stage)[0] + shift)[:, :, None]
        reached = link_named(self.link).cdf(stage.thresholds[:, None, :] - eta).mean(axis=0)
        chances = np.diff(reached, axis=1, prepend=0.0, append=1.0)
        return 1.0 - terms.no_slip.mean(axis=0), chances.argmax(axis=1)

    def check_loads(
        self, points: FloatArray, scores: FloatArray, level: float
    ) -> tuple[FloatArray, FloatArray]:
        """Return how probable it is that each load had another temperature than written.

        How much likelier its looks are at any other temperature, on average over draws, is
        the Bayes factor of its having had one. A load that was confirmed has not.

        Returns
        -------
        tuple of (ndarray, shape (L,), ndarray, shape (L, 3))
            The probability, and by how much hotter it was then, degC: the mean and the
            ends of an interval of that level.
        """
        some = evenly_taken(len(points), _POINTS_OF_LOADS)
        load = self.looks.labels["load"]
        count = int(load.max()) + 1
        stage = self.layout.stage_parameters(points[some])
        shift, ends = self._effects(stage, scores[some]), self._ends(stage)
        per_degC = (stage.steepness / self.layout.half_degC)[:, None]
        written = self._log_at(stage, ends, shift)
        likelier = [
            self._log_at(stage, ends, shift + degC * per_degC) - written
            for degC in _HOTTER_DEGC
        ]
        prior = -0.5 * (_HOTTER_DEGC / _MISREAD_DEGC) ** 2
        by_degC = (prior - logsumexp(prior))[:, None] + np.array(
            [logsumexp(sum_by_group(one, load, count), axis=0) for one in likelier]
        )
        factor = logsumexp(by_degC, axis=0)
        share = np.exp(by_degC - factor)
        tail = (1.0 - level) / 2.0
        reached = share.cumsum(axis=0).T
        limits = [np.interp([tail, 1.0 - tail], one, _HOTTER_DEGC) for one in reached]
        hotter = np.column_stack([_HOTTER_DEGC @ share, np.array(limits)])
        chance = expit(logit(_MISREAD) + factor - np.log(len(some)))
        if self.as_written is not None:
            chance[np.bincount(load, ~self.as_written, minlength=count) == 0] = 0.0
        return chance, hotter

    def _slip(self, stage: StageParameters) -> FloatArray:
        return np.asarray(stage.slip[:, None] * self._can_slip)

    @property
    def _can_slip(self) -> FloatArray:
        """How far each look can be a slip, shape (n,), or (1,) if all alike."""
        if self.as_written is None or not self.as_written.any():
            return np.ones(1)
        return np.where(self.as_written, _AS_GOOD_AS_NEVER, 1.0)

    def _ends(self, stage: StageParameters) -> tuple[FloatArray, FloatArray]:
        eta, _ = self.looks.latent(stage)
        return grade_ends(self.looks.grade, stage.thresholds, eta)

    def _effects(self, stage: StageParameters, scores: FloatArray) -> FloatArray:
        sd = stage.sd[:, self.groups.effect_of]
        return np.asarray((self.groups.members @ (scores * sd).T).T)

    def _log_looks(self, points: FloatArray, scores: FloatArray) -> FloatArray:
        """Return the log probability of each look, (M, n)."""
        stage = self.layout.stage_parameters(points)
        return self._log_at(stage, self._ends(stage), self._effects(stage, scores))

    def _log_at(
        self, stage: StageParameters, ends: tuple[FloatArray, FloatArray], shift: FloatArray
    ) -> FloatArray:
        lower, upper = (end - shift for end in ends)
        link, grades = link_named(self.link), self.layout.n_grades
        return log_with_slips(link, lower, upper, self._slip(stage), grades)

    def _terms(
        self,
        stage: StageParameters,
        lower: FloatArray,
        upper: FloatArray,
        shift: FloatArray,
    ) -> LookTerms:
        link, grades = link_named(self.link), self.layout.n_grades
        slip = self._slip(stage)
        return looks_with_slips(link, lower - shift, upper - shift, slip, grades)


def sum_by_group(by_look: FloatArray, group: IntArray, count: int) -> FloatArray:
    """Sum (M, n) columns by group into (M, count)."""
    return np.asarray(by_look @ np.eye(count)[group])

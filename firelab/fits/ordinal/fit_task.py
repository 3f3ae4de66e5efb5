"""From verified looks to a fit: which likelihood, which estimator, what to say."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.bias_reduction import AdjustedScore, solve_adjusted
from firelab.fits.ordinal.crossed_likelihood import CrossedLikelihood
from firelab.fits.ordinal.cumulative_link_fit import (
    ESTIMATOR_WORDS,
    CumulativeLinkFit,
    Estimator,
    Likelihood,
    parameter_names,
)
from firelab.fits.ordinal.likelihood_start import (
    load_start,
    parameter_units,
    plain_start,
    settle_effects,
)
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.load_chunks import hermite_nodes
from firelab.fits.ordinal.load_likelihood import LoadLikelihood
from firelab.fits.ordinal.look_arrays import FittedScale, LookArrays, place_on_scale
from firelab.fits.ordinal.newton import Maximum, condition_number, maximise
from firelab.fits.ordinal.plain_likelihood import PlainLikelihood
from firelab.fits.ordinal.separation import Separated, Separation, find_separation
from firelab.fits.ordinal.tile_likelihood import TileLikelihood

FloatArray = NDArray[np.float64]

_DOUBTFUL_CONDITION = 1e10
_EFFECT_STEPS = 40
LARGEST_SD = 20.0
"""Standard deviation of an effect, latent units, taken for no finite answer."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitTask:
    """What is to be fitted, and how.

    Attributes
    ----------
    looks : LookArrays
    link : Link
    structure : str
        Of the thresholds.
    estimator : {'auto', 'ml', 'mean_br', 'median_br'}
    start : ndarray or None
    effects : tuple of str
        Names of what carries a standard deviation, one per column of labels.
    is_nested : bool
        Whether the second effect lies within the first.
    n_quadrature : int
    """

    looks: LookArrays
    link: Link
    structure: str
    estimator: str
    start: FloatArray | None
    effects: tuple[str, ...]
    is_nested: bool
    n_quadrature: int

    def fit(self) -> CumulativeLinkFit:
        """Return the fit."""
        if self.effects:
            return self._fit_effects()
        wants_open_end = self.estimator != "ml"
        scale = place_on_scale(
            self.looks, structure=self.structure, keep_open_end=wants_open_end
        )
        return self._fit_plain(scale)

    def supremum(self) -> tuple[float, int]:
        """Return the highest log-likelihood and the number of parameters.

        It is finite even where the estimates are not.
        """
        scale = place_on_scale(self.looks, structure=self.structure, keep_open_end=False)
        plain = PlainLikelihood(design=scale.design, link=self.link)
        units = parameter_units(scale.design, 0)
        found = maximise(plain, plain_start(scale.design, self.link), units=units)
        count = len(self.effects)
        if count:
            start = load_start(found.point, count)
            likelihood = self._likelihood(scale)
            units = parameter_units(scale.design, count)
            found = maximise(likelihood, start, units=units, most_iterations=_EFFECT_STEPS)
        return found.evaluation.value, len(found.point)

    def _fit_plain(
        self, scale: FittedScale, said: tuple[str, ...] = ()
    ) -> CumulativeLinkFit:
        likelihood = PlainLikelihood(design=scale.design, link=self.link)
        start = self._start(plain_start(scale.design, self.link))
        said = (*said, *_unseen_notes(scale))
        if self.estimator in ("mean_br", "median_br") or scale.open_end:
            return self._reduce_bias(scale, likelihood, None, said)
        units = parameter_units(scale.design, 0)
        found = maximise(likelihood, start, units=units)
        separation = self._separation(scale, found)
        if separation is None and found.steady:
            return self._result(scale, likelihood, found, "ml", separation, said)
        if separation is None:
            why: tuple[str, ...] = (self._unbounded(found),)
        else:
            why = separation.sentences(scale.grades)
        if self.estimator == "ml":
            raise Separated(why, separation)
        said = (*why, *said)
        return self._reduce_bias(scale, likelihood, separation, said)

    def _reduce_bias(
        self,
        scale: FittedScale,
        likelihood: PlainLikelihood,
        separation: Separation | None,
        said: tuple[str, ...],
    ) -> CumulativeLinkFit:
        estimator: Estimator = "median_br" if self.estimator == "median_br" else "mean_br"
        score = AdjustedScore(likelihood=likelihood, median=estimator == "median_br")
        units = parameter_units(scale.design, 0)
        found = solve_adjusted(score, plain_start(scale.design, self.link), units)
        if not found.steady:
            raise RecordsInsufficient(
                "; ".join((*said, "no finite estimates were found")),
                hint="ask for fewer terms, or fire more tiles",
            )
        if self.estimator == "auto":
            said = (*said, f"fitted by {ESTIMATOR_WORDS[estimator]} instead")
        return self._result(scale, likelihood, found, estimator, separation, said)

    def _fit_effects(self) -> CumulativeLinkFit:
        scale = place_on_scale(self.looks, structure=self.structure, keep_open_end=False)
        units = parameter_units(scale.design, 0)
        plain = PlainLikelihood(design=scale.design, link=self.link)
        begin = maximise(plain, plain_start(scale.design, self.link), units=units)
        separation = self._separation(scale, begin)
        if separation is not None:
            if self.estimator == "ml":
                raise Separated(separation.sentences(scale.grades), separation)
            return self._without_effects(
                f"no {' or '.join(self.effects)} effect was fitted: where terms "
                "separate the grades it cannot be told from them"
            )
        likelihood = self._likelihood(scale)
        count = len(self.effects)
        start = self._start(load_start(begin.point, count))
        units = parameter_units(scale.design, count)
        found = maximise(likelihood, start, units=units, most_iterations=_EFFECT_STEPS)
        found = settle_effects(likelihood, found, count)
        if found.convergence.code or np.max(found.point[-count:]) > LARGEST_SD:
            return self._without_last_effect()
        said = (*_unseen_notes(scale), *self._vanished(found))
        return self._result(scale, likelihood, found, "ml", None, said)

    def _without_last_effect(self) -> CumulativeLinkFit:
        """Fit again without the effect whose size has no end."""
        last = self.effects[-1]
        if self.estimator == "ml":
            raise Separated((f"the {last} effect has no finite size",), None)
        why = (
            f"no {last} effect was fitted: its likelihood has no maximum, as where "
            f"each {last} carries one grade"
        )
        if len(self.effects) == 1:
            return self._without_effects(why)
        labels = self.looks.labels[:, :-1]
        fewer = replace(
            self, effects=self.effects[:-1], looks=replace(self.looks, labels=labels)
        ).fit()
        return replace(fewer, notes=(why, *fewer.notes))

    def _without_effects(self, why: str) -> CumulativeLinkFit:
        scale = place_on_scale(self.looks, structure=self.structure, keep_open_end=True)
        return self._fit_plain(scale, (why,))

    def _unbounded(self, found: Maximum) -> str:
        scale = self.looks.names[2]
        if scale:
            return f"the scatter has no finite effect of {' or '.join(scale)}"
        return f"the likelihood has no maximum: {found.convergence.message}"

    def _vanished(self, found: Maximum) -> tuple[str, ...]:
        sds = found.point[len(found.point) - len(self.effects) :]
        return tuple(
            f"the {name} effect is estimated as nothing; its interval starts at 0"
            for name, sd in zip(self.effects, sds, strict=True)
            if sd == 0.0
        )

    def _likelihood(self, scale: FittedScale) -> Likelihood:
        if len(self.effects) > 1 and (not self.is_nested or self.n_quadrature == 1):
            return CrossedLikelihood(
                design=scale.design, link=self.link, labels=scale.labels
            )
        nodes = hermite_nodes(self.n_quadrature)
        if len(self.effects) == 1:
            return LoadLikelihood(
                design=scale.design, link=self.link, load=scale.labels[:, 0], nodes=nodes
            )
        return TileLikelihood(
            design=scale.design,
            link=self.link,
            load=scale.labels[:, 0],
            tile=scale.labels[:, 1],
            nodes=nodes,
        )

    def _separation(self, scale: FittedScale, found: Maximum) -> Separation | None:
        condition = condition_number(-found.evaluation.hessian, scaled=True)
        if found.steady and condition < _DOUBTFUL_CONDITION:
            return None
        plain, nominal, _ = self.looks.names
        return find_separation(scale.design, (*plain, *nominal))

    def _start(self, default: FloatArray) -> FloatArray:
        if self.start is None or self.start.shape != default.shape:
            return default
        return self.start

    def _result(
        self,
        scale: FittedScale,
        likelihood: Likelihood,
        found: Maximum,
        estimator: Estimator,
        separation: Separation | None,
        said: tuple[str, ...],
    ) -> CumulativeLinkFit:
        effects = () if isinstance(likelihood, PlainLikelihood) else self.effects
        return CumulativeLinkFit(
            link=self.link,
            estimator=estimator,
            estimates=found.point,
            names=parameter_names(scale.design, scale.grades, self.looks.names, effects),
            log_likelihood=found.evaluation.value,
            information=-found.evaluation.hessian,
            convergence=found.convergence,
            separation=separation,
            grades=scale.grades,
            unseen=scale.unseen,
            notes=said,
            n_looks=float(np.sum(self.looks.weights)),
            design=scale.design,
            likelihood=likelihood,
            n_effects=len(effects),
            effect_names=effects,
        )


def _unseen_notes(scale: FittedScale) -> tuple[str, ...]:
    if not scale.unseen:
        return ()
    names = " or ".join(scale.unseen)
    rest = [grade for grade in scale.unseen if grade not in scale.grades]
    note = f"no look is graded {names}"
    if rest:
        note += f"; {' and '.join(rest)} left out of the scale"
    return (note,)

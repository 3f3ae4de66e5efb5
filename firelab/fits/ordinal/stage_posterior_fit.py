"""The posterior of the stage, as a value: draws, priors, how good it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray
from firelab.craft.trade_words import Shown, count_words
from firelab.errors import UsageError
from firelab.fits.ordinal.priors import effect_scales_degC
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.what_mattered import (
    DeviationDraws,
    deviation_lines,
    misread_words,
    stage_differences,
    unlikely_looks,
)
from firelab.fits.sampling.importance import TRUSTED_K, ImportanceSample, Mode
from firelab.fits.sampling.nested import NestedSample
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance
from firelab.series.history import TARGET
from firelab.series.terms import ModelColumn

SCHEMA = "firelab/stage/1"

_ENOUGH_GROUPS = 5
"""Sessions, places or observers that tell a standard deviation to within a third or so
(its error is 1 / sqrt(2 (n - 1)) of it): fewer do not make a recipe surer."""
_HALF_NORMAL_MEAN = float(np.sqrt(2.0 / np.pi))
"""Mean of the half-normal distribution of scale 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PosteriorConvergence:
    """How good the draws are.

    Attributes
    ----------
    code : int
        0 where the draws can be trusted, 1 where `message` tells a doubt.
    message : str
    sampler : {'importance', 'chains'}
        Where the draws come from.
    pareto_k : float or None
        Of the importance weights; above 0.7 the chains were used instead.
        None where chains were needed from the start.
    effective_size : float
        Independent draws that the draws are worth, at the least.
    r_hat : float or None
        Of the chains; near 1 where they agree.
    largest_gradient : float
        At the mode.
    condition : float
        Condition number of the curvature at the mode.
    """

    code: int
    message: str
    sampler: str
    pareto_k: float | None
    effective_size: float
    r_hat: float | None
    largest_gradient: float
    condition: float

    @classmethod
    def of_importance(
        cls,
        sample: ImportanceSample | NestedSample,
        mode: Mode | NestedSample,
        *,
        is_rough: bool,
        sampler: str = "importance sampling",
    ) -> PosteriorConvergence:
        """Return the record of draws by importance, from a mode."""
        doubt = "; take the intervals as rough" if is_rough else ""
        return cls(
            code=int(is_rough),
            message=(
                f"{sampler}, Pareto k {sample.pareto_k:.2f} (trusted to {TRUSTED_K:g}), "
                f"worth {sample.effective_size:.0f} independent draws{doubt}"
            ),
            sampler="importance",
            pareto_k=sample.pareto_k,
            effective_size=sample.effective_size,
            r_hat=None,
            largest_gradient=mode.largest_gradient,
            condition=mode.condition,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class StagePosterior(Shown):
    """Posterior of the stage given the looks of a series.

    Attributes
    ----------
    series : FiringSeries
    terms : tuple of str
    columns : tuple of ModelColumn
        Model terms, and the p columns that they expand to.
    grades : tuple of str
        In order, J of them.
    link : str
    draws : StageDraws
    effects : dict of str to DeviationDraws
        Random effects by name: session, load, and place, tile and observer where the
        looks have them.
    slip : ndarray, shape (S,)
        Probability that a look is a slip of eye or pen.
    slip_of_look : ndarray, shape (n,)
        Posterior probability that each look is one.
    expected : tuple of str
        Grade that is expected of each look.
    misread : tuple of dict
        As `misread_loads` returns them.
    priors : tuple of str
        In words, one line each.
    likeness : float or None
        Posterior probability that the jar is like the earlier ones of the history; None
        where the series rests on none.
    target_degC : float or None
        Median of the middle of the target as jars are compared, where it was graded; None
        where the series rests on no history.
    with_every_look : callable or None
        Fits again with the looks that this fit doubts taken as they are written; None
        where it doubts none.
    looks : DataFrame, n rows
        The graded looks that were fitted, as `Records.graded` gives them.
    n_omitted : int
        Looks left out: without a stage, or of a control tile.
    convergence : PosteriorConvergence
    provenance : Provenance
    """

    series: FiringSeries
    terms: tuple[str, ...]
    columns: tuple[ModelColumn, ...]
    grades: tuple[str, ...]
    link: str
    draws: StageDraws
    priors: tuple[str, ...]
    looks: pd.DataFrame
    n_omitted: int
    convergence: PosteriorConvergence
    provenance: Provenance
    effects: dict[str, DeviationDraws] = field(default_factory=dict)
    slip: FloatArray = field(default_factory=lambda: np.zeros(1))
    slip_of_look: FloatArray = field(default_factory=lambda: np.zeros(0))
    expected: tuple[str, ...] = ()
    misread: tuple[dict[str, Any], ...] = ()
    likeness: float | None = None
    target_degC: float | None = None
    with_every_look: Callable[[], StagePosterior] | None = None

    @property
    def n_looks(self) -> int:
        """Number of graded looks, n."""
        return len(self.looks)

    @property
    def n_loads(self) -> int:
        """Number of loads with a graded look."""
        return int(self.looks["load"].nunique())

    @property
    def has_tile_effect(self) -> bool:
        """Whether tiles looked at more than once have an effect of their own."""
        return bool(self.draws.tile_sd.any())

    @property
    def grade_counts(self) -> Mapping[str, int]:
        """Looks at each grade, in order."""
        seen = self.looks["stage"].value_counts()
        return {grade: int(seen.get(grade, 0)) for grade in self.grades}

    @property
    def table(self) -> pd.DataFrame:
        """One row per threshold, coefficient and deviation.

        Columns: ``name, kind, mean, sd, median, lower, upper``; the interval
        is that of the series' level, all in latent units per coded unit.
        """
        draws = self.draws
        names = [f"{a} | {b}" for a, b in zip(self.grades, self.grades[1:], strict=False)]
        blocks = [("threshold", names, draws.thresholds)]
        blocks.append(
            ("coefficient", [str(column) for column in self.columns], draws.coefficients)
        )
        blocks.append(("deviation", ["load"], draws.load_sd[:, None]))
        if self.has_tile_effect:
            blocks.append(("deviation", ["tile"], draws.tile_sd[:, None]))
        if "place" in self.effects:
            blocks.append(("deviation", ["place"], draws.place_sd[:, None]))
        tail = (1.0 - self.series.window.level) / 2.0
        rows = []
        for kind, labels, values in blocks:
            low, middle, high = np.quantile(values, [tail, 0.5, 1.0 - tail], axis=0)
            for k, label in enumerate(labels):
                rows.append(
                    {
                        "name": label,
                        "kind": kind,
                        "mean": float(values[:, k].mean()),
                        "sd": float(values[:, k].std(ddof=1)),
                        "median": float(middle[k]),
                        "lower": float(low[k]),
                        "upper": float(high[k]),
                    }
                )
        return pd.DataFrame(rows)

    def summary(self) -> str:
        """Return what mattered, in the kiln's degrees, as lines for a terminal."""
        seen = ", ".join(f"{grade} {n}" for grade, n in self.grade_counts.items())
        looks, loads = count_words(self.n_looks, "look"), count_words(self.n_loads, "load")
        mattered = stage_differences(self.series, self.terms, self.draws)
        found = deviation_lines(self.series, self.effects)
        told = [f"{looks} in {loads}: {seen}.", *self.history, *mattered, *found]
        return "\n".join([*told, *self.slips])

    @property
    def history(self) -> tuple[str, ...]:
        """How far the jar is like earlier ones, and where it lies beyond them.

        None without a history.
        """
        learned = self.series.priors.learned
        if learned is None or self.likeness is None:
            return ()
        lines = [learned.likeness_words(self.likeness)]
        if self.target_degC is not None:
            reads = self.series.kiln.reads
            grade = " or ".join(self.series.responses.stage.target)
            lines.append(learned.distance_words(TARGET, self.target_degC, grade, reads))
        return tuple(line for line in lines if line)

    @property
    def slips(self) -> tuple[str, ...]:
        """Looks that are more likely slips of eye or pen than true, one sentence each.

        Before them the loads that more likely had another temperature.
        """
        loads = tuple(misread_words(one, self.series.kiln.reads) for one in self.misread)
        return loads + tuple(
            f"Look at tile {one['tile']} again (look {one['look']}): "
            f"{one['stage']} was written, {one['expected']} expected."
            for one in self.unlikely
        )

    @property
    def unlikely(self) -> tuple[dict[str, Any], ...]:
        """The same looks as values (see `unlikely_looks`)."""
        return unlikely_looks(self.looks, self.slip_of_look, self.expected)

    def details(self) -> str:
        """Return coefficients, priors and the quality of the draws, for who checks."""
        level = f"{self.series.window.level:.0%}"
        lines = [
            f"stage, posterior, {self.link} link; latent units per coded unit",
            f"{'':>24}{'median':>9}{level + ' from':>12}{'to':>9}",
        ]
        for row in self.table.to_dict("records"):
            lines.append(
                f"{row['name']:>24}{row['median']:9.2f}{row['lower']:12.2f}"
                f"{row['upper']:9.2f}"
            )
        lines.append("priors:")
        lines += [f"  {word}" for word in self.priors]
        lines.append(f"draws: {self.convergence.message}")
        return "\n".join(lines)

    @property
    def of_window(self) -> StagePosterior:
        """The fit of the place of the rack that the series' window is for, if of one."""
        place = self.series.window.place
        return self if place is None else self.at_place(place)

    def at_place(self, place: int) -> StagePosterior:
        """Return the fit of one place of the rack: its own deviation, known as it is.

        Raises
        ------
        UsageError
            If no graded look tells of that place.
        """
        known = self.effects.get("place")
        if known is None or str(place) not in known.groups:
            seen = ", ".join(known.groups) if known else "none"
            raise UsageError(
                f"no graded look is of place {place} of the rack (looks are of: {seen})",
                hint="leave the place away, or fire a tile there",
            )
        own = known.degC[:, known.groups.index(str(place))] * self._latent_per_degC
        here = replace(
            self.draws,
            thresholds=self.draws.thresholds - own[:, None],
            place_sd=np.zeros(self.draws.n_draws),
        )
        return replace(self, draws=here)

    @property
    def _latent_per_degC(self) -> FloatArray:
        """Latent units of one degC, shape (S,), as the spread of loads has both."""
        loads = np.hypot(self.effects["session"].sd_degC, self.effects["load"].sd_degC)
        return np.asarray(self.draws.load_sd / loads)

    @property
    def of_promise(self) -> StagePosterior:
        """The fit that a recipe is held to: a look to come, and no deviation for luck.

        A look that is asked back counts as it is written until it is corrected, and a
        future look can be a slip: a scattered tile that was taken for one still counts.
        Two days that were alike do not show that a third will be, nor two people who
        agree that they are right: where a deviation rests on fewer than five groups it
        counts for no less than its prior's mean, for a day to come and for what the few
        days and people that were seen are off together. Of the rack's places there are no
        others to come.
        """
        if self.with_every_look is not None:
            again = replace(self.with_every_look(), series=self.series)
            return again.of_window.of_promise
        effects, draws = self.effects, self.draws
        if not effects:
            return self
        scales = effect_scales_degC(self.series.priors)
        to_come, together = np.zeros(draws.n_draws), np.zeros(draws.n_draws)
        for name in ("session", "observer"):
            known = effects.get(name)
            if known is None or len(known.groups) >= _ENOUGH_GROUPS:
                continue
            least = _HALF_NORMAL_MEAN * scales[name]
            more = np.maximum(least**2 - known.sd_degC**2, 0.0)
            # Whoever looks at it, the next tile is the same.
            to_come += more if name == "session" else 0.0
            together += more / len(known.groups)
        latent = self._latent_per_degC
        score = np.random.default_rng(self.series.seed).standard_normal(draws.n_draws)
        shift = latent * np.sqrt(together) * score
        promised = replace(
            draws,
            thresholds=draws.thresholds + shift[:, None],
            load_sd=np.sqrt(draws.load_sd**2 + latent**2 * to_come),
            slip=np.broadcast_to(self.slip, draws.n_draws),
        )
        return replace(self, draws=promised)

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain values, draws left out."""
        return {
            "schema": SCHEMA,
            "method": "posterior",
            "link": self.link,
            "terms": list(self.terms),
            "grades": list(self.grades),
            "grade_counts": dict(self.grade_counts),
            "n_loads": self.n_loads,
            "n_omitted": self.n_omitted,
            "tile_effect": self.has_tile_effect,
            "parameters": self.table.to_dict("records"),
            "effects_degC": {
                name: {
                    "sd": float(np.median(one.sd_degC)),
                    "groups": one.means_degC,
                }
                for name, one in self.effects.items()
            },
            "slip": float(np.median(self.slip)),
            "look_again": list(self.slips),
            "unlikely": list(self.unlikely),
            "misread": list(self.misread),
            "priors": list(self.priors),
            **self._history_values(),
            "convergence": asdict(self.convergence),
            "provenance": self.provenance.to_dict(),
        }

    def _history_values(self) -> dict[str, Any]:
        """Return what the fit rests on of earlier jars; nothing where on none."""
        learned = self.series.priors.learned
        if learned is None or self.likeness is None:
            return {}
        return {
            "history": {
                "source": learned.source,
                "n_series": learned.n_series,
                "sha256": learned.sha256,
                "share": learned.share,
                "likeness": self.likeness,
            }
        }

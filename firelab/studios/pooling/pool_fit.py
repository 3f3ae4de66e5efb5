"""Several studios pooled: one colour, each kiln with its own offset."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray, IntArray
from firelab.craft.trade_words import Shown, count_words
from firelab.craft.units import format_temperature_difference
from firelab.errors import FirelabError
from firelab.fits.ordinal.priors import latent_sd
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_fit import PosteriorConvergence, StagePosterior
from firelab.series.folder import Provenance
from firelab.series.terms import TEMPERATURE, ModelColumn
from firelab.studios.pooling.shared_looks import SharedLooks

SCHEMA = "firelab/pool/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class PooledStage(Shown):
    """Posterior of one colour over K studios.

    Attributes
    ----------
    shared : SharedLooks
    terms : tuple of str
    columns : tuple of ModelColumn
        Model terms, and the p columns that they expand to.
    link : str
    draws : StageDraws
        Of the colour in a studio that shifts nothing, S draws.
    total, kiln : ndarray, shape (S, K)
        By how many coded units each studio fuses earlier than it reads, in
        all and by its kiln; equal where no control colour is shared.
    spread : ndarray, shape (S,)
        Sd of `total` between studios, coded units.
    kiln_share : ndarray, shape (S,)
        Share of its square that the kilns have; 1 without a control colour.
    control : StageDraws or None
        Of the control colour: columns ``temperature`` and ``dwell``.
    priors : tuple of str
        In words, one line each.
    convergence : PosteriorConvergence
    provenance : tuple of Provenance
        Of each studio's records, in the order given.
    """

    shared: SharedLooks
    terms: tuple[str, ...]
    columns: tuple[ModelColumn, ...]
    link: str
    draws: StageDraws
    total: FloatArray
    kiln: FloatArray
    spread: FloatArray
    kiln_share: FloatArray
    control: StageDraws | None
    priors: tuple[str, ...]
    convergence: PosteriorConvergence
    provenance: tuple[Provenance, ...]

    @property
    def studios(self) -> tuple[str, ...]:
        """Names of the studios, K of them."""
        return self.shared.studios

    @property
    def has_control(self) -> bool:
        """Whether kiln and studio effect are told apart."""
        return self.control is not None

    @property
    def half_range_degC(self) -> float:
        """Degrees of one coded unit."""
        return self.shared.half_range_degC

    @property
    def centred_total_degC(self) -> FloatArray:
        """Shift of each studio against the mean of these studios, degC, (S, K)."""
        centred = self.total - self.total.mean(axis=1, keepdims=True)
        return np.asarray(centred * self.half_range_degC)

    @property
    def centred_kiln_degC(self) -> FloatArray:
        """Offset of each kiln against the mean of these kilns, degC, (S, K)."""
        centred = self.kiln - self.kiln.mean(axis=1, keepdims=True)
        return np.asarray(centred * self.half_range_degC)

    @property
    def repeatability_degC(self) -> FloatArray:
        """Sd of one tile in another load of the same studio, degC, shape (S,)."""
        found = repeatability(self.link, self.draws.future_sd, self.steepness)
        return np.asarray(found * self.half_range_degC)

    @property
    def reproducibility_degC(self) -> FloatArray:
        """Sd of one tile in a load of another studio, degC, shape (S,)."""
        between = self.spread * self.half_range_degC
        return np.asarray(np.hypot(self.repeatability_degC, between))

    @property
    def steepness(self) -> FloatArray:
        """Latent units that half the fired range is worth, shape (S,)."""
        return np.asarray(self.draws.coefficients[:, self.columns.index(TEMPERATURE)])

    @property
    def table(self) -> pd.DataFrame:
        """One row per studio.

        Columns: ``studio, looks, loads, controls, shift_degC, shift_lower,
        shift_upper``, the shift against the mean of these studios; with a
        control colour also ``kiln_degC, kiln_lower, kiln_upper`` and
        ``effect_degC, effect_lower, effect_upper``. A positive number fuses
        earlier: the kiln is hotter than it reads.
        """
        parts = {"shift": self.centred_total_degC}
        if self.has_control:
            parts["kiln"] = self.centred_kiln_degC
            parts["effect"] = self.centred_total_degC - self.centred_kiln_degC
        tail = (1 - self.shared.series.window.level) / 2
        table = self.shared.counts
        for name, values in parts.items():
            low, middle, high = np.quantile(values, [tail, 0.5, 1 - tail], axis=0)
            table[f"{name}_degC"] = middle
            table[f"{name}_lower"] = low
            table[f"{name}_upper"] = high
        return table

    def in_studio(self, studio: str) -> StagePosterior:
        """Return the posterior of one of the studios, as windows take it.

        Raises
        ------
        FirelabError
            If it is none of these.
        """
        if studio not in self.studios:
            raise FirelabError(
                f"studio {studio!r} is not pooled", hint=f"one of {', '.join(self.studios)}"
            )
        return self.shifted(self.total[:, self.studios.index(studio)])

    def on_average(self) -> StagePosterior:
        """Return the posterior of the mean of these studios, as windows take it."""
        return self.shifted(self.total.mean(axis=1))

    def shifted(self, shift: FloatArray, draws: IntArray | None = None) -> StagePosterior:
        """Return the posterior of a studio with a given shift.

        Parameters
        ----------
        shift : ndarray, shape (S',)
            Coded units, one for each draw used.
        draws : ndarray of int, shape (S',), optional
            Which draw goes with each shift; by default all in order.
        """
        kept = np.arange(self.draws.n_draws) if draws is None else draws
        taken, shifted = self.draws.take(kept), self.steepness[kept] * shift
        series = self.shared.series
        return StagePosterior(
            series=series,
            terms=self.terms,
            columns=self.columns,
            grades=series.responses.stage.grades,
            link=self.link,
            draws=replace(taken, thresholds=taken.thresholds - shifted[:, None]),
            priors=self.priors,
            looks=self.shared.tested,
            n_omitted=0,
            convergence=self.convergence,
            provenance=_pooled_provenance(self.provenance),
        )

    def summary(self) -> str:
        """Return the pooled fit as lines for a terminal."""
        series = self.shared.series
        lines = [
            f"{series.enamel.colour}: {len(self.studios)} studios, "
            f"{count_words(len(self.shared.tested), 'look')}, "
            f"{len(self.shared.controls)} at control tiles"
        ]
        reads = series.kiln.reads
        lines += [_studio_line(row, reads) for row in self.table.to_dict("records")]
        repeat, reproduce = (
            format_temperature_difference(float(np.median(values)), reads)
            for values in (self.repeatability_degC, self.reproducibility_degC)
        )
        lines.append(
            f"like tiles differ by about {repeat} in one studio, by {reproduce} between two"
        )
        lines.append(self.how_separated)
        lines += [f"note: {note}" for note in self.shared.notes]
        return "\n".join(lines)

    @property
    def how_separated(self) -> str:
        """How kiln and studio effect were told apart, in words."""
        if self.has_control:
            return (
                f"control tiles of {self.shared.control_colour!r} show each kiln alone; "
                "what is left of a shift is the studio's jar, coat and hand"
            )
        return (
            "no control colour is shared: a shift is kiln and studio effect together, "
            "which these tiles cannot tell apart"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the pooled fit as plain values, draws left out."""
        tail = (1 - self.shared.series.window.level) / 2
        quantiles = [tail, 0.5, 1 - tail]
        return {
            "schema": SCHEMA,
            "colour": self.shared.series.enamel.colour,
            "control_colour": self.shared.control_colour or None,
            "studios": self.table.to_dict("records"),
            "repeatability_degC": np.quantile(self.repeatability_degC, quantiles).tolist(),
            "reproducibility_degC": np.quantile(
                self.reproducibility_degC, quantiles
            ).tolist(),
            "separation": self.how_separated,
            "priors": list(self.priors),
            "notes": list(self.shared.notes),
            "convergence": {
                name: getattr(self.convergence, name)
                for name in ("code", "message", "pareto_k", "effective_size")
            },
            "provenance": [one.to_dict() for one in self.provenance],
        }


def repeatability(link: str, load_sd: FloatArray, steepness: FloatArray) -> FloatArray:
    """Return the sd of one tile in another load, coded units of temperature."""
    return np.asarray(np.hypot(load_sd, latent_sd(link)) / steepness)


def sided_words(
    middle: float, low: float, high: float, sides: tuple[str, str], reads: str
) -> str:
    """Write a shift and its interval with the side of each instead of a sign.

    Examples
    --------
    >>> sided_words(-4.0, -13.0, 2.0, ("earlier", "later"), "degC")
    '4 °C (7 °F) later (13 °C (23 °F) later to 2 °C (4 °F) earlier)'
    """

    def one(degC: float) -> str:
        width = format_temperature_difference(abs(degC), reads)
        return f"{width} {sides[0] if degC > 0 else sides[1]}"

    return f"{one(middle)} ({one(low)} to {one(high)})"


def _studio_line(row: dict[Any, Any], reads: str) -> str:
    def shown(name: str, sides: tuple[str, str]) -> str:
        middle, low, high = (row[f"{name}_{part}"] for part in ("degC", "lower", "upper"))
        return sided_words(middle, low, high, sides, reads)

    parts = [
        f"  {row['studio']}: {count_words(row['looks'], 'look')}, "
        f"{count_words(row['controls'], 'control')}"
    ]
    parts.append(f"fuses {shown('shift', ('earlier', 'later'))}")
    if "kiln_degC" in row:
        parts.append(f"its kiln is {shown('kiln', ('hotter', 'cooler'))} than it reads")
    return "; ".join(parts)


def _pooled_provenance(several: Sequence[Provenance]) -> Provenance:
    """Return one provenance that names what every part came from."""
    sources = {
        f"{number}/{name}": digest
        for number, one in enumerate(several, start=1)
        for name, digest in {"series.toml": one.series_hash, **one.sources}.items()
    }
    return replace(several[0], sources=sources)

"""The settings of a series as candidates: temperature by load, the rest by tile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray, IntArray
from firelab.plan.optimal.problem import Candidates
from firelab.plan.plan import SETTING_COLUMNS, as_settings, is_allowed
from firelab.plan.stock import coat_grams
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import settable_dwell, settable_temperature
from firelab.series.terms import model_matrix

MOST_STEPS = 9
"""Values that a range is divided into, ends and middle included."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesCandidates:
    """Candidates of a series, with the settings they stand for.

    Attributes
    ----------
    candidates : Candidates
        Temperatures as whole-plot levels, everything else as sub-plot settings.
    temperatures : tuple of float
        degC of each whole-plot level.
    mixes : DataFrame, S rows
        ``dwell_s, mesh, layers, base`` of each sub-plot setting.
    """

    candidates: Candidates
    temperatures: tuple[float, ...]
    mixes: pd.DataFrame

    @property
    def region(self) -> pd.DataFrame:
        """Every allowed setting, in the order of the model rows of the region."""
        whole, sub = np.nonzero(self.candidates.allowed)
        frame = self.mixes.iloc[sub].reset_index(drop=True)
        frame["temperature_degC"] = np.array(self.temperatures)[whole]
        return as_settings(frame[list(SETTING_COLUMNS)])

    @property
    def region_rows(self) -> FloatArray:
        """Model columns of `region`, the intercept first, shape (m, p)."""
        return self.candidates.rows[self.candidates.allowed]


def _temperature_steps(series: FiringSeries) -> list[float]:
    """Return the temperatures that a load may have, degC, lowest first."""
    if not series.factors.is_range("temperature"):
        return sorted(float(level) for level in series.factors.levels("temperature"))
    even = np.linspace(*series.span("temperature"), MOST_STEPS)
    return sorted({settable_temperature(series, degC) for degC in even})


def _dwell_steps(series: FiringSeries) -> list[float]:
    """Return the dwells that a tile may have, s, shortest first."""
    if not series.factors.is_range("dwell"):
        return sorted(float(level) for level in series.factors.levels("dwell"))
    even = np.geomspace(*series.span("dwell"), MOST_STEPS)
    return sorted({settable_dwell(series, dwell) for dwell in even})


def coat_limits(series: FiringSeries) -> dict[int, float]:
    """Return how many coats there are of each mesh that is limited."""
    limits = {}
    for mesh in series.factors.mesh.levels:
        grams = series.budget.grams_there(mesh)
        if grams is not None:
            limits[mesh] = float(np.floor(grams / coat_grams(series) + 1e-9))
    return limits


def model_rows_of(
    series: FiringSeries, settings: pd.DataFrame, terms: Sequence[str]
) -> FloatArray:
    """Return the model columns of settings with the intercept first, shape (n, p)."""
    columns = model_matrix(series, settings, terms)
    return np.column_stack([np.ones(len(settings)), columns])


def _candidates(
    series: FiringSeries,
    temperatures: Sequence[float],
    mixes: pd.DataFrame,
    codes: IntArray,
    *,
    terms: Sequence[str],
    limits: dict[int, float],
) -> Candidates:
    frame = pd.concat([mixes] * len(temperatures), ignore_index=True)
    frame["temperature_degC"] = np.repeat(temperatures, len(mixes))
    settings = as_settings(frame)
    shape = (len(temperatures), len(mixes))
    use = [
        np.where(mixes["mesh"] == mesh, mixes["layers"], 0).astype(float) for mesh in limits
    ]
    return Candidates(
        rows=model_rows_of(series, settings, terms).reshape(*shape, -1),
        allowed=is_allowed(series, settings).reshape(shape),
        codes=codes,
        use=np.column_stack(use) if use else np.zeros((len(mixes), 0)),
        limits=np.array(list(limits.values()), dtype=float),
    )


def series_candidates(
    series: FiringSeries, *, terms: Sequence[str] | None = None
) -> SeriesCandidates:
    """Return every setting of a series as candidates of an optimal plan.

    Parameters
    ----------
    series : FiringSeries
        Its levels, ranges, rules and powder; kept settings are among them.
    terms : sequence of str, optional
        Model terms; those of the series where absent.
    """
    kept = series.plan.keep
    temperatures = sorted({*_temperature_steps(series), *(one.temperature for one in kept)})
    lists: list[list[float | int | str]] = [
        sorted({*_dwell_steps(series), *(one.dwell for one in kept)}),
        list(dict.fromkeys([*series.factors.mesh.levels, *(k.mesh for k in kept)])),
        list(dict.fromkeys([*series.factors.layers.levels, *(k.layers for k in kept)])),
        list(series.factors.base.levels),
    ]
    codes = np.array(list(product(*(range(len(one)) for one in lists))), dtype=np.int64)
    mixes = pd.DataFrame(list(product(*lists)), columns=list(SETTING_COLUMNS[1:]))
    return SeriesCandidates(
        candidates=_candidates(
            series,
            temperatures,
            mixes,
            codes,
            terms=series.terms if terms is None else terms,
            limits=coat_limits(series),
        ),
        temperatures=tuple(temperatures),
        mixes=mixes,
    )


def restricted_to(
    series: FiringSeries, settings: pd.DataFrame, *, terms: Sequence[str] | None = None
) -> SeriesCandidates:
    """Return only the given settings as candidates.

    Parameters
    ----------
    series : FiringSeries
    settings : DataFrame
        Settings that may be chosen, as often as the search likes.
    terms : sequence of str, optional
        Model terms; those of the series where absent.
    """
    given = as_settings(settings).drop_duplicates(ignore_index=True)
    temperatures = sorted(set(given["temperature_degC"]))
    names = list(SETTING_COLUMNS[1:])
    mixes = given[names].drop_duplicates(ignore_index=True)
    codes = np.column_stack([pd.factorize(mixes[name])[0] for name in names])
    candidates = _candidates(
        series,
        temperatures,
        mixes,
        codes.astype(np.int64),
        terms=series.terms if terms is None else terms,
        limits=coat_limits(series),
    )
    there = set(given.itertuples(index=False, name=None))
    present = [
        [(degC, *mix) in there for mix in mixes.itertuples(index=False, name=None)]
        for degC in temperatures
    ]
    return SeriesCandidates(
        candidates=replace(candidates, allowed=candidates.allowed & np.array(present)),
        temperatures=tuple(temperatures),
        mixes=mixes,
    )

r"""Does the grade depend on who grades? An observer effect in the stage model.

Observers enter as deviations that sum to zero, so that everything else in the
fit speaks of the average of those who graded. An observer whose deviation is
positive grades as though the tile had been fired further.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from firelab.arrays import FloatArray
from firelab.craft.trade_words import Shown
from firelab.craft.units import format_temperature_difference
from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.cumulative_link import fit_cumulative_link
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.look_table import has_groups
from firelab.records.records import Records
from firelab.series.folder import Provenance, plain_rows
from firelab.series.terms import coding, model_matrix, term_columns

SCHEMA = "firelab/observer-effect/1"
_SLOPE_ERRORS = 1.96
"""Standard errors of temperature's slope below which a shift is not written in degC: a
ratio has a bounded 95 % interval only above them (Fieller 1954, J. R. Stat. Soc. B 16,
175-185)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ObserverColumns:
    """Columns that carry the deviations of o observers.

    Attributes
    ----------
    columns : ndarray, shape (n, o - 1)
        1 for the observer, -1 for the last one, else 0.
    names : tuple of str
        ``observer[NAME]``, o - 1 of them.
    observers : tuple of str
        All o, the last of which is minus the sum of the others.
    spread : ndarray, shape (o, o - 1)
        Deviations of all observers from the coefficients.
    """

    columns: FloatArray
    names: tuple[str, ...]
    observers: tuple[str, ...]
    spread: FloatArray


def observer_columns(observers: Sequence[str]) -> ObserverColumns:
    """Return the columns of an observer effect, one row per look.

    Parameters
    ----------
    observers : sequence of str, n of them
        Who graded each look; upper and lower case are one.

    Raises
    ------
    RecordsInsufficient
        If fewer than two people graded, or a look names nobody.

    Examples
    --------
    >>> made = observer_columns(["Ann", "Bo", "Cy", "ann"])
    >>> made.names, made.columns.tolist()
    (('observer[Ann]', 'observer[Bo]'), [[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0], [1.0, 0.0]])
    """
    written = [str(one).strip() for one in observers]
    first_seen: dict[str, str] = {}
    for one in written:
        first_seen.setdefault(one.casefold(), one)
    keys = sorted(first_seen)
    if len(keys) < 2 or "" in keys:
        raise RecordsInsufficient(
            "an observer effect needs two named observers or more",
            hint="write who graded each look in the column observer",
        )
    spread = np.vstack([np.eye(len(keys) - 1), -np.ones(len(keys) - 1)])
    shown = tuple(first_seen[key] for key in keys)
    return ObserverColumns(
        columns=spread[[keys.index(one.casefold()) for one in written]],
        names=tuple(f"observer[{one}]" for one in shown[:-1]),
        observers=shown,
        spread=spread,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ObserverEffect(Shown):
    """The deviations of the observers, and a test that there are none.

    Attributes
    ----------
    table : DataFrame
        observer, n_looks, shift, standard_error (latent units), shift_degC
        (the heat that would move the grade as much; nan where temperature is
        not in the fit or is not seen to raise the grade).
    statistic, p_value : float
        Of the test that all are zero.
    df : int
    test : str
        ``likelihood ratio``, or ``Wald`` where the fit is penalised.
    n_unnamed : int
        Graded looks without an observer, left out.
    fit : CumulativeLinkFit
    notes : tuple of str
    reads : {'degC', 'degF'}
        Unit of the kiln's display.
    provenance : Provenance
    """

    table: pd.DataFrame
    statistic: float
    df: int
    p_value: float
    test: str
    n_unnamed: int
    fit: CumulativeLinkFit
    notes: tuple[str, ...]
    reads: str
    provenance: Provenance

    def summary(self) -> str:
        """Return the effect in words."""
        lines = []
        for row in self.table.to_dict("records"):
            heat, words = row["shift_degC"], ""
            if np.isfinite(heat):
                apart = format_temperature_difference(abs(heat), self.reads)
                words = f", as if fired {apart} {'hotter' if heat > 0 else 'cooler'}"
            lines.append(
                f"{row['observer']}: {row['n_looks']} looks, grades shifted by "
                f"{row['shift']:+.2f} +/- {row['standard_error']:.2f}{words}"
            )
        lines.append(
            f"all alike: {self.test} {self.statistic:.2f} on {self.df} df, "
            f"p {self.p_value:.3f}"
        )
        return "\n".join([*lines, *(f"note: {note}" for note in self.notes)])

    def to_dict(self) -> dict[str, Any]:
        """Return the effect as plain values, None where a value is not estimable."""
        return {
            "schema": SCHEMA,
            "observers": plain_rows(self.table),
            "test": self.test,
            "statistic": self.statistic,
            "df": self.df,
            "p_value": self.p_value,
            "n_unnamed": self.n_unnamed,
            "fit": self.fit.to_dict(),
            "notes": list(self.notes),
            "provenance": self.provenance.to_dict(),
        }


def fit_observers(
    records: Records, terms: Sequence[str] | None = None, *, link: str = "logit"
) -> ObserverEffect:
    """Fit the stage with an effect of who graded.

    Loads have an effect of their own, and so has each look that several people
    graded, for they saw the same tile.

    Parameters
    ----------
    records : Records
    terms : sequence of str, optional
        Model terms beside the observers; by default the series'.
    link : str, default 'logit'

    Raises
    ------
    RecordsInsufficient
        If fewer than two named people graded, or their effect cannot be told
        from the terms.

    Examples
    --------
    >>> from dataclasses import replace
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> looks = records.looks.assign(observer=["Ann", "Bo"] * 15)
    >>> firelab.fit_observers(replace(records, looks=looks))
    <ObserverEffect: Ann: 15 looks, grades shifted by ... hotter>
    """
    graded = records.graded
    named = graded["observer"].fillna("").astype(str).str.strip() != ""
    looks = graded[named].reset_index(drop=True)
    made = observer_columns(list(looks["observer"]))
    used = tuple(records.series.terms if terms is None else terms)
    X = model_matrix(records.series, looks, used)
    names = tuple(map(str, term_columns(records.series, used)))
    stage: dict[str, Any] = {
        "y": looks["stage"].cat.codes.to_numpy(),
        "n_grades": len(records.series.responses.stage.grades),
        "link": link,
        "grades": records.series.responses.stage.grades,
        **_effects(looks),
    }
    full = fit_cumulative_link(
        X=np.hstack([X, made.columns]),
        names=(*names, *made.names),
        **stage,
    )
    without = fit_cumulative_link(X=X, names=names, **stage)
    places = [full.place(name) for name in made.names]
    statistic, test = _tested(full, without, places)
    return ObserverEffect(
        table=_table(records, looks, made, full, places),
        statistic=statistic,
        df=len(places),
        p_value=float(chdtrc(len(places), statistic)),
        test=test,
        n_unnamed=int((~named).sum()),
        fit=full,
        notes=full.notes,
        reads=records.series.kiln.reads,
        provenance=records.provenance,
    )


def _effects(looks: pd.DataFrame) -> dict[str, Any]:
    """Return the one random effect: of the look where several graded it, else the load's.

    That of the look absorbs the load's, and observers are compared within looks.
    """
    load = looks["load"].to_numpy()
    look = looks.groupby(["tile", "look"]).ngroup().to_numpy()
    if has_groups(look):
        return {"groups": look, "group_name": "look"}
    if has_groups(load):
        return {"groups": load}
    return {}


def _tested(
    full: CumulativeLinkFit, without: CumulativeLinkFit, places: list[int]
) -> tuple[float, str]:
    comparable = full.estimator == without.estimator == "ml"
    if comparable and full.has_effect == without.has_effect:
        gain = 2 * (full.log_likelihood - without.log_likelihood)
        return max(float(gain), 0.0), "likelihood ratio"
    shifts = full.estimates[places]
    covariance = full.covariance[np.ix_(places, places)]
    return float(shifts @ np.linalg.solve(covariance, shifts)), "Wald"


def _table(
    records: Records,
    looks: pd.DataFrame,
    made: ObserverColumns,
    fit: CumulativeLinkFit,
    places: list[int],
) -> pd.DataFrame:
    covariance = made.spread @ fit.covariance[np.ix_(places, places)] @ made.spread.T
    shift = made.spread @ fit.estimates[places]
    seen = looks["observer"].str.strip().str.casefold()
    per_degC = np.nan
    if "temperature" in fit.names:
        place = fit.place("temperature")
        slope = float(fit.estimates[place])
        width = coding(records.series, "temperature").half_width
        if slope > _SLOPE_ERRORS * fit.standard_errors[place]:
            per_degC = slope / width
    return pd.DataFrame(
        {
            "observer": made.observers,
            "n_looks": [int((seen == one.casefold()).sum()) for one in made.observers],
            "shift": shift,
            "standard_error": np.sqrt(np.maximum(np.diag(covariance), 0.0)),
            "shift_degC": shift / per_degC,
        }
    )

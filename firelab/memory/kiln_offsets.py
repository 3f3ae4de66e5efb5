r"""How far the kiln was off in each session, from tiles of colours that are known.

A known colour is one that a series of the studio has tested: its posterior gives the
chance of each grade at any temperature. A session's control tiles, and tiles of a colour
that an earlier series tested, then tell by how many degrees that session was hotter than
it read: the posterior of :math:`\delta` where tiles were at :math:`T + \delta`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import logsumexp, softmax

from firelab.arrays import FloatArray
from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.likelihood import grade_ends
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.memory.between_jars import grid_quantiles
from firelab.memory.studio import Studio, read_each, read_studio, series_folders
from firelab.records.firing_log import read_firings
from firelab.records.records import Records
from firelab.series.declared_parts import PriorSpecification
from firelab.series.terms import TEMPERATURE, coding, model_matrix

OFFSET_GRID_DEGC = np.arange(-60.0, 60.5, 1.0)
"""Offsets that are tried, degC: beyond them a kiln is broken (chosen here)."""
USUAL_DEGC = 15.0
"""Prior standard deviation of a session's offset, degC (chosen here, no source): wide
beside the 3 to 5 degC of days in a sound kiln."""
_DRAWS = 150
"""Of a known colour's posterior."""
LEVEL = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionOffset:
    """How much hotter a session was than its kiln read.

    Attributes
    ----------
    day : date
    series : str
        Folder of the series.
    session : int
    kiln : str
    n_tiles : int
    offset_degC, sd_degC : float
        Mean and standard deviation of the posterior, after the corrections that held.
    lower_degC, upper_degC : float
        Nine in ten.
    invented : bool
        Whether it is demonstration data.
    """

    day: date
    series: str
    session: int
    kiln: str
    n_tiles: int
    offset_degC: float
    sd_degC: float
    lower_degC: float
    upper_degC: float
    invented: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Tested:
    """A series of the studio with its records and the day of its first firing."""

    name: str
    records: Records
    first: str


def session_offsets(
    folder: str | Path, kiln: str = ""
) -> tuple[tuple[SessionOffset, ...], tuple[str, ...]]:
    """Return the offset of every session that tiles of a known colour rode in.

    Parameters
    ----------
    folder : str or Path
        The studio.
    kiln : str, default ''
        By name; where blank, the studio's first.

    Returns
    -------
    tuple of (tuple of SessionOffset, tuple of str)
        In order of days; and what was left out, one line each.

    Raises
    ------
    RecordsInsufficient
        If no session has tiles of a known colour.
    """
    base = Path(folder)
    studio = read_studio(base)
    chosen = studio.kiln(kiln)
    name = chosen.name if chosen else ""
    tested, left_out = _tested(base, name)
    known: dict[str, tuple[str, StagePosterior]] = {}
    found: list[SessionOffset] = []
    for one in sorted(tested, key=lambda own: own.first):
        own, told = _offsets_of(one, known, studio, name)
        found += own
        left_out += told
        colour = one.records.series.enamel.colour.casefold()
        if colour not in known and one.records.has_grade:
            fit = fit_posterior(one.records, n_draws=_DRAWS)
            if TEMPERATURE in fit.columns:
                known[colour] = (one.name, fit)
    if not found:
        raise RecordsInsufficient(
            "no session has dated tiles of a colour that an earlier series tested",
            str(base),
            "let a control tile ride in every session: [plan.control] names its colour",
        )
    ordered = sorted(found, key=lambda own: (own.day, own.series, own.session))
    return tuple(ordered), tuple(left_out)


def _tested(base: Path, kiln: str) -> tuple[list[_Tested], list[str]]:
    """Return the series that were fired in a kiln, and those that cannot be read."""
    read, left_out = read_each(series_folders(base), _read_tested)
    return [one for one in read if one.records.series.kiln.name in ("", kiln)], left_out


def _read_tested(place: Path) -> _Tested:
    records = read_firings(place)
    days = [text for text in records.looks["fired_at"].astype(str) if text.strip()]
    return _Tested(name=place.name, records=records, first=min(days, default="9999"))


def _offsets_of(
    tested: _Tested,
    known: dict[str, tuple[str, StagePosterior]],
    studio: Studio,
    kiln: str,
) -> tuple[list[SessionOffset], list[str]]:
    """Return the offsets of one series' sessions, and sessions without a day."""
    looks = tested.records.looks
    series = tested.records.series
    control = series.plan.control
    colours = {
        "control": control.colour.casefold() if control else "",
        "own": series.enamel.colour.casefold(),
    }
    graded = looks[looks["stage"].notna() & (looks["look"] == 1)]
    is_control = graded["role"] == "control"
    found, left_out = [], []
    for session, rows in graded.groupby("session"):
        log, count = np.zeros(OFFSET_GRID_DEGC.size), 0
        day = _day(rows["fired_at"])
        for name, own in (
            ("control", rows[is_control.loc[rows.index]]),
            ("own", rows[~is_control.loc[rows.index]]),
        ):
            fit = known.get(colours[name], ("", None))[1]
            if fit is None or own.empty or not _same_scale(fit, own):
                continue
            if day is None:
                left_out.append(f"{tested.name}: session {session} has no day")
                break
            high = studio.correction_degC(kiln, day)
            log = log + offset_log_likelihood(fit, own, high)
            count += len(own)
        if count and day is not None:
            offset = session_offset(log, day, tested.name, int(str(session)), kiln, count)
            found.append(replace(offset, invented=series.invented))
    return found, left_out


def _day(fired_at: Iterable[object]) -> date | None:
    for text in sorted(str(one) for one in fired_at if str(one).strip()):
        try:
            return date.fromisoformat(text[:10])
        except ValueError:
            continue
    return None


def _same_scale(fit: StagePosterior, looks: pd.DataFrame) -> bool:
    """Tell whether looks are graded and set as the known colour's were."""
    bases = fit.series.factors.base.levels
    grades = tuple(looks["stage"].cat.categories)
    return grades == fit.grades and set(looks["base"].astype(str)) <= set(bases)


def offset_log_likelihood(
    fit: StagePosterior, looks: pd.DataFrame, too_high_degC: float = 0.0
) -> FloatArray:
    """Return the log likelihood of a session's offset on the grid, from one colour.

    Parameters
    ----------
    fit : StagePosterior
        Of the known colour.
    looks : DataFrame, n rows
        First looks at tiles of it, with the columns of `Records.looks`.
    too_high_degC : float, default 0
        How much too high the kiln is known to read.

    Returns
    -------
    ndarray, shape (G,)
        The posterior draws of the colour are averaged over.
    """
    draws = fit.draws.thinned(_DRAWS)
    settings = looks.assign(temperature_degC=looks["temperature_degC"] - too_high_degC)
    eta = draws.linear(model_matrix(fit.series, settings, fit.terms))
    half = coding(fit.series, "temperature").half_width
    slope = draws.coefficients[:, fit.columns.index(TEMPERATURE)] / half
    moved = slope[:, None, None] * OFFSET_GRID_DEGC
    grade = np.asarray(looks["stage"].cat.codes, dtype=np.int64)
    below, reached = (
        draws.cumulative(end[:, :, None] - moved)
        for end in grade_ends(grade, draws.thresholds, eta)
    )
    slip = PriorSpecification().slip
    chance = (1.0 - slip) * (reached - below) + slip / len(fit.grades)
    by_draw = np.log(np.maximum(chance, np.finfo(float).tiny)).sum(axis=1)
    return np.asarray(logsumexp(by_draw, axis=0) - np.log(len(by_draw)))


def offset_posterior(log: FloatArray) -> FloatArray:
    """Return the posterior of an offset on the grid, shape (G,); its sum is 1."""
    return np.asarray(softmax(log - 0.5 * (OFFSET_GRID_DEGC / USUAL_DEGC) ** 2))


def session_offset(
    log: FloatArray, day: date, series: str, session: int, kiln: str, count: int
) -> SessionOffset:
    """Return a session's offset from the log likelihood on the grid and the prior."""
    weight = offset_posterior(log)
    mean = float(weight @ OFFSET_GRID_DEGC)
    tail = (1.0 - LEVEL) / 2.0
    lower, upper = grid_quantiles(OFFSET_GRID_DEGC, weight, [tail, 1.0 - tail])
    return SessionOffset(
        day=day,
        series=series,
        session=session,
        kiln=kiln,
        n_tiles=count,
        offset_degC=mean,
        sd_degC=float(np.sqrt(weight @ (OFFSET_GRID_DEGC - mean) ** 2)),
        lower_degC=float(lower),
        upper_degC=float(upper),
    )

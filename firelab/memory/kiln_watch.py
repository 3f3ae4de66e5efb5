"""The kiln over time: its sessions on control charts, a step or drift, its correction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import tomlkit
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.craft.degrees import PER_DEGC
from firelab.craft.trade_words import Shown, count_words
from firelab.craft.units import format_temperature_difference
from firelab.errors import FirelabError
from firelab.memory.kiln_offsets import USUAL_DEGC, SessionOffset, session_offsets
from firelab.memory.studio import (
    STUDIO_FILE,
    parse_studio,
    read_studio,
)
from firelab.series.folder import INVENTED, write_atomically

_D2 = 1.128
"""Mean range of two normal values, in standard deviations (NIST/SEMATECH e-Handbook
6.3.2.2)."""
LAMBDA = 0.3
"""Weight of the newest value in the moving average (NIST/SEMATECH e-Handbook 6.3.2.4)."""
_SIGMAS = 3.0
"""Half width of the limits in standard deviations (Shewhart's usual three)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ControlChart:
    """Values in their order, with centre and limits.

    Attributes
    ----------
    points : ndarray, shape (n,)
        What is held against the limits.
    centre, lower, upper : float
    """

    points: FloatArray
    centre: float
    lower: float
    upper: float

    @property
    def outside(self) -> tuple[int, ...]:
        """Places of the values beyond a limit."""
        beyond = (self.points < self.lower) | (self.points > self.upper)
        return tuple(int(place) for place in np.flatnonzero(beyond))


def individuals_chart(values: ArrayLike) -> ControlChart:
    """Return the individuals chart: limits from the mean moving range.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least two.

    Examples
    --------
    >>> chart = individuals_chart([1.0, 3.0, 2.0])
    >>> chart.centre, round(chart.upper, 3)
    (2.0, 5.989)
    """
    y = np.asarray(values, dtype=float)
    reach = _SIGMAS * float(np.abs(np.diff(y)).mean()) / _D2
    centre = float(y.mean())
    return ControlChart(points=y, centre=centre, lower=centre - reach, upper=centre + reach)


def ewma_chart(values: ArrayLike, *, start: float, sd: float) -> ControlChart:
    """Return the chart of the exponentially weighted moving average.

    Parameters
    ----------
    values : array_like, shape (n,)
    start : float
        What the values should be.
    sd : float
        Of one value.
    """
    y = np.asarray(values, dtype=float)
    kept, average = np.empty_like(y), start
    for place, value in enumerate(y):
        average = LAMBDA * value + (1.0 - LAMBDA) * average
        kept[place] = average
    reach = _SIGMAS * sd * float(np.sqrt(LAMBDA / (2.0 - LAMBDA)))
    return ControlChart(points=kept, centre=start, lower=start - reach, upper=start + reach)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What best explains that values do not stay.

    Attributes
    ----------
    kind : {'step', 'drift'}
    place : int
        First value after the step, or of the drift.
    size : float
        Of the step; of a drift from its first value to the last.
    error : float
        Standard error of that.
    """

    kind: str
    place: int
    size: float
    error: float


def explain_change(values: ArrayLike, errors: ArrayLike, times: ArrayLike) -> Change | None:
    """Return the step or the drift that explains values best; None below three.

    A step that at least the last two values are beyond, and a drift from any value but the
    last two on, each fitted by weighted least squares; the one that leaves the smallest
    remainder is named.

    Parameters
    ----------
    values, errors : array_like, shape (n,)
        With their standard errors.
    times : array_like, shape (n,)
        Rising; a drift is even in them.
    """
    y, t = np.asarray(values, dtype=float), np.asarray(times, dtype=float)
    weight = 1.0 / np.asarray(errors, dtype=float) ** 2
    if y.size < 3:
        return None
    order, found = np.arange(y.size), []
    for place in range(1, y.size - 1):
        step = np.where(order >= place, 1.0, 0.0)
        found.append(_fitted("step", place, step, y, weight))
    for place in range(y.size - 2):
        length = t[-1] - t[place]
        if length > 0:
            drift = np.clip((t - t[place]) / length, 0.0, None)
            found.append(_fitted("drift", place, drift, y, weight))
    return min(found, key=lambda one: one[0])[1]


def _fitted(
    kind: str, place: int, shape: FloatArray, y: FloatArray, weight: FloatArray
) -> tuple[float, Change]:
    X = np.column_stack([np.ones(y.size), shape])
    information = X.T @ (weight[:, None] * X)
    covariance = np.linalg.pinv(information)
    beta = covariance @ X.T @ (weight * y)
    rest = float(weight @ (y - X @ beta) ** 2)
    size, error = float(beta[1]), float(np.sqrt(covariance[1, 1]))
    return rest, Change(kind=kind, place=place, size=size, error=error)


KILN_SCHEMA = "firelab/kiln/1"
_DRIFT_STEP_DEGC = 3.0
"""By how much a drift must have grown to be entered anew (chosen here, no source: about 5
degF, the step of many kilns)."""
SIGNAL = 3.0
"""Standard errors that the likeliest step or drift must be to be told: that of 20 normal
values without any is above 3 in 27 of 1,000 tries, of 40 in 47 (analyses/memory)."""
_DAYS_DEGC = 4.0
"""What days of a sound kiln differ by, degC: near the median of the default prior."""
FEWEST_SESSIONS = 4
"""Sessions below which nothing is said of a change (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class KilnHistory(Shown):
    """A kiln over time.

    Attributes
    ----------
    kiln, reads : str
    sessions : tuple of SessionOffset
    individuals, average : ControlChart or None
        None below two sessions.
    change : Change or None
        A step or a drift that is more than chance.
    left_out : tuple of str
    """

    kiln: str
    reads: str
    sessions: tuple[SessionOffset, ...]
    individuals: ControlChart | None
    average: ControlChart | None
    change: Change | None
    left_out: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """One row per session."""
        return pd.DataFrame([asdict(one) for one in self.sessions])

    @property
    def invented(self) -> bool:
        """Whether demonstration data are among the sessions."""
        return any(one.invented for one in self.sessions)

    @property
    def since(self) -> date | None:
        """The day from which the kiln was another; None where it stayed."""
        return None if self.change is None else self.sessions[self.change.place].day

    def summary(self) -> str:
        """Return what is known of the kiln, in its own unit, the answer first."""
        lines = [self._answer()]
        for one in self.sessions:
            own = format_temperature_difference(abs(one.offset_degC), self.reads)
            side = "hotter" if one.offset_degC >= 0 else "cooler"
            half = 0.5 * (one.upper_degC - one.lower_degC)
            lines.append(
                f"{one.day} {one.series}, session {one.session}, "
                f"{count_words(one.n_tiles, 'tile')}: {own} {side} than it read, give or "
                f"take {format_temperature_difference(half, self.reads)}"
            )
        if self.individuals is not None:
            lines += [
                f"Beyond the limits that days give it: {self.sessions[place].day}."
                for place in self.individuals.outside
            ]
        lines += [INVENTED] if self.invented else []
        return "\n".join(lines)

    def _answer(self) -> str:
        name = self.kiln or "The kiln"
        count = count_words(len(self.sessions), "session")
        if len(self.sessions) < FEWEST_SESSIONS:
            return (
                f"{name}: {count} with tiles of a known colour; {FEWEST_SESSIONS} are the "
                "fewest that tell of a change."
            )
        if self.change is None:
            return f"{name} reads as it did: no step and no drift in {count}."
        size = format_temperature_difference(abs(self.change.size), self.reads)
        side = "hotter" if self.change.size > 0 else "cooler"
        if self.change.kind == "step":
            return f"{name} fires {size} {side} than it reads since {self.since}: a step."
        return f"{name} has drifted since {self.since}: {size} {side} by now than it read."

    def to_dict(self) -> dict[str, Any]:
        """Return the kiln over time as plain values."""
        charts = {"individuals": self.individuals, "average": self.average}
        return {
            "schema": KILN_SCHEMA,
            "kiln": self.kiln,
            "reads": self.reads,
            "sessions": [
                {**asdict(one), "day": one.day.isoformat()} for one in self.sessions
            ],
            "charts": {
                name: {
                    "points": chart.points.tolist(),
                    "centre": chart.centre,
                    "lower": chart.lower,
                    "upper": chart.upper,
                }
                for name, chart in charts.items()
                if chart is not None
            },
            "change": None if self.change is None else asdict(self.change),
            "since": None if self.since is None else self.since.isoformat(),
            "left_out": list(self.left_out),
        }


def watch_kiln(folder: str | Path, kiln: str = "") -> KilnHistory:
    """Return a studio's kiln over time, from control tiles and tiles of known colours.

    Parameters
    ----------
    folder : str or Path
        The studio.
    kiln : str, default ''
        By name; where blank, the first.

    Raises
    ------
    RecordsInsufficient
        As `session_offsets`.

    Examples
    --------
    A studio whose records cannot tell says what it lacks.

    >>> import tempfile
    >>> import firelab
    >>> firelab.watch_kiln(firelab.start_studio(tempfile.mkdtemp()).parent)
    Traceback (most recent call last):
        ...
    firelab.errors.RecordsInsufficient: ...no session has dated tiles...
    """
    chosen = read_studio(folder).kiln(kiln)
    sessions, left_out = session_offsets(folder, kiln)
    values = [one.offset_degC for one in sessions]
    average = individuals = None
    if len(values) > 1 and np.ptp(values) > 0:
        individuals = individuals_chart(values)
        sd = (individuals.upper - individuals.centre) / 3.0
        average = ewma_chart(values, start=individuals.centre, sd=sd)
    return KilnHistory(
        kiln=chosen.name if chosen else "",
        reads=chosen.reads if chosen else "degF",
        sessions=sessions,
        individuals=individuals,
        average=average,
        change=sure_change(sessions),
        left_out=left_out,
    )


def sure_change(sessions: Sequence[SessionOffset]) -> Change | None:
    """Return the step or drift of sessions where it is more than chance.

    Each session's prior is taken out again, and what days differ by is added to its error.
    """
    if len(sessions) < FEWEST_SESSIONS:
        return None
    variance = np.array([one.sd_degC for one in sessions]) ** 2
    told = np.maximum(1.0 - variance / USUAL_DEGC**2, 1e-3)
    values = np.array([one.offset_degC for one in sessions]) / told
    errors = np.sqrt(variance / told + _DAYS_DEGC**2)
    days = [float(one.day.toordinal()) for one in sessions]
    found = explain_change(values, errors, days)
    if found is None or abs(found.size) < SIGNAL * found.error:
        return None
    return found


def enter_correction(folder: str | Path, history: KilnHistory) -> str:
    """Enter what a kiln reads wrong in studio.toml, and return it in words.

    A step is entered once; a drift as it grew, and in full only from its last session on.

    Raises
    ------
    FirelabError
        If there is no change to be corrected, or the kiln has no name in studio.toml.
    """
    path = Path(folder) / STUDIO_FILE
    if history.change is None or history.since is None:
        raise FirelabError("there is no step or drift to correct", str(path))
    if not history.kiln:
        raise FirelabError("names no kiln", str(path), "add [[kilns]] with its name")
    text = path.read_text(encoding="utf-8-sig")
    studio = read_studio(folder)
    document, entered = tomlkit.parse(text), []
    if "corrections" not in document:
        document["corrections"] = tomlkit.aot()
    for day, size in _amounts(history.change, [one.day for one in history.sessions]):
        # A kiln whose tiles come out hotter than before reads too low.
        high = studio.correction_degC(history.kiln, day) - size
        degrees = abs(high) * PER_DEGC[history.reads]
        amount = f"{degrees:.0f} {history.reads} {'high' if high >= 0 else 'low'}"
        entry = tomlkit.table()
        entry["kiln"], entry["since"], entry["reads"] = history.kiln, day, amount
        entry["because"] = f"a {history.change.kind}, from {len(history.sessions)} sessions"
        document["corrections"].append(entry)
        entered.append(f"since {day} {history.kiln} reads {amount}")
    written = document.as_string()
    if parse_studio(written)[0] is None:
        raise FirelabError("cannot take the correction", str(path), "enter it by hand")
    write_atomically(path, written)
    return "; ".join(entered)


def _amounts(change: Change, days: Sequence[date]) -> list[tuple[date, float]]:
    """Return from which day on a change counts for how much, degC."""
    first, last = days[change.place], days[-1]
    if change.kind == "step" or first == last:
        return [(first, change.size)]
    found: list[tuple[date, float]] = []
    for day in sorted(set(days[change.place :])):
        size = change.size * (day - first).days / (last - first).days
        grown = abs(size - (found[-1][1] if found else 0.0))
        if grown >= _DRIFT_STEP_DEGC or day == last:
            found.append((day, size))
    return found

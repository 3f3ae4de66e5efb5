"""A studio's history as a value: in words, as ``history.json``, and in a new series."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import tomlkit

from firelab.craft.degrees import format_difference_range, other_unit
from firelab.craft.trade_words import Shown, count_words
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_difference,
    format_temperature_range,
    to_degF,
)
from firelab.errors import FaultyFile
from firelab.fits.clarity.fit import (
    CLARITY,
    CLARITY_MESH,
    CLARITY_PEAK,
    CLARITY_RISE,
    CLARITY_TILE,
    clarity_deviations,
)
from firelab.fits.ordinal.learned_priors import (
    BLUR,
    DOUBLING,
    HIGH,
    LOW,
    doublings_beyond_usual,
)
from firelab.fits.ordinal.middle_prior import USUAL_DWELL_S
from firelab.series.firing_series import FiringSeries
from firelab.series.first_questions import put_temperatures
from firelab.series.folder import json_text, versions, write_atomically
from firelab.series.history import (
    FEWEST_SERIES,
    HISTORY_FILE,
    HISTORY_SCHEMA,
    TARGET,
    LearnedPrior,
    learned_prior,
)
from firelab.series.kiln_settings import settable_temperature
from firelab.series.series_file import parse_series
from firelab.series.toml_file import table_of


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedSeries:
    """A series that a history rests on.

    Attributes
    ----------
    name, source, studio, colour : str
        Its name, where it was read from, whose it is, which colour.
    n_looks, n_tiles : int
    series_hash, firings_hash : str
        SHA-256 of series.toml and firings.csv.
    invented : bool
        Whether it is demonstration data.
    """

    name: str
    source: str
    studio: str
    colour: str
    n_looks: int
    n_tiles: int
    series_hash: str
    firings_hash: str
    invented: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedParameter:
    """The predictive distribution of one parameter of a new jar.

    Attributes
    ----------
    name : str
        As `firelab.fits.ordinal.learned_priors.shared_values` names it.
    n_series : int
        How many series speak of it.
    mean, sd : float
        Of a new jar, on the shared scale.
    lower, upper : float
        Nine in ten new jars lie between.
    between_sd : float
        Posterior mean of the standard deviation between jars.
    df : float, optional
        Degrees of freedom of Student's t that the distribution is like; none of a normal.
    """

    name: str
    n_series: int
    mean: float
    sd: float
    lower: float
    upper: float
    between_sd: float
    df: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedGroup:
    """What the series of one kind, metal and scale of grades taught.

    Attributes
    ----------
    kind, metal : str
    grades, target : tuple of str
    reads : {'degF', 'degC'}
        Unit of most of their kilns.
    series : tuple of LearnedSeries
    parameters : tuple of LearnedParameter
    worth_tiles : float
        Tiles of a new jar that the learned prior is worth, on average of both edges.
    """

    kind: str
    metal: str
    grades: tuple[str, ...]
    target: tuple[str, ...]
    reads: str
    series: tuple[LearnedSeries, ...]
    parameters: tuple[LearnedParameter, ...]
    worth_tiles: float = 0.0

    @property
    def n_series(self) -> int:
        """Number of series."""
        return len(self.series)

    def parameter(self, name: str) -> LearnedParameter | None:
        """Return a parameter that enough series speak of; None where they do not."""
        known = (one for one in self.parameters if one.n_series >= FEWEST_SERIES)
        return next((one for one in known if one.name == name), None)

    def lines(self) -> list[str]:
        """Say what is known and what is not, in the kiln's unit, one sentence each."""
        what = f"{self.kind} on {self.metal}"
        count = f"{self.n_series} series"
        if self.n_series < FEWEST_SERIES:
            return [
                f"{what}, {count}: nothing is learned yet; "
                f"{count_words(FEWEST_SERIES, 'jar')} are the fewest."
            ]
        lines = [f"{what}, {count}:"]
        middle, reads = self.parameter(TARGET), self.reads
        if middle is not None:
            grade = " or ".join(self.target)
            half = 0.5 * (middle.upper - middle.lower)
            lines.append(
                f"  A new jar reaches the middle of {grade} within "
                f"{format_temperature_difference(half, reads)} of "
                f"{format_temperature(0.5 * (middle.lower + middle.upper), reads)} at "
                f"{format_duration(USUAL_DWELL_S)}: nine in ten."
            )
        for name, words in (
            *((f"width of {one}", f"{one} is wide by") for one in self.grades[1:-1]),
            (BLUR, "A grade passes from 20 to 80 of 100 tiles over"),
            (DOUBLING, "Twice the time is worth"),
        ):
            own = self.parameter(name)
            if own is not None:
                low, high = np.exp([own.lower, own.upper])
                span = _difference_range(float(low), float(high), reads)
                lines.append(f"  {words[:1].upper()}{words[1:]} {span}: nine in ten jars.")
        lines += self._clarity_lines()
        if self.worth_tiles >= 1.0:
            tiles = count_words(round(self.worth_tiles), "tile")
            lines.append(f"  For the edges of a new jar this is worth about {tiles}.")
        unknown = [one.name for one in self.parameters if one.n_series < FEWEST_SERIES]
        if unknown:
            lines.append(
                f"  Too few series speak of: {', '.join(unknown)}; what is usual stands."
            )
        return lines

    def _clarity_lines(self) -> list[str]:
        """Say what is known of clarity, on a scale of 100, the clearest score."""
        grade = " or ".join(self.target)
        own = self.parameter(CLARITY)
        lines = []
        if own is not None:
            span = _percent_range(own.lower, own.upper)
            lines.append(f"  In the middle of {grade} a new jar is {span} of 100 clear")
        for name, what in (
            (CLARITY_RISE, f"From the beginning of {grade} to its end it"),
            (CLARITY_PEAK, f"Against its ends the middle of {grade}"),
            (CLARITY_MESH, "With grains twice as coarse it"),
        ):
            own = self.parameter(name)
            if own is not None:
                lines.append(f"  {what} {_gain_words(own.lower, own.upper)}")
        own = self.parameter(CLARITY_TILE)
        if own is not None:
            span = _percent_range(*clarity_deviations([own.lower, own.upper]))
            lines.append(f"  Tiles of one load scatter by {span} of 100")
        lines = [f"{line}: nine in ten jars." for line in lines]
        if lines:
            lines.append("  The fit of a new jar's clarity keeps its usual priors.")
        return lines


def _percent_range(low: float, high: float) -> str:
    return f"{100 * low:.0f} to {100 * high:.0f}"


def _gain_words(low: float, high: float) -> str:
    """Say between which gains of clarity most jars are, on a scale of 100."""
    least, most = round(100 * low), round(100 * high)
    if least >= 0:
        return f"gains {least} to {most} of 100"
    if most <= 0:
        return f"loses {-most} to {-least} of 100"
    return f"loses at most {-least} or gains at most {most} of 100"


def _difference_range(low: float, high: float, reads: str) -> str:
    own, other = (
        format_difference_range(low, high, unit) for unit in (reads, other_unit(reads))
    )
    return f"{own} ({other})"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class History(Shown):
    """What earlier series taught.

    Attributes
    ----------
    studio : str
        Its name; empty for bundles of many.
    groups : tuple of LearnedGroup
    left_out : tuple of str
        Series that teach nothing, and why.
    """

    studio: str
    groups: tuple[LearnedGroup, ...]
    left_out: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """One row per group and parameter."""
        return pd.DataFrame(
            {"kind": group.kind, "metal": group.metal, **asdict(one)}
            for group in self.groups
            for one in group.parameters
        )

    @property
    def has_learned(self) -> bool:
        """Whether there are enough series of a kind and metal to learn from."""
        return any(group.n_series >= FEWEST_SERIES for group in self.groups)

    def summary(self) -> str:
        """Return what is known and what is not, as lines for a terminal."""
        lines = [line for group in self.groups for line in group.lines()]
        if any(one.invented for group in self.groups for one in group.series):
            lines.append("Invented demonstration data are among the series.")
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the content of ``history.json``."""
        return {
            "schema": HISTORY_SCHEMA,
            "studio": self.studio,
            "dwell_s": USUAL_DWELL_S,
            "groups": [
                {**asdict(group), "n_series": group.n_series} for group in self.groups
            ],
            "left_out": list(self.left_out),
            "provenance": {"versions": versions()},
        }


def write_history(folder: str | Path, history: History) -> Path:
    """Write history.json and return its path.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> studio = firelab.start_studio(tempfile.mkdtemp()).parent
    >>> _ = firelab.start_demo(studio / "heron")
    >>> firelab.write_history(studio, firelab.learn_history(studio)).name
    'history.json'
    """
    path = Path(folder) / HISTORY_FILE
    write_atomically(path, json_text(history.to_dict()))
    return path


def history_of(studio: str | Path) -> Path:
    """Return the history of a studio folder; a file is taken for one."""
    place = Path(studio)
    return place / HISTORY_FILE if place.is_dir() else place


def like_earlier(text: str, history: str | Path) -> tuple[str, str]:
    """Return a series.toml that rests on a history, and what that says in words.

    The range of temperatures becomes the one in which both edges of a jar like them
    probably are, so that loads go there. One tile at a time keeps its range: each firing
    is chosen by the history anyway.

    Parameters
    ----------
    text : str
        Of a ready design, with kind and metal of the jar.
    history : str or Path

    Raises
    ------
    FaultyFile, FirelabError
        If the text is not a series, or there is no history.
    """
    series, findings = parse_series(text)
    if series is None:
        raise FaultyFile(findings)
    kind, metal = series.enamel.kind, series.blank.metal
    grades = series.responses.stage.grades
    learned = learned_prior(history, kind=kind, metal=metal, grades=grades)
    document = tomlkit.parse(text)
    table_of(document, "priors")["history"] = HISTORY_FILE
    if learned is None:
        return document.as_string(), f"of {kind}s on {metal} it knows too little yet"
    words = f"{learned.source}"
    if not series.plan.kind == "sequential" and TARGET in learned.mean:
        low, high = likely_range(series, learned)
        put_temperatures(document, series, f"{low:.0f} to {high:.0f}")
        read, _ = parse_series(document.as_string())
        if read is not None:
            ends = read.span("temperature")
            words += f"; tried from {format_temperature_range(*ends, series.kiln.reads)}"
    return document.as_string(), words


def likely_range(series: FiringSeries, learned: LearnedPrior) -> tuple[float, float]:
    """Return the ends of the range in which the edges probably are, in the kiln's unit.

    From where the low edge of 19 in 20 jars is above to where the high edge of 19 in 20
    is below, at the middle of the dwells; where the edges are not known, as wide as the
    range was, about the middle of the target.
    """
    if {LOW, HIGH} <= set(learned.mean):
        ends = [
            learned.mean[LOW] - learned.room(LOW),
            learned.mean[HIGH] + learned.room(HIGH),
        ]
    else:
        low, high = series.span("temperature")
        half = 0.5 * (high - low)
        ends = [learned.mean[TARGET] - half, learned.mean[TARGET] + half]
    worth = float(np.exp(learned.mean.get(DOUBLING, np.log(series.priors.doubling))))
    low, high = (end - worth * doublings_beyond_usual(series) for end in ends)
    low = settable_temperature(series, low, (-np.inf, low))
    high = min(high, series.hottest_degC)
    high = settable_temperature(series, high, (high, series.hottest_degC))
    return (to_degF(low), to_degF(high)) if series.kiln.reads == "degF" else (low, high)

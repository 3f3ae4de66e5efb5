"""A new series that begins with what a studio learned."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import tomlkit

from firelab.craft.units import format_temperature_range, to_degF
from firelab.errors import FaultyFile
from firelab.fits.ordinal.coordinates import DOUBLING, TARGET, doublings_beyond_usual
from firelab.series.firing_series import FiringSeries
from firelab.series.first_questions import put_temperatures
from firelab.series.history import HISTORY_FILE, LearnedPrior, learned_prior
from firelab.series.series_file import parse_series


def history_of(studio: str | Path) -> Path:
    """Return the history of a studio folder; a file is taken for one."""
    place = Path(studio)
    return place / HISTORY_FILE if place.is_dir() else place


def like_earlier(text: str, history: str | Path) -> tuple[str, str]:
    """Return a series.toml that rests on a history, and what that says in words.

    The range of temperatures keeps its width; its middle moves to where the target of
    earlier jars was, so that loads go where the edges probably are.

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
    if "priors" not in document:
        document["priors"] = tomlkit.table()
    document["priors"]["history"] = HISTORY_FILE
    if learned is None:
        return document.as_string(), f"of {kind}s on {metal} it knows too little yet"
    words = f"{learned.source}"
    if not series.plan.kind == "sequential" and TARGET in learned.mean:
        low, high = _moved_range(series, learned)
        put_temperatures(document, series, f"{low:.0f} to {high:.0f}")
        read, _ = parse_series(document.as_string())
        if read is not None:
            ends = read.span("temperature")
            words += f"; tried from {format_temperature_range(*ends, series.kiln.reads)}"
    return document.as_string(), words


def _moved_range(series: FiringSeries, learned: LearnedPrior) -> tuple[float, float]:
    """Return the ends of the range about the middle of the target, in the kiln's unit."""
    worth = learned.mean.get(DOUBLING, np.log(series.priors.doubling))
    middle = learned.mean[TARGET] - float(np.exp(worth)) * doublings_beyond_usual(series)
    low, high = series.span("temperature")
    half = 0.5 * (high - low)
    ends = [middle - half, min(middle + half, series.hottest_degC)]
    if series.kiln.reads == "degF":
        ends = [to_degF(end) for end in ends]
    step = series.kiln.step
    return step * np.floor(ends[0] / step), step * np.ceil(ends[1] / step)

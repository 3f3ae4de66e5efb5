"""Is this jar the old one again? A few tiles where it tells, and an answer with its odds.

The old jar's posterior gives the chance of each grade at any temperature; tiles of the new
jar, or of the old one in a mended kiln, say by how many degrees all of it has moved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import tomlkit

from firelab.arrays import FloatArray
from firelab.craft.degrees import format_difference_range
from firelab.craft.trade_words import Shown, count_words
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_difference,
)
from firelab.errors import FirelabError, RecordsInsufficient, UsageError
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.memory.between_jars import grid_quantiles
from firelab.memory.kiln_offsets import (
    OFFSET_GRID_DEGC,
    offset_log_likelihood,
    offset_posterior,
)
from firelab.plan.extend import plan_chosen_tiles
from firelab.plan.plan import Plan
from firelab.records.firing_log import read_firings
from firelab.series.folder import SERIES_FILE, write_atomically
from firelab.series.history import HISTORY_FILE
from firelab.series.kiln_settings import settable_temperature
from firelab.series.series_file import read_series, start_series
from firelab.windows.edges.edge_draws import temperature_edges
from firelab.windows.edges.target_at_setting import targets_of
from firelab.windows.firing_windows import firing_windows
from firelab.windows.setting_window import Recipe

LOT_SCHEMA = "firelab/lot/1"
SURE = 0.9
"""Probability from which an answer is given (chosen here, no source)."""
FEWEST, MOST = 4, 8
"""Tiles that are planned at once."""
WITHIN = {"degF": 20.0 / 1.8, "degC": 10.0}
"""What counts as the same where the user states nothing, degC: less than kilns are set by
in practice (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class LotAnswer(Shown):
    """Whether a jar is the old one again.

    Attributes
    ----------
    verdict : {'same', 'moved', 'cannot tell'}
    within_degC : float
        What counts as the same.
    same : float
        Posterior probability of it.
    hotter_degC, lower_degC, upper_degC : float
        By how much hotter the new jar is to be fired; nine in ten.
    n_tiles, n_more : int
        Tiles that were looked at, and that would be needed further.
    setting_degC, dwell_s : float
        Recipe for the new jar: the old one's, moved.
    reads : str
    """

    verdict: str
    within_degC: float
    same: float
    hotter_degC: float
    lower_degC: float
    upper_degC: float
    n_tiles: int
    n_more: int
    setting_degC: float
    dwell_s: float
    reads: str

    def summary(self) -> str:
        """Return the answer in one sentence, the kiln's unit first."""
        within = format_temperature_difference(self.within_degC, self.reads)
        odds = f"{min(max(round(100 * self.same), 1), 99)} chances in 100"
        tiles = count_words(self.n_tiles, "tile")
        if self.verdict == "same":
            return f"The same within {within}, with {odds} ({tiles})."
        low, high = sorted((abs(self.lower_degC), abs(self.upper_degC)))
        if self.verdict == "moved":
            side = "hotter" if self.hotter_degC > 0 else "cooler"
            by = format_temperature_difference(abs(self.hotter_degC), self.reads)
            use = format_temperature(self.setting_degC, self.reads)
            return (
                f"To be fired {side} by {by} "
                f"({format_difference_range(low, high, self.reads)}): use {use} for "
                f"{format_duration(self.dwell_s)} ({tiles})."
            )
        more = count_words(self.n_more, "more tile")
        ends = " to ".join(
            f"{format_temperature_difference(abs(end), self.reads)} "
            f"{'hotter' if end > 0 else 'cooler'}"
            for end in (self.lower_degC, self.upper_degC)
        )
        would = "would tell" if self.n_more <= 2 * MOST else "would not tell either"
        return (
            f"Cannot tell yet: the same within {within} with {odds}; to be fired from "
            f"{ends} ({tiles}). {more} {would}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the answer as plain values."""
        kept = {name: getattr(self, name) for name in self.__slots__}
        return {"schema": LOT_SCHEMA, **kept}


def _old_jar(old: str | Path) -> tuple[StagePosterior, dict[str, Any], Recipe]:
    """Return the old jar's posterior, its best setting and where that is fired."""
    fit = fit_posterior(read_firings(old))
    best = firing_windows(fit).windows[0]
    return fit, dict(best.setting), best.recipe or best.best


def start_lot(old: str | Path, new: str | Path) -> Path:
    """Start the folder of a new jar as the old one's was declared, without its lot.

    Raises
    ------
    UsageError
        If there is a series already.
    """
    document = tomlkit.parse((Path(old) / SERIES_FILE).read_text(encoding="utf-8-sig"))
    document.pop("mark", None)
    document.get("enamel", {}).pop("lot", None)
    document["seed"] = int(document.get("seed", 1)) + 1
    target = start_series(new, text=document.as_string())
    history = Path(old) / HISTORY_FILE
    if history.is_file():
        write_atomically(Path(new) / HISTORY_FILE, history.read_bytes())
    return target


def plan_lot(old: str | Path, new: str | Path, *, n_tiles: int = 6) -> Plan:
    """Return the new jar's plan with the tiles that tell most: at the old one's edges.

    There a grade passes into the next, so that a shift changes most of what is seen.

    Parameters
    ----------
    old, new : str or Path
        Series folders.
    n_tiles : int, default 6
        From 4 to 8.

    Raises
    ------
    UsageError
        If it is another number.

    Examples
    --------
    >>> import firelab
    >>> old, new = firelab.start_demo(seed=1), firelab.start_demo(seed=2)
    >>> firelab.plan_lot(old, new, n_tiles=4).n_tiles  # after the 30 that it has
    34
    """
    if not FEWEST <= n_tiles <= MOST:
        raise UsageError(f"{n_tiles} is not from {FEWEST} to {MOST}", "--tiles")
    fit, setting, recipe = _old_jar(old)
    series = read_series(new)
    (target,) = targets_of(fit, [setting])
    first, last = fit.series.responses.stage.target_span
    thresholds = fit.draws.thresholds
    places = [at for at in (first - 1, last) if 0 <= at < thresholds.shape[1]]
    degC = [
        settable_temperature(
            series,
            float(np.median(temperature_edges(target, recipe.dwell_s, thresholds[:, at]))),
        )
        for at in places
    ]
    rows = [
        {
            "temperature_degC": degC[number % len(degC)],
            "dwell_s": recipe.dwell_s,
            **setting,
            "is_control": False,
        }
        for number in range(n_tiles)
    ]
    return plan_chosen_tiles(
        new, pd.DataFrame(rows), note="Tiles at the edges of the old jar."
    )


def compare_lots(
    old: str | Path, new: str | Path, *, within_degC: float | None = None
) -> LotAnswer:
    """Answer whether a new jar is the old one again.

    Each session of the new jar may itself differ by what days do in the old series.

    Parameters
    ----------
    old, new : str or Path
        Series folders, both with looks.
    within_degC : float, optional
        What counts as the same; by default 20 degF, or 10 degC.

    Raises
    ------
    RecordsInsufficient
        If one of them has no look that can be used.
    FirelabError
        If the grades differ.

    Examples
    --------
    >>> import firelab
    >>> old, new = firelab.start_demo(seed=1), firelab.start_demo(seed=2)
    >>> firelab.compare_lots(old, new)
    <LotAnswer: The same within 20 °F (11 °C), with 9... chances in 100 (30 tiles).>
    """
    fit, _, recipe = _old_jar(old)
    records = read_firings(new)
    if records.series.responses.stage.grades != fit.grades:
        raise FirelabError(
            f"is graded {', '.join(records.series.responses.stage.grades)}, the old jar "
            f"{', '.join(fit.grades)}",
            str(new),
            "grade both on one scale",
        )
    looks = records.looks
    looks = looks[looks["stage"].notna() & (looks["look"] == 1)]
    looks = looks[looks["role"] != "control"]
    if looks.empty:
        raise RecordsInsufficient("no tile of the new jar is graded", str(new))
    return judge_looks(fit, recipe, looks, within_degC=within_degC)


def judge_looks(
    fit: StagePosterior,
    recipe: Recipe,
    looks: pd.DataFrame,
    *,
    within_degC: float | None = None,
) -> LotAnswer:
    """Answer from the first looks at tiles of a new jar.

    Parameters
    ----------
    fit : StagePosterior
        Of the old jar.
    recipe : Recipe
        Of the old jar.
    looks : DataFrame, n rows
        With the columns of `Records.looks`.
    within_degC : float, optional
        What counts as the same.
    """
    days = float(np.median(fit.effects["session"].sd_degC))
    log = np.zeros(OFFSET_GRID_DEGC.size)
    for _, rows in looks.groupby("session"):
        log = log + _blurred(offset_log_likelihood(fit, rows), days)
    return _answer(fit, recipe, offset_posterior(log), within_degC, len(looks))


def _blurred(log: FloatArray, sd: float) -> FloatArray:
    """Return a log likelihood averaged over a normal deviation of the session."""
    apart = OFFSET_GRID_DEGC[:, None] - OFFSET_GRID_DEGC[None, :]
    kernel = np.exp(-0.5 * (apart / max(sd, 0.5)) ** 2)
    kernel /= kernel.sum(axis=1, keepdims=True)
    return np.asarray(np.log(kernel @ np.exp(log - log.max())))


def _answer(
    fit: StagePosterior,
    recipe: Recipe,
    weight: FloatArray,
    within_degC: float | None,
    n_tiles: int,
) -> LotAnswer:
    reads = fit.series.kiln.reads
    within = WITHIN[reads] if within_degC is None else within_degC
    # A jar whose tiles look hotter than they were is to be fired cooler by as much.
    hotter = -OFFSET_GRID_DEGC[::-1]
    weight = weight[::-1]
    same = float(weight[np.abs(hotter) <= within].sum())
    lower, middle, upper = grid_quantiles(hotter, weight, [0.05, 0.5, 0.95]).tolist()
    moved = max(float(weight[hotter > 0].sum()), float(weight[hotter < 0].sum()))
    verdict = "cannot tell"
    if same >= SURE:
        verdict = "same"
    elif 1.0 - same >= 0.5 and moved >= SURE and not lower <= 0.0 <= upper:
        verdict = "moved"
    sd = (upper - lower) / (2 * 1.645)
    wanted = max(within / 1.645, 1.0)
    factor = max((sd / wanted) ** 2 - 1.0, 0.25)
    setting = recipe.temperature_degC
    if verdict == "moved":
        ends = (setting - OFFSET_GRID_DEGC[-1], setting + OFFSET_GRID_DEGC[-1])
        setting = settable_temperature(fit.series, setting + middle, ends)
    return LotAnswer(
        verdict=verdict,
        within_degC=within,
        same=same,
        hotter_degC=middle,
        lower_degC=lower,
        upper_degC=upper,
        n_tiles=n_tiles,
        n_more=max(2, math.ceil(n_tiles * factor)) if verdict == "cannot tell" else 0,
        setting_degC=setting,
        dwell_s=recipe.dwell_s,
        reads=reads,
    )

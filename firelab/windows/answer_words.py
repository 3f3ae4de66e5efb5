"""The answer at a setting in workshop words: the same in terminal, report and card."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from firelab.craft.trade_words import (
    count_words,
    distinct_names,
    note_lines,
    setting_words,
)
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_range,
    format_tolerance,
)
from firelab.windows.setting_window import Edges, Recipe, SettingWindow

_SURE_AT_MOST = 0.99
"""From here on a chance is told as 1 in 100 or 99 of 100: a few dozen tiles and a fit by
simulation carry no further digit (chosen here, no source)."""
_UNLIKELY = 0.75
"""Assurance from which falling short is called unlikely (chosen here, no source)."""
_NEARLY_ALL = 0.95
"""Odds above which all of ten tiles would be the nearest (arithmetic)."""
_MOST_SETTINGS = 3
_MOST_NOTES = 2
_NO_RECIPE = "No recipe yet."


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowAsked:
    """What was asked of the windows, as far as the words need it.

    Attributes
    ----------
    target : tuple of str
        Wanted grades.
    score_target : float or None
        Wanted transparency score, where one is asked.
    probability : float
        Asked of the target.
    reads : {'degF', 'degC'}
        Unit of the kiln's display.
    """

    target: tuple[str, ...]
    score_target: float | None
    probability: float
    reads: str

    @property
    def stage_words(self) -> str:
        """The wanted grades."""
        return " or ".join(self.target)

    @property
    def target_words(self) -> str:
        """The wanted grades, and the score where one is asked."""
        if self.score_target is None:
            return self.stage_words
        return f"{self.stage_words} and clear (score {self.score_target:g})"


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerWords:
    """One setting's answer, one sentence to a fact.

    Attributes
    ----------
    setting : str
    assured : bool
        Whether there is a recipe; else `settings` are those of the best firing there is.
    settings : tuple of (str, str)
        What to set, such as ``1450 °F (788 °C)`` and ``2 min 30 s``.
    tolerance : str
        How far off one may be; without a recipe why there is none.
    expect : str
        How many of 100 tiles to expect, and how sure that is.
    reach : str
        From which to which temperature the target comes, at a fired dwell.
    settle : tuple of str
        What would settle an open question, a line each.
    """

    setting: str
    assured: bool
    settings: tuple[str, str]
    tolerance: str
    expect: str
    reach: str
    settle: tuple[str, ...]

    @property
    def set_words(self) -> str:
        """What to set the kiln to, or the best firing there is."""
        at = " for ".join(self.settings)
        if self.assured:
            return f"Set {at}."
        return f"The best there is, not to be trusted with a finished piece: {at}."

    def lines(self, *, brief: bool = False) -> list[str]:
        """Return the answer as lines for a terminal, the setting first.

        Parameters
        ----------
        brief : bool, default False
            What to set, or why there is no recipe, and no more.
        """
        if self.assured:
            head = [f"{self.setting}: {self.set_words}", self.tolerance]
            return head if brief else [*head, self.expect, self.reach]
        head = [f"{self.setting}: {_NO_RECIPE} {self.tolerance}"]
        if brief:
            return head
        return [*head, *self.settle, f"{self.set_words} {self.expect}", self.reach]


def word_answer(window: SettingWindow, asked: WindowAsked) -> AnswerWords:
    r"""Put the answer at one setting into words.

    Examples
    --------
    >>> import numpy as np
    >>> from firelab.windows.setting_window import EdgeInterval, ProbabilityMap
    >>> recipe = Recipe(
    ...     temperature_degC=757.2, dwell_s=155, tolerance_degC=17 / 1.8, tolerance_s=14,
    ...     probability=0.99, assurance=0.8,
    ... )
    >>> edges = Edges(
    ...     dwell_s=150,
    ...     low_degC=EdgeInterval(
    ...         estimate=None, lower=None, upper=740, reason="below the fired range"),
    ...     high_degC=EdgeInterval(estimate=773.3, lower=765, upper=780),
    ... )
    >>> window = SettingWindow(
    ...     setting={"mesh": 80, "layers": 1, "base": "none"}, edges=(edges,),
    ...     dwell_edges=(), recipe=recipe, reason=None, reason_code=None, best=recipe,
    ...     settle=(), assured_share=0.3, map=ProbabilityMap(
    ...         temperature_degC=np.array([700.0, 800.0]), dwell_s=np.array([150.0]),
    ...         probability=np.ones((1, 2)), assurance=np.ones((1, 2))),
    ... )
    >>> asked = WindowAsked(
    ...     target=("full",), score_target=None, probability=0.8, reads="degF")
    >>> print("\n".join(word_answer(window, asked).lines()))
    80 mesh, 1 coat, on bare metal: Set 1395 °F (757 °C) for 2 min 35 s.
    You may be 17 °F (9 °C) and 14 s off.
    Expect 99 of 100 tiles full; fewer than 80 is unlikely (1 in 5).
    Held 2 min 30 s: full from your coolest load or lower, up to 1424 °F (773 °C).
    """
    shown = window.recipe or window.likeliest or window.best
    if window.recipe is None:
        tolerance = (window.reason or "").rstrip(".") + "."
        # Why nothing is sure enough has said already what was asked.
        has_said = window.reason_code in ("not-sure-enough", "look-again")
        wanted = f"; {asked.probability * 10:g} were asked"
        expect = (
            f"Expect {of_ten(shown.probability)} tiles {asked.target_words}"
            f"{wanted * (not has_said)}{_beyond_words(window)}."
        )
    else:
        tolerance = _tolerance_words(window.recipe, asked.reads)
        likely = "unlikely" if window.recipe.assurance >= _UNLIKELY else "possible"
        expect = (
            f"Expect {of_100(shown.probability)} tiles {asked.target_words}; "
            f"fewer than {asked.probability * 100:.0f} is {likely} "
            f"({_odds(1.0 - window.recipe.assurance)})."
        )
    return AnswerWords(
        setting=setting_words(window.setting),
        assured=window.recipe is not None,
        settings=(
            format_temperature(shown.temperature_degC, asked.reads),
            format_duration(shown.dwell_s),
        ),
        tolerance=tolerance,
        expect=expect,
        reach=_reach_words(
            window.own_edges or _nearest_edges(window, shown.dwell_s), asked
        ),
        settle=window.settle_lines,
    )


def settings_without_recipe(windows: Sequence[SettingWindow]) -> str:
    """Name the settings that have no recipe, by what tells them from the others."""
    names = distinct_names([window.setting for window in windows])
    pairs = zip(names, windows, strict=True)
    return " and ".join(name for name, window in pairs if window.recipe is None)


def stop_words(windows: Sequence[SettingWindow], spare: int) -> str:
    """Say that firing may stop, and for which settings not; empty without a recipe."""
    if not any(window.recipe for window in windows):
        return ""
    lacking = settings_without_recipe(windows)
    head = "You can stop"
    if lacking:
        names = distinct_names([window.setting for window in windows])
        pairs = zip(names, windows, strict=True)
        enough = " or ".join(name for name, window in pairs if window.recipe)
        head += f" if {enough} will do; {lacking} has no recipe yet"
        return f"{head}." if not spare else f"{head}; {_spared(spare)} left to fire."
    return f"{head}: {_spared(spare)} need not be fired." if spare else f"{head}."


def _spared(spare: int) -> str:
    return count_words(spare, "planned tile")


def firing_words(window: SettingWindow, asked: WindowAsked) -> str:
    """Say the firing to choose now at a setting, and its odds; empty without one."""
    firing = window.likeliest
    if firing is None:
        return ""
    at = format_temperature(firing.temperature_degC, asked.reads)
    return (
        f"Likeliest now: {at} for {format_duration(firing.dwell_s)} at "
        f"{setting_words(window.setting)}: expect {of_ten(firing.probability)} "
        f"{asked.target_words}{_beyond_words(window)}."
    )


def likeliest_window(windows: Sequence[SettingWindow]) -> SettingWindow | None:
    """Return the window with the likeliest firing; None where no setting has one."""
    odds = [one.likeliest.probability if one.likeliest else -1.0 for one in windows]
    best = max(odds, default=-1.0)
    return windows[odds.index(best)] if best >= 0.0 else None


def _beyond_words(window: SettingWindow) -> str:
    firing = window.likeliest
    if window.recipe or firing is None or not firing.beyond:
        return ""
    return f"; {firing.beyond} than any tile so far"


def of_ten(probability: float) -> str:
    """Write a probability as so many of ten tiles, never as none or all of them.

    Examples
    --------
    >>> [of_ten(share) for share in (0.02, 0.05, 0.849, 0.95, 0.97)]
    ['fewer than 1 of 10', '1 of 10', '8 of 10', '9 of 10', 'more than 9 of 10']
    """
    if probability > _NEARLY_ALL:
        return "more than 9 of 10"
    tenths = math.floor(10.0 * probability + 0.5)
    return f"{min(tenths, 9)} of 10" if tenths else "fewer than 1 of 10"


def _tolerance_words(recipe: Recipe, reads: str) -> str:
    """Write how far temperature and dwell may be off, both at once.

    Examples
    --------
    >>> recipe = Recipe(
    ...     temperature_degC=774, dwell_s=150, tolerance_degC=3 / 1.8, tolerance_s=20,
    ...     probability=0.9, assurance=0.8,
    ... )
    >>> _tolerance_words(recipe, "degF"), _tolerance_words(recipe, "degC")
    ('You may be 3 °F (1 °C) and 20 s off.', 'You may be 1 °C (3 °F) and 20 s off.')
    """
    parts = room_parts(recipe.tolerance_degC, recipe.tolerance_s, reads)
    return (
        f"You may be {' and '.join(parts)} off." if parts else "There is no room to spare."
    )


def room_parts(tolerance_degC: float, tolerance_s: float, reads: str) -> list[str]:
    """Write how far temperature and dwell may be off, each where it may at all."""
    heat, parts = format_tolerance(tolerance_degC, reads), []
    if heat[0] != "0":
        parts.append(heat)
    if tolerance_s >= 1.0:
        parts.append(format_duration(math.floor(tolerance_s)))
    return parts


def of_100(probability: float) -> str:
    """Write a probability as so many of a hundred, never as none or all of them."""
    share = min(round(100 * probability), round(100 * _SURE_AT_MOST))
    return f"{share} of 100" if share >= 1 else "fewer than 1 of 100"


def _odds(chance: float) -> str:
    """Write a small chance as 1 in so many, never smaller than it is.

    Examples
    --------
    >>> _odds(0.2), _odds(0.13), _odds(0.001)
    ('1 in 5', '1 in 7', 'less than 1 in 100')
    """
    if chance < 1.0 - _SURE_AT_MOST:
        return "less than 1 in 100"
    return f"1 in {math.floor(1.0 / chance + 1e-9)}"


def _nearest_edges(window: SettingWindow, dwell_s: float) -> Edges:
    """Return the edges at the fired dwell that is nearest on the ln scale."""
    return min(window.edges, key=lambda edges: abs(math.log(edges.dwell_s / dwell_s)))


def _reach_words(edges: Edges, asked: WindowAsked) -> str:
    """Say from which to which temperature the stage comes at one dwell."""
    low, high = edges.low_degC, edges.high_degC
    held, stage = f"Held {format_duration(edges.dwell_s)}", asked.stage_words
    if low.estimate is not None and high.estimate is not None:
        if low.estimate <= high.estimate:
            span = format_temperature_range(low.estimate, high.estimate, asked.reads)
            return f"{held}: {stage} from {span}."
        return (
            f"{held}: {stage} nowhere often enough; tiles come far enough from "
            f"{format_temperature(low.estimate, asked.reads)}, but go too far above "
            f"{format_temperature(high.estimate, asked.reads)}."
        )
    if "above" in (low.reason or "") and low.estimate is None:
        return f"{held}: not {stage} even in your hottest load."
    if "below" in (high.reason or "") and high.estimate is None:
        return f"{held}: past {stage} even in your coolest load."
    start = "your coolest load or lower"
    if low.estimate is not None:
        start = format_temperature(low.estimate, asked.reads)
    end = "your hottest load or higher"
    if high.estimate is not None:
        end = format_temperature(high.estimate, asked.reads)
    return f"{held}: {stage} from {start}, up to {end}."


def summarise_answer(
    windows: Sequence[SettingWindow], asked: WindowAsked, notes: Sequence[str]
) -> str:
    """Return the answer at every setting in under 12 lines, the widest assured first."""
    lines: list[str] = []
    for rank, window in enumerate(windows[:_MOST_SETTINGS]):
        first, *rest = word_answer(window, asked).lines(brief=rank > 0)
        lines += [first, *(f"   {line}" for line in rest)]
    more = len(windows) - _MOST_SETTINGS
    if more > 0:
        left = "setting stands" if more == 1 else "settings stand"
        lines.append(f"{more} more {left} in windows.csv.")
    best = likeliest_window(windows)
    if best and best is not windows[0] and not any(window.recipe for window in windows):
        lines.append(firing_words(best, asked))
    kept = notes[: _MOST_NOTES if len(lines) < 9 else 1]
    return "\n".join([*lines, *note_lines(kept)])

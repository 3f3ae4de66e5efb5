"""Why there is no recipe, each reason in its own words, and what would settle it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.units import format_duration, format_temperature
from firelab.fits.ordinal.priors import latent_scale
from firelab.windows.edges.target_at_setting import TargetAtSetting
from firelab.windows.edges.target_span import inner_probability
from firelab.windows.setting_window import Recipe

_FLAT_LOGITS = 3.0
_FLAT_SHARE = 0.05
"""A response is flat where less than 1 draw in 20 moves less than 3 logits from end to
end of what was fired (chosen here, no source): the odds of a grade change twentyfold."""
_FALLS = 0.05
"""Chance below which grades that fall with heat are no accident (the usual level; four
loads in the wrong order have 1 in 24)."""
_NEAR_END = 0.1
"""Of half the range: nearer to an end the best firing lies at it (chosen here, no
source)."""
_ALIKE = 0.02
"""Probability by which a firing inside may be less likely than the best at an end, and
still as good (chosen here, no source)."""
_HARDLY_EVER = 0.1
"""Largest share of draws of what hardly ever happens (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoRecipeReason:
    """Why a setting has no recipe.

    Attributes
    ----------
    code : str
        ``setting-not-fired``, ``target-not-reached``, ``target-passed``,
        ``grade-never-seen``, ``one-temperature``, ``narrow-range``, ``grades-fall``,
        ``flat-response``, ``never-likely-enough``,
        ``not-clear-enough``, ``edge-outside-range``, ``no-room``, ``not-sure-enough`` or
        ``look-again``.
    words : str
    settle : tuple of str
        What would settle it.
    """

    code: str
    words: str
    settle: tuple[str, ...]


def explain_no_recipe(
    target: TargetAtSetting, looks: pd.DataFrame, best: Recipe
) -> NoRecipeReason:
    """Say why a setting has no assured recipe."""
    return (
        _not_fired(target, looks)
        or _target_unseen(target, looks)
        or _falling(looks)
        or _flat(target, looks)
        or _never_likely(target, best)
        or _not_clear(target)
        or _outside(target, best)
        or _no_room(target, best)
        or _unsure(target, best)
    )


def look_again(asked_back: Sequence[str]) -> NoRecipeReason:
    """Say that only looks which a fit asks back, a sentence each, forbid a recipe."""
    return NoRecipeReason(
        code="look-again",
        words=f"{' '.join(asked_back)} As it is written no firing is sure enough.",
        settle=("look again: firelab record with --correct, or --confirm if it is so",),
    )


def _degrees(target: TargetAtSetting, degC: float) -> str:
    return format_temperature(degC, target.series.kiln.reads)


def _place(recipe: Recipe, target: TargetAtSetting) -> str:
    temperature = _degrees(target, recipe.temperature_degC)
    return f"{temperature} for {format_duration(recipe.dwell_s)}"


def _target_words(target: TargetAtSetting) -> str:
    words = " or ".join(target.series.responses.stage.target)
    scale = target.series.responses.transparency
    if target.clarity is not None and scale is not None:
        words += f" with a score of {scale.target:g}"
    return words


def unfired_levels(setting: Mapping[str, Any], looks: pd.DataFrame) -> tuple[str, ...]:
    """Name the mesh, layers or base of a setting that no graded tile had."""
    return tuple(
        f"{name} {setting[name]}"
        for name in ("mesh", "layers", "base")
        if not (looks[name].astype(str) == str(setting[name])).any()
    )


def _not_fired(target: TargetAtSetting, looks: pd.DataFrame) -> NoRecipeReason | None:
    missing = unfired_levels(target.setting, looks)
    if not missing:
        return None
    return NoRecipeReason(
        code="setting-not-fired",
        words=f"No graded tile had {' or '.join(missing)}.",
        settle=(f"fire and grade tiles with {' and '.join(missing)}",),
    )


def _target_unseen(target: TargetAtSetting, looks: pd.DataFrame) -> NoRecipeReason | None:
    stage = target.series.responses.stage
    first, last = stage.target_span
    codes = looks["stage"].cat.codes.to_numpy()
    if ((codes >= first) & (codes <= last)).any():
        return None
    wanted, fired = " or ".join(stage.target), target.fired
    hottest, longest = (
        _degrees(target, fired.hottest_degC),
        format_duration(fired.longest_s),
    )
    if (codes < first).all():
        grade = stage.grades[int(codes.max())]
        return NoRecipeReason(
            code="target-not-reached",
            words=(
                f"No tile reached {wanted}: up to {hottest} and {longest} the furthest "
                f"was {grade}."
            ),
            settle=(
                f"fire hotter than {hottest}, if the metal allows "
                f"({_degrees(target, target.series.hottest_degC)} at most), or "
                f"longer than {longest}",
            ),
        )
    if (codes > last).all():
        coolest = _degrees(target, fired.coolest_degC)
        shortest = format_duration(fired.shortest_s)
        return NoRecipeReason(
            code="target-passed",
            words=(
                f"Every tile was past {wanted}: down to {coolest} and {shortest} the "
                f"least was {stage.grades[int(codes.min())]}."
            ),
            settle=(f"fire cooler than {coolest} or shorter than {shortest}",),
        )
    below, above = looks[codes < first], looks[codes > last]
    return NoRecipeReason(
        code="grade-never-seen",
        words=f"No tile came out {wanted}, though tiles fell on both sides of it.",
        settle=(
            "fire tiles between "
            f"{_degrees(target, below['temperature_degC'].max())} and "
            f"{_degrees(target, above['temperature_degC'].min())}",
        ),
    )


def _flat(target: TargetAtSetting, looks: pd.DataFrame) -> NoRecipeReason | None:
    fired, series = target.fired, target.series
    dwells = fired.shortest_s, fired.longest_s
    degrees = fired.coolest_degC, fired.hottest_degC
    if not _is_flat(target, degrees, dwells) or looks["stage"].nunique() < 2:
        return None
    if not fired.varies_temperature:
        return _one_temperature(target)
    # Flat over what was fired, and not over the whole range: too little of it was fired.
    if not _is_flat(target, series.span("temperature"), dwells):
        return _narrow(target)
    return _hardly_changing()


def _is_flat(
    target: TargetAtSetting, degC: tuple[float, float], dwell_s: tuple[float, float]
) -> bool:
    """Tell whether grades hardly change from the first firing to the last."""
    ends = target.latent(np.array(degC), np.array(dwell_s))
    shift = np.quantile(ends[:, 1] - ends[:, 0], _FLAT_SHARE)
    return bool(shift <= _FLAT_LOGITS * latent_scale(target.draws.link))


def _narrow(target: TargetAtSetting) -> NoRecipeReason:
    ends = [
        _degrees(target, T) for T in (target.fired.coolest_degC, target.fired.hottest_degC)
    ]
    return NoRecipeReason(
        code="narrow-range",
        words=(
            f"Every graded tile was fired between {ends[0]} and {ends[1]}: too near to one "
            "another to tell what heat does."
        ),
        settle=(f"fire tiles cooler than {ends[0]} and hotter than {ends[1]}",),
    )


def _one_temperature(target: TargetAtSetting) -> NoRecipeReason:
    only = _degrees(target, target.fired.hottest_degC)
    return NoRecipeReason(
        code="one-temperature",
        words=(
            f"Every graded tile was fired at {only}: the temperature did not vary, so "
            "what it does cannot be known."
        ),
        settle=(f"fire tiles cooler and hotter than {only}",),
    )


def _falling(looks: pd.DataFrame) -> NoRecipeReason | None:
    """Tell whether hotter loads came out less far, which no fit with rising grades can.

    The mean grade of each load against its temperature, by Kendall's rank correlation:
    it takes no sign for granted, and tiles of a load are not independent.
    """
    if looks["temperature_degC"].nunique() < 2 or looks["stage"].nunique() < 2:
        return None
    loads = (
        looks.assign(grade=looks["stage"].cat.codes)
        .groupby("load")[["temperature_degC", "grade"]]
        .mean()
    )
    heat, grade = loads["temperature_degC"].to_numpy(), loads["grade"].to_numpy()
    signs = np.sign(np.subtract.outer(heat, heat)) * np.sign(
        np.subtract.outer(grade, grade)
    )
    if signs.sum() >= 0:
        return None
    from scipy.stats import kendalltau  # where grades rise, it need not be imported

    found = kendalltau(heat, grade, alternative="less")
    if not found.pvalue < _FALLS:
        return None
    return NoRecipeReason(
        code="grades-fall",
        words=(
            "The grades fall with heat: hotter loads came out less far than cooler ones, "
            "and glass does not un-fuse."
        ),
        settle=(
            "check whether loads were swapped, labels were mixed up, or the grades were "
            "written the wrong way round",
        ),
    )


def _hardly_changing() -> NoRecipeReason:
    return NoRecipeReason(
        code="flat-response",
        words=(
            "The grades hardly change from the coolest, shortest to the hottest, longest "
            "firing: temperature and dwell do not explain them."
        ),
        settle=(
            "check that tiles and records were not mixed up, and what the kiln reads",
            "fire a wider range of temperature",
        ),
    )


def _never_likely(target: TargetAtSetting, best: Recipe) -> NoRecipeReason | None:
    if target.span.empty.mean() <= target.series.window.confidence:
        return None
    wanted = target.series.window.probability
    return NoRecipeReason(
        code="never-likely-enough",
        words=(
            f"The room for {_target_words(target)} is too narrow for the spread between "
            f"tiles and loads: at best {100 * best.probability:.0f} of 100 tiles, "
            f"{100 * wanted:.0f} were asked."
        ),
        settle=(
            "make the firings more alike: weigh the powder, let the kiln recover, fire "
            "the same place of the kiln",
            f"or ask for less than {wanted:.0%}, or let a neighbouring grade count",
        ),
    )


def _not_clear(target: TargetAtSetting) -> NoRecipeReason | None:
    """Tell whether the score is what fails, wherever the stage is likely."""
    scale = target.series.responses.transparency
    if target.clarity is None or scale is None:
        return None
    wanted = target.series.window.probability
    grid = target.fired.grid(10, 5)
    columns = target.columns(*grid)
    first, last = target.series.responses.stage.target_span
    eta = target.latent(*grid)
    stage = inner_probability(target.draws, first, last, eta).mean(axis=0)
    clear = target.clarity.probability_clear(
        columns[stage >= 0.5 * wanted], scale.target, scale.sign, scale.step / 2
    )
    if not clear.size or (clear >= wanted).mean(axis=0).max() >= _HARDLY_EVER:
        return None
    likely = clear.mean(axis=0).max()
    return NoRecipeReason(
        code="not-clear-enough",
        words=(
            f"Tiles come out {' or '.join(target.series.responses.stage.target)}, but "
            f"hardly ever with a score of {scale.target:g}: at best {100 * likely:.0f} of "
            f"100 such tiles have it, {100 * wanted:.0f} were asked."
        ),
        settle=(
            "coarser grains, fewer coats or a harder clear base make a transparent clearer "
            "(common practice, no source): try one of them",
        ),
    )


def _outside(target: TargetAtSetting, best: Recipe) -> NoRecipeReason | None:
    """Tell whether the best firing lies at an end of what was fired."""
    fired = target.fired
    u, v = target.plane.coded(
        [fired.coolest_degC, best.temperature_degC, fired.hottest_degC],
        [fired.shortest_s, best.dwell_s, fired.longest_s],
    )
    at = []
    if fired.varies_temperature and u[2] - u[1] < _NEAR_END:
        at.append(("hotter than", _degrees(target, fired.hottest_degC)))
    if fired.varies_temperature and u[1] - u[0] < _NEAR_END:
        at.append(("cooler than", _degrees(target, fired.coolest_degC)))
    if not at and fired.varies_dwell and v[2] - v[1] < _NEAR_END:
        at.append(("longer than", format_duration(fired.longest_s)))
    if not at and fired.varies_dwell and v[1] - v[0] < _NEAR_END:
        at.append(("shorter than", format_duration(fired.shortest_s)))
    if not at or _is_as_likely_inside(target, best):
        return None
    side, end = at[0]
    return NoRecipeReason(
        code="edge-outside-range",
        words=(
            f"The window of {_target_words(target)} runs out of what was fired: the best "
            f"firing, {100 * best.probability:.0f} of 100 tiles, is at its end, "
            f"{_place(best, target)}."
        ),
        settle=(f"fire tiles {side} {end}",),
    )


def _is_as_likely_inside(target: TargetAtSetting, best: Recipe) -> bool:
    """Tell whether a firing away from all ends is about as likely as the best.

    Cooler and longer firings bring a tile equally far, so that the best of them may
    lie at an end by chance.
    """
    fired = target.fired
    degC, dwell = fired.grid(10, 5)
    u, v = target.plane.coded(degC, dwell)
    inside = np.ones(len(u), dtype=bool)
    for place, varies in ((u, fired.varies_temperature), (v, fired.varies_dwell)):
        if varies:
            inside &= np.minimum(place - place.min(), place.max() - place) >= _NEAR_END
    chance = target.probability(
        np.append(degC[inside], best.temperature_degC),
        np.append(dwell[inside], best.dwell_s),
    ).mean(axis=0)
    return bool((chance[:-1] >= chance[-1] - _ALIKE).any())


def _no_room(target: TargetAtSetting, best: Recipe) -> NoRecipeReason | None:
    if best.assurance < target.series.window.confidence:
        return None
    return NoRecipeReason(
        code="no-room",
        words=(
            f"{_place(best, target)} is sure enough, but only if it is hit exactly: the "
            "room around it is less than half the step that the kiln can be set to."
        ),
        settle=(_another_load(best, target),),
    )


def _unsure(target: TargetAtSetting, best: Recipe) -> NoRecipeReason:
    series = target.series
    return NoRecipeReason(
        code="not-sure-enough",
        words=(
            f"No firing is sure enough: {100 * series.window.probability:.0f} of 100 tiles "
            f"as wanted is {best.assurance:.0%} sure at best; "
            f"{series.window.confidence:.0%} was asked."
        ),
        settle=(_another_load(best, target),),
    )


def _another_load(best: Recipe, target: TargetAtSetting) -> str:
    return f"fire another load near {_place(best, target)}"

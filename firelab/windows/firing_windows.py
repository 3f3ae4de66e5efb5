"""From fits to windows: every setting, ranked by how much of it is assured."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from firelab.craft.degrees import PER_DEGC
from firelab.craft.trade_words import count_words
from firelab.craft.units import format_duration
from firelab.errors import UsageError
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.plan.plan import SEQUENTIAL
from firelab.series.firing_series import Blank, with_part
from firelab.windows.edges.edge_draws import dwells_at, edges_at
from firelab.windows.edges.fired_range import (
    edge_dwells,
    edge_temperatures,
    fired_range,
)
from firelab.windows.edges.other_blank import OtherBlank
from firelab.windows.edges.target_at_setting import TargetAtSetting, targets_of
from firelab.windows.firing_odds import FiringOdds, firing_odds, likeliest_firing
from firelab.windows.no_recipe import (
    explain_no_recipe,
    look_again,
    unfired_levels,
)
from firelab.windows.setting_window import (
    LikeliestFiring,
    ProbabilityMap,
    Recipe,
    SettingWindow,
)
from firelab.windows.tolerance_box import (
    Box,
    allowed_mask,
    assured_mask,
    has_room,
    largest_box,
    settable_firing,
    surer_room,
)
from firelab.windows.window import FiringWindows

if TYPE_CHECKING:
    from firelab.fits.clarity.fit import ClarityFit
    from firelab.fits.stage import StageFit

_MORE_LIKELY_THAN_NOT = 0.5
"""Assurance below which more doubt means more of it, so that it cannot choose a firing:
a probability whose median lies below what is asked gains by being spread out."""
_NEARLY = 1e-9
"""Rounding error that must not take a degree away (chosen here, no source)."""


def map_target(target: TargetAtSetting) -> ProbabilityMap:
    """Return the target's probability and assurance over the fired range."""
    temperatures, dwells = target.fired.temperatures, target.fired.dwells
    shape, grid = (dwells.size, temperatures.size), target.fired.grid()
    return ProbabilityMap(
        temperature_degC=temperatures,
        dwell_s=dwells,
        probability=target.mean_probability(*grid).reshape(shape),
        assurance=target.likely_enough(*grid).mean(axis=0).reshape(shape),
    )


def firing_windows(
    fit: StageFit, clarity: ClarityFit | None = None, *, blank: Blank | None = None
) -> FiringWindows:
    """Answer with the firing window of every setting of a series.

    Parameters
    ----------
    fit : StagePosterior
        Posterior of the stage; a fit without draws is refused.
    clarity : ClarityFit, optional
        Fit of the transparency score; with it, a tile is as wanted only if it
        is also clear enough.
    blank : Blank, optional
        Of a piece that is heavier or lighter than the tiles, or of another metal: the
        window is for it, by the time that it takes to warm up.

    Returns
    -------
    FiringWindows
        The setting with most of its fired range assured comes first.

    Raises
    ------
    UsageError
        If the stage fit has no posterior draws, or no look at the place of the rack
        that is asked for, or the blank's metal takes none of its temperatures.

    References
    ----------
    .. [1] Peterson, J. J. (2008). A Bayesian approach to the ICH Q8 definition
       of design space. J. Biopharm. Stat. 18, 959-975.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> windows = firelab.firing_windows(firelab.fit_stage(records))
    >>> print(windows.summary().splitlines()[0])
    150 mesh, 1 coat, over hard clear: Set 1450 °F (788 °C) for 2 min 40 s.
    """
    if not isinstance(fit, StagePosterior):
        raise UsageError(
            "a window needs posterior draws, and this stage fit has none",
            hint="fit with method 'posterior'",
        )
    series, asked = fit.series, fit.series.window
    fit = fit.of_window
    odds = None
    if series.plan.kind == SEQUENTIAL:
        # Its doubt is chosen for what luck makes of one look after another.
        promise = fit = _asked_surer(replace(fit, with_every_look=None))
        odds = firing_odds(fit) if clarity is None and blank is None else None
    else:
        promise = fit.of_promise
    targets = list(targets_of(fit, clarity=clarity, blank=blank))
    promised = targets_of(promise, clarity=clarity, blank=blank)
    found = [
        _setting_window(*both, fit, odds) for both in zip(targets, promised, strict=True)
    ]
    if fit.with_every_look is not None:
        doubting = replace(fit, with_every_look=None).of_promise
        without = targets_of(doubting, clarity=clarity, blank=blank)
        found = [_waiting(*both, fit) for both in zip(found, without, strict=True)]
    found.sort(key=_rank, reverse=True)
    other = targets[0].blank
    scale = series.responses.transparency
    return FiringWindows(
        windows=tuple(found),
        target=series.responses.stage.target,
        score_target=scale.target if scale and clarity else None,
        probability=asked.probability,
        confidence=asked.confidence,
        level=asked.level,
        place=asked.place,
        priors=fit.priors,
        notes=_notes(fit, clarity),
        provenance=fit.provenance,
        reads=series.kiln.reads,
        blank=other,
        blank_cost_degC=_blank_cost(fit, found[0], other) if other else (),
    )


def _blank_cost(
    fit: StagePosterior, window: SettingWindow, other: OtherBlank
) -> tuple[float, ...]:
    """Return half the width of the edges' intervals, degC: on the blank, on the tiles."""
    (own,) = targets_of(fit, [window.setting])
    widths = []
    for edges in window.edges:
        near = float(np.mean(own.fired.temperatures))
        alone = edges_at(own, max(edges.dwell_s - other.median_s(near), 1.0))
        for name in ("low_degC", "high_degC"):
            pair = getattr(edges, name), getattr(alone, name)
            ends = [(one.lower, one.upper) for one in pair]
            if not any(end is None for both in ends for end in both):
                widths.append([0.5 * (high - low) for low, high in ends])
    return tuple(np.mean(widths, axis=0).tolist()) if widths else ()


_DOUBT_ONE_AT_A_TIME = 0.5
"""Share of the doubt asked that a recipe may have where tiles are chosen one at a time. It
is looked for after every tile, and the first time that it shows is the luckiest: of
firings 80 % sure then, 71 of 100 were true, of those 90 % sure 88 (colours 2000 to 2029 of
three kilns of analyses/working_kiln)."""


def _asked_surer(fit: StagePosterior) -> StagePosterior:
    wanted = 1.0 - _DOUBT_ONE_AT_A_TIME * (1.0 - fit.series.window.confidence)
    return replace(fit, series=with_part(fit.series, "window", confidence=wanted))


def _setting_window(
    target: TargetAtSetting,
    promised: TargetAtSetting,
    fit: StagePosterior,
    odds: FiringOdds | None,
) -> SettingWindow:
    """Answer for a setting: edges and odds of `target`, the recipe of `promised`."""
    series, fired = target.series, target.fired
    found = map_target(promised)
    unfired = bool(unfired_levels(target.setting, fit.looks))
    box = None if unfired else largest_box(promised, found)
    has_recipe = box is not None and has_room(promised, box)
    recipe = _recipe(promised, surer_room(promised, box)) if box and has_recipe else None
    likeliest = None if unfired else likeliest_firing(target, odds)
    best = recipe or _best(promised, found, likeliest)
    own = (recipe or likeliest or best).dwell_s
    reason = None if recipe else explain_no_recipe(promised, fit.looks, best)
    # What would settle it is fired on tiles, whose dwells are not those of the piece.
    settle = reason.settle if reason and target.blank is None else ()
    return SettingWindow(
        setting=dict(target.setting),
        edges=tuple(edges_at(target, s) for s in edge_dwells(series, fired)),
        dwell_edges=tuple(dwells_at(target, T) for T in edge_temperatures(series, fired)),
        recipe=recipe,
        reason=reason.words if reason else None,
        reason_code=reason.code if reason else None,
        best=best,
        settle=settle,
        assured_share=0.0 if unfired else float(assured_mask(promised, found).mean()),
        map=found,
        likeliest=likeliest,
        own_edges=edges_at(target, own) if fired.holds_dwell(own) else None,
    )


def _rank(window: SettingWindow) -> tuple[bool, float, float, float]:
    room = window.recipe.tolerance_degC if window.recipe else 0.0
    return bool(window.recipe), window.assured_share, room, window.best.assurance


def _recipe(target: TargetAtSetting, box: Box) -> Recipe:
    T, d = np.array([box.temperature_degC]), np.array([box.dwell_s])
    plane, fired = target.plane, target.fired
    shorter = 1.0 - np.exp(-box.half_side * plane.dwell.half_width)
    room = box.half_side * plane.temperature.half_width
    return Recipe(
        temperature_degC=box.temperature_degC,
        dwell_s=box.dwell_s,
        tolerance_degC=_whole_degrees(room, target) if fired.varies_temperature else 0.0,
        tolerance_s=float(np.floor(box.dwell_s * shorter)) if fired.varies_dwell else 0.0,
        probability=float(target.probability(T, d).mean()),
        assurance=box.assurance,
    )


def _whole_degrees(room_degC: float, target: TargetAtSetting) -> float:
    """Return a tolerance in whole degrees of the kiln's display, degC, rounded down.

    So the room that is printed and kept is never more than what is assured.
    """
    per_degC = PER_DEGC[target.series.kiln.reads]
    return float(np.floor(room_degC * per_degC + _NEARLY)) / per_degC


def _best(
    target: TargetAtSetting, found: ProbabilityMap, likeliest: LikeliestFiring | None
) -> Recipe:
    """Return the firing most sure to be likely enough; where none is sure, the likeliest.

    One that the kiln can be set to, inside what was fired.
    """
    allowed = allowed_mask(target, found)
    # Where nothing is likely, the assurance is largest where least is known.
    unsure = np.max(found.assurance[allowed], initial=0.0) < _MORE_LIKELY_THAN_NOT
    if unsure and likeliest is not None and not likeliest.beyond:
        degC, seconds = likeliest.temperature_degC, likeliest.dwell_s
    else:
        merit = found.probability if unsure else found.assurance + 0.01 * found.probability
        best = int(np.argmax(np.where(allowed, merit, -1.0)))
        row, column = np.unravel_index(best, merit.shape)
        degC, seconds = float(found.temperature_degC[column]), float(found.dwell_s[row])
        near = settable_firing(target, degC, seconds)
        if target.allowed(*(np.array([value]) for value in near)).all():
            degC, seconds = near
    T, d = np.array([degC]), np.array([seconds])
    return Recipe(
        temperature_degC=degC,
        dwell_s=seconds,
        tolerance_degC=0.0,
        tolerance_s=0.0,
        probability=float(target.probability(T, d).mean()),
        assurance=float(target.likely_enough(T, d).mean()),
    )


def _how_sure(fit: StagePosterior) -> list[str]:
    if fit.series.plan.kind != SEQUENTIAL:
        return []
    return [
        "tiles are chosen one at a time and a recipe is looked for after each, so it must "
        f"be {100 * fit.series.window.confidence:g}% sure"
    ]


def _waiting(
    window: SettingWindow, without: TargetAtSetting, fit: StagePosterior
) -> SettingWindow:
    """Say so of a window that would have a recipe but for the looks that the fit doubts."""
    if window.recipe is not None or unfired_levels(window.setting, fit.looks):
        return window
    box = largest_box(without, map_target(without))
    if box is None or not has_room(without, box):
        return window
    reason = look_again(fit.slips)
    return replace(
        window, reason=reason.words, reason_code=reason.code, settle=reason.settle
    )


def _doubted(fit: StagePosterior) -> list[str]:
    asked_back = list(fit.slips)
    if fit.with_every_look is not None:
        asked_back.append(
            "until it is corrected or confirmed, a recipe must hold with what is written"
        )
    return asked_back


def _notes(fit: StagePosterior, clarity: ClarityFit | None) -> tuple[str, ...]:
    notes = [*fit.history, *_doubted(fit), *_how_sure(fit)]
    if fit.series.invented:
        notes.append("invented demonstration data: no tile was fired")
    if fit.series.window.place is not None:
        notes.append(
            "other places of the rack: this answer is for place "
            f"{fit.series.window.place} alone"
        )
    unseen = [grade for grade, count in fit.grade_counts.items() if not count]
    if unseen:
        notes.append(
            f"no tile came out {' or '.join(unseen)}: the edge next to it rests on what is "
            "usual for enamel, not on your tiles"
        )
    if fit.n_loads < 4:
        notes.append(
            f"{count_words(fit.n_loads, 'load')} cannot say much about how loads differ: "
            "what is usual for a kiln was taken"
        )
    if fit.convergence.code:
        notes.append(fit.convergence.message)
    if fit.has_tile_effect:
        notes.append("tiles looked at again have an effect of their own; dwells add up")
    scale = fit.series.responses.transparency
    if scale is not None and clarity is None:
        notes.append("no score was fitted: the windows are of the stage alone")
    if clarity is not None:
        notes += list(clarity.notes)
    fired = fired_range(fit.looks)
    if fired.varies_dwell and "dwell" not in fit.series.varied:
        notes.append(
            "dwells differ from "
            f"{format_duration(fired.shortest_s)} to {format_duration(fired.longest_s)} "
            "though the series holds the dwell constant; the fit does not use that"
        )
    return tuple(notes)

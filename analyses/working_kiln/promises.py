"""Promises of `firelab windows` held to a working kiln's truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from kiln_records import (
    as_records,
    fire_plan,
    in_sessions,
    search_series,
    window_plan,
    window_series,
    with_load,
)
from working_kiln import WorkingKiln, open_kiln

from firelab import firing_windows, fit_stage, next_tiles
from firelab.plan.make_plan import stated_plan
from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries

DWELLS_S = (90.0, 120.0, 160.0, 210.0)
NEXT_LOADS = (2, 2, 2, 1, 1, 1)
"""New tiles, at most, of each load that `next_tiles` chooses."""
LOADS_A_SESSION = 3
CONFIDENCES = (0.6, 0.7, 0.75, 0.8, 0.85, 0.9)
"""How sure a recipe is asked for, in turn of the same looks."""
MISREAD_DEGF = (0.0, 50.0, 100.0, 200.0)
"""By how much the thermometer is read wrong for one load."""
ORDERS = 20
"""Orders of the ready design among which colours are shared out."""


def judge(
    kiln: WorkingKiln, series: FiringSeries, plan: Plan, looks: pd.DataFrame
) -> dict[str, object]:
    """Fit looks and hold edges and recipe to the truth: counts and sums.

    An end of an interval that lies outside what was fired is open: it holds whatever
    lies there, and counts as the end of the series' range in the width. An edge with
    neither end is not answered.
    """
    windows = firing_windows(fit_stage(as_records(series, plan, looks)))
    window, asked = windows.windows[0], windows.probability
    row: dict[str, object] = {}
    for side in ("low", "high"):
        row |= {f"{side}_answered": 0, f"{side}_held": 0, f"{side}_own": 0}
        row |= {f"{side}_hot": 0, f"{side}_cold": 0, f"{side}_width": 0.0}
    span = series.span("temperature")
    for edge in window.edges:
        kiln.own_eyes = True
        own = kiln.true_edges(edge.dwell_s, asked)
        kiln.own_eyes = False
        true = kiln.true_edges(edge.dwell_s, asked)
        for k, side in enumerate(("low", "high")):
            given = (edge.low_degC, edge.high_degC)[k]
            if given.lower is None and given.upper is None:
                continue
            lower = -np.inf if given.lower is None else given.lower
            upper = np.inf if given.upper is None else given.upper
            counts = {
                "answered": 1,
                "held": int(lower <= true[k] <= upper),
                "own": int(lower <= own[k] <= upper),
                "hot": int(true[k] < lower),
                "cold": int(true[k] > upper),
                "width": min(upper, span[1]) - max(lower, span[0]),
            }
            for name, count in counts.items():
                row[f"{side}_{name}"] += count
    row["edges"] = len(window.edges)
    return row | judge_recipe(kiln, window.recipe, asked)


def judge_recipe(kiln: WorkingKiln, recipe, asked: float) -> dict[str, object]:
    """Tell whether a recipe is true at its point and in all of its tolerance."""
    row: dict[str, object] = {"recipe": int(recipe is not None)}
    for name in ("point", "box", "own_point", "own_box"):
        row[name] = ""
    if recipe is None:
        return row
    firing = recipe.temperature_degC, recipe.dwell_s
    room = recipe.tolerance_degC, recipe.tolerance_s
    for eyes, prefix in ((False, ""), (True, "own_")):
        kiln.own_eyes = eyes
        row[f"{prefix}point"] = int(kiln.least_true(*firing, 0.0, 0.0) >= asked)
        row[f"{prefix}box"] = int(kiln.least_true(*firing, *room) >= asked)
    kiln.own_eyes = False
    row |= {"told": round(recipe.probability, 3), "room_degC": round(room[0], 2)}
    row["true"] = round(kiln.least_true(*firing, 0.0, 0.0), 3)
    return row


def windows_once(name: str, number: int) -> list[dict[str, object]]:
    """Fire the ready design's 30 tiles once in a kiln."""
    kiln, series = open_kiln(name, number), window_series()
    plan = window_plan(number % ORDERS)
    return [judge(kiln, series, plan, fire_plan(kiln, plan))]


def how_sure_once(name: str, number: int) -> list[dict[str, object]]:
    """Fire the ready design's 30 tiles once; ask for recipes ever surer."""
    kiln, series = open_kiln(name, number), window_series()
    plan = window_plan(number % ORDERS)
    fit, rows = fit_stage(as_records(series, plan, fire_plan(kiln, plan))), []
    for confidence in CONFIDENCES:
        asked = replace(series.window, confidence=confidence)
        windows = firing_windows(replace(fit, series=replace(series, window=asked)))
        recipe = judge_recipe(kiln, windows.windows[0].recipe, asked.probability)
        rows.append({"confidence": confidence} | recipe)
    return rows


def misread_once(name: str, number: int) -> list[dict[str, object]]:
    """Write down one load of the ready design hotter or cooler than it was."""
    kiln, series, rows = open_kiln(name, number), window_series(), []
    plan = window_plan(number % ORDERS)
    looks = fire_plan(kiln, plan)
    loads = sorted(looks["load"].unique())
    load, side = loads[(number * 3) % len(loads)], 1 if number % 2 else -1
    for off_degF in MISREAD_DEGF:
        written = looks["temperature_degC"] + side * off_degF / 1.8 * (
            looks["load"] == load
        )
        fit = fit_stage(as_records(series, plan, looks.assign(temperature_degC=written)))
        hotter = {one["load"]: one["hotter_degC"] for one in fit.misread}
        row = {"off_degF": off_degF, "loads": len(loads), "named": int(load in hotter)}
        row["others_named"] = len(set(hotter) - {load})
        row["told_degF"] = -side * 1.8 * hotter.get(load, np.nan)
        rows.append(row)
    return rows


def next_once(name: str, number: int) -> list[dict[str, object]]:
    """Follow `next` from 12 tiles through six loads, beside the 36-tile factorial."""
    series = search_series(dwells_s=DWELLS_S, low=1250.0, high=1550.0)
    low, high = series.span("temperature")
    spread = np.linspace(low, high, 9)
    whole = in_sessions(
        stated_plan(series, [(float(t), DWELLS_S) for t in spread]), LOADS_A_SESSION
    )
    kiln = open_kiln(name, number)
    rows = [{"plan": "factorial"} | judge(kiln, series, whole, fire_plan(kiln, whole))]
    rows[0] |= {"tiles": 36, "looks": 36}
    for kind, fire_on in (("fired on", True), ("once", False)):
        rows += [{"plan": kind} | row for row in follow_next(name, number, series, fire_on)]
    return rows


def follow_next(
    name: str, number: int, series: FiringSeries, fire_on: bool
) -> list[dict[str, object]]:
    """Fire 12 tiles, then what is chosen, load by load; judge the start and the end."""
    low, high = series.span("temperature")
    start = low + (high - low) * np.array([0.25, 0.5, 0.75])
    plan = stated_plan(series, [(float(t), DWELLS_S) for t in start])
    kiln, looks, rows = open_kiln(name, number), None, []
    for most_new in (*NEXT_LOADS, 0):
        plan = in_sessions(plan, LOADS_A_SESSION)
        if looks is None or len(looks) < len(plan.tiles):
            looks = fire_plan(kiln, plan, earlier=looks)
        if looks is not None and (most_new == 0 or not rows):
            counts = {"tiles": looks["tile"].nunique(), "looks": len(looks)}
            rows.append(judge(kiln, series, plan, looks) | counts)
        if not most_new:
            break
        fit = fit_stage(as_records(series, plan, looks))
        chosen = next_tiles(fit, plan, most_new=most_new, fire_on=fire_on).table
        if len(chosen):
            degC, dwells = (
                float(chosen["temperature_degC"].iloc[0]),
                list(chosen["dwell_s"]),
            )
            plan = with_load(plan, series, degC, dwells, codes=list(chosen["tile"]))
    return rows

"""The page's sections after the answer: windows, what was fired, the model, the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import pandas as pd

from firelab.charts.axes import write_dwell
from firelab.craft.degrees import SIGN
from firelab.craft.trade_words import count_words, note_lines
from firelab.fits.clarity.fit import ClarityFit
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.ordinal.what_mattered import stage_differences
from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.report.figures import MOST_DRAWN
from firelab.report.page_tables import (
    PageGroup,
    PageTable,
    count_words_of_grades,
    dwell_edge_table,
    edge_table,
    own_degrees,
    short_names,
    tile_table,
)
from firelab.report.sources import ReportSources
from firelab.series.terms import WARM_UP
from firelab.windows.answer_words import stop_words
from firelab.windows.setting_window import SettingWindow
from firelab.windows.window import FiringWindows


def _stage_parameter_table(fit: StagePosterior) -> PageTable:
    """Return one row per threshold, effect and deviation of the stage."""
    level = f"{fit.series.window.level:.0%}"
    rows = tuple(
        (
            str(row["kind"]),
            str(row["name"]),
            *(_number(row[name]) for name in ("median", "lower", "upper")),
        )
        for row in fit.table.to_dict("records")
    )
    return PageTable(
        caption="Stage, latent units per half range",
        head=("kind", "name", "median", f"{level} from", "to"),
        rows=rows,
        classes=("", "", "number", "number", "number"),
        held=1,
    )


def _clarity_parameter_table(clarity: ClarityFit) -> PageTable:
    """Return one row per coefficient and deviation of the clearness score."""
    level = f"{clarity.series.window.level:.0%}"
    names = (
        "posterior_mean",
        "lower",
        "upper",
        "estimate",
        "standard_error",
        "df",
        "p_value",
    )
    rows = tuple(
        (str(row["column"]), *(_number(row[name]) for name in names))
        for row in clarity.table.to_dict("records")
    )
    return PageTable(
        caption="Score per half range: posterior, and without priors",
        head=(
            "name",
            "mean",
            f"{level} from",
            "to",
            "without priors",
            "standard error",
            "df",
            "p",
        ),
        rows=rows,
        classes=("", *("number",) * 7),
    )


def _quality_line(convergence: Mapping[str, Any], what: str) -> str:
    """Return a convergence record as one sentence."""
    told = [
        f"{name.replace('_', ' ')} {_number(value) if _is_number(value) else value}"
        for name, value in convergence.items()
        if value is not None and name not in _IN_MESSAGE
    ]
    return f"{what}: {convergence.get('message', '')}; {', '.join(told)}."


_IN_MESSAGE = ("code", "message", "sampler", "pareto_k", "effective_size")
"""What the message says in words."""


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: Any) -> str:
    if pd.isna(value):
        return ""
    return f"{value:.4g}" if abs(value) >= 0.001 or value == 0 else f"{value:.1e}"


def stop_line(sources: ReportSources) -> str:
    """Say whether firing may stop; empty where nothing can be said."""
    windows, plan, fit = sources.windows, sources.plan, sources.fit
    if windows is None or plan is None or fit is None:
        return ""
    tested = plan.tiles.loc[plan.tiles["role"] != "control", "tile"]
    return stop_words(windows.windows, len(set(tested) - set(fit.looks["tile"])))


def page_groups(sources: ReportSources) -> list[PageGroup]:
    """Return the sections that the sources allow, in the order of the page."""
    groups: list[PageGroup] = []
    if sources.windows is not None:
        if sources.fit is not None:
            groups.append(_mattered_group(sources.fit, sources.clarity, sources.windows))
        names = short_names(sources.windows)
        groups += [
            _window_group(sources.windows, window, rank, name)
            for rank, (window, name) in enumerate(
                zip(sources.windows.windows, names, strict=True), start=1
            )
        ]
        groups.append(_edges_group(sources.windows))
    if sources.records is not None:
        groups.append(_fired_group(sources.records))
    if sources.plan is not None:
        groups.append(_plan_group(sources.plan, sources.records, sources.series.kiln.reads))
    if sources.fit is not None:
        groups.append(_model_group(sources.fit))
    if sources.clarity is not None:
        groups.append(_clarity_group(sources.clarity))
    return groups


def _mattered_group(
    fit: StagePosterior, clarity: ClarityFit | None, windows: FiringWindows
) -> PageGroup:
    """Return how far it is like earlier jars, what mattered, what tiles cannot tell."""
    lines = [*fit.history, *stage_differences(fit.series, fit.terms, fit.draws)]
    lines += [] if clarity is None else list(clarity.findings)
    lines += note_lines(note for note in windows.own_notes if note not in fit.history)
    return PageGroup(anchor="mattered", title="What mattered", lines=tuple(lines))


def _window_group(
    windows: FiringWindows, window: SettingWindow, rank: int, name: str
) -> PageGroup:
    is_explained_above = window.reason is None or len(windows.windows) == 1
    lines = () if is_explained_above else (window.reason or "", *window.settle_lines)
    if rank > MOST_DRAWN:
        lines = (*lines, f"Only {MOST_DRAWN} settings are drawn.")
    return PageGroup(
        anchor=f"window-{rank}",
        title=f"The window: {name}",
        lines=lines,
        topics=(f"map-{rank}", f"stages-{rank}"),
        tables=(
            edge_table(windows, window, names_probability=rank == 1),
            dwell_edge_table(windows, window),
        ),
    )


def _edges_group(windows: FiringWindows) -> PageGroup:
    one = len(windows.windows[0].map.temperature_degC) == 1
    line = "Only one temperature was fired: the tables above give the dwells it allows."
    return PageGroup(
        anchor="edges",
        title="The edges",
        lines=(line,) if one else (),
        topics=("edges",),
    )


def _fired_group(records: Records) -> PageGroup:
    frame = records.table
    line = count_words_of_grades(records)
    faulty = int((frame["defects"].fillna("").astype(str) != "").sum())
    if faulty:
        line += f" Defects were noted at {count_words(faulty, 'look')}: see the table."
    return PageGroup(
        anchor="fired",
        title="What was fired",
        lines=(line,),
        tables=(tile_table(records),),
    )


def _model_group(fit: StagePosterior) -> PageGroup:
    terms = ", ".join(_term_words(term) for term in fit.terms)
    lines = (
        f"Cumulative {fit.link} model of the stage on {terms}, random effects of "
        f"{', '.join(fit.effects)}; said of a future load.",
        _quality_line(asdict(fit.convergence), "Quality of the draws"),
    )
    priors = PageTable(
        caption="Priors of the stage",
        head=("prior",),
        rows=tuple((line,) for line in fit.priors),
        classes=("text",),
    )
    return PageGroup(
        anchor="model",
        title="For who checks: the model",
        lines=lines,
        tables=(_stage_parameter_table(fit), priors),
    )


def _clarity_group(clarity: ClarityFit) -> PageGroup:
    tiles = count_words(clarity.n_tiles, "fused tile")
    loads = count_words(clarity.n_loads, "load")
    lines = [f"Scored: {tiles} in {loads}."]
    wish = clarity.series.responses.transparency
    if wish is not None:
        lines.append(
            f"{wish.low:g} to {wish.high:g}, {wish.direction}, target "
            f"{wish.target:g}. Left out: {clarity.left_out}."
        )
    lines.append(_quality_line(asdict(clarity.convergence), "Quality of these numbers"))
    priors = PageTable(
        caption="Priors of the score",
        head=("prior",),
        rows=tuple((line,) for line in clarity.priors.lines()),
        classes=("text",),
    )
    return PageGroup(
        anchor="clearness",
        title="For who checks: clearness",
        lines=tuple(lines),
        topics=("clarity",),
        tables=(_clarity_parameter_table(clarity), priors),
    )


def _plan_group(plan: Plan, records: Records | None, reads: str) -> PageGroup:
    """Return the plan: its figure, and the loads that were not fired yet."""
    tiles = plan.table
    fired = set() if records is None else set(records.table["load"])
    rows = tuple(
        (
            str(load),
            str(rows["session"].iloc[0]),
            own_degrees(float(rows["temperature_degC"].iloc[0]), reads),
            ", ".join(dict.fromkeys(write_dwell(dwell) for dwell in rows["dwell_s"])),
            " ".join(rows["tile"]),
        )
        for load, rows in tiles.groupby("load", sort=True)
        if load not in fired
    )
    loads = PageTable(
        caption="Loads that were not fired yet" if fired else "Loads in order of firing",
        head=("load", "session", SIGN[reads], "dwells", "tiles"),
        rows=rows,
        classes=("number", "number", "", "text", "code"),
    )
    first = tiles.groupby("session")["load"].min()
    sessions = count_words(len(first), "session")
    if len(first) > 1:
        sessions += f" (from loads {', '.join(str(load) for load in first)})"
    line = (
        f"{plan.kind} plan: {count_words(plan.n_tiles, 'tile')} in "
        f"{count_words(tiles['load'].nunique(), 'load')} and {sessions}; "
        f"about {plan.time_h['total']:.1f} kiln hours."
    )
    return PageGroup(
        anchor="plan",
        title="The plan",
        lines=(line,),
        topics=("plan",),
        tables=(loads,) if rows else (),
    )


_NAMES = {"dwell": "ln dwell", "mesh": "log2 grain size"}


def _term_words(term: str) -> str:
    """Return a model term in words.

    Examples
    --------
    >>> _term_words("dwell"), _term_words("temperature:dwell"), _term_words("temperature^2")
    ('ln dwell', 'temperature with ln dwell', 'temperature squared')
    """
    if term == WARM_UP:
        return "warming up"
    parts = []
    for part in term.split(":"):
        name, _, power = part.partition("^")
        parts.append(_NAMES.get(name, name) + (" squared" if power == "2" else ""))
    return " with ".join(parts)

"""The page's sections after the answer: figures, what was fired, the model, the plan."""

from __future__ import annotations

from firelab.charts.plan_words import plan_lines
from firelab.craft.units import format_duration, format_temperature
from firelab.plan.plan import Plan
from firelab.report.page_parts import PageGroup, PageTable
from firelab.report.page_tables import count_table, tile_table
from firelab.report.sources import ReportSources


def page_groups(sources: ReportSources) -> list[PageGroup]:
    """Return the sections that the sources allow, in the order of the page."""
    groups: list[PageGroup] = []
    if sources.windows is not None:
        groups += [
            PageGroup(anchor="map", title="The map", topics=("map",)),
            PageGroup(anchor="edges", title="The edges", topics=("edges",)),
        ]
    if sources.records is not None:
        groups.append(_fired_group(sources))
    if sources.fit is not None:
        groups.append(_model_group(sources))
    if sources.clarity is not None:
        groups.append(_clarity_group(sources))
    if sources.plan is not None:
        groups.append(_plan_group(sources.plan))
    return groups


def _fired_group(sources: ReportSources) -> PageGroup:
    records = sources.records
    if records is None:
        raise ValueError("a section of what was fired needs records")
    frame = records.table
    lines = [
        f"{frame['tile'].nunique()} tiles in {frame['load'].nunique()} loads, "
        f"{len(frame)} looks."
    ]
    defects = frame["defects"].fillna("").astype(str)
    defects = defects[defects != ""]
    if len(defects):
        lines.append(f"Defects were noted on {len(defects)} looks: see the table.")
    return PageGroup(
        anchor="fired",
        title="What was fired",
        lines=tuple(lines),
        tables=(count_table(records), tile_table(records)),
    )


def _model_group(sources: ReportSources) -> PageGroup:
    fit, windows = sources.fit, sources.windows
    terms = ", ".join(term_words(term) for term in sources.series.terms)
    lines = [
        "The stage is a graded response: along one hidden scale of fusing, each stage "
        "begins at a threshold. A tile's place on the scale is moved by "
        f"{terms}, and by its load, which every tile of the load shares.",
        "All statements are for a tile in a future load of this kiln.",
    ]
    tables: tuple[PageTable, ...] = ()
    if windows is not None and windows.priors:
        tables = (
            PageTable(
                caption="What was assumed before any tile was fired (priors)",
                head=("assumption",),
                rows=tuple((line,) for line in windows.priors),
                classes=("text",),
            ),
        )
    return PageGroup(
        anchor="model",
        title="The model",
        lines=tuple(lines),
        topics=("stages",),
        tables=tables,
        texts=(fit.summary(),) if fit is not None else (),
    )


def term_words(term: str) -> str:
    """Return a model term as a person says it.

    Examples
    --------
    >>> term_words("dwell"), term_words("temperature:dwell"), term_words("temperature^2")
    ('ln dwell', 'temperature with ln dwell', 'temperature squared')
    """
    names = {"dwell": "ln dwell", "mesh": "log2 grain size"}
    parts = []
    for part in term.split(":"):
        name, _, power = part.partition("^")
        parts.append(names.get(name, name) + (" squared" if power == "2" else ""))
    return " with ".join(parts)


def _clarity_group(sources: ReportSources) -> PageGroup:
    wish = sources.series.responses.transparency
    lines = []
    if wish is not None:
        lines.append(
            f"Clearness is scored from {wish.low:g} to {wish.high:g} ({wish.direction}); "
            f"the target is {wish.target:g}."
        )
    return PageGroup(
        anchor="clarity",
        title="Clearness",
        lines=tuple(lines),
        topics=("clarity",),
        texts=(sources.clarity.summary(),) if sources.clarity is not None else (),
    )


def _plan_group(plan: Plan) -> PageGroup:
    tiles = plan.table
    rows = tuple(
        (
            str(load),
            str(rows["session"].iloc[0]),
            format_temperature(float(rows["temperature_degC"].iloc[0])),
            ", ".join(dict.fromkeys(format_duration(dwell) for dwell in rows["dwell_s"])),
            " ".join(rows["tile"]),
        )
        for load, rows in tiles.groupby("load", sort=True)
    )
    loads = PageTable(
        caption="Loads in the order of firing",
        head=("load", "session", "temperature", "dwells", "tiles"),
        rows=rows,
        classes=("number", "number", "", "text", "code"),
    )
    line = (
        f"{plan.kind} plan: {plan.n_tiles} tiles in {tiles['load'].nunique()} loads and "
        f"{tiles['session'].nunique()} sessions; about {plan.time_h['total']:.1f} hours "
        "of kiln time."
    )
    return PageGroup(
        anchor="plan",
        title="The plan",
        lines=(line, *plan_lines(plan), *plan.notes),
        topics=("plan",),
        tables=(loads,),
    )

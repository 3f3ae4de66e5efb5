"""The report of a folder as files: figures, recipe card, and one self-contained page."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from importlib import metadata, resources
from pathlib import Path
from typing import Any, TypeVar

import jinja2
from markupsafe import Markup

from firelab.charts.axes import write_dwell
from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.craft.degrees import with_degree_signs
from firelab.craft.units import format_temperature
from firelab.records.look import Look
from firelab.records.photographs import THUMBNAIL_SIDE, thumbnail
from firelab.records.records import Records
from firelab.report.figures import ReportFigure, draw_figures, page_image
from firelab.report.page_sections import page_groups, stop_line
from firelab.report.page_tables import (
    PageGroup,
    PageImage,
    PageTable,
    provenance_tables,
    ranking_table,
)
from firelab.report.recipe_card import CARD_FILE, recipe_card
from firelab.report.sources import ReportSources
from firelab.series.folder import FIGURES_FOLDER, INVENTED, REPORT_FILE, write_atomically
from firelab.windows.answer_words import word_answer


def report_page(
    sources: ReportSources, figures: Sequence[ReportFigure] | None = None
) -> str:
    """Return the report as one HTML page that fetches nothing.

    Everything that a person wrote (names, notes, defects) is escaped.

    Parameters
    ----------
    sources : ReportSources
        What the page is made of; where nothing was fired yet it shows the plan.
    figures : sequence of ReportFigure, optional
        Already drawn; drawn here by default.

    Returns
    -------
    str
        The same sources give the same text.
    """
    drawn = draw_figures(sources) if figures is None else figures
    windows = sources.windows
    answer = ranking = None
    if windows is not None and windows.windows:
        answer = word_answer(windows.windows[0], windows.asked)
        ranking = ranking_table(windows) if len(windows.windows) > 1 else None
    photos = photo_images(sources.records, sources.photos) if sources.records else []
    return page_template("page.html.j2").render(
        series=sources.series,
        invented=INVENTED,
        stale=sources.stale,
        unsupported=sources.unsupported.rstrip("."),
        answer=answer,
        answer_images=[page_image(one) for one in drawn if one.topic == "map-1"],
        stop=stop_line(sources),
        level=round(100 * sources.series.window.level),
        ranking_table=ranking,
        groups=_with_figures(page_groups(sources), drawn),
        photos=photos,
        n_photos_left=len(sources.photos) - len(photos),
        cautions=CAUTIONS,
        deference=DEFERENCE,
        provenance_tables=_provenance(sources),
        version=metadata.version("firelab"),
    )


def page_template(name: str) -> jinja2.Template:
    """Return a template of this room, with the style that its pages share."""
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
    )
    environment.filters["degrees"] = with_degree_signs
    room = resources.files("firelab.report")
    style = room.joinpath("page.css").read_text(encoding="utf-8")
    environment.globals["css"] = Markup(style)  # our own file, no word of a user
    return environment.from_string(room.joinpath(name).read_text(encoding="utf-8"))


def _with_figures(
    groups: Sequence[PageGroup], drawn: Sequence[ReportFigure]
) -> list[dict[str, Any]]:
    return [
        {
            "group": group,
            "images": [
                page_image(one)
                for one in drawn
                if one.topic in group.topics and one.topic != "map-1"
            ],
        }
        for group in groups
    ]


def _provenance(sources: ReportSources) -> tuple[PageTable, ...]:
    for value in (sources.windows, sources.records, sources.plan):
        if value is not None:
            return provenance_tables(value.provenance)
    return ()


def write_report(
    sources: ReportSources, folder: str | Path, *, png: bool = False
) -> tuple[Path, ...]:
    """Write figures, page and, once there is a window, its recipe card.

    Parameters
    ----------
    sources : ReportSources
    folder : str or Path
        The series folder.
    png : bool, default False
        Write each figure as PNG, too, which draws it once more; one that is there is
        written anew in any case.

    Returns
    -------
    tuple of Path
        Files written, relative to the folder: the page first.

    Examples
    --------
    >>> import firelab
    >>> folder = firelab.start_demo()
    >>> str(firelab.write_report(firelab.read_sources(folder), folder)[0])
    'report.html'
    """
    base = Path(folder)
    figures = draw_figures(sources)
    written = [REPORT_FILE]
    for drawn in figures:
        files = drawn.write(base / FIGURES_FOLDER / drawn.name, png=png)
        written += [f"{FIGURES_FOLDER}/{one.name}" for one in files]
    if sources.windows is not None and sources.windows.windows:
        write_atomically(base / CARD_FILE, recipe_card(sources.windows, sources.series))
        written.append(CARD_FILE)
    write_atomically(base / REPORT_FILE, report_page(sources, figures))
    return tuple(Path(name) for name in written)


Subject = TypeVar("Subject")
"""What a photograph shows: a look, or a tile by its name."""
PHOTO_SIDES = (THUMBNAIL_SIDE, 160, 96)
"""Longer sides that photographs are drawn at, pixels: the largest at which all of them
stay below `MOST_PHOTO_BYTES` (chosen here, no source)."""
MOST_PHOTO_BYTES = 6_000_000
"""Of all photographs of a report, some 300 at the largest size: a page that is mailed
and opened on a phone (chosen here, no source)."""


def small_photos(
    photos: Sequence[tuple[Subject, Path]],
) -> list[tuple[Subject, bytes, tuple[int, int]]]:
    """Return photographs at the largest size at which all fit, or the first that do."""
    drawn: list[tuple[Subject, bytes, tuple[int, int]]] = []
    for side in PHOTO_SIDES:
        drawn, held = [], 0
        for shown, path in photos:
            raw, size = thumbnail(path, side)
            held += len(raw)
            if held > MOST_PHOTO_BYTES:
                break
            drawn.append((shown, raw, size))
        if len(drawn) == len(photos):
            break
    return drawn


def jpeg_uri(raw: bytes) -> str:
    """Return a JPEG as a page carries it."""
    return "data:image/jpeg;base64," + base64.b64encode(raw).decode("ascii")


def photo_images(records: Records, photos: Sequence[tuple[Look, Path]]) -> list[PageImage]:
    """Return the photographs of looks, coolest first, each with its grade below.

    There are fewer than `photos` where they would be larger than `MOST_PHOTO_BYTES`
    together even when they are drawn small.
    """
    table = records.table.set_index(["tile", "look"])
    reads, images = records.series.kiln.reads, []
    for look, raw, (width, height) in small_photos(photos):
        fired = table.loc[[(look.tile, look.look)]].iloc[0]
        heat = float(fired["temperature_degC"])
        grade = look.stage or "no grade"
        where = f"tile {look.tile}" + (f" look {look.look}" if look.look > 1 else "")
        caption = f"{grade}: {where}, {format_temperature(heat, reads)}, "
        caption += write_dwell(float(fired["dwell_s"]))
        image = PageImage(
            source=jpeg_uri(raw),
            alt=f"photograph of {where}",
            caption=caption,
            width=width,
            height=height,
        )
        images.append((heat, image))
    return [image for _, image in sorted(images, key=lambda one: one[0])]

"""The report of a folder: its figures, its page and its recipe card, as files."""

from __future__ import annotations

from pathlib import Path

from firelab.charts.figure_files import save_figure
from firelab.report.figures import draw_figures
from firelab.report.page import report_page
from firelab.report.recipe_card import CARD_FILE, recipe_card
from firelab.report.sources import ReportSources
from firelab.series.folder import REPORT_FILE, write_atomically

FIGURES_FOLDER = "figures"


def write_report(sources: ReportSources, folder: str | Path) -> tuple[Path, ...]:
    """Write figures, page and, once there is a window, its recipe card.

    Parameters
    ----------
    sources : ReportSources
    folder : str or Path
        The series folder.

    Returns
    -------
    tuple of Path
        Files written, relative to the folder: the page first.
    """
    base = Path(folder)
    figures = draw_figures(sources)
    written = [REPORT_FILE]
    for drawn in figures:
        png, svg = save_figure(drawn.figure, base / FIGURES_FOLDER / drawn.name)
        written += [f"{FIGURES_FOLDER}/{png.name}", f"{FIGURES_FOLDER}/{svg.name}"]
    if sources.windows is not None and sources.windows.windows:
        write_atomically(base / CARD_FILE, recipe_card(sources.windows, sources.series))
        written.append(CARD_FILE)
    write_atomically(base / REPORT_FILE, report_page(sources, figures))
    return tuple(Path(name) for name in written)

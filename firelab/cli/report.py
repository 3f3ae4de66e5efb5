"""`firelab report`: figures and one self-contained page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from firelab.cli import console

if TYPE_CHECKING:
    from firelab.report.sources import ReportSources

EXAMPLE = "firelab report marsh-green"


def command(
    folder: console.SeriesFolder = Path("."),
    png: Annotated[
        bool, typer.Option("--png", help="Write each figure as PNG, too.")
    ] = False,
    as_json: console.AsJson = False,
) -> None:
    """Write figures, the recipe card and one self-contained page, report.html.

    The windows are worked out again from the records as they are now; a stale
    file of the folder is named. The page opens in any browser, fetches nothing,
    and prints on A4 or Letter.
    """
    with console.exit_on_fault(as_json=as_json):
        from firelab.report.page import write_report
        from firelab.report.sources import read_sources

        console.progress("working out windows ...")
        try:
            sources = read_sources(folder)
            console.progress("drawing figures ...")
            written = write_report(sources, folder, png=png)
        finally:
            console.progress_done()
        for line in sources.stale:
            console.remark(line)
        if as_json:
            console.result_json(_json_content(sources, written))
            return
        console.result(f"{folder / written[0]}: {_standing(sources)}")
        for name in written[1:]:
            console.remark(f"wrote {folder / name}")


def _standing(sources: ReportSources) -> str:
    from firelab.windows.answer_words import word_answer

    windows = sources.windows
    if windows is None or not windows.windows:
        return sources.unsupported or "nothing has been fired yet"
    return word_answer(windows.windows[0], windows.asked).lines(brief=True)[0]


def _json_content(sources: ReportSources, written: tuple[Path, ...]) -> dict[str, Any]:
    return {
        "schema": "firelab/report/1",
        "files": [str(name) for name in written],
        "standing": _standing(sources),
        "stale": list(sources.stale),
        "findings": [],
    }

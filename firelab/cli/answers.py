"""`firelab fit`, `windows` and `report`: what the firing log says."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from firelab.cli import console
from firelab.errors import EXIT_UNSUPPORTED, quoted

if TYPE_CHECKING:
    from firelab.records.records import Records
    from firelab.report.sources import ReportSources

EXAMPLES = {
    "fit": "firelab fit marsh-green",
    "windows": "firelab windows marsh-green",
    "report": "firelab report marsh-green",
}


def fit_command(
    folder: console.SeriesFolder = Path("."),
    details: Annotated[
        bool,
        typer.Option(
            "--details", help="Coefficients, priors and diagnostics too, for who checks."
        ),
    ] = False,
    compare: Annotated[
        bool,
        typer.Option(
            "--compare",
            help="Advanced: which terms matter, each load predicted from the rest.",
        ),
    ] = False,
    observers: Annotated[
        bool,
        typer.Option(
            "--observers", help="Say how far those who grade agree, and who grades higher."
        ),
    ] = False,
    heat_work: Annotated[
        bool,
        typer.Option(
            "--heat-work",
            help="Advanced: activation energy, against temperature and dwell.",
        ),
    ] = False,
    method: Annotated[
        str, typer.Option("--method", help="Advanced: posterior (for windows) or ml.")
    ] = "posterior",
    link: Annotated[
        str, typer.Option("--link", help="Advanced: logit, probit, cloglog or loglog.")
    ] = "logit",
    terms: Annotated[
        str,
        typer.Option(
            "--terms",
            help="Advanced: such as 'temperature + dwell + base'; else the series'.",
        ),
    ] = "",
    as_json: console.AsJson = False,
) -> None:
    """Say what mattered, in your kiln's degrees; write fit.json.

    Fits the stage, and the clearness score where there is one. --compare,
    --observers and --heat-work are answered after it, in the JSON under a name
    of their own; a question that the records cannot answer ends with exit code
    3, the fit written all the same. Enamel dust,
    heat and glare can hurt: firelab sheets prints the cautions.
    """
    from firelab.fits.clarity.fit import ClarityFit
    from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
    from firelab.windows.fit_file import (
        FitOptions,
        fit_folder,
        fit_to_dict,
        split_terms,
        write_fit,
    )

    with console.exit_on_fault(as_json=as_json):
        options = FitOptions(method=method, link=link, terms=split_terms(terms))
        console.progress("fitting")
        found = fit_folder(folder, options)
        console.progress_done()
        written = write_fit(folder, found)
        asked = {"compare": compare, "observers": observers, "heat_work": heat_work}
        answers = (
            (name, answer(found.records, options.terms or None, link))
            for question in asked
            if asked[question]
            for name, answer in _answers(question)
        )
        if as_json:
            asked_for = {name: answer.to_dict() for name, answer in answers}
            console.result_json({**fit_to_dict(found), **asked_for})
            return
        fits = [fit for fit in (found.stage, found.clarity) if fit is not None]
        for fit in fits:
            console.result(fit.summary())
        if details:
            for fit in fits:
                if isinstance(fit, StagePosterior | ClarityFit):
                    console.result(f"\n{fit.details()}")
            if found.sensitivity:
                console.result(f"priors matter: {found.sensitivity}")
        for _, answer in answers:
            console.result(answer.summary())
        console.remark(f"{written}: next, firelab windows {quoted(folder)}")


Answer = Callable[["Records", Sequence[str] | None, str], Any]


def _answers(question: str) -> list[tuple[str, Answer]]:
    """Return what answers a question, by the name that it has in the JSON."""
    if question == "compare":
        from firelab.fits.questions.terms import compare_terms

        return [
            ("terms", lambda looks, terms, link: compare_terms(looks, terms, link=link))
        ]
    if question == "observers":
        from firelab.fits.questions.agreement import agree_observers
        from firelab.fits.questions.observers import fit_observers

        return [
            (
                "observers",
                lambda looks, terms, link: fit_observers(looks, terms, link=link),
            ),
            ("agreement", lambda looks, terms, link: agree_observers(looks)),
        ]
    from firelab.fits.questions.heat_work import fit_heat_work
    from firelab.fits.questions.heat_work_comparison import compare_heat_work

    return [
        ("heat_work", lambda looks, terms, link: fit_heat_work(looks, terms, link=link)),
        (
            "heat_work_comparison",
            lambda looks, terms, link: compare_heat_work(looks, terms, link=link),
        ),
    ]


def windows_command(
    folder: console.SeriesFolder = Path("."),
    probability: Annotated[
        float | None,
        typer.Option(
            "--probability", help="Share of tiles asked for, such as 0.8; else the series'."
        ),
    ] = None,
    confidence: Annotated[
        float | None,
        typer.Option(
            "--confidence", help="How sure of that, such as 0.8; else the series'."
        ),
    ] = None,
    place: Annotated[
        int | None,
        typer.Option(
            "--place", min=1, help="Place of the rack it is for; else any of them."
        ),
    ] = None,
    thickness: Annotated[
        str | None,
        typer.Option(
            "--thickness", help='Blank of the piece, such as "1.2 mm" or "16 gauge".'
        ),
    ] = None,
    metal: Annotated[
        str | None, typer.Option("--metal", help="Metal of the piece; else the tiles'.")
    ] = None,
    as_json: console.AsJson = False,
) -> None:
    """Say what to set, how far you may be off, and what to expect.

    Writes windows.json and windows.csv from the fit of fit.json: run firelab fit
    first. With --thickness or --metal the answer is for a piece whose blank warms up
    later or sooner than the tiles, in files of its own name. Exit 3 where no setting has
    a recipe yet; why, and what would settle it, is said.
    """
    from firelab.windows.firing_windows import firing_windows
    from firelab.windows.fit_file import (
        ask_window,
        blank_asked,
        fit_folder,
        fresh_fit_options,
        write_windows,
    )
    from firelab.windows.sequential.next_firing import next_firing

    with console.exit_on_fault(as_json=as_json):
        found = fit_folder(folder, fresh_fit_options(folder), sensitivity=False)
        fit = ask_window(
            found.stage, probability=probability, confidence=confidence, place=place
        )
        blank = blank_asked(found.records.series.blank, thickness, metal)
        windows = firing_windows(fit, found.clarity, blank=blank)
        written = write_windows(folder, windows, invented=found.invented)
        if as_json:
            console.result_json(windows.to_dict())
        else:
            console.result(windows.summary())
            if found.records.plan.is_sequential and not (found.clarity or blank):
                chosen = next_firing(found.records, fit=fit)
                for line in filter(None, (chosen.one_more_tile(), chosen.stop_line())):
                    console.result(line)
        then = "report" if windows.has_recipe else "next"
        console.remark(f"wrote {written}; next: firelab {then} {quoted(folder)}")
        if not windows.has_recipe:
            console.leave(EXIT_UNSUPPORTED)


def report_command(
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
            console.result_json(_report_json(sources, written))
            return
        console.result(f"{folder / written[0]}: {_answer_line(sources)}")
        for name in written[1:]:
            console.remark(f"wrote {folder / name}")


def _answer_line(sources: ReportSources) -> str:
    from firelab.windows.answer_words import word_answer

    windows = sources.windows
    if windows is None or not windows.windows:
        return sources.unsupported or "nothing has been fired yet"
    return word_answer(windows.windows[0], windows.asked).lines(brief=True)[0]


def _report_json(sources: ReportSources, written: tuple[Path, ...]) -> dict[str, Any]:
    return {
        "schema": "firelab/report/1",
        "files": [str(name) for name in written],
        "standing": _answer_line(sources),
        "stale": list(sources.stale),
        "findings": [],
    }

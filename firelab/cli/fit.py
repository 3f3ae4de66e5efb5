"""`firelab fit`: stage and clarity fitted to the firing log."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from firelab.cli import console
from firelab.errors import quoted

if TYPE_CHECKING:
    from firelab.records.records import Records

EXAMPLE = "firelab fit marsh-green"


def command(
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
    from firelab.fits.heat_work.comparison import compare_heat_work
    from firelab.fits.heat_work.fit import fit_heat_work

    return [
        ("heat_work", lambda looks, terms, link: fit_heat_work(looks, terms, link=link)),
        (
            "heat_work_comparison",
            lambda looks, terms, link: compare_heat_work(looks, terms, link=link),
        ),
    ]

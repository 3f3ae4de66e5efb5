"""`firelab fit`: stage and clarity fitted to the firing log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console

EXAMPLE = "firelab fit marsh-green"


def command(
    folder: Annotated[Path, typer.Argument(help="Series folder.")] = Path("."),
    method: Annotated[
        str, typer.Option("--method", help="posterior (for windows) or ml.")
    ] = "posterior",
    link: Annotated[
        str, typer.Option("--link", help="logit, probit, cloglog or loglog.")
    ] = "logit",
    terms: Annotated[
        str,
        typer.Option(
            "--terms", help="Such as 'temperature + dwell + base'; default: the series'."
        ),
    ] = "",
    compare: Annotated[
        bool,
        typer.Option(
            "--compare",
            help="Say which terms matter, each load predicted from the rest.",
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The fit as JSON.")] = False,
) -> None:
    """Fit the stage, and the clarity score where there is one; write fit.json.

    The posterior prints its priors and how far doubling or halving them moves
    the answer. Enamel dust, heat and glare can hurt: firelab sheets prints the
    cautions.
    """
    from firelab.windows.answer_files import write_fit
    from firelab.windows.fit_file import FitOptions, fit_folder, fit_to_dict, split_terms

    with console.faults_told(as_json=as_json):
        options = FitOptions(method=method, link=link, terms=split_terms(terms))
        console.progress("fitting")
        found = fit_folder(folder, options)
        console.progress_done()
        written = write_fit(folder, found)
        if as_json:
            console.result_json(fit_to_dict(found))
            return
        console.result(found.stage.summary())
        if found.sensitivity:
            console.result(f"priors matter: {found.sensitivity}")
        if found.clarity is not None:
            console.result(found.clarity.summary())
        if compare:
            from firelab.fits.term_comparison import compare_terms

            terms_asked = options.terms or None
            console.result(compare_terms(found.records, terms_asked, link=link).summary())
        console.tell(f"{written}: next, firelab windows {folder}")

"""The firelab command; the modules of this room hold its subcommands by topic."""

from __future__ import annotations

import gc
import importlib
import os
import sys
from importlib import metadata
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from firelab.cli import console
from firelab.errors import EXIT_FINDINGS

COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("series_folder", "Start a series folder from a ready design."),
    "check": ("series_folder", "Name every fault of a series folder at once."),
    "foresee": ("foresee", "Tell what a plan would teach before a tile is fired."),
    "plan": ("plan", "Assign tiles to settings, loads and sessions."),
    "sheets": ("bench", "Print labels, kiln, preparation and record sheets (PDF)."),
    "record": ("record", "Add looks at tiles to the firing log."),
    "kilnside": ("bench", "Serve the recording page to a phone beside the kiln."),
    "fit": ("answers", "Fit stage and clarity to the firing log."),
    "windows": ("answers", "Answer with firing window and recipe."),
    "next": ("next", "Choose the next tiles to fire."),
    "report": ("answers", "Write figures and one self-contained page."),
    "pack": ("bundles", "Pack a series into one bundle that travels."),
    "unpack": ("bundles", "Verify a bundle and unpack it."),
    "verify": ("bundles", "Recompute a series and compare with what it claims."),
    "pool": ("pool", "Pool several studios' bundles of one colour."),
    "shelf": ("bundles", "Index bundles and search them."),
    "learn": ("studio", "Learn from a studio's series what to expect of a new jar."),
    "lot": ("studio", "Tell whether a jar is the old one again, by a few tiles."),
    "kiln": ("studio", "Tell whether the kiln still is what it was, and since when not."),
    "board": ("studio", "Write the tiles of a studio as a board to print and to search."),
    "piece": ("piece", "Plan several colours on one piece."),
    "demo": ("demo", "Take an invented series through every stage."),
}
"""Each command, in the order of the work: the module that has it, and its one line."""

DEBUG_VARIABLE = "FIRELAB_DEBUG"

ADVANCED = "Advanced: "
"""Begins the help of an option that stands apart: words that only who checks needs."""


class PanelledCommand(TyperCommand):
    """A command whose help lists the advanced options after the others."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments, options and advanced options, each under its heading."""
        panels: dict[str, list[tuple[str, str]]] = {
            "Arguments": [],
            "Options": [],
            "Advanced, for who checks": [],
        }
        names = list(panels)
        for parameter in self.get_params(ctx):
            record = parameter.get_help_record(ctx)
            if record is None:
                continue
            place = 0 if parameter.param_type_name == "argument" else 1
            place += record[1].startswith(ADVANCED)
            words = record[1].removeprefix(ADVANCED)
            panels[names[place]].append((record[0], words[:1].upper() + words[1:]))
        for name, rows in panels.items():
            if rows:
                with formatter.section(name):
                    formatter.write_dl(rows)


app = typer.Typer(
    name="firelab",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Example: firelab demo demo-series",
)


def _show_version(wanted: bool) -> None:
    if wanted:
        console.result(f"firelab {metadata.version('firelab')}")
        raise typer.Exit


@app.callback()
def _firelab(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_show_version, is_eager=True, help="Show it, leave."
        ),
    ] = False,
) -> None:
    """Plan test tiles of enamel, fire them, and find a firing window to trust.

    The work in order: new, check, foresee, plan, sheets, record or kilnside, fit,
    windows, next, report. With other studios: pack, unpack, verify, pool, shelf.
    Of a studio's own series: learn, lot, kiln, board. Several colours on one piece:
    piece. To look at first: demo.
    """


def _register() -> None:
    for name, (place, line) in COMMANDS.items():
        module = importlib.import_module(f"firelab.cli.{place}")
        app.command(
            name,
            cls=PanelledCommand,
            short_help=line,
            epilog=f"Example: {module.EXAMPLES[name]}",
        )(getattr(module, f"{name}_command"))


_register()


_OBJECTS_BEFORE_COLLECTION = 20_000
"""New objects before Python looks for cycles (700 by default): most of a command's live as
long as it does. The demonstration's report: 3.30 s before, 3.18 after, memory alike."""

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
"""What tells a library of matrices how many threads to take, unless the user has: one,
since the matrices here are small and more threads wait for one another. The demonstration's
report on two cores: 4.3 s of processor time before, 3.1 after, no slower by the clock."""


def settle_process() -> None:
    """Let Python and the libraries of matrices spend no more than small work needs."""
    gc.set_threshold(_OBJECTS_BEFORE_COLLECTION)
    for name in _THREADS:
        os.environ.setdefault(name, "1")


def main() -> None:
    """Run the command line; a fault of firelab's own shows no traceback."""
    settle_process()
    try:
        app()
    except Exception as fault:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        console.remark(
            f"firelab failed: {type(fault).__name__}: {fault}\n"
            f"  hint: nothing recorded was lost; set {DEBUG_VARIABLE}=1 to see where"
        )
        sys.exit(EXIT_FINDINGS)

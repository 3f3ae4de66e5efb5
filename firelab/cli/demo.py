"""`firelab demo`: an invented series taken through every stage."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from firelab.cli import console

if TYPE_CHECKING:
    from firelab.plan.plan import Plan
    from firelab.series.firing_series import FiringSeries
    from firelab.windows.simulation.simulated_kiln import SimulatedKiln
    from firelab.windows.window import FiringWindows

EXAMPLES = {"demo": "firelab demo demo-series"}

DEMO_FILE = "demo.json"
LOOKS_FILE = "invented-looks.csv"
RECORDED_AT = "2026-01-01T12:00:00Z"
"""Fixed, so that the same demonstration gives the same bytes."""
OUTCOMES = 5
"""Seed of the invented outcomes: one of those that lead to a recipe with room, as a first
look should (chosen here; of the seeds 9 to 23 six lead to none)."""


def demo_command(
    folder: Annotated[Path, typer.Argument(help="Folder to make.")],
    seed: Annotated[
        int,
        typer.Option("--seed", help="Of the invented outcomes."),
    ] = OUTCOMES,
) -> None:
    """Take an invented series through every stage, and leave all its files.

    No tile is fired: the outcomes come from a simulated kiln with a seed,
    through the same records as real ones. It says what was asked, the answer, and
    how far that is from the simulator's truth. The same seed gives the same bytes.
    """
    with console.exit_on_fault():
        from firelab.records.firing_log import read_firings
        from firelab.series.folder import SHEETS_FILE, write_atomically
        from firelab.sheets.sheet_set import make_sheets

        _make_room(folder)
        console.progress("planning, firing the invented tiles ...")
        records = read_firings(start_demo(folder, seed=seed))
        series, plan = records.series, records.plan
        write_atomically(folder / SHEETS_FILE, make_sheets(series, plan))
        console.progress("fitting, drawing ...")
        windows, following = _answer(folder, series, plan)
        console.progress_done()
        kiln = _invented_kiln(series)
        lines = _learned(series, windows, kiln, len(records.looks), plan)
        _write_truth(folder, kiln, lines)
        lines += [
            f"If you fired on, the next load would be: {following}",
            f"Read next: {folder}/report.html, then {folder}/sheets.pdf.",
            "Fewer tiles: firelab new FOLDER begins a jar one tile at a time.",
        ]
        console.result("\n".join(lines))


def _make_room(folder: Path) -> None:
    """Take an empty folder, or the folder of an earlier demonstration as it was left."""
    from firelab.errors import UsageError
    from firelab.series.folder import FIRINGS_FILE, SERIES_FILE, read_json, stale_sources

    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / SERIES_FILE).exists() and not (folder / FIRINGS_FILE).exists():
        return
    try:
        made = read_json((folder / DEMO_FILE).read_bytes(), DEMO_FILE)["made"]
        touched = stale_sources(folder, made)
    except (OSError, ValueError, KeyError):
        touched = [SERIES_FILE]
    if touched:
        raise UsageError(
            f"holds a series of yours: {', '.join(touched)} is not as the demo left it",
            str(folder),
            "name a new folder for the demo",
        )
    (folder / FIRINGS_FILE).unlink(missing_ok=True)


def start_demo(folder: str | Path | None = None, *, seed: int = OUTCOMES) -> Path:
    """Write an invented series, planned, fired in a simulated kiln and recorded.

    Parameters
    ----------
    folder : str or Path, optional
        Made where it is not there; by default a temporary folder, which goes when
        Python ends.
    seed : int, default 5
        Of the invented outcomes.

    Returns
    -------
    Path
        The folder, with series.toml, plan and firing log.

    Examples
    --------
    >>> import firelab
    >>> sorted(path.name for path in firelab.start_demo().glob("*.csv"))
    ['firings.csv', 'invented-looks.csv', 'plan.csv']
    """
    from importlib import resources

    from firelab.plan.make_plan import make_plan
    from firelab.plan.plan_files import write_plan
    from firelab.series.folder import SERIES_FILE, write_atomically
    from firelab.series.series_file import read_series, series_hash

    base = _passing_folder() if folder is None else Path(folder)
    base.mkdir(parents=True, exist_ok=True)
    text = resources.files("firelab.cli").joinpath("demo_series.toml").read_text("utf-8")
    write_atomically(base / SERIES_FILE, text)
    series = read_series(base)
    plan = make_plan(series, series_hash=series_hash(base))
    write_plan(plan, base, invented=True)
    kiln = _invented_kiln(series)
    _fire(base, series, plan, kiln, seed)
    return base


def _passing_folder() -> Path:
    import atexit
    import shutil
    import tempfile

    made = tempfile.mkdtemp(prefix="firelab-demo-")
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return Path(made)


def _invented_kiln(series: FiringSeries) -> SimulatedKiln:
    """Return the truth of heron blue: invented, in logits and score steps."""
    from firelab.windows.simulation.simulated_kiln import SimulatedClarity, SimulatedKiln

    return SimulatedKiln(
        series=series,
        family="logit",
        thresholds=(-6.5, -3.0, 5.0),
        effects={"temperature": 8.0, "dwell": 2.2, "mesh": -0.5},
        load_sd=0.5,
        clarity=SimulatedClarity(
            intercept=6.2,
            effects={"mesh": 1.6, "temperature": 0.5},
            load_sd=0.3,
            residual_sd=0.7,
        ),
    )


def _fire(
    folder: Path, series: FiringSeries, plan: Plan, kiln: SimulatedKiln, seed: int
) -> None:
    """Record invented looks by the path that a table from a studio takes."""
    import numpy as np

    from firelab.records.look import ENTRY_LENGTH
    from firelab.records.recording import read_table, record_table
    from firelab.series.folder import INVENTED, write_atomically

    looks = kiln.simulate(plan.table, rng=np.random.default_rng(seed))
    # Entries are named by seed and place: a real one has a random name.
    named = [seed * 1000 + place for place in range(1, len(looks) + 1)]
    entries = [f"demo{number:0{ENTRY_LENGTH - 4}d}" for number in named]
    text = looks.assign(observer="invented", note=INVENTED, entry=entries).to_csv(
        index=False, lineterminator="\n"
    )
    write_atomically(folder / LOOKS_FILE, text)
    table = read_table(text.encode("utf-8"), LOOKS_FILE)
    record_table(folder, table, series, plan, recorded_at=RECORDED_AT)


def _answer(folder: Path, series: FiringSeries, plan: Plan) -> tuple[FiringWindows, str]:
    from firelab.report.page import write_report
    from firelab.report.sources import read_sources
    from firelab.windows.firing_windows import firing_windows
    from firelab.windows.fit_file import (
        FitOptions,
        fit_folder,
        write_fit,
        write_next,
        write_windows,
    )
    from firelab.windows.sequential.next_tiles import next_tiles

    found = fit_folder(folder, FitOptions())
    write_fit(folder, found)
    windows = firing_windows(found.stage, found.clarity)
    write_windows(folder, windows, invented=True)
    # Asked without the windows: the demo shows a next load even where it may stop.
    chosen = next_tiles(found.stage, plan)
    write_next(folder, chosen, invented=True)
    write_report(read_sources(folder), folder)
    return windows, chosen.summary().partition("\n")[0].partition(": ")[2]


def _learned(
    series: FiringSeries,
    windows: FiringWindows,
    kiln: SimulatedKiln,
    n_looks: int,
    plan: Plan,
) -> list[str]:
    """Say what was asked, the answer, and how far it is from the truth."""
    from firelab.windows.simulation.expected_kiln import distance_from_truth

    distance = distance_from_truth(windows, kiln)
    n_loads = plan.tiles["load"].nunique()
    return [
        f"Asked: {series.question}",
        f"Fired: {plan.n_tiles} invented tiles in {n_loads} loads, {n_looks} looks.",
        *replace(windows, notes=windows.own_notes).summary().splitlines(),
        distance.words(windows.reads),
    ]


def _write_truth(folder: Path, kiln: SimulatedKiln, lines: list[str]) -> None:
    from firelab.series.folder import (
        FIRINGS_FILE,
        INVENTED,
        PLAN_TABLE,
        SERIES_FILE,
        json_text,
        sha256_of,
        write_atomically,
    )

    kept = (SERIES_FILE, PLAN_TABLE, FIRINGS_FILE)
    truth = {
        "family": kiln.family,
        "thresholds": list(kiln.thresholds),
        "effects": dict(kiln.effects),
        "load_sd": kiln.load_sd,
    }
    content = {
        "schema": "firelab/demo/1",
        "invented": INVENTED,
        "simulator": truth,
        "learned": lines,
        "made": {name: sha256_of(folder / name) for name in kept},
    }
    write_atomically(folder / DEMO_FILE, json_text(content))

"""One series from Python, from the first file to a pool of two studios.

Every public function of firelab is called once, in the order of the work. The outcomes
are invented (see `README.md`).
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from pathlib import Path

import firelab
from firelab.errors import RecordsInsufficient

HERE = Path(__file__).resolve().parent


RECORDED_AT = "2026-01-01T12:00:00Z"
"""Fixed, so that the walk gives the same bytes."""


def declare_and_plan(folder: Path) -> list[str]:
    """Declare a series, ask what a plan would teach, plan it, print its sheets."""
    firelab.start_demo(folder.with_name("demo"))
    firelab.start_series(folder.with_name("jar"), firelab.design_names()[0])
    folder.with_name("every-key.toml").write_text(firelab.example_text(), encoding="utf-8")
    firelab.start_studio(folder.with_name("studio"))
    firelab.check_studio(folder.with_name("studio"))
    folder.mkdir()
    (folder / "series.toml").write_bytes((HERE / "series.toml").read_bytes())
    series = firelab.read_series(folder)
    plan = firelab.make_plan(series)
    # Two tries are for show; the command takes forty.
    tried = [firelab.PlannedCandidate(kind=plan.kind, plan=plan)]
    foreseen = firelab.foresee(series, tried, n_tries=2, n_jobs=1)
    firelab.charts.foresight(foreseen.table)
    firelab.write_plan(plan, folder, invented=True)
    (folder / "sheets.pdf").write_bytes(firelab.make_sheets(series, plan))
    said = f"foreseen: plans of {list(foreseen.table['tiles'])} tiles"
    return [said, repr(plan), plan.summary().splitlines()[1]]


def record(folder: Path, looks: str) -> str:
    """Record a table of looks, as a studio keeps it, and look the folder through."""
    series = firelab.read_series(folder)
    plan = firelab.read_plan(folder, series)
    table = firelab.read_table((HERE / looks).read_bytes(), looks)
    firelab.record_table(folder, table, series, plan, recorded_at=RECORDED_AT)
    checked = firelab.check_folder(folder)
    return f"{checked.standing[-1]}; faults: {len(checked.findings)}"


def question(folder: Path) -> list[str]:
    """Ask which terms matter, how people agree, and what a firing is worth as heat."""
    records = firelab.read_firings(folder)
    results = (
        firelab.compare_terms(records),
        firelab.agree_observers(records),
        firelab.fit_observers(records),
        firelab.fit_heat_work(records),
    )
    return [repr(one) for one in results]


def answer(folder: Path) -> list[str]:
    """Fit, answer with the window and its figures, and choose what to fire next."""
    records = firelab.read_firings(folder)
    fit = firelab.fit_stage(records)
    clarity = firelab.fit_clarity(records, stage=fit)
    windows = firelab.firing_windows(fit, clarity)
    figure = firelab.charts.window_map(windows)
    firelab.charts.save_figure(figure, folder / "figures" / "window")
    chosen = firelab.next_tiles(fit, records.plan)
    longer = firelab.extend_plan(records.series, records.plan, chosen.table)
    # The files that the commands leave.
    firelab.write_fit(folder, firelab.fit_folder(folder))
    firelab.write_windows(folder, windows, invented=True)
    firelab.write_report(firelab.read_sources(folder), folder)
    results = (fit, clarity, chosen, longer)
    return [*windows.summary().splitlines(), *(repr(one) for one in results)]


def share(folder: Path) -> list[str]:
    """Pack, unpack and verify a bundle; pool it with a second; shelve, learn; a piece."""
    home = folder.parent
    bundle = firelab.pack_series(folder, licence="CC0-1.0", studio="north")
    (home / "north.zip").write_bytes(bundle.raw)
    theirs = firelab.unpack_bundle(firelab.read_bundle(home / "north.zip"), home / "theirs")
    said = [repr(firelab.verify_folder(theirs))]
    south = home / "south"
    south.mkdir()
    (south / "series.toml").write_bytes((folder / "series.toml").read_bytes())
    series = firelab.read_series(south)
    firelab.write_plan(firelab.make_plan(series), south, invented=True)
    said.append(record(south, "south.csv"))
    parts = [firelab.read_part(home / "north.zip"), firelab.read_part(south)]
    said += firelab.pool_parts(parts).summary().splitlines()[1:3]
    firelab.refresh_shelf(home)
    asked = firelab.ShelfQuestion(kind="transparent", stage="full")
    said.append(repr(firelab.ask_shelf(home, asked)))
    history = firelab.learn_history(home)
    firelab.write_history(home, history)
    said += history.summary().splitlines()
    try:
        firelab.watch_kiln(home / "studio")
    except RecordsInsufficient as fault:
        said.append(fault.what)
    said += hang_board(home / "studio", folder)
    lot = home / "lot"
    lot.mkdir()
    (lot / "series.toml").write_bytes((folder / "series.toml").read_bytes())
    lot_plan = firelab.plan_lot(folder, lot, n_tiles=4)
    said.append(f"{lot_plan.n_tiles} tiles of a new lot")
    said.append(repr(firelab.compare_lots(folder, south)))
    firelab.start_piece(home / "bowl", [folder, south])
    bowl = firelab.plan_piece(home / "bowl")
    return [
        *said,
        f"{bowl.name}: {bowl.n_orders} orders of {len(bowl.best.colours)} colours",
    ]


def hang_board(studio: Path, folder: Path) -> list[str]:
    """Put a series into the studio, write where its tiles lie, and hang them up."""
    shutil.copytree(folder, studio / folder.name)
    board = firelab.read_board(studio)
    firelab.store_tiles(studio, [board.tiles[0].name], "drawer 3")
    firelab.write_board(board, studio)
    (window, *_), _ = firelab.windows_today(studio)
    tile = firelab.read_board(studio).tiles[0]
    return [*board.summary().splitlines()[:2], tile.line(), window.line()]


def walk(home: Path) -> list[str]:
    """Take one invented series through all of it below a folder; return what was said."""
    folder = home / "teal"
    return [
        *declare_and_plan(folder),
        record(folder, "north.csv"),
        *answer(folder),
        *share(folder),
        *question(folder.with_name("south")),
    ]


def main() -> None:
    """Write what was said to a folder."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--out", type=Path, default=HERE / "expected")
    out = options.parse_args().out
    with tempfile.TemporaryDirectory() as home:
        said = walk(Path(home))
    out.mkdir(parents=True, exist_ok=True)
    (out / "said.txt").write_text("\n".join(said) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

"""`firelab board`: the tiles of a studio as a board to print and to search."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console

EXAMPLE = "firelab board my-studio"


def command(
    folder: Annotated[Path, typer.Argument(help="Studio folder.")] = Path("."),
    tile: Annotated[
        str,
        typer.Option(
            help="Show one tile, such as KE-AEX; several with --lies; a mark alone is all "
            "tiles of its series."
        ),
    ] = "",
    lies: Annotated[
        str, typer.Option(help="Where --tile lies, such as 'drawer 3': into tiles.csv.")
    ] = "",
    page: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    as_json: console.AsJson = False,
) -> None:
    """Write the tile board of a studio: board.html to search, board.pdf to hang up.

    Every tile that was fired stands there by colour, base, mesh, temperature and dwell,
    with its photograph, or drawn as its grade looks, where it lies, and what to set for
    its colour today. tiles.csv says where a tile lies: columns tile, lies, note.
    """
    from firelab.craft.trade_words import count_words
    from firelab.errors import UsageError
    from firelab.memory.board import read_board
    from firelab.memory.studio_tables import store_tiles
    from firelab.report.board_page import write_board

    with console.exit_on_fault(as_json=as_json):
        board = read_board(folder)
        for line in board.left_out:
            console.remark(f"left out: {line}")
        if lies.strip():
            named = [one for one in re.split(r"[,;]+", tile) if one.strip()]
            if not named:
                raise UsageError("no tile is named", "--lies", "add --tile KE-AEX")
            found = [one for name in named for one in board.find(name)]
            names = [name.strip().upper() for name in named]
            path = store_tiles(folder, names, lies.strip())
            console.result(f"{path}: {count_words(len(found), 'tile')} in {lies.strip()}")
            return
        if tile.strip():
            shown = board.find(tile)
            if as_json:
                console.result_json({"tiles": [one.line() for one in shown]})
                return
            for one in shown:
                console.result(one.line())
            for words in board.recipes(shown):
                console.result(words)
            return
        written = write_board(board, folder, page=page)
        if as_json:
            console.result_json(board.to_dict())
            return
        console.result(board.summary())
        for path in written:
            console.remark(f"wrote {path}")

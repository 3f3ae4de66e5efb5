"""The tile board as one self-contained page to search, and as a board to print."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from markupsafe import Markup

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.craft.tile_codes import plain_code
from firelab.craft.trade_words import setting_words
from firelab.memory.board import BoardSection, BoardTile, TileBoard, read_board
from firelab.report.board_print import print_board
from firelab.report.page import page_template
from firelab.report.page_photos import jpeg_uri, small_photos
from firelab.series.folder import write_atomically
from firelab.sheets.grade_svg import grade_symbol

BOARD_PAGE = "board.html"
BOARD_PRINT = "board.pdf"

Photos = Mapping[str, bytes]
"""Small JPEG by the name of the tile that it shows."""


def board_photos(board: TileBoard) -> tuple[Photos, int]:
    """Return the photographs of a board made small, and how many more there are."""
    pictured = [(one.name, one.photo) for one in board.tiles if one.photo is not None]
    drawn = small_photos(pictured)
    return {name: raw for name, raw, _ in drawn}, len(pictured) - len(drawn)


def board_page(board: TileBoard) -> str:
    """Return the board as one HTML page that fetches nothing and searches itself.

    Everything that a person wrote is escaped.

    Parameters
    ----------
    board : TileBoard
    """
    photos, n_left = board_photos(board)
    drawn = {
        (one.grades[0], one.rank): f"grade-{place}"
        for place, one in enumerate(board.tiles)
        if one.name not in photos
    }
    symbols = [grade_symbol(grade, rank, name) for (grade, rank), name in drawn.items()]
    return page_template("board.html.j2").render(
        board=board,
        sections=board.sections,
        summary=board.summary().split("\n")[:2],
        invented=board.invented,
        symbols=Markup("".join(symbols)),  # our own drawings, no word of a user
        drawn={one.name: drawn.get((one.grades[0], one.rank)) for one in board.tiles},
        photos={name: jpeg_uri(raw) for name, raw in photos.items()},
        n_photos_left=n_left,
        anchor=_anchor,
        setting_words=setting_words,
        searched=_searched,
        cautions=CAUTIONS,
        deference=DEFERENCE,
    )


def _anchor(tile: BoardTile) -> str:
    """Return what stands behind the page's name to go to a tile, such as KE-AEX."""
    return re.sub(r"\s+", "-", tile.name)


def _searched(section: BoardSection, tile: BoardTile) -> str:
    """Return all words by which a tile is found."""
    words = (
        *(tile.name, plain_code(tile.name), tile.series, section.heading),
        *(setting_words(tile.setting), tile.heat_words, tile.dwell_words),
        *(tile.grade_words, tile.lies, tile.fired_on),
    )
    return " ".join(words).casefold()


def write_board(
    folder: str | Path, *, page: str = "a4", today: date | None = None
) -> tuple[Path, ...]:
    """Write board.html and board.pdf into a studio, and return their paths.

    Parameters
    ----------
    folder : str or Path
        The studio.
    page : {'a4', 'letter'}
        Paper of the printed board.
    today : date, optional
        As `read_board`.

    Raises
    ------
    FirelabError, FaultyFile
        As `read_board`.
    UsageError
        If there is no such paper.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> studio = firelab.start_studio(tempfile.mkdtemp()).parent
    >>> _ = firelab.start_demo(studio / "heron")
    >>> [path.name for path in firelab.write_board(studio)]
    ['board.html', 'board.pdf']
    """
    board, base = read_board(folder, today=today), Path(folder)
    printed = print_board(board, board_photos(board)[0], page=page)
    write_atomically(base / BOARD_PAGE, board_page(board))
    write_atomically(base / BOARD_PRINT, printed)
    return base / BOARD_PAGE, base / BOARD_PRINT

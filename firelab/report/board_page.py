"""The tile board of a studio: a page that searches itself, and a board to print.

On paper tiles hang in rows of one temperature, and an index says where each is.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup
from reportlab.lib.utils import ImageReader

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.craft.degrees import with_degree_signs
from firelab.craft.tile_codes import plain_code
from firelab.craft.trade_words import setting_words
from firelab.memory.board import BoardSection, BoardTile, TileBoard
from firelab.report.page import jpeg_uri, page_template, small_photos
from firelab.series.folder import json_text, write_atomically
from firelab.sheets.boxes import draw_cautions
from firelab.sheets.grade_boxes import draw_texture, grade_symbol
from firelab.sheets.page import MM, Box, page_size
from firelab.sheets.pen import Pen, SheetPage, body_box, print_framed

BOARD_PAGE = "board.html"
BOARD_PRINT = "board.pdf"

Photos = Mapping[str, bytes]
"""Small JPEG by the name of the tile that it shows."""
TITLE = "Tile board"
INDEX = "Where each tile is"
_ACROSS = 4
_CARD, _GAP, _LIES = 25 * MM, 1.5 * MM, 7 * MM
_HEADING, _SETTING, _RECIPE, _HEAT = 9 * MM, 6.5 * MM, 6.5 * MM, 7 * MM
_INDEX_ROW, _INDEX_COLUMNS = 5 * MM, 2
_CAUTIONS = 75 * MM


def board_photos(board: TileBoard) -> tuple[Photos, int]:
    """Return the photographs of a board made small, and how many more there are."""
    pictured = [(one.name, one.photo) for one in board.tiles if one.photo is not None]
    drawn = small_photos(pictured)
    return {name: raw for name, raw, _ in drawn}, len(pictured) - len(drawn)


def board_page(board: TileBoard) -> str:
    """Return the board as one HTML page that fetches nothing and searches itself.

    Everything that a person wrote is escaped.
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
    board: TileBoard, folder: str | Path, *, page: str = "a4"
) -> tuple[Path, ...]:
    """Write board.html and board.pdf into a folder, and return their paths.

    Parameters
    ----------
    board : TileBoard
    folder : str or Path
        The studio, or any other.
    page : {'a4', 'letter'}
        Paper of the printed board.

    Raises
    ------
    UsageError
        If there is no such paper.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> studio = firelab.start_studio(tempfile.mkdtemp()).parent
    >>> _ = firelab.start_demo(studio / "heron")
    >>> [path.name for path in firelab.write_board(firelab.read_board(studio), studio)]
    ['board.html', 'board.pdf']
    """
    base = Path(folder)
    printed = print_board(board, board_photos(board)[0], page=page)
    write_atomically(base / BOARD_PAGE, board_page(board))
    write_atomically(base / BOARD_PRINT, printed)
    return base / BOARD_PAGE, base / BOARD_PRINT


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strip:
    """What stands across the page, and whether the strip below must stand by it."""

    height: float
    draw: Callable[[Pen, Box], None]
    holds_next: bool = False
    tiles: tuple[str, ...] = ()


def print_board(
    board: TileBoard, photos: Mapping[str, bytes], *, page: str = "a4"
) -> bytes:
    """Return the board as a PDF, the same for the same board.

    Parameters
    ----------
    board : TileBoard
    photos : mapping of str to bytes
        Small JPEG by the name of its tile; the other tiles are drawn by their grade.
    page : {'a4', 'letter'}

    Raises
    ------
    UsageError
        If there is no such paper.
    """
    paper = page_size(page)
    room = body_box(paper)
    sheets = _spread(list(_strips(board, photos)), room.height)
    pages = [SheetPage(title=TITLE, draw=_drawing(strips)) for strips in sheets]
    found_on = {
        name: number
        for number, strips in enumerate(sheets, start=1)
        for one in strips
        for name in one.tiles
    }
    pages += _index_pages(board, found_on, room.height)
    digest = hashlib.sha256(json_text(board.to_dict()).encode("utf-8")).hexdigest()
    origin = f"firelab · tile board {digest[:8]}"
    return print_framed(
        pages,
        paper,
        title=f"{TITLE}: {board.studio}",
        subject=board.invented or TITLE,
        keywords=f"board sha256 {digest}",
        name=board.studio,
        origin=f"{board.invented} {origin}".strip(),
    )


def _drawing(strips: list[_Strip]) -> Callable[[Pen, Box], None]:
    def draw(pen: Pen, body: Box) -> None:
        used = 0.0
        for one in strips:
            one.draw(pen, body.below(used).upper(one.height))
            used += one.height

    return draw


def _spread(strips: list[_Strip], height: float) -> list[list[_Strip]]:
    """Return the strips of each page; a heading never stands alone at a foot."""
    pages: list[list[_Strip]] = [[]]
    used = 0.0
    for place, one in enumerate(strips):
        end = place
        while strips[end].holds_next and end + 1 < len(strips):
            end += 1
        wanted = sum(strip.height for strip in strips[place : end + 1])
        if used and used + wanted > height:
            pages.append([])
            used = 0.0
        pages[-1].append(one)
        used += one.height
    return pages


def _strips(board: TileBoard, photos: Mapping[str, bytes]) -> Iterator[_Strip]:
    summary = " ".join(board.summary().split("\n"))
    yield _line(summary, 10, 12 * MM, bold=False)
    heading = ""
    for section in board.sections:
        if section.heading != heading:
            heading = section.heading
            yield _line(heading, 15, _HEADING, bold=True, holds_next=True)
        words = setting_words(section.setting)
        yield _line(words, 11, _SETTING, bold=True, holds_next=True)
        for recipe in section.recipes or ("No recipe yet.",):
            yield _line(recipe, 10.5, _RECIPE, holds_next=True)
        for row in section.rows:
            yield _line(row[0].heat_words, 10, _HEAT, bold=True, rule=True, holds_next=True)
            for start in range(0, len(row), _ACROSS):
                yield _cards(row[start : start + _ACROSS], photos)


def _line(
    words: str,
    size: float,
    height: float,
    *,
    bold: bool = False,
    rule: bool = False,
    holds_next: bool = False,
) -> _Strip:
    def draw(pen: Pen, box: Box) -> None:
        if rule:
            pen.rule(
                box.left, box.top + 0.8 * MM, box.right, box.top + 0.8 * MM, weight=0.6
            )
        pen.block(box.inset(0, 1 * MM), with_degree_signs(words), size, bold=bold)

    return _Strip(height=height, draw=draw, holds_next=holds_next)


def _cards(tiles: tuple[BoardTile, ...], photos: Mapping[str, bytes]) -> _Strip:
    def draw(pen: Pen, box: Box) -> None:
        places = box.upper(_CARD).columns(*([1.0] * _ACROSS), gap=_GAP)
        for place, tile in zip(places, tiles, strict=False):
            _draw_card(pen, place, tile, photos.get(tile.name))

    names = tuple(one.name for one in tiles)
    return _Strip(height=_CARD + _GAP, draw=draw, tiles=names)


def _draw_card(pen: Pen, box: Box, tile: BoardTile, photo: bytes | None) -> None:
    pen.rectangle(box, weight=1.8 if tile.is_target else 0.5)
    inner = box.inset(1.2 * MM)
    side = inner.height - _LIES
    seen = Box(left=inner.left, top=inner.top, width=side, height=side)
    if photo is None:
        draw_texture(pen, seen, tile.grades[0], tile.rank)
    else:
        _draw_photo(pen, seen, photo)
    words = Box(
        left=seen.right + 1.5 * MM,
        top=inner.top,
        width=inner.right - seen.right - 1.5 * MM,
        height=side,
    )
    code, grade, dwell, day = words.rows(4.5, 4.5, 4, 3)
    pen.line(code, tile.name, 11, bold=True)
    pen.block(grade, tile.grade_words, 8.5, bold=tile.is_target, middle=True)
    pen.block(dwell, tile.dwell_words, 8, middle=True)
    pen.line(day, tile.fired_on, 8)
    pen.block(inner.below(side + 0.8 * MM), tile.lies, 8)


def _draw_photo(pen: Pen, box: Box, photo: bytes) -> None:
    """Fill a square with the middle of a photograph."""
    image = ImageReader(io.BytesIO(photo))
    width, height = image.getSize()
    scale = max(box.width / width, box.height / height)
    canvas = pen.canvas
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(box.left, pen.page.height - box.bottom, box.width, box.height)
    canvas.clipPath(path, stroke=0, fill=0)
    left = box.left - (width * scale - box.width) / 2
    foot = pen.page.height - box.bottom - (height * scale - box.height) / 2
    canvas.drawImage(image, left, foot, width * scale, height * scale)
    canvas.restoreState()
    pen.rectangle(box, weight=0.8)


def _index_pages(
    board: TileBoard, found_on: Mapping[str, int], height: float
) -> list[SheetPage]:
    """Return the tiles by mark and code with page and place, and the cautions."""
    named = sorted(board.tiles, key=lambda one: one.name)
    per_page = int(height // _INDEX_ROW) * _INDEX_COLUMNS
    parts = [named[start : start + per_page] for start in range(0, len(named), per_page)]
    parts = parts or [[]]
    foot = -(-len(parts[-1]) // _INDEX_COLUMNS) * _INDEX_ROW + 8 * MM
    has_room = foot + _CAUTIONS <= height
    ends = [None] * (len(parts) - 1) + [foot if has_room else None]
    pages = [
        SheetPage(title=INDEX, draw=_index_drawing(part, found_on, end))
        for part, end in zip(parts, ends, strict=True)
    ]
    return pages if has_room else [*pages, SheetPage(title="Cautions", draw=_draw_cautions)]


def _draw_cautions(pen: Pen, box: Box) -> None:
    draw_cautions(pen, box, largest=10.0)


def _index_drawing(
    tiles: list[BoardTile], found_on: Mapping[str, int], cautions_at: float | None
) -> Callable[[Pen, Box], None]:
    """Draw tiles down the columns, and the cautions so far down, where they are here."""
    rows = -(-len(tiles) // _INDEX_COLUMNS)

    def draw(pen: Pen, body: Box) -> None:
        columns = body.columns(*([1.0] * _INDEX_COLUMNS), gap=6 * MM)
        for place, tile in enumerate(tiles):
            column, row = divmod(place, rows)
            line = columns[column].below(row * _INDEX_ROW).upper(_INDEX_ROW)
            name, page, grade, lies = line.columns(0.24, 0.13, 0.27, 0.36, gap=1.5 * MM)
            pen.line(name, tile.name, 9.5, bold=True)
            pen.line(page, f"page {found_on[tile.name]}", 8.5)
            pen.line(grade, tile.grade_words, 8.5)
            pen.line(lies, tile.lies or "–", 8.5)
            pen.rule(line.left, line.bottom, line.right, line.bottom, grey=0.6, weight=0.4)
        if cautions_at is not None:
            _draw_cautions(pen, body.below(cautions_at).upper(_CAUTIONS))

    return draw

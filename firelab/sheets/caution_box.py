"""The cautions in a frame, as large as the room allows."""

from __future__ import annotations

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.sheets.fitting import LEADING, wrap_text
from firelab.sheets.page_size import MM, Box
from firelab.sheets.pen import Pen

_TITLE = 8 * MM
_LABEL_SHARE = 0.16
_BETWEEN = 0.9 * MM
_GAP = 2 * MM
_SMALLEST = 5.0
HEADING = "Before you start: cautions"


def draw_cautions(pen: Pen, box: Box, *, largest: float = 12.0) -> float:
    """Draw every caution and what comes before them; return the frame's height.

    Parameters
    ----------
    pen : Pen
        Draws on the page.
    box : Box
        Room; the frame is as high as its text.
    largest : float, default 12
        Size of the text, points; made smaller until all of it fits.

    Returns
    -------
    float
        Height used, points.
    """
    inner = box.inset(4 * MM, 3 * MM)
    room = inner.height - _TITLE
    size = largest
    while size > _SMALLEST and _text_height(inner.width, size) > room:
        size -= 0.25
    height = _TITLE + _text_height(inner.width, size) + 6 * MM
    pen.rectangle(box.upper(min(height, box.height)), weight=1.5, fill=0.95)
    pen.line(inner.upper(_TITLE - 1 * MM), HEADING, max(13.0, size), bold=True)
    used = _TITLE
    for name, words in CAUTIONS:
        label, text = _row_boxes(inner.below(used))
        name_height = pen.block(label, name, size, smallest=_SMALLEST, bold=True)
        words_height = pen.block(text, words, size, smallest=_SMALLEST)
        used += max(name_height, words_height) + _BETWEEN
    pen.block(inner.below(used), DEFERENCE, size, smallest=_SMALLEST, bold=True)
    return height


def _row_boxes(row: Box) -> tuple[Box, Box]:
    label, text = row.columns(_LABEL_SHARE, 1 - _LABEL_SHARE)
    return label.columns(label.width - _GAP, _GAP)[0], text


def _text_height(width: float, size: float) -> float:
    height = 0.0
    for name, words in CAUTIONS:
        label = wrap_text(name, width * _LABEL_SHARE - _GAP, size=size, bold=True)
        text = wrap_text(words, width * (1 - _LABEL_SHARE), size=size)
        height += max(len(label), len(text)) * size * LEADING + _BETWEEN
    return height + len(wrap_text(DEFERENCE, width, size=size, bold=True)) * size * LEADING

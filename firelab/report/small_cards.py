"""The recipe to cut out: an index card, and labels for the jar."""

from __future__ import annotations

from firelab.craft.degrees import with_degree_signs
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED
from firelab.sheets.labels import draw_cut_lines
from firelab.sheets.page import MM, Box
from firelab.sheets.pen import Pen, SheetPage
from firelab.sheets.tile_places import blank_words
from firelab.windows.answer_words import AnswerWords, word_answer
from firelab.windows.window import FiringWindows

INDEX_CARD = 127 * MM, 76 * MM
"""5 by 3 inches, the common index card (common practice, no source)."""
JAR_LABEL = 62 * MM, 42 * MM
"""As the labels of tiles that are cut out (chosen here, no source)."""
_JARS = 3
CARE = "Enamel dust harms: respirator, wet-wipe, safety data sheet first."


def small_cards_page(windows: FiringWindows, series: FiringSeries) -> SheetPage:
    """Return a page with an index card and three jar labels, to be cut out.

    Parameters
    ----------
    windows : FiringWindows
        Widest assured window first.
    series : FiringSeries
        Names colour, tile and kiln.
    """
    words = word_answer(windows.windows[0], windows.asked)

    def draw(pen: Pen, body: Box) -> None:
        width, height = INDEX_CARD
        card = Box(left=body.left, top=body.top, width=width, height=height)
        draw_cut_lines(pen, card)
        _draw_index_card(pen, card.inset(4 * MM, 3 * MM), series, windows, words)
        width, height = JAR_LABEL
        for place in range(_JARS):
            left = body.left + place * width
            label = Box(left=left, top=card.bottom + 8 * MM, width=width, height=height)
            draw_cut_lines(pen, label)
            _draw_jar_label(pen, label.inset(3 * MM, 2.5 * MM), series, words)

    return SheetPage(title="To cut out: index card, jar labels", draw=draw)


def _draw_index_card(
    pen: Pen, box: Box, series: FiringSeries, windows: FiringWindows, words: AnswerWords
) -> None:
    colour, tile, heat, dwell, room, expect, source = box.rows(10, 6, 15, 12, 7, 14, 5)
    pen.line(colour, series.enamel.colour, 18, bold=True)
    pen.line(tile, f"{words.setting}; {blank_words(series)}", 9.5)
    _draw_firing(pen, heat, dwell, words, 30.0)
    said = words.tolerance if words.assured else f"No recipe yet. {words.tolerance}"
    pen.block(room, with_degree_signs(said), 10, bold=True)
    invented = f"{INVENTED} " if series.invented else ""
    pen.block(expect, f"{invented}{words.expect} For this jar, metal, tile and kiln.", 9)
    digest = windows.provenance.series_hash[:8]
    pen.line(source, f"series {digest}, seed {windows.provenance.seed}", 7.5)


def _draw_jar_label(pen: Pen, box: Box, series: FiringSeries, words: AnswerWords) -> None:
    colour, kind, heat, dwell, setting, care = box.rows(7, 4.5, 8, 6.5, 4.5, 10.5)
    pen.line(colour, series.enamel.colour, 13, bold=True)
    pen.line(kind, f"{series.enamel.kind}, lead: {series.enamel.lead}", 8)
    _draw_firing(pen, heat, dwell, words, 19.0)
    pen.line(setting, words.setting, 8)
    pen.block(care, f"{INVENTED} {CARE}" if series.invented else CARE, 7)


def _draw_firing(pen: Pen, heat: Box, dwell: Box, words: AnswerWords, size: float) -> None:
    """Print what to set; where there is no recipe, smaller, as the best there is."""
    before = "" if words.assured else "best so far: "
    largest = size if words.assured else size * 0.6
    pen.line(heat, f"{before}{words.settings[0]}", largest, bold=True)
    pen.line(dwell, words.settings[1], largest, bold=True)

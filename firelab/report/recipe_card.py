"""One page to carry to the kiln: the recipe, how far one may be off, what to expect.

Beside it a small map in greys: fired range, assured region, tolerance box. And the recipe
to cut out: an index card, and labels for the jar.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np

from firelab.arrays import BoolArray, FloatArray
from firelab.charts.axes import write_dwell
from firelab.craft.degrees import SIGN, with_degree_signs
from firelab.craft.units import to_degF
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED
from firelab.sheets.boxes import draw_cautions
from firelab.sheets.fitting import text_width
from firelab.sheets.labels import draw_cut_lines
from firelab.sheets.page import MM, Box, page_size
from firelab.sheets.pen import Pen, SheetPage, print_pages
from firelab.sheets.tile_places import blank_words
from firelab.windows.answer_words import AnswerWords, word_answer
from firelab.windows.setting_window import ProbabilityMap, Recipe, SettingWindow
from firelab.windows.window import FiringWindows

INDEX_CARD = 127 * MM, 76 * MM
"""5 by 3 inches, the common index card (common practice, no source)."""
JAR_LABEL = 62 * MM, 42 * MM
"""As the labels of tiles that are cut out (chosen here, no source)."""
_JARS = 3
CARE = "Enamel dust harms: respirator, wet-wipe, safety data sheet first."


def _small_cards_page(windows: FiringWindows, series: FiringSeries) -> SheetPage:
    """Return a page with an index card and three jar labels, to be cut out."""
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


_LEFT, _ABOVE, _BELOW = 15 * MM, 10 * MM, 17 * MM
_MOST_TICKS = 4
ASSURED_GREY, LIKELY_GREY = 0.62, 0.86


def _draw_card_map(
    pen: Pen,
    box: Box,
    shown: ProbabilityMap,
    recipe: Recipe,
    *,
    probability: float,
    confidence: float,
    reads: str,
) -> None:
    """Draw temperature by dwell with the region that a recipe may come from."""
    plot = Box(
        left=box.left + _LEFT,
        top=box.top + _ABOVE,
        width=box.width - _LEFT - 3 * MM,
        height=box.height - _ABOVE - _BELOW,
    )
    likely = shown.probability >= probability
    assured = shown.assurance >= confidence
    _draw_cells(pen, plot, likely, LIKELY_GREY)
    _draw_cells(pen, plot, assured, ASSURED_GREY)
    pen.rectangle(plot, weight=1.2)
    _draw_axes(pen, plot, shown, reads)
    _draw_recipe(pen, plot, shown, recipe)
    if not likely.any():
        nowhere = f"nowhere likely {probability:.0%}"
        pen.line(plot.upper(8 * MM), nowhere, 9, align="centre")
    _draw_key(pen, box, probability, confidence)


def _ends(values: FloatArray) -> tuple[float, float]:
    return float(np.min(values)), float(np.max(values))


def _share(value: float, ends: tuple[float, float]) -> float:
    return (value - ends[0]) / (ends[1] - ends[0]) if ends[1] > ends[0] else 0.5


def _draw_cells(pen: Pen, plot: Box, wanted: BoolArray, grey: float) -> None:
    """Fill the cells that are wanted, runs of a row as one; dwell upwards."""
    rows, columns = wanted.shape
    for row in range(rows):
        column = 0
        for value, run in itertools.groupby(wanted[row]):
            length = len(list(run))
            if value:
                cell = Box(
                    left=plot.left + plot.width * column / columns,
                    top=plot.bottom - plot.height * (row + 1) / rows,
                    width=plot.width * length / columns,
                    height=plot.height / rows,
                )
                pen.rectangle(cell, stroke=None, fill=grey)
            column += length


def _round_ticks(low: float, high: float, steps: Sequence[float]) -> list[float]:
    """Return round values within two ends, a few at most.

    Examples
    --------
    >>> _round_ticks(1310, 1495, (10, 25, 50, 100))
    [1350.0, 1400.0, 1450.0]
    """
    for step in steps:
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        if last - first < _MOST_TICKS:
            return [step * place * 1.0 for place in range(first, last + 1)]
    return [low, high]


def _draw_axes(pen: Pen, plot: Box, shown: ProbabilityMap, reads: str) -> None:
    heats, dwells = _ends(shown.temperature_degC), _ends(shown.dwell_s)
    in_unit = {"degF": (to_degF(heats[0]), to_degF(heats[1])), "degC": heats}
    steps = (5, 10, 20, 25, 50, 100, 200)
    for unit, ends in in_unit.items():
        below = unit == reads
        edge = plot.bottom if below else plot.top
        for tick in _round_ticks(*ends, steps):
            x = plot.left + plot.width * _share(tick, ends)
            pen.rule(x, edge, x, edge + (1.5 if below else -1.5) * MM)
            top = edge + 1.6 * MM if below else edge - 5.4 * MM
            words = Box(left=x - 9 * MM, top=top, width=18 * MM, height=4 * MM)
            pen.line(words, f"{tick:.0f} {SIGN[unit]}", 8.5, align="centre")
    for tick in _round_ticks(*dwells, (5, 10, 15, 30, 60, 120, 300, 600)):
        y = plot.bottom - plot.height * _share(tick, dwells)
        pen.rule(plot.left - 1.5 * MM, y, plot.left, y)
        words = Box(
            left=plot.left - _LEFT, top=y - 2 * MM, width=_LEFT - 2 * MM, height=4 * MM
        )
        pen.line(words, write_dwell(tick), 8.5, align="right")


def _draw_recipe(pen: Pen, plot: Box, shown: ProbabilityMap, recipe: Recipe) -> None:
    heats, dwells = _ends(shown.temperature_degC), _ends(shown.dwell_s)

    def place(degC: float, dwell_s: float) -> tuple[float, float]:
        across = min(1.0, max(0.0, _share(degC, heats)))
        up = min(1.0, max(0.0, _share(dwell_s, dwells)))
        return plot.left + plot.width * across, plot.bottom - plot.height * up

    room_degC, room_s = recipe.tolerance_degC, recipe.tolerance_s
    left, bottom = place(recipe.temperature_degC - room_degC, recipe.dwell_s - room_s)
    right, top = place(recipe.temperature_degC + room_degC, recipe.dwell_s + room_s)
    room = Box(left=left, top=top, width=right - left, height=bottom - top)
    if room_degC > 0 or room_s > 0:
        pen.rectangle(room, weight=2.2)
    x, y = place(recipe.temperature_degC, recipe.dwell_s)
    arm = 2 * MM
    pen.rule(x - arm, y, x + arm, y, weight=2.0)
    pen.rule(x, y - arm, x, y + arm, weight=2.0)


def _draw_key(pen: Pen, box: Box, probability: float, confidence: float) -> None:
    """Name the greys below the map."""
    row = box.below(box.height - 10 * MM).inset(2 * MM, 0)
    named = (
        (ASSURED_GREY, f"{confidence:.0%} sure of {probability:.0%}"),
        (LIKELY_GREY, f"likely {probability:.0%}, not sure enough"),
    )
    for line, (grey, words) in zip(row.rows(1, 1), named, strict=True):
        swatch = Box(left=line.left, top=line.top + 0.8 * MM, width=6 * MM, height=3.4 * MM)
        pen.rectangle(swatch, fill=grey)
        pen.line(
            Box(
                left=line.left + 8 * MM,
                top=line.top,
                width=line.width - 8 * MM,
                height=line.height,
            ),
            words,
            8.5,
        )


CARD_FILE = "recipe-card.pdf"
TITLE = "Recipe card"
_ANSWER, _CAUTIONS = 84 * MM, 62 * MM
_MOST_OTHERS = 3
_MOST_NOTES = 4
HOLDS_FOR = (
    "Holds for this jar, this metal and tile, this kiln as it reads, and the range that "
    "was fired; a new load has its own effect, which the chance includes. Another kiln "
    "reads otherwise: fire a control tile there first."
)


def recipe_card(windows: FiringWindows, series: FiringSeries, *, page: str = "a4") -> bytes:
    """Return the recipe of a series as a PDF: a page to carry, and one to cut out.

    Where there is no recipe the card says so, with the reason, the best there is
    and which tiles would settle it.

    Parameters
    ----------
    windows : FiringWindows
        Widest assured window first.
    series : FiringSeries
        Names the colour, the tile and the unit that the kiln reads.
    page : {'a4', 'letter'}, default 'a4'
        Paper.

    Returns
    -------
    bytes
        The same for the same values.

    Raises
    ------
    UsageError
        If the page is not known.
    """

    def draw(pen: Pen, body: Box) -> None:
        used = _draw_head(pen, body, series)
        rest = body.below(used)
        _draw_answer(pen, rest.upper(_ANSWER), series, windows, windows.windows[0])
        low = rest.below(_ANSWER + 4 * MM)
        found = low.upper(low.height - _CAUTIONS - 3 * MM)
        _draw_found(pen, found, windows)
        draw_cautions(pen, low.below(low.height - _CAUTIONS), largest=9.5)

    sheet = SheetPage(title=TITLE, draw=draw)
    return print_pages(
        [sheet, _small_cards_page(windows, series)],
        series,
        windows.provenance,
        page_size(page),
        title=TITLE,
        source="windows",
    )


def _draw_head(pen: Pen, body: Box, series: FiringSeries) -> float:
    enamel = series.enamel
    used = pen.block(body.upper(17 * MM), enamel.colour, 22, smallest=8, bold=True)
    words = f"{enamel.kind} enamel, lead: {enamel.lead}; {blank_words(series)}"
    words += f"; {series.coat.weight_g_m2:g} g/m² a coat"
    used += pen.block(body.below(used).upper(9 * MM), words, 11) + 2 * MM
    if series.invented:
        strip = body.below(used).upper(8 * MM)
        pen.rectangle(strip, weight=1.5)
        pen.line(strip.inset(3 * MM, 0), INVENTED, 12, bold=True)
        used += 10 * MM
    return used


def _draw_answer(
    pen: Pen, box: Box, series: FiringSeries, windows: FiringWindows, window: SettingWindow
) -> None:
    words = word_answer(window, windows.asked)
    pen.rectangle(box, weight=1.8)
    inner = box.inset(4 * MM, 3 * MM)
    head = inner.upper(11 * MM)
    if words.assured:
        pen.line(head, words.setting, 15, bold=True)
    else:
        reason = with_degree_signs(f"No recipe yet. {words.tolerance}")
        pen.block(head, reason, 13, bold=True)
    left, right = inner.below(12 * MM).columns(0.56, 0.44, gap=4 * MM)
    _draw_setting(pen, left, words)
    _draw_card_map(
        pen,
        right,
        window.map,
        window.recipe or window.best,
        probability=windows.probability,
        confidence=windows.confidence,
        reads=windows.reads,
    )


def _draw_setting(pen: Pen, box: Box, words: AnswerWords) -> None:
    size = 36.0 if words.assured else 20.0
    top = "" if words.assured else f"the best there is, {words.setting}"
    label, heat, dwell, room, chance = box.rows(5, 15, 13, 11, 22)
    if top:
        pen.line(label, top, 9.5)
    own, other_unit = words.settings[0].rstrip(")").split(" (")
    printed = pen.line(heat.columns(0.66, 0.34)[0], own, size, smallest=10, bold=True)
    taken = text_width(own, printed, bold=True) + 5 * MM
    other = heat.columns(taken, heat.width - taken)[1]
    pen.line(other, other_unit, printed * 0.6)
    pen.line(dwell, words.settings[1], size * 0.8, smallest=10, bold=True)
    if words.assured:
        pen.line(room, words.tolerance, 14, bold=True)
    pen.block(chance, f"{words.expect} {words.reach}", 10.5)


def _draw_found(pen: Pen, box: Box, windows: FiringWindows) -> None:
    left, right = box.columns(0.5, 0.5, gap=6 * MM)
    _draw_lines(pen, left, "How it was found", _found_lines(windows))
    lines = [HOLDS_FOR, *_other_lines(windows), *_settle_lines(windows)]
    _draw_lines(pen, right, "What it holds for", [with_degree_signs(x) for x in lines])


def _found_lines(windows: FiringWindows) -> list[str]:
    """Say what was asked, and from what it was found."""
    sources = ", ".join(
        f"{name} {sha[:8]}" for name, sha in windows.provenance.sources.items()
    )
    return [
        f"Asked: {windows.asked.target_words} in {windows.probability * 100:.0f} of 100 "
        f"tiles of a new load, {windows.confidence * 100:.0f} % sure of that.",
        "Found from graded tiles; loads differ, and what is expected counts that.",
        "What was assumed and how it was worked out stands in report.html.",
        f"From series.toml {windows.provenance.series_hash[:8]}"
        + (f", {sources}" if sources else "")
        + f"; seed {windows.provenance.seed}.",
    ]


def _other_lines(windows: FiringWindows) -> list[str]:
    answers = [word_answer(window, windows.asked) for window in windows.windows[1:]]
    assured = [words for words in answers if words.assured][:_MOST_OTHERS]
    return [f"Also {one.setting}: {one.set_words} {one.tolerance}" for one in assured]


def _settle_lines(windows: FiringWindows) -> list[str]:
    first = windows.windows[0]
    return [*first.settle_lines, *windows.own_notes][:_MOST_NOTES]


def _draw_lines(pen: Pen, box: Box, title: str, lines: Sequence[str]) -> None:
    pen.line(box.upper(7 * MM), title, 12, bold=True)
    rest = box.below(8 * MM)
    pen.paragraphs(rest, lines, 9.5)

"""One page to carry to the kiln: the recipe, its room, its chance, how it was found."""

from __future__ import annotations

from collections.abc import Sequence

from firelab.craft.units import format_duration
from firelab.report.card_map import draw_card_map
from firelab.report.recipe_words import RecipeWords, word_recipe
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED
from firelab.sheets.caution_box import draw_cautions
from firelab.sheets.fonts import text_width
from firelab.sheets.page_size import MM, Box, page_size
from firelab.sheets.pen import Pen
from firelab.sheets.sheet_page import SheetPage
from firelab.sheets.sheet_set import print_pages
from firelab.sheets.tile_words import blank_words
from firelab.windows.window import FiringWindows, Recipe, SettingWindow

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
    """Return the recipe of a series as a one-page PDF.

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
        _draw_found(pen, found, series, windows)
        draw_cautions(pen, low.below(low.height - _CAUTIONS), largest=9.5)

    sheet = SheetPage(title=TITLE, draw=draw)
    return print_pages(
        [sheet], series, windows.provenance, page_size(page), title=TITLE, source="windows"
    )


def _draw_head(pen: Pen, body: Box, series: FiringSeries) -> float:
    enamel = series.enamel
    used = pen.block(body.upper(17 * MM), enamel.colour, 22, smallest=8, bold=True)
    said = f"{enamel.kind} enamel, lead: {enamel.lead}; {blank_words(series)}"
    said += f"; {series.coat.weight_g_m2:g} g/m² a coat"
    used += pen.block(body.below(used).upper(9 * MM), said, 11, smallest=6) + 2 * MM
    if series.invented:
        strip = body.below(used).upper(8 * MM)
        pen.rectangle(strip, weight=1.5)
        pen.line(strip.inset(3 * MM, 0), INVENTED, 12, bold=True)
        used += 10 * MM
    return used


def _draw_answer(
    pen: Pen, box: Box, series: FiringSeries, windows: FiringWindows, window: SettingWindow
) -> None:
    words = word_recipe(series, windows, window)
    pen.rectangle(box, weight=1.8)
    inner = box.inset(4 * MM, 3 * MM)
    head = inner.upper(11 * MM)
    if words.assured:
        pen.line(head, words.setting, 15, smallest=7, bold=True)
    else:
        said = f"No recipe yet: {signed(words.reason)}."
        pen.block(head, said, 13, smallest=6, bold=True)
    left, right = inner.below(12 * MM).columns(0.56, 0.44, gap=4 * MM)
    _draw_setting(pen, left, series, words, window)
    draw_card_map(
        pen,
        right,
        window.map,
        window.recipe or window.best,
        probability=windows.probability,
        confidence=windows.confidence,
    )


def _draw_setting(
    pen: Pen, box: Box, series: FiringSeries, words: RecipeWords, window: SettingWindow
) -> None:
    size = 36.0 if words.assured else 20.0
    top = "" if words.assured else f"the best there is, {words.setting}"
    label, heat, dwell, room, chance = box.rows(5, 15, 13, 11, 22)
    if top:
        pen.line(label, top, 9.5)
    own = signed(words.temperature)
    printed = pen.line(heat.columns(0.66, 0.34)[0], own, size, smallest=10, bold=True)
    taken = text_width(own, printed, bold=True) + 5 * MM
    other = heat.columns(taken, heat.width - taken)[1]
    pen.line(other, signed(words.other_temperature), printed * 0.6, smallest=6)
    pen.line(dwell, words.dwell, size * 0.8, smallest=10, bold=True)
    if words.assured and window.recipe is not None:
        said = tolerance_words(window.recipe, series.kiln.reads)
        pen.line(room, said, 14, smallest=7, bold=True)
    pen.block(chance, f"{words.chance} {words.surety}", 10.5, smallest=6)


def signed(words: str) -> str:
    """Write degrees with their sign, for print.

    Examples
    --------
    >>> signed("1425 degF")
    '1425 °F'
    """
    return words.replace("degF", "°F").replace("degC", "°C")


def tolerance_words(recipe: Recipe, reads: str) -> str:
    """Write the room on both sides, the kiln's own unit first.

    Examples
    --------
    >>> from firelab.windows.window import Recipe
    >>> recipe = Recipe(
    ...     temperature_degC=774, dwell_s=150, tolerance_degC=10, tolerance_s=20,
    ...     probability=0.9, assurance=0.8,
    ... )
    >>> tolerance_words(recipe, "degF")
    '± 18 °F (10 °C), ± 20 s'
    """
    rooms = {"degC": recipe.tolerance_degC, "degF": recipe.tolerance_degC * 1.8}
    other = "degC" if reads == "degF" else "degF"
    own = signed(f"{rooms[reads]:.0f} {reads}")
    if rooms[reads] < 0.5 and recipe.tolerance_s < 0.5:
        return "no room to spare"
    heat = f"± {own} ({signed(f'{rooms[other]:.0f} {other}')})"
    return f"{heat}, ± {format_duration(recipe.tolerance_s)}"


def _draw_found(pen: Pen, box: Box, series: FiringSeries, windows: FiringWindows) -> None:
    left, right = box.columns(0.5, 0.5, gap=6 * MM)
    _draw_lines(pen, left, "How it was found", found_lines(windows))
    told = [HOLDS_FOR, *_other_lines(series, windows), *_settle_lines(series, windows)]
    _draw_lines(pen, right, "What it holds for", [signed(line) for line in told])


def found_lines(windows: FiringWindows) -> list[str]:
    """Say what was asked, from what, and what was assumed beforehand."""
    target = " or ".join(windows.target)
    if windows.score_target is not None:
        target += f" with a clearness score of {windows.score_target:g} or clearer"
    sources = ", ".join(
        f"{name} {sha[:8]}" for name, sha in windows.provenance.sources.items()
    )
    lines = [
        f"Asked: {target} in {windows.probability:.0%} of tiles of a new load, and "
        f"{windows.confidence:.0%} sure of that.",
        "Found from graded tiles by a model of the stage over temperature and dwell, "
        "with an effect of each load; the box is the largest in which that holds.",
        "Assumed beforehand: " + "; ".join(windows.priors) + "." if windows.priors else "",
        f"From series.toml {windows.provenance.series_hash[:8]}"
        + (f", {sources}" if sources else "")
        + f"; seed {windows.provenance.seed}.",
    ]
    return [line for line in lines if line]


def _other_lines(series: FiringSeries, windows: FiringWindows) -> list[str]:
    reads = series.kiln.reads
    others = [window for window in windows.windows[1:] if window.recipe is not None]
    lines = []
    for window in others[:_MOST_OTHERS]:
        words = word_recipe(series, windows, window)
        room = tolerance_words(window.recipe, reads) if window.recipe else ""
        lines.append(
            f"Also {words.setting}: {signed(words.temperature)} "
            f"({signed(words.other_temperature)}), {words.dwell}, {room}."
        )
    return lines


def _settle_lines(series: FiringSeries, windows: FiringWindows) -> list[str]:
    first = windows.windows[0]
    settle = (
        []
        if first.recipe is not None
        else [f"To settle it: {way}." for way in first.settle]
    )
    notes = word_recipe(series, windows, first).notes
    return [*settle, *notes][:_MOST_NOTES]


def _draw_lines(pen: Pen, box: Box, title: str, lines: Sequence[str]) -> None:
    pen.line(box.upper(7 * MM), title, 12, bold=True)
    rest = box.below(8 * MM)
    pen.paragraphs(rest, lines, 9.5, smallest=5)

"""Text made to fit a box: wrapped, then made smaller, at the last cut.

The typeface is DejaVu Sans, which matplotlib carries under its own free licence:
it has the degree sign, accents, Greek and Cyrillic, and tells 1 from l and 0
from O. It is embedded as a subset, so that text stays selectable.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

import matplotlib
from reportlab import rl_config
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

PLAIN = "firelab-plain"
BOLD = "firelab-bold"
_FILES = {PLAIN: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
MISSING_GLYPH = "\N{WHITE SQUARE}"


@cache
def register_fonts() -> None:
    """Make both typefaces known to reportlab, once in a process."""
    # Binary streams: text armour makes a PDF an eighth larger and slower to write.
    rl_config.useA85 = 0
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in _FILES.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def font_name(bold: bool) -> str:
    """Return the name under which a typeface is registered."""
    return BOLD if bold else PLAIN


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Return the width of a printed text, points; it grows with the size."""
    return _width_at_one_point(text, bold) * size


@lru_cache(maxsize=65536)
def _width_at_one_point(text: str, bold: bool) -> float:
    register_fonts()
    return float(pdfmetrics.stringWidth(text, font_name(bold), 1000.0)) / 1000.0


@lru_cache(maxsize=65536)
def printable(text: str) -> str:
    """Return a text as the typeface can print it.

    Control characters become blanks; a character that the typeface lacks
    becomes an open square, so that its loss shows.

    Examples
    --------
    >>> printable("marsh" + chr(9) + "green 760 °C")
    'marsh green 760 °C'
    >>> printable("\N{CJK UNIFIED IDEOGRAPH-7DD1} green")
    '□ green'
    """
    register_fonts()
    known = pdfmetrics.getFont(PLAIN).face.charToGlyph
    shown = []
    for symbol in unicodedata.normalize("NFC", text):
        if unicodedata.category(symbol).startswith(("C", "Z")):
            shown.append(" " if symbol != "\N{SOFT HYPHEN}" else "")
        else:
            shown.append(symbol if ord(symbol) in known else MISSING_GLYPH)
    return " ".join("".join(shown).split())


def unprintable(text: str) -> str:
    """Return the characters of a text that `printable` cannot print, each once."""
    each = dict.fromkeys(unicodedata.normalize("NFC", text).replace(MISSING_GLYPH, ""))
    return "".join(symbol for symbol in each if printable(symbol) == MISSING_GLYPH)


LEADING = 1.22
SMALLEST = 7.0
"""Smallest type on any sheet, points: read in the hand (chosen here, no source)."""
ELLIPSIS = "…"
_JOINT = "\N{NO-BREAK SPACE}"
_UNIT = re.compile(r"(\d) (?=(?:°[CF]|min|s|h|g|mm|mesh|coats?|tiles?)\b)")


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedText:
    """Lines of text with the size (points) at which they fit."""

    lines: tuple[str, ...]
    size: float

    @property
    def height(self) -> float:
        """Height of all lines, points."""
        return len(self.lines) * self.size * LEADING


def fit_line(
    text: str, width: float, *, size: float, smallest: float = SMALLEST, bold: bool = False
) -> FittedText:
    """Return one line that is no wider than `width` points.

    Parameters
    ----------
    text : str
        Any text; see `printable`.
    width : float
        Room, points.
    size, smallest : float
        Wanted and smallest size, points; below the smallest the line is cut.
    bold : bool, default False
        Typeface.

    Examples
    --------
    >>> fit_line("full", 100, size=12).size
    12
    >>> fit_line("full " * 40, 60, size=12).lines[0][-1]
    '…'
    """
    shown = printable(text)
    natural = text_width(shown, size, bold=bold)
    if natural <= width:
        return FittedText(lines=(shown,), size=size)
    fitting = size * width / natural * 0.999
    if fitting >= smallest:
        return FittedText(lines=(shown,), size=fitting)
    return FittedText(lines=(_cut(shown, width, smallest, bold),), size=smallest)


def _cut(text: str, width: float, size: float, bold: bool) -> str:
    if text_width(text, size, bold=bold) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        wide = text_width(text[:middle].rstrip() + ELLIPSIS, size, bold=bold) > width
        low, high = (low, middle - 1) if wide else (middle, high)
    return text[:low].rstrip() + ELLIPSIS


def wrap_text(text: str, width: float, *, size: float, bold: bool = False) -> list[str]:
    """Return the lines of a text broken at blanks; a longer word is broken anywhere."""
    lines: list[str] = []
    line, taken = "", 0.0
    for word, joint in _pieces(printable(text)):
        wide = text_width(word, size, bold=bold)
        joined = text_width(joint, size, bold=bold) + wide
        if line and taken + joined <= width:
            line, taken = f"{line}{joint}{word}", taken + joined
            continue
        if line:
            lines.append(line)
        line, taken = word, wide
        while taken > width and len(line) > 1:
            count = _letters_that_fit(line, width, size, bold)
            lines.append(line[:count])
            line = line[count:]
            taken = text_width(line, size, bold=bold)
    return [*lines, line] if line or not lines else lines


@lru_cache(maxsize=4096)
def _pieces(text: str) -> tuple[tuple[str, str], ...]:
    """Return what may stand on a line of its own, each with what joins it on.

    A number keeps its unit; a word may be broken after a hyphen.
    """
    pieces: list[tuple[str, str]] = []
    kept = _UNIT.sub(rf"\1{_JOINT}", text).replace(" · ", f"{_JOINT}· ")
    for joined in kept.split(" "):
        word = joined.replace(_JOINT, " ")
        parts = [part for part in re.split(r"(?<=\w-)(?=\w)", word) if part]
        pieces += [(part, "" if place else " ") for place, part in enumerate(parts)]
    return tuple(pieces)


def _breaks_word(text: str, width: float, size: float, bold: bool) -> bool:
    pieces = _pieces(printable(text))
    return any(text_width(piece, size, bold=bold) > width for piece, _ in pieces)


def _letters_that_fit(word: str, width: float, size: float, bold: bool) -> int:
    count = 1
    while count < len(word) - 1 and text_width(word[: count + 1], size, bold=bold) <= width:
        count += 1
    return count


def fit_block(
    text: str,
    width: float,
    height: float,
    *,
    size: float,
    smallest: float = SMALLEST,
    bold: bool = False,
) -> FittedText:
    """Return lines of a text that fill no more than a box.

    Parameters
    ----------
    text : str
        Any text; see `printable`.
    width, height : float
        Room, points.
    size, smallest : float
        Wanted and smallest size, points; below the smallest the text is cut, to one
        line at least.
    bold : bool, default False
        Typeface.

    Examples
    --------
    >>> fitted = fit_block("a very long colour name " * 9, 120, 40, size=11)
    >>> fitted.height <= 40
    True
    """
    smallest = min(smallest, size)
    trial = size
    while True:
        lines = wrap_text(text, width, size=trial, bold=bold)
        fitted = FittedText(lines=tuple(lines), size=trial)
        # A smaller size is tried before a word is broken, down to less than half.
        broken = trial > 0.45 * size and _breaks_word(text, width, trial, bold)
        if fitted.height <= height + 1e-6 and not broken:
            return fitted
        if trial <= smallest:
            break
        trial = max(smallest, trial * 0.94)
    room = max(1, int((height + 1e-6) / (trial * LEADING)))
    kept = lines[:room]
    if len(lines) > room:
        kept[-1] = _cut(kept[-1] + " " + lines[room], width, trial, bold)
        if not kept[-1].endswith(ELLIPSIS):
            kept[-1] = _cut(kept[-1] + ELLIPSIS, width, trial, bold)
    return FittedText(lines=tuple(kept), size=trial)

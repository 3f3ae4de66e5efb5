"""The two typefaces of the sheets, embedded as subsets so text stays selectable.

DejaVu Sans, which matplotlib carries under its own free licence: it has the
degree sign, accents, Greek and Cyrillic, and tells 1 from l and 0 from O.
"""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache
from pathlib import Path

import matplotlib
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

PLAIN = "firelab-plain"
BOLD = "firelab-bold"
_FILES = {PLAIN: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
MISSING_GLYPH = "\N{WHITE SQUARE}"


@cache
def register_fonts() -> None:
    """Make both typefaces known to reportlab, once in a process."""
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
    register_fonts()
    known = pdfmetrics.getFont(PLAIN).face.charToGlyph
    lost = (
        symbol
        for symbol in unicodedata.normalize("NFC", text)
        if not unicodedata.category(symbol).startswith(("C", "Z"))
        and ord(symbol) not in known
    )
    return "".join(dict.fromkeys(lost))

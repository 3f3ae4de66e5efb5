"""The sheets' drawings of grades as SVG, for a page in a browser."""

from __future__ import annotations

from typing import Any

from markupsafe import escape

from firelab.sheets.grade_boxes import DRAWINGS
from firelab.sheets.page import Box, PageSize
from firelab.sheets.pen import Pen

SIDE = 60.0
"""Of a drawing, in its own units; a page scales it."""


class _Outline:
    """A path in the words of SVG."""

    def __init__(self) -> None:
        self.words: list[str] = []

    def moveTo(self, x: float, y: float) -> None:
        self.words.append(f"M{x:.4g} {y:.4g}")

    def lineTo(self, x: float, y: float) -> None:
        self.words.append(f"L{x:.4g} {y:.4g}")

    def close(self) -> None:
        self.words.append("Z")


class _SvgCanvas:
    """As much of a reportlab canvas as the drawings use, in greys without outlines."""

    def __init__(self) -> None:
        self.parts: list[str] = []
        self.fill = "#000"

    def setFillGray(self, grey: float) -> None:
        level = round(255 * grey)
        self.fill = f"#{level:02x}{level:02x}{level:02x}"

    def rect(self, x: float, y: float, width: float, height: float, **_: Any) -> None:
        place = f'x="{x:.4g}" y="{y:.4g}" width="{width:.4g}" height="{height:.4g}"'
        self.parts.append(f'<rect {place} fill="{self.fill}"/>')

    def circle(self, x: float, y: float, radius: float, **_: Any) -> None:
        place = f'cx="{x:.4g}" cy="{y:.4g}" r="{radius:.4g}"'
        self.parts.append(f'<circle {place} fill="{self.fill}"/>')

    def beginPath(self) -> _Outline:
        return _Outline()

    def drawPath(self, outline: _Outline, **_: Any) -> None:
        self.parts.append(f'<path d="{"".join(outline.words)}" fill="{self.fill}"/>')


def grade_symbol(grade: str, rank: int, name: str) -> str:
    """Return how a grade looks as an SVG symbol; one without a drawing shows its rank.

    Parameters
    ----------
    grade : str
    rank : int
        Its place on the scale, from 1; 0 for no grade.
    name : str
        Of the symbol: letters, digits and hyphens.

    Examples
    --------
    >>> grade_symbol("fritted", 2, "grade-2").count("<text")
    1
    """
    whole = Box(left=0.0, top=0.0, width=SIDE, height=SIDE)
    drawing = DRAWINGS.get(grade)
    if drawing is None:
        shown = escape(str(rank) if rank else "?")
        inside = (
            f'<rect width="{SIDE:g}" height="{SIDE:g}" fill="#fff"/>'
            f'<text x="30" y="42" font-size="34" text-anchor="middle">{shown}</text>'
        )
    else:
        canvas = _SvgCanvas()
        drawing(Pen(canvas, PageSize(name="drawing", width=SIDE, height=SIDE)), whole)
        # A page of paper counts upwards from its foot, a screen downwards from its top.
        turned = f'<g transform="matrix(1 0 0 -1 0 {SIDE:g})">'
        inside = f"{turned}{''.join(canvas.parts)}</g>"
    return f'<symbol id="{name}" viewBox="0 0 {SIDE:g} {SIDE:g}">{inside}</symbol>'

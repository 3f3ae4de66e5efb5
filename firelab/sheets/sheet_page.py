"""A page of the sheets before it is printed, and the frame every page has."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED, Provenance
from firelab.sheets.page_size import MM, Box, PageSize
from firelab.sheets.pen import Pen

MARGIN = 12 * MM
HEAD = 13 * MM
FOOT = 7 * MM


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPage:
    """One page to be drawn.

    Attributes
    ----------
    title : str
        Printed at the head, and the PDF's bookmark.
    draw : callable
        Takes the pen and the box it may fill.
    framed : bool
        Whether the page has head and foot; label stock has neither.
    blanks : tuple of str
        What a person writes at the head, such as ``date``.
    """

    title: str
    draw: Callable[[Pen, Box], None]
    framed: bool = True
    blanks: tuple[str, ...] = ()


def body_box(page: PageSize, *, framed: bool = True) -> Box:
    """Return the box that a page's own drawing may fill."""
    whole = Box(left=0, top=0, width=page.width, height=page.height)
    if not framed:
        return whole
    inner = whole.inset(MARGIN)
    return Box(
        left=inner.left,
        top=inner.top + HEAD,
        width=inner.width,
        height=inner.height - HEAD - FOOT,
    )


def draw_frame(
    pen: Pen,
    series: FiringSeries,
    provenance: Provenance,
    sheet: SheetPage,
    number_of: tuple[int, int],
    source: str,
) -> None:
    """Draw head and foot: title, series, page of pages, what the plan came from."""
    inner = Box(left=0, top=0, width=pen.page.width, height=pen.page.height).inset(MARGIN)
    shares = (0.35, 0.43, 0.22) if sheet.blanks else (0.5, 0.02, 0.48)
    left, middle, right = inner.upper(HEAD - 4 * MM).columns(*shares, gap=3 * MM)
    pen.line(left, sheet.title, 17, smallest=9, bold=True)
    pen.block(right, series.name, 9, smallest=5, align="right", middle=True)
    blanks = middle.columns(*([1.0] * len(sheet.blanks)), gap=3 * MM)
    for box, name in zip(blanks, sheet.blanks, strict=True):
        label, room = box.columns(0.32, 0.68, gap=1.5 * MM)
        pen.line(label, name, 9.5, align="right")
        pen.rectangle(room, weight=0.9)
    line = inner.top + HEAD - 3 * MM
    pen.rule(inner.left, line, inner.right, line, weight=1.2)
    foot = inner.below(inner.height - FOOT + 2 * MM)
    origin, page = foot.columns(0.82, 0.18, gap=3 * MM)
    series_mark = f"{source} of series {provenance.series_hash[:8]}"
    said = f"firelab · {series_mark} · seed {provenance.seed}"
    pen.line(origin, f"{INVENTED} {said}" if series.invented else said, 7.5)
    pen.line(page, f"page {number_of[0]} of {number_of[1]}", 9, align="right")

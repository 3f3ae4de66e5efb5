"""Label stock: any labels by their size in millimetres, or cut lines on plain paper."""

from __future__ import annotations

import re
from dataclasses import dataclass

from firelab.errors import UsageError
from firelab.sheets.page_size import MM, Box, PageSize
from firelab.sheets.sheet_page import body_box

SMALLEST_WIDTH_MM = 35.0
SMALLEST_HEIGHT_MM = 15.0
"""Below this the settings would be cut."""
_PAIR = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*[xX×*]\s*(\d+(?:[.,]\d+)?)\s*(?:mm)?\s*$")
_EPSILON_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelStock:
    """Where the labels are on a page, millimetres.

    Attributes
    ----------
    width_mm, height_mm : float
        Of one label.
    left_mm, top_mm : float or None
        Margins before the first label; None centres the labels on the page.
    gap_across_mm, gap_down_mm : float
        Between neighbouring labels.
    cut_lines : bool
        Plain paper, to be cut along dashed lines.
    """

    width_mm: float
    height_mm: float
    left_mm: float | None = None
    top_mm: float | None = None
    gap_across_mm: float = 0.0
    gap_down_mm: float = 0.0
    cut_lines: bool = False

    def cells(self, page: PageSize) -> tuple[Box, ...]:
        """Return the boxes of one page's labels, row by row.

        Raises
        ------
        UsageError
            If a label is too small to be read, or none fits on the page.
        """
        self._check_size()
        area = body_box(page, framed=self.cut_lines)
        across = self._count(area.width, self.left_mm, self.width_mm, self.gap_across_mm)
        down = self._count(area.height, self.top_mm, self.height_mm, self.gap_down_mm)
        if across < 1 or down < 1:
            raise UsageError(
                f"a label of {self.width_mm:g} x {self.height_mm:g} mm with its margins "
                f"does not fit on {page.name} "
                f"({area.width / MM:.0f} x {area.height / MM:.0f} mm)",
                hint="correct the size or the margins, or choose the other page",
            )
        pitch_x = (self.width_mm + self.gap_across_mm) * MM
        pitch_y = (self.height_mm + self.gap_down_mm) * MM
        spare_x = area.width - across * pitch_x + self.gap_across_mm * MM
        spare_y = area.height - down * pitch_y + self.gap_down_mm * MM
        left = spare_x / 2 if self.left_mm is None else self.left_mm * MM
        top = self.top_mm * MM if self.top_mm is not None else spare_y / 2
        if self.cut_lines and self.top_mm is None:
            top = 0.0
        return tuple(
            Box(
                left=area.left + left + column * pitch_x,
                top=area.top + top + row * pitch_y,
                width=self.width_mm * MM,
                height=self.height_mm * MM,
            )
            for row in range(down)
            for column in range(across)
        )

    def _count(self, room: float, margin: float | None, size: float, gap: float) -> int:
        free = room / MM - (margin or 0.0) + _EPSILON_MM
        return int((free + gap) // (size + gap))

    def _check_size(self) -> None:
        if self.width_mm < SMALLEST_WIDTH_MM or self.height_mm < SMALLEST_HEIGHT_MM:
            raise UsageError(
                f"a label of {self.width_mm:g} x {self.height_mm:g} mm is too small: "
                f"code and QR square need {SMALLEST_WIDTH_MM:g} x "
                f"{SMALLEST_HEIGHT_MM:g} mm",
                hint="use larger labels, or --labels cut",
            )


CUT_LABELS = LabelStock(width_mm=62.0, height_mm=42.0, cut_lines=True)
"""Labels on plain paper, to be cut out."""


def parse_pair_mm(text: str, what: str) -> tuple[float, float]:
    """Return two lengths written as ``63.5x38.1``, millimetres.

    Raises
    ------
    UsageError
        If the text is not a pair.

    Examples
    --------
    >>> parse_pair_mm("63.5x38.1", "labels"), parse_pair_mm("2,5 x 0 mm", "gaps")
    ((63.5, 38.1), (2.5, 0.0))
    """
    match = _PAIR.match(text)
    if match is None:
        raise UsageError(
            f"{what} {text!r} is not WIDTHxHEIGHT in millimetres",
            hint='write such as "63.5x38.1"',
        )
    across, down = (float(number.replace(",", ".")) for number in match.groups())
    return across, down


def parse_label_stock(
    labels: str, *, margins: str | None = None, gaps: str | None = None
) -> LabelStock:
    """Return the label stock that a person wrote.

    Parameters
    ----------
    labels : str
        ``cut``, or the size of one label such as ``63.5x38.1``.
    margins, gaps : str, optional
        Left and top margin; gaps across and down; in the same form.

    Raises
    ------
    UsageError
        If a text is not a pair of millimetres.

    Examples
    --------
    >>> parse_label_stock("cut").cut_lines
    True
    >>> parse_label_stock("63.5x38.1", margins="7.2x15.1", gaps="2.5x0").gap_across_mm
    2.5
    """
    if labels.strip().lower() == "cut":
        return CUT_LABELS
    width, height = parse_pair_mm(labels, "labels")
    left, top = parse_pair_mm(margins, "margins") if margins else (None, None)
    across, down = parse_pair_mm(gaps, "gaps") if gaps else (0.0, 0.0)
    return LabelStock(
        width_mm=width,
        height_mm=height,
        left_mm=left,
        top_mm=top,
        gap_across_mm=across,
        gap_down_mm=down,
    )

"""Pages read back by PDFium: nothing covers anything else, nothing leaves the paper."""

from __future__ import annotations

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdfium_raw


def ink_boxes(page: pdfium.PdfPage) -> np.ndarray:
    """Return the ink of every printed line: left, bottom, right, top, points."""
    lines = page.get_objects(filter=[pdfium_raw.FPDF_PAGEOBJ_TEXT])
    return np.array([line.get_bounds() for line in lines])


def overlapping(boxes: np.ndarray) -> int:
    """Count pairs of printed lines that cover each other."""
    left, bottom, right, top = boxes.T
    across = np.minimum.outer(right, right) - np.maximum.outer(left, left)
    down = np.minimum.outer(top, top) - np.maximum.outer(bottom, bottom)
    return int(np.triu((across > 0.35) & (down > 0.35), 1).sum())


def check(pdf: bytes) -> None:
    """Fail where printed lines overlap or anything drawn leaves its page."""
    for page in pdfium.PdfDocument(pdf):
        width, height = page.get_size()
        assert overlapping(ink_boxes(page)) == 0
        for drawn in page.get_objects():
            left, bottom, right, top = drawn.get_bounds()
            assert left >= 0 and bottom >= 0
            assert right <= width and top <= height

"""Pages read back by PDFium: nothing covers anything else, nothing leaves the paper."""

from __future__ import annotations

import ctypes

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


def type_sizes(page: pdfium.PdfPage) -> list[float]:
    """Return the size of every printed line, points, as its typeface is set."""
    sizes = []
    for line in page.get_objects(filter=[pdfium_raw.FPDF_PAGEOBJ_TEXT]):
        size = ctypes.c_float()
        assert pdfium_raw.FPDFTextObj_GetFontSize(line.raw, ctypes.byref(size))
        across = line.get_matrix()
        sizes.append(size.value * float(np.hypot(across.a, across.b)))
    return sizes


def check(pdf: bytes) -> None:
    """Fail where lines overlap, anything leaves its page, or type is below 7 points."""
    for page in pdfium.PdfDocument(pdf):
        assert min(type_sizes(page), default=7.0) >= 7.0 - 1e-3
        width, height = page.get_size()
        assert overlapping(ink_boxes(page)) == 0
        for drawn in page.get_objects():
            left, bottom, right, top = drawn.get_bounds()
            assert left >= 0 and bottom >= 0
            assert right <= width and top <= height

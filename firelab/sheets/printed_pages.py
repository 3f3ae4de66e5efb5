"""Pages as one PDF with embedded typefaces: sheets, a recipe card, a page for the wall."""

from __future__ import annotations

import io
from collections.abc import Sequence

from reportlab.pdfgen.canvas import Canvas

from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED, SERIES_FILE, Provenance
from firelab.sheets.fitting import PLAIN, printable, register_fonts
from firelab.sheets.page import PageSize
from firelab.sheets.pen import Pen, SheetPage, body_box, draw_frame


def print_pages(
    pages: Sequence[SheetPage],
    series: FiringSeries,
    provenance: Provenance,
    paper: PageSize,
    *,
    title: str,
    source: str,
) -> bytes:
    """Return pages as a PDF with embedded typefaces, bookmarks and provenance.

    Parameters
    ----------
    pages : sequence of SheetPage
        In order.
    series : FiringSeries
        Named at the head; marked as invented where it is.
    provenance : Provenance
        Named at the foot and in the PDF's keywords.
    paper : PageSize
        Paper of every page.
    title : str
        Of the PDF.
    source : str
        What is printed, named at the foot.

    Returns
    -------
    bytes
        The same for the same values.
    """
    hashes = {SERIES_FILE: provenance.series_hash, **provenance.sources}
    digests = [f"{name} sha256 {digest}" for name, digest in hashes.items()]
    mark = f"{source} of series {provenance.series_hash[:8]}"
    origin = f"firelab · {mark} · seed {provenance.seed}"
    return print_framed(
        pages,
        paper,
        title=f"{title}: {series.name}",
        subject=INVENTED if series.invented else title,
        keywords="; ".join([*digests, f"seed {provenance.seed}"]),
        name=f"{series.mark} · {series.name}" if series.mark else series.name,
        origin=f"{INVENTED} {origin}" if series.invented else origin,
    )


def print_framed(
    pages: Sequence[SheetPage],
    paper: PageSize,
    *,
    title: str,
    subject: str,
    keywords: str,
    name: str,
    origin: str,
) -> bytes:
    """Return pages as a PDF with embedded typefaces and bookmarks.

    Parameters
    ----------
    pages : sequence of SheetPage
        In order; those of one title after another share a bookmark.
    paper : PageSize
    title, subject, keywords : str
        Of the PDF.
    name, origin : str
        At the head and at the foot of each page.

    Returns
    -------
    bytes
        The same for the same values.
    """
    register_fonts()
    stream = io.BytesIO()
    canvas = Canvas(
        stream,
        pagesize=(paper.width, paper.height),
        invariant=1,
        pageCompression=1,
        initialFontName=PLAIN,
    )
    canvas.setTitle(printable(title))
    canvas.setAuthor("firelab")
    canvas.setCreator("firelab")
    canvas.setSubject(subject)
    canvas.setKeywords(keywords)
    marked = ""
    for number, sheet in enumerate(pages, start=1):
        pen = Pen(canvas, paper)
        if sheet.title != marked:
            canvas.bookmarkPage(f"page-{number}")
            canvas.addOutlineEntry(sheet.title, f"page-{number}", 0)
            marked = sheet.title
        if sheet.framed:
            draw_frame(pen, sheet, name, origin, (number, len(pages)))
        sheet.draw(pen, body_box(paper, framed=sheet.framed))
        canvas.showPage()
    canvas.save()
    return stream.getvalue()

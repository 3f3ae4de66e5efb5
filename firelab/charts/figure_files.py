"""Figures as files: the same figure gives the same bytes."""

from __future__ import annotations

import io
from pathlib import Path

from matplotlib.figure import Figure

from firelab.charts.style import PNG_DPI, drawing_style
from firelab.series.folder import write_atomically

_METADATA: dict[str, dict[str, str | None]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
}


def figure_bytes(figure: Figure, kind: str) -> bytes:
    """Return a figure as PNG or SVG, with no date in it.

    Parameters
    ----------
    figure : Figure
    kind : {'png', 'svg'}

    Returns
    -------
    bytes
    """
    stream = io.BytesIO()
    with drawing_style():
        figure.savefig(stream, format=kind, dpi=PNG_DPI, metadata=_METADATA[kind])
    return stream.getvalue()


def save_figure(figure: Figure, path: str | Path) -> tuple[Path, Path]:
    """Write a figure as PNG and SVG beside each other.

    Parameters
    ----------
    figure : Figure
    path : str or Path
        Where to, without an ending; missing folders are made.

    Returns
    -------
    tuple of (Path, Path)
        The PNG and the SVG file.
    """
    stem = Path(path)
    stem.parent.mkdir(parents=True, exist_ok=True)
    written = []
    for kind in ("png", "svg"):
        target = stem.with_name(f"{stem.name}.{kind}")
        write_atomically(target, figure_bytes(figure, kind))
        written.append(target)
    return written[0], written[1]

"""Parts of the page: tables and groups of figures, all plain words."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class PageTable:
    """A table of words.

    Attributes
    ----------
    caption : str
    head : tuple of str
        Column heads, units included.
    rows : tuple of tuple of str
    classes : tuple of str
        Per column: ``number``, ``code``, ``hash`` or empty.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    classes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageImage:
    """A figure as the page carries it.

    Attributes
    ----------
    source : str
        A data URI: the page fetches nothing.
    alt, caption : str
    width, height : int
        CSS pixels, so that the page keeps its place while it loads.
    """

    source: str
    alt: str
    caption: str
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PageGroup:
    """A section of the page under one heading.

    Attributes
    ----------
    anchor, title : str
    lines : tuple of str
        Paragraphs.
    topics : tuple of str
        Figures of these topics stand here.
    tables : tuple of PageTable
    """

    anchor: str
    title: str
    lines: tuple[str, ...] = ()
    topics: tuple[str, ...] = ()
    tables: tuple[PageTable, ...] = ()

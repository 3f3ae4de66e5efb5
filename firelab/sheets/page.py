"""Paper, and the boxes that a page is cut into; points, measured from the top left."""

from __future__ import annotations

from dataclasses import dataclass

from firelab.errors import UsageError

MM = 72.0 / 25.4
"""Points in a millimetre."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSize:
    """Paper size: name, width and height in points."""

    name: str
    width: float
    height: float


PAGES: dict[str, PageSize] = {
    "a4": PageSize(name="A4", width=210 * MM, height=297 * MM),
    "letter": PageSize(name="US Letter", width=612.0, height=792.0),
}
"""Paper by the name a person types (ISO 216 A4; ANSI letter)."""


def page_size(name: str) -> PageSize:
    """Return the paper of that name, in any case.

    Raises
    ------
    UsageError
        If the name is not in `PAGES`.
    """
    key = name.strip().lower()
    if key not in PAGES:
        raise UsageError(f"page {name!r} is not known", hint=f"one of {', '.join(PAGES)}")
    return PAGES[key]


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle on the page: left, top, width, height in points, top downwards."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge, points."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Lower edge, points from the top of the page."""
        return self.top + self.height

    def inset(self, across: float, down: float | None = None) -> Box:
        """Return the box without a border of that many points."""
        rise = across if down is None else down
        return Box(
            left=self.left + across,
            top=self.top + rise,
            width=max(0.0, self.width - 2 * across),
            height=max(0.0, self.height - 2 * rise),
        )

    def columns(self, *shares: float, gap: float = 0.0) -> tuple[Box, ...]:
        """Return boxes side by side, of widths in those shares."""
        room = self.width - gap * (len(shares) - 1)
        left, made = self.left, []
        for share in shares:
            width = room * share / sum(shares)
            made.append(Box(left=left, top=self.top, width=width, height=self.height))
            left += width + gap
        return tuple(made)

    def rows(self, *shares: float, gap: float = 0.0) -> tuple[Box, ...]:
        """Return boxes one below the other, of heights in those shares."""
        room = self.height - gap * (len(shares) - 1)
        top, made = self.top, []
        for share in shares:
            height = room * share / sum(shares)
            made.append(Box(left=self.left, top=top, width=self.width, height=height))
            top += height + gap
        return tuple(made)

    def below(self, used: float) -> Box:
        """Return what is left of the box below the first `used` points."""
        return Box(
            left=self.left,
            top=self.top + used,
            width=self.width,
            height=max(0.0, self.height - used),
        )

    def upper(self, height: float) -> Box:
        """Return the first `height` points of the box."""
        return Box(left=self.left, top=self.top, width=self.width, height=height)

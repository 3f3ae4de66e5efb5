"""In which firing each colour is laid: every order that keeps the rules."""

from __future__ import annotations

from collections.abc import Iterator

from firelab.piece.piece import Piece

Laid = tuple[int, ...]
"""The firing before which each colour is laid, from 0; every firing lays one at least."""
ALL_UP_TO = 6
"""Colours up to which every order is searched: 4683 of six in at most six firings."""


def all_orders(n_colours: int, most_firings: int) -> Iterator[Laid]:
    """Yield every order of colours, the fewest firings first.

    Examples
    --------
    >>> list(all_orders(2, 2))
    [(0, 0), (0, 1), (1, 0)]
    """
    for n_firings in range(1, min(n_colours, most_firings) + 1):
        yield from _onto(n_colours, n_firings)


def _onto(n_colours: int, n_firings: int) -> Iterator[Laid]:
    """Yield the ways to spread colours over firings, none of them empty."""

    def spread(laid: Laid, lacking: int) -> Iterator[Laid]:
        left = n_colours - len(laid)
        if left == 0:
            yield laid
            return
        for firing in range(n_firings):
            still = lacking - (firing not in laid)
            if still < left:
                yield from spread((*laid, firing), still)

    yield from spread((), n_firings)


def kept_orders(piece: Piece) -> Iterator[Laid]:
    """Yield every order that keeps the rules of a piece."""
    rules = piece.order_rules
    for laid in all_orders(len(piece.colours), piece.firings):
        if all(rule.holds(laid) for rule in rules):
            yield laid

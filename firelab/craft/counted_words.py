"""Numbers with the noun that they count."""

from __future__ import annotations


def count_words(count: int, noun: str) -> str:
    """Return a number with its noun, in the plural where it is not one.

    Examples
    --------
    >>> count_words(1, "look"), count_words(12, "load")
    ('1 look', '12 loads')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"

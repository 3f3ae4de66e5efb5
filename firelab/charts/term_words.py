"""Model terms and columns as a person says them."""

from __future__ import annotations

_NAMES = {"dwell": "ln dwell", "mesh": "log2 grain size"}


def term_words(term: str) -> str:
    """Return a model term in words.

    Examples
    --------
    >>> term_words("dwell"), term_words("temperature:dwell"), term_words("temperature^2")
    ('ln dwell', 'temperature with ln dwell', 'temperature squared')
    """
    parts = []
    for part in term.split(":"):
        name, _, power = part.partition("^")
        parts.append(_NAMES.get(name, name) + (" squared" if power == "2" else ""))
    return " with ".join(parts)


def column_words(column: str) -> str:
    """Return a column of the model by the factors in it, in plain words.

    Examples
    --------
    >>> column_words("base[hard clear]"), column_words("temperature:mesh")
    ('base hard clear', 'temperature with mesh')
    """
    plain = column.replace("[", " ").replace("]", "").replace("^2", " squared")
    return plain.replace(":", " with ")

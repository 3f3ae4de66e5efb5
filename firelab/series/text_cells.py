"""Text in the cells of a table, written so that no spreadsheet runs it.

A cell that begins with ``=``, ``+``, ``-`` or ``@`` would be taken for a
formula; so would what follows a semicolon where a spreadsheet splits there.
An apostrophe is set before such a sign and taken away again on reading.
"""

from __future__ import annotations

import re

_SIGNS = "=+\\-@＝＋－＠"
_RUNS = re.compile(rf"(^|;)(\s*)('*)(?=[{_SIGNS}])")
_SAFE = re.compile(rf"(^|;)(\s*)'('*)(?=[{_SIGNS}])")


def escape_cell(text: str) -> str:
    """Return text as it is safely written into a cell.

    Examples
    --------
    >>> escape_cell("=1+1"), escape_cell("rim; -2 mm"), escape_cell("'twas full")
    ("'=1+1", "rim; '-2 mm", "'twas full")
    """
    return _RUNS.sub(r"\1\2'\3", text)


def unescape_cell(text: str) -> str:
    """Return the text that `escape_cell` was given.

    Examples
    --------
    >>> unescape_cell("'=1+1"), unescape_cell("-2 mm")
    ('=1+1', '-2 mm')
    """
    return _SAFE.sub(r"\1\2\3", text)

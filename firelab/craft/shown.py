"""How a result shows itself in a notebook: its first line, and its summary as HTML."""

from __future__ import annotations

import html


class Shown:
    r"""A result with a `summary`: a short repr, and the summary where HTML is shown.

    Examples
    --------
    >>> class Answer(Shown):
    ...     def summary(self):
    ...         return "Set 1395 °F.\nExpect 99 < 100."
    >>> Answer(), Answer()._repr_html_()
    (<Answer: Set 1395 °F.>, '<pre>Set 1395 °F.\nExpect 99 &lt; 100.</pre>')
    """

    __slots__ = ()

    def summary(self) -> str:
        """Return the result as lines for a terminal."""
        raise NotImplementedError

    def __repr__(self) -> str:
        """Return the name and the first line of the summary."""
        return f"<{type(self).__name__}: {self.summary().partition(chr(10))[0]}>"

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(self.summary())}</pre>"

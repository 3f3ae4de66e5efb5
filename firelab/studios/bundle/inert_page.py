"""A page from a stranger, rebuilt so that nothing in it can run.

Held twice over. Only elements and attributes that a report is made of are written
again, every text escaped: no script, no handler, no link, no form. And the page
begins with a Content Security Policy under which a browser runs no script and
fetches nothing, should the first ever leave something through.
"""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser

POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; form-action 'none'"
"""Content Security Policy Level 3 (W3C): pictures inside the page and its styles only."""

_VOID = frozenset({"img", "input", "br", "hr"})
_ELEMENTS = _VOID | frozenset(
    "main header footer section div p span h1 h2 h3 strong em ul ol li dl dt dd table "
    "caption thead tbody tr th td figure figcaption label code small sup sub".split()
)
_ATTRIBUTES = frozenset(
    "class id lang alt title scope colspan rowspan role for width height tabindex".split()
)
_SILENT = frozenset(
    {"script", "style", "title", "iframe", "object", "noscript", "template"}
)
_PICTURE = re.compile(r"data:image/(png|jpeg|svg\+xml);base64,[A-Za-z0-9+/=\s]*")


def inert_page(raw: bytes) -> bytes:
    """Return a page that shows what a report shows and can do nothing.

    Returns
    -------
    bytes
        UTF-8, with a line on top that says that nobody checked it.

    References
    ----------
    .. [1] Content Security Policy Level 3, W3C, https://www.w3.org/TR/CSP3/.

    Examples
    --------
    >>> page = inert_page(b"<p onclick='x()'>a<script>x()</script> &lt; b</p>")
    >>> page.decode().splitlines()[-1]
    '<p>a &lt; b</p>'
    """
    reader = _Rebuilder()
    reader.feed(raw.decode("utf-8", "replace"))
    reader.close()
    head = (
        '<!DOCTYPE html>\n<html lang="en">\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        f"<title>As sent, not checked</title>\n<style>{reader.styles}</style>\n"
        '<p role="note"><strong>As another studio sent it, not checked.</strong> '
        "Make your own from its records: firelab report</p>\n"
    )
    return (head + "".join(reader.parts)).encode("utf-8")


class _Rebuilder(HTMLParser):
    """Writes again what is allowed."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[str] = []
        self.styles = ""
        self._silent = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _SILENT:
            self._silent = self._silent or tag
        if self._silent or tag not in _ELEMENTS:
            return
        kept = [(name, value or "") for name, value in attrs if _is_kept(tag, name, value)]
        if tag == "input" and ("type", "checkbox") not in kept:
            return
        written = "".join(f' {name}="{html.escape(value)}"' for name, value in kept)
        self.parts.append(f"<{tag}{written}>")

    def handle_endtag(self, tag: str) -> None:
        if self._silent:
            self._silent = "" if tag == self._silent else self._silent
        elif tag in _ELEMENTS - _VOID:
            self.parts.append(f"</{tag}>")

    def handle_data(self, data: str) -> None:
        if self._silent == "style":
            self.styles += data.replace("<", "")
        elif not self._silent:
            self.parts.append(html.escape(data, quote=False))


def _is_kept(tag: str, name: str, value: str | None) -> bool:
    if tag == "img" and name == "src":
        return bool(_PICTURE.fullmatch(value or ""))
    if tag == "input":
        return name == "id" or (name, value) == ("type", "checkbox")
    return name in _ATTRIBUTES or name.startswith("aria-")

"""The page as one document that names the digest of everything it may run."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path

_HERE = Path(__file__).parent
_SCRIPTS = (
    "keeping.js",
    "sending.js",
    "timing.js",
    "begun.js",
    "looks.js",
    "next.js",
    "showing.js",
    "opening.js",
)

_KEPT_S = 12 * 3600
"""Seconds that a phone may keep the page: a day beside the kiln (chosen here)."""


def _read(name: str) -> str:
    return (_HERE / "web" / name).read_text(encoding="utf-8")


@cache
def _script() -> str:
    return "\n".join(_read(name) for name in _SCRIPTS)


def _digest(text: str) -> str:
    raw = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(raw).decode()}'"


def worker_script() -> str:
    """Return the service worker, which holds the page for a reload without connection."""
    return _read("worker.js")


def page_html(bench: str) -> str:
    """Return the page; it holds nothing of the series.

    Parameters
    ----------
    bench : str
        Name under which a phone keeps its entries; letters and digits.
    """
    text = _read("kilnside.html")
    parts = {
        "@@style@@": _read("kilnside.css"),
        "@@script@@": _script(),
        "@@bench@@": bench,
    }
    for mark, part in parts.items():
        text = text.replace(mark, part)
    return text.replace("@@page@@", hashlib.sha256(text.encode("utf-8")).hexdigest())


def page_headers() -> dict[str, str]:
    """Return the headers of the page itself, which a phone may keep over a firing day.

    Where a browser runs no service worker (plain http), its own copy is what opens when
    there is no connection; the page asks for a newer one whenever there is.
    """
    return security_headers() | {"Cache-Control": f"private, max-age={_KEPT_S}"}


@cache
def security_headers() -> dict[str, str]:
    """Return headers that let the page run its own script and style, and nothing else."""
    policy = {
        "default-src": "'none'",
        "script-src": _digest(_script()),
        "style-src": _digest(_read("kilnside.css")),
        "img-src": "blob:",
        "connect-src": "'self'",
        "worker-src": "'self'",
        "base-uri": "'none'",
        "form-action": "'none'",
        "frame-ancestors": "'none'",
    }
    return {
        "Content-Security-Policy": "; ".join(f"{k} {v}" for k, v in policy.items()),
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "no-referrer",
        "Cache-Control": "no-store",
        "Cross-Origin-Resource-Policy": "same-origin",
    }

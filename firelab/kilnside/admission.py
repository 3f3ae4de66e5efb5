"""Who may come in: one-time keys, the phones that used one, and the gate.

A key is shown as a QR square and lets one phone in. The phone brings a token of
its own making and is known by it from then on, also after the server was
stopped and started. Only SHA-256 digests of keys and tokens are kept. Nothing
behind the gate is read or changed by a request without its key.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from firelab.kilnside.page import security_headers
from firelab.series.folder import json_text, read_json, write_atomically

ADMISSION_FILE = ".kilnside.json"
SCHEMA = "firelab/kilnside/1"
MOST_PHONES = 200
"""Far above a class; bounds the file of digests (chosen here, no source)."""
_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"
KEY_LENGTH = 22  # 31 signs: 109 bits
_TOKEN = re.compile(r"[0-9a-z]{32,64}")


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _random(length: int) -> str:
    return "".join(secrets.choice(_SIGNS) for _ in range(length))


@dataclass(slots=True)
class Admission:
    """Keys that wait for a phone, and phones that are known.

    Attributes
    ----------
    path : Path
        Where digests are kept.
    bench : str
        Random name of this folder's bench: a phone keeps its entries under it.
    open_keys : set of str
        Digests of keys that no phone has used.
    used_keys : dict of str to str
        Digest of a used key to that of the token that used it.
    """

    path: Path
    bench: str = field(default_factory=lambda: _random(12))
    open_keys: set[str] = field(default_factory=set)
    used_keys: dict[str, str] = field(default_factory=dict)
    _lock: Any = field(default_factory=Lock)

    def new_key(self) -> str:
        """Return a new one-time key."""
        key = _random(KEY_LENGTH)
        with self._lock:
            self.open_keys.add(_digest(key))
            self._keep()
        return key

    def knows_key(self, key: str) -> bool:
        """Tell whether a key still waits for its phone."""
        return _digest(key) in self.open_keys

    def admits(self, token: str) -> bool:
        """Tell whether a phone came in by a key."""
        return bool(_TOKEN.fullmatch(token)) and _digest(token) in self.used_keys.values()

    def join(self, key: str, token: str) -> bool:
        """Let a phone in by an unused key; the same phone may ask twice."""
        if not _TOKEN.fullmatch(token):
            return False
        with self._lock:
            name, phone = _digest(key), _digest(token)
            if name in self.open_keys and len(self.used_keys) < MOST_PHONES:
                self.open_keys.discard(name)
                self.used_keys[name] = phone
                self._keep()
            return self.used_keys.get(name) == phone

    @property
    def n_phones(self) -> int:
        """Number of phones that came in."""
        return len(set(self.used_keys.values()))

    def _keep(self) -> None:
        content = {
            "schema": SCHEMA,
            "bench": self.bench,
            "open_keys": sorted(self.open_keys),
            "used_keys": self.used_keys,
        }
        write_atomically(self.path, json_text(content))


def open_admission(folder: str | Path, *, forget: bool = False) -> Admission:
    """Return the admission of a folder as it was kept.

    Parameters
    ----------
    folder : str or Path
        The series folder.
    forget : bool, default False
        Start anew: no phone and no key is known.
    """
    path = Path(folder) / ADMISSION_FILE
    try:
        kept = read_json(path.read_bytes(), path.name)
        admission = Admission(path=path, bench=str(kept["bench"]))
        if not forget:
            admission.open_keys = {str(key) for key in kept["open_keys"]}
            admission.used_keys = {str(k): str(v) for k, v in kept["used_keys"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        admission = Admission(path=path)
    return admission


_COOKIE = "firelab-kilnside"
JOIN_PATH = "/api/join"
WORKER_PATH = "/worker.js"
_NO_KEY = (
    "This page opens by a one-time key. Scan the square that firelab kilnside shows; a "
    "square that was used once opens no second phone."
)


def bearer_token(request: Request) -> str:
    """Return the token that a request carries in its Authorization header."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token if scheme == "Bearer" else ""


def is_encrypted(request: Request) -> bool:
    """Tell whether a request came by https."""
    return request.url.scheme == "https"


def cookie_name(request: Request) -> str:
    """Return the name of the cookie that opens the page.

    By https it is one that a browser never sends by http (the prefix ``__Host-`` of RFC
    6265bis), and that does not stand in the way of the one for http on the same machine.
    """
    return f"__Host-{_COOKIE}" if is_encrypted(request) else _COOKIE


def _cookie_token(request: Request) -> str:
    try:
        held = SimpleCookie(request.headers.get("cookie", ""))
        morsel = held.get(cookie_name(request))
    except CookieError:
        return ""
    return morsel.value if morsel else ""


class Gate:
    """ASGI middleware: the page by key or cookie, the rest by token only."""

    def __init__(self, app: ASGIApp, admission: Admission) -> None:
        self.app = app
        self.admission = admission

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it with 403."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        request = Request(scope)
        if self._passes(request):
            await self.app(scope, receive, send)
            return
        refusal: Response
        if request.url.path.startswith("/api/"):
            refusal = JSONResponse({"message": _NO_KEY}, status_code=403)
        else:
            refusal = PlainTextResponse(_NO_KEY, status_code=403)
        refusal.headers.update(security_headers())
        await refusal(scope, receive, send)

    def _passes(self, request: Request) -> bool:
        if request.url.path == JOIN_PATH:
            return request.method == "POST"  # it looks at the key itself
        if request.url.path == WORKER_PATH:
            return self.admission.admits(_cookie_token(request))
        if request.url.path == "/":
            keys = parse_qs(request.url.query).get("key", [""])
            return self.admission.knows_key(keys[0]) or self.admission.admits(
                _cookie_token(request)
            )
        return self.admission.admits(bearer_token(request))

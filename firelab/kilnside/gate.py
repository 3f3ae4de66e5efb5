"""Nothing behind the gate is read or changed by a request without its key."""

from __future__ import annotations

from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from firelab.kilnside.admission import Admission
from firelab.kilnside.page import security_headers

COOKIE = "firelab-kilnside"
JOIN_PATH = "/api/join"
_NO_KEY = (
    "This page opens by a one-time key. Scan the square that firelab kilnside shows; a "
    "square that was used once opens no second phone."
)


def bearer_token(request: Request) -> str:
    """Return the token that a request carries in its Authorization header."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token if scheme == "Bearer" else ""


def _cookie_token(request: Request) -> str:
    try:
        morsel = SimpleCookie(request.headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return morsel.value if morsel else ""


class Gate:
    """ASGI middleware: the page by key or cookie, the rest by token only.

    Parameters
    ----------
    app : ASGIApp
    admission : Admission
    """

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
        if request.url.path == "/":
            keys = parse_qs(request.url.query).get("key", [""])
            return self.admission.knows_key(keys[0]) or self.admission.admits(
                _cookie_token(request)
            )
        return self.admission.admits(bearer_token(request))

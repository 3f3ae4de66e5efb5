"""The server beside the kiln: a page, the bench's state, and looks coming in."""

from __future__ import annotations

import functools
from collections.abc import Awaitable, Callable
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from firelab.errors import FaultyFile, Finding, FirelabError, RecordsInsufficient
from firelab.kilnside.admission import (
    JOIN_PATH,
    WORKER_PATH,
    Admission,
    Gate,
    bearer_token,
    cookie_name,
    is_encrypted,
)
from firelab.kilnside.bench import Bench
from firelab.kilnside.look_body import (
    LOOK_FIELDS,
    MOST_BYTES,
    SENT_FILE,
    TIMING_FIELDS,
    FaultyBody,
    Timings,
    parse_body,
    parse_planned,
)
from firelab.kilnside.next_card import PLANNED_FIELDS, TurnTaken
from firelab.kilnside.page import (
    page_headers,
    page_html,
    security_headers,
    worker_script,
)
from firelab.records.look import WITHDRAWAL, look_words
from firelab.records.photographs import LARGEST_PHOTO_BYTES, keep_photo

_CLASHES = {"look-twice", "nothing-to-change", "unclear-change"}
MOST_PHOTOS = 300
"""Of one phone while it is served: five looks at each of 60 tiles (chosen here)."""
_MONTH_S = 30 * 24 * 3600
Endpoint = Callable[[Request], Awaitable[Response]]


def kilnside_app(
    bench: Bench,
    admission: Admission,
    *,
    report: Callable[[str], None] = lambda line: None,
    joined: Callable[[], None] = lambda: None,
) -> Starlette:
    """Return the application that serves one bench.

    Parameters
    ----------
    bench : Bench
        The series folder.
    admission : Admission
        Who may come in.
    report : callable
        Takes one line for the terminal: a look kept, or a fault of firelab's own.
    joined : callable
        Called when a phone came in by a key.
    """
    serving = _Serving(bench=bench, admission=admission, report=report, joined=joined)
    routes = [
        Route("/", serving.page, methods=["GET"]),
        Route(WORKER_PATH, serving.worker, methods=["GET"]),
        Route(JOIN_PATH, serving.guarded(serving.join), methods=["POST"]),
        Route("/api/state", serving.guarded(serving.state), methods=["GET"]),
        Route("/api/next", serving.guarded(serving.next), methods=["GET"]),
        Route("/api/next", serving.guarded(serving.plan_tile), methods=["POST"]),
        Route("/api/looks", serving.guarded(serving.look), methods=["POST"]),
        Route("/api/timings", serving.guarded(serving.timing), methods=["POST"]),
        Route("/api/photos/{entry}", serving.guarded(serving.photo), methods=["POST"]),
    ]
    return Starlette(
        routes=routes,
        middleware=[Middleware(Gate, admission=admission)],
        exception_handlers={HTTPException: _http_fault},
    )


def _http_fault(request: Request, fault: Exception) -> Response:
    status = fault.status_code if isinstance(fault, HTTPException) else 500
    return _answer({"message": "there is nothing here"}, status)


def _answer(content: dict[str, Any], status: int = 200) -> Response:
    return JSONResponse(content, status_code=status, headers=security_headers())


def _findings(found: tuple[Finding, ...], status: int) -> Response:
    message = "; ".join(one.message for one in found)
    listed = [one.to_dict() for one in found]
    return _answer({"message": message, "findings": listed}, status)


async def _body(request: Request, most: int) -> bytes:
    raw = bytearray()
    async for chunk in request.stream():
        raw += chunk
        if len(raw) > most:
            raise HTTPException(413)
    return bytes(raw)


async def _fields(request: Request, names: tuple[str, ...]) -> dict[str, str]:
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if kind != "application/json":
        raise FaultyBody("the body is not JSON", hint="send application/json")
    return parse_body(await _body(request, MOST_BYTES), names)


class _Serving:
    """The endpoints of one bench."""

    def __init__(
        self,
        *,
        bench: Bench,
        admission: Admission,
        report: Callable[[str], None],
        joined: Callable[[], None],
    ) -> None:
        self.bench = bench
        self.admission = admission
        self.report = report
        self.joined = joined
        self.timings = Timings()
        self.photos: dict[str, int] = {}
        self.turns: dict[str, str] = {}  # who had a tile planned, while it is served

    def guarded(self, endpoint: Endpoint) -> Endpoint:
        """Turn every fault into an answer that a phone understands."""

        @functools.wraps(endpoint)
        async def answered(request: Request) -> Response:
            try:
                return await endpoint(request)
            except FaultyBody as fault:
                return _answer({"message": fault.what, "hint": fault.hint}, 400)
            except FaultyFile as fault:
                return self._refusal(fault)
            except FirelabError as fault:
                self.report(str(fault))
                return _answer({"message": fault.what, "hint": fault.hint}, 503)
            except HTTPException as fault:
                message = "too large" if fault.status_code == 413 else "not understood"
                return _answer({"message": message}, fault.status_code)
            except ClientDisconnect:
                return _answer({"message": "the connection was lost"}, 400)
            except Exception as fault:
                self.report(f"kilnside failed: {type(fault).__name__}: {fault}")
                return _answer({"message": "firelab failed; keep the entry"}, 500)

        return answered

    def _refusal(self, fault: FaultyFile) -> Response:
        """Tell a fault of what was sent from one of the folder, which is no phone's."""
        if any(one.file != SENT_FILE for one in fault.findings):
            self.report(str(fault))
            return _findings(fault.findings, 503)
        clash = any(one.code in _CLASHES for one in fault.findings)
        return _findings(fault.findings, 409 if clash else 422)

    async def page(self, request: Request) -> Response:
        """Return the page."""
        page = page_html(self.admission.bench)
        return HTMLResponse(page, headers=page_headers())

    async def worker(self, request: Request) -> Response:
        """Return the script that keeps the page through a reload without connection."""
        return Response(
            worker_script(), headers=security_headers(), media_type="text/javascript"
        )

    async def join(self, request: Request) -> Response:
        """Let a phone in by its one-time key."""
        fields = await _fields(request, ("key", "token"))
        token, before = fields.get("token", ""), self.admission.n_phones
        if not self.admission.join(fields.get("key", ""), token):
            return _answer({"message": "this key was used, or is none"}, 403)
        if self.admission.n_phones > before:
            self.joined()
        answer = _answer({"bench": self.admission.bench}, 201)
        answer.set_cookie(
            cookie_name(request),
            token,
            max_age=_MONTH_S,
            httponly=True,
            samesite="strict",
            path="/",
            secure=is_encrypted(request),
        )
        return answer

    async def state(self, request: Request) -> Response:
        """Return the bench as it stands; 204 where nothing changed."""
        version = f"{self.bench.version()}-{self.timings.count}"
        if request.query_params.get("since") == version:
            return Response(status_code=204, headers=security_headers())
        state = await run_in_threadpool(self.bench.state)
        state |= {"version": version, "timings": self.timings.listed()}
        return _answer(state)

    async def next(self, request: Request) -> Response:
        """Return the next firing, or 404 with why the looks cannot tell it yet."""
        try:
            return _answer(await run_in_threadpool(self.bench.next_card))
        except RecordsInsufficient as fault:
            return _answer({"message": fault.what}, 404)

    async def plan_tile(self, request: Request) -> Response:
        """Plan a tile that a phone has begun, or take it back; 409 where it cannot be."""
        fields = await _fields(request, PLANNED_FIELDS)
        if fields.pop("bench", self.admission.bench) != self.admission.bench:
            return _answer({"message": "this tile is of another series"}, 422)
        planned = parse_planned(fields)
        tile, phone = planned["tile"], bearer_token(request)
        kept: dict[str, Any] = {"kept": True, "tile": tile}
        is_own = self.turns[tile] == phone if tile in self.turns else None
        try:
            if planned.get("change") == WITHDRAWAL:
                if is_own is False:
                    raise FirelabError(f"another phone had tile {tile} planned")
                await run_in_threadpool(self.bench.take_back, tile)
                self.turns.pop(tile, None)
                self.report(f"tile {tile} taken out of the plan beside the kiln")
                return _answer(kept, 200)
            plan_tile = functools.partial(self.bench.plan_tile, planned, is_own=is_own)
            kept["load"] = await run_in_threadpool(plan_tile)
        except FaultyFile:
            raise
        except TurnTaken as fault:
            return _answer({"message": fault.what, "next": fault.code}, 409)
        except FirelabError as fault:
            return _answer({"message": fault.what, "hint": fault.hint}, 409)
        self.turns[tile] = phone
        self.report(f"tile {tile} planned beside the kiln")
        return _answer(kept, 201)

    async def look(self, request: Request) -> Response:
        """Take in one look: 201 once it is on disk, 200 if it was already."""
        fields = await _fields(request, (*LOOK_FIELDS, "bench"))
        if fields.pop("bench", self.admission.bench) != self.admission.bench:
            return _answer({"message": "this look is of another series"}, 422)
        recorded = await run_in_threadpool(self.bench.record, fields)
        if recorded.left_out:
            return _answer({"message": "the look says nothing of its tile"}, 422)
        reads = self.bench.declared().series.kiln.reads
        for look in recorded.added:
            self.report(look_words(look, reads))
        kept = {"kept": True, "entry": fields["entry"]}
        return _answer(kept, 201 if recorded.added else 200)

    async def timing(self, request: Request) -> Response:
        """Take in a time that another phone may grade by."""
        self.timings.put(await _fields(request, TIMING_FIELDS))
        return _answer({"kept": True})

    async def photo(self, request: Request) -> Response:
        """Keep a photo beside the log."""
        entry, phone = request.path_params["entry"], bearer_token(request)
        if self.photos.get(phone, 0) >= MOST_PHOTOS:
            return _answer({"message": f"this phone sent {MOST_PHOTOS} photos"}, 429)
        if not await run_in_threadpool(self.bench.has_entry, entry):
            return _answer({"message": "the photo is of no look that is recorded"}, 404)
        raw = await _body(request, LARGEST_PHOTO_BYTES)
        self.photos[phone] = self.photos.get(phone, 0) + 1
        try:
            name = await run_in_threadpool(keep_photo, self.bench.folder, entry, raw)
        except FirelabError as fault:
            return _answer({"message": fault.what}, 415)
        return _answer({"kept": True, "name": name}, 201)

"""What every request passes first: own host, own pages, size and pace; and the headers every answer carries."""

from __future__ import annotations

import asyncio
from collections import Counter

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gaswitness.web.access import MAX_BODY, foreign_origin, host_of, own_host
from gaswitness.web.board import Board
from gaswitness.web.pages import words_of

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}


STREAMS = frozenset({"/events", "/post/events"})
STREAMS_EACH = 8
"""Streams that one session may have open at once; a browser opens one a page, and six at most."""
BODY_S = 20.0
"""By then all that was announced must have come."""


class Guard:
    """Plain ASGI around the whole board, so that it also holds for streams and for what is not found."""

    def __init__(self, app: ASGIApp, board: Board) -> None:
        self._app, self._board = app, board
        self._names = frozenset({host_of(board.address)})
        self._streams: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on and dress the answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope, headers)
        size, whole = 0, False
        until_s = asyncio.get_running_loop().time() + BODY_S

        async def counted() -> Message:
            nonlocal size, whole
            if whole:
                return await receive()
            try:
                message = await asyncio.wait_for(receive(), until_s - asyncio.get_running_loop().time())
            except TimeoutError:
                return {"type": "http.disconnect"}
            whole = not message.get("more_body", False)
            size += len(message.get("body", b""))
            if size > MAX_BODY:
                return {"type": "http.disconnect"}
            return message

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out[name] = value
                if "cache-control" not in out:
                    out["cache-control"] = "no-store"
                if scope.get("scheme") == "https" and host_of(f"//{headers.get('host', '')}") != "localhost":
                    out["strict-transport-security"] = "max-age=86400"
            await send(message)

        if refused is not None:
            await _said(scope, *refused)(scope, receive, dressed)
            return
        if scope["path"] not in STREAMS:
            try:
                await self._app(scope, counted, dressed)
            except ClientDisconnect:  # it was cut off here, or has gone
                await _said(scope, 408, "guard.slow")(scope, receive, dressed)
            return
        who = headers.get("cookie", "")
        if self._streams[who] >= STREAMS_EACH:
            await _said(scope, 429, "guard.streams")(scope, receive, dressed)
            return
        self._streams[who] += 1
        try:
            await self._app(scope, counted, dressed)
        finally:
            self._streams[who] -= 1
            if not self._streams[who]:
                del self._streams[who]

    def _refused(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        client = scope.get("client")
        who = client[0] if client else "?"
        if not own_host(headers.get("host", ""), self._names):
            return 400, "guard.host"
        if scope["method"] not in ("GET", "HEAD") and foreign_origin(headers):
            return 403, "guard.foreign"
        try:
            if int(headers.get("content-length", "0")) > MAX_BODY:
                return 413, "guard.much"
        except ValueError:
            return 400, "guard.length"
        joins = scope["path"].startswith("/join") and scope["method"] == "POST"
        if not (self._board.knocks if joins else self._board.requests).allows(who):
            return 429, "guard.often"
        return None


def _said(scope: Scope, status: int, key: str) -> PlainTextResponse:
    """A refusal in one line, in the language of whoever asks."""
    return PlainTextResponse(words_of(Request(scope))(key), status)

"""What every request passes first: own host, own pages, size and pace; and the headers every answer carries."""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gaswitness.web.access import MAX_BODY, foreign_origin, own_host
from gaswitness.web.board import Board

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


class Guard:
    """Plain ASGI around the whole board, so that it also holds for streams and for what is not found."""

    def __init__(self, app: ASGIApp, board: Board) -> None:
        self._app, self._board = app, board

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or pass on and dress the answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope, headers)
        size = 0

        async def counted() -> Message:
            nonlocal size
            message = await receive()
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
                if scope.get("scheme") == "https":
                    out["strict-transport-security"] = "max-age=86400"
            await send(message)

        if refused is not None:
            await PlainTextResponse(refused[1], refused[0])(scope, receive, dressed)
            return
        await self._app(scope, counted, dressed)

    def _refused(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        client = scope.get("client")
        who = client[0] if client else "?"
        if not own_host(headers.get("host", "")):
            return 400, "unknown host"
        if scope["method"] not in ("GET", "HEAD") and foreign_origin(headers):
            return 403, "asked by another site's page"
        try:
            if int(headers.get("content-length", "0")) > MAX_BODY:
                return 413, "too much at once"
        except ValueError:
            return 400, "bad length"
        joins = scope["path"].startswith("/join") and scope["method"] == "POST"
        if not (self._board.knocks if joins else self._board.requests).allows(who):
            return 429, "too often; wait a little"
        return None

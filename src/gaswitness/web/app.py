"""The board as a web application: its routes, its errors; nothing a client sees tells of the inside."""

from __future__ import annotations

import logging
import secrets
from http import HTTPStatus

from fastapi import FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.staticfiles import StaticFiles

from gaswitness.errors import GaswitnessError
from gaswitness.web import desk, joining, post, result, watch
from gaswitness.web.board import Board
from gaswitness.web.guard import Guard
from gaswitness.web.pages import HERE, page, teller_of, words_of

LOG = logging.getLogger("gaswitness.board")


def make_app(board: Board) -> FastAPI:
    """The application of one board."""
    app = FastAPI(title="gaswitness board", docs_url=None, redoc_url=None, openapi_url=None)
    app.state.board = board
    app.add_middleware(Guard, board=board)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    for room in (joining, desk, watch, result, post):
        app.include_router(room.router)
    app.add_exception_handler(StarletteHTTPException, _refused)
    app.add_exception_handler(RequestValidationError, _malformed)
    app.add_exception_handler(GaswitnessError, _told)
    app.add_exception_handler(Exception, _broke)
    return app


def _wants_json(request: Request) -> bool:
    accept = request.headers.get("accept", "")
    return "application/json" in accept or request.headers.get("content-type", "").startswith("application/json")


def _answer(request: Request, status: int, message: str, hint: str = "") -> Response:
    if _wants_json(request):
        return JSONResponse({"error": message, "hint": hint}, status_code=status)
    return page(request, "error.html", {"message": message, "hint": hint}, status=status)


async def _refused(request: Request, error: Exception) -> Response:
    """A refusal; its detail is a key of the catalogue, or else the words of the status."""
    assert isinstance(error, HTTPException | StarletteHTTPException)  # noqa: S101 - registered for these
    words = words_of(request)
    known = isinstance(error.detail, str) and error.detail in words
    fallback = f"error.{error.status_code}"
    message = words(error.detail) if known else words(fallback) if fallback in words else _phrase(error.status_code)
    return _answer(request, error.status_code, message, words("access.how") if error.status_code == 401 else "")


def _phrase(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return str(status)


async def _malformed(request: Request, error: Exception) -> Response:
    """Something that is not what was asked for; said without repeating what came."""
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for this
    at = ", ".join(".".join(str(part) for part in one["loc"][1:]) for one in error.errors())
    return _answer(request, 422, words_of(request)("error.malformed", at=at[:200]))


async def _told(request: Request, error: Exception) -> Response:
    """An error of the trade: its own message is for the person at the page."""
    assert isinstance(error, GaswitnessError)  # noqa: S101 - registered for this
    tell = teller_of(request)
    return _answer(request, 400, tell(error.message), tell(error.hint))


async def _broke(request: Request, error: Exception) -> Response:
    """A defect of ours: a number for the page, the rest for the log of the machine."""
    number = secrets.token_hex(4)
    LOG.error("defect %s on %r", number, request.url.path, exc_info=error)
    return _answer(request, 500, words_of(request)("error.defect", number=number))

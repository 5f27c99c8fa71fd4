"""How a page is made: template, catalogue, and what every page needs to know."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from gaswitness.sentence import Sentence
from gaswitness.telling import LANGUAGES, Teller
from gaswitness.web.access import Session, session_of
from gaswitness.web.board import Board
from gaswitness.web.words import Words, language_of

HERE = Path(__file__).parent
LANGUAGE_COOKIE = "language"


@lru_cache(maxsize=1)
def _templates() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["data"] = data_block
    environment.filters["day"] = lambda wall: wall[:10]
    environment.filters["minute"] = lambda wall: datetime.fromisoformat(wall).strftime("%Y-%m-%d %H:%M UTC")
    return environment


def data_block(value: object) -> Markup:
    """A value as JSON that may stand inside a `<script type="application/json">`, which no browser runs.

    >>> data_block("</script>")
    Markup('"\\\\u003c/script\\\\u003e"')
    """
    text = json.dumps(value, ensure_ascii=False)
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return Markup(text)  # noqa: S704 - what could end the block was just escaped


def board_of(request: Request) -> Board:
    """The board that serves this request."""
    board: Board = request.app.state.board
    return board


def words_of(request: Request) -> Words:
    """The catalogue in the language of whoever asks."""
    return Words(language_of(request.cookies.get(LANGUAGE_COOKIE), request.headers.get("accept-language", "")))


def teller_of(request: Request, known: Iterable[Sentence] = ()) -> Teller:
    """Says sentences of the core in the language of whoever asks."""
    return Teller(words_of(request).language, known)


def page(
    request: Request,
    template: str,
    context: Mapping[str, Any] | None = None,
    *,
    status: int = 200,
    session: Session | None = None,
    known: Iterable[Sentence] = (),
) -> HTMLResponse:
    """A whole page; `t` is its catalogue, `tell` says sentences of the core, `session` is whoever looks at it.

    `known` are sentences of which the page has the English only, as those of a plan that was read from a file.
    """
    words = words_of(request)
    session = session or session_of(request)
    text = (
        _templates()
        .get_template(template)
        .render(
            t=words,
            tell=Teller(words.language, known),
            languages=LANGUAGES,
            session=session,
            csrf=session.csrf if session is not None else "",
            path=request.url.path,
            live=board_of(request).live,
            **(context or {}),
        )
    )
    return HTMLResponse(text, status_code=status)


def then(path: str) -> Response:
    """Look there next (after a form was taken in)."""
    return RedirectResponse(path, status_code=303)

"""Joining and leaving: tokens that open one session each, codes that carry them, posts handed over."""

from __future__ import annotations

import io

import segno
from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response
from markupsafe import Markup

from gaswitness.errors import InputError
from gaswitness.run.ports import Press
from gaswitness.sentence import listed, said
from gaswitness.telling import LANGUAGES
from gaswitness.web.access import (
    COOKIE,
    Anybody,
    Desk,
    Invitation,
    Refused,
    Role,
    Session,
    browser_of,
    form_of,
    session_of,
    set_cookie,
)
from gaswitness.web.board import Board
from gaswitness.web.live import ANSWER_U_S, PRESENT, Live
from gaswitness.web.pages import LANGUAGE_COOKIE, board_of, page, then

router = APIRouter()

HOMES: dict[Role, str] = {"desk": "/", "witness": "/post", "reader": "/live"}
"""Where each role begins."""


def home_of(session: Session) -> str:
    """Where somebody begins."""
    return HOMES[session.role]


@router.get("/join/{token}")
async def door(request: Request, token: str) -> Response:
    """Ask for a name. Looking does not use the token up, so a preview of the link does no harm."""
    try:
        invited = board_of(request).access.invitation(token)
    except Refused as refused:
        raise HTTPException(403, refused.why) from refused
    left = _who_stands_there(board_of(request), invited)
    context = {
        "token": token,
        "invited": invited,
        "left": left.name if left else "",
        "tls": board_of(request).tls_authority,
    }
    return page(request, "join.html", context)


@router.get("/board.crt")
async def authority(request: Request) -> Response:
    """What a phone installs so that it trusts this board, and opens its page without network too."""
    der = board_of(request).tls_authority
    if not der:
        raise HTTPException(404)
    headers = {"content-disposition": 'attachment; filename="gaswitness-board.crt"'}
    return Response(der, media_type="application/x-x509-ca-cert", headers=headers)


@router.post("/join")
async def join(request: Request) -> Response:
    """Use the token up and open a session."""
    board, form = board_of(request), await form_of(request)
    try:
        token = form.get("token", "")
        left = _who_stands_there(board, board.access.invitation(token))
        cookie, session = board.access.join(token, form.get("name", ""), browser_of(request), session_of(request))
    except Refused as refused:
        raise HTTPException(403, refused.why) from refused
    if left is not None and board.live is not None and not board.live.over:
        _handed_over(board.live, left, session)
    response = then(home_of(session))
    set_cookie(response, cookie, secure=board.access.secure)
    return response


def _who_stands_there(board: Board, invited: Invitation) -> Session | None:
    """Whose post an invitation hands over, if that access still holds."""
    return next((one for one in board.access.people(invited.run) if one.sid == invited.takes_over), None)


def _handed_over(live: Live, left: Session, came: Session) -> None:
    """The record says that one has left the post and the other has it."""
    note = f"handed over to {came.name}"
    at_s = live.clock.now_s()
    live.hands.press(
        Press(f"handed-over-{left.sid}-{came.sid}", left.post, left.name, PRESENT, False, at_s, ANSWER_U_S, note=note)
    )


@router.post("/leave")
async def leave(request: Request, session: Session = Anybody) -> Response:
    """End one's own session."""
    board_of(request).access.end(session.sid)
    response = page(request, "outside.html", {"left": True})
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response


@router.get("/language/{language}")
async def language(language: str, back: str = "/") -> Response:
    """Choose the language of the pages."""
    if language not in LANGUAGES:
        raise HTTPException(404)
    own = back if back.startswith("/") and not back.startswith(("//", "/\\")) else "/"
    response = then(own)
    response.set_cookie(LANGUAGE_COOKIE, language, max_age=365 * 86400, path="/", httponly=True, samesite="strict")
    return response


@router.get("/people")
async def people(request: Request, session: Session = Desk) -> Response:
    """Who joined, and invitations to more."""
    board = board_of(request)
    context = {
        "people": board.access.people(),
        "posts": board.live.plan.site.posts if board.live is not None else (),
        "fingerprint": board.tls_fingerprint,
        "address": board.address,
    }
    return page(request, "people.html", context, session=session)


@router.post("/people/invite")
async def invite(request: Request, session: Session = Desk) -> Response:
    """A one-time code for a phone; for a post that somebody stands at, it hands the post over."""
    board, form = board_of(request), await form_of(request)
    role = form.get("role", "witness")
    if role not in HOMES:
        raise InputError(said("no such role"), where=said("role"), found=role, expected=listed(HOMES))
    wanted: Role = next(one for one in HOMES if one == role)
    if wanted != "desk" and board.live is None:
        raise HTTPException(409, "people.no_run")
    run = board.live.run_id if board.live is not None and wanted != "desk" else None
    post, takes_over = form.get("post", ""), form.get("takes_over", "")
    if takes_over:
        left = next((one for one in board.access.people(run) if (one.sid, one.role) == (takes_over, "witness")), None)
        if left is None or wanted != "witness":
            raise HTTPException(409, "people.gone")
        post = left.post
    if wanted == "witness" and board.live is not None and post not in {one.tag for one in board.live.plan.site.posts}:
        raise InputError(said("no such post at this site"), where=said("post"), found=post[:60])
    token = board.access.invite(wanted, run=run, post=post, takes_over=takes_over)
    address = f"{board.address}/join/{token}"
    context = {"code": code_of(address), "address": address, "role": wanted, "fingerprint": board.tls_fingerprint}
    return page(request, "invite.html", context, session=session)


@router.post("/people/end")
async def end(request: Request, session: Session = Desk) -> Response:
    """Somebody's session opens nothing any more."""
    sid = (await form_of(request)).get("sid", "")
    board_of(request).access.end(sid)
    return then("/people" if sid != session.sid else "/")


def code_of(address: str) -> Markup:
    """An address as a QR code (ISO/IEC 18004), drawn as SVG without any style."""
    out = io.BytesIO()
    segno.make(address, error="m", micro=False).save(
        out, kind="svg", scale=6, border=4, xmldecl=False, svgns=False, omitsize=True, dark="#1b1b1b", light="#ffffff"
    )
    return Markup(out.getvalue().decode())  # noqa: S704 - made by the library from an address of ours


@router.get("/outside")
async def outside(request: Request) -> Response:
    """What somebody sees who has not joined."""
    session = session_of(request)
    return then(home_of(session)) if session is not None else page(request, "outside.html", {"left": False})

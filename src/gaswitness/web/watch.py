"""The live page: one run as it goes on, what the desk may do to it, and the stream that every page listens to."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Literal

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse

from gaswitness.errors import InputError
from gaswitness.plan.records import MEASURED
from gaswitness.run.measured import read_typed
from gaswitness.run.ports import HandOverWish, NoteWish
from gaswitness.web.access import Anybody, Desk, Refused, Session, browser_of, form_of
from gaswitness.web.live import Live
from gaswitness.web.pages import board_of, page, words_of
from gaswitness.web.picture import now_document, strip_document

router = APIRouter()

REASON_CHARS = 300


def live_of(request: Request, session: Session) -> Live:
    """The run that this session may see; 404 where there is none, 403 where it is bound to another one."""
    live = board_of(request).live
    if live is None:
        raise HTTPException(404, "live.none")
    if session.role != "desk" and session.run != live.run_id:
        raise HTTPException(403, "access.other_run")
    return live


@router.get("/live")
async def live_page(request: Request, session: Session = Anybody) -> Response:
    """The run as it goes on; only the desk can do anything to it."""
    live = live_of(request, session)
    words = words_of(request)
    context = {
        "run": live,
        "texts": words.under("live.", "kind.", "strip.", "word."),
        "ledger": f"{live.run_id}.ledger.jsonl",
    }
    return page(request, "live.html", context, session=session)


@router.get("/events")
async def events(request: Request, session: Session = Anybody) -> Response:
    """Server-sent events: `strip` when another detector comes under test, `now` after every poll, with new readings."""
    live = live_of(request, session)
    access, cookie, browser = board_of(request).access, request.cookies.get("gaswitness", ""), browser_of(request)

    def still_in() -> bool:
        try:
            access.session(cookie, browser)
        except Refused:
            return False
        return True

    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return StreamingResponse(_stream(live, still_in), media_type="text/event-stream", headers=headers)


async def _stream(live: Live, still_in: object) -> AsyncIterator[bytes]:
    shown: tuple[str, float | None] | None = None
    last_s = float("-inf")
    async for snapshot in live.subscribe():
        if callable(still_in) and not still_in():
            yield _event("out", {})
            return
        if snapshot is None:
            yield b": still here\n\n"
            continue
        strip = snapshot.strip
        if strip is not None and shown != (strip.detector.tag, strip.gas_on_s):
            shown, last_s = (strip.detector.tag, strip.gas_on_s), float("-inf")
            yield _event("strip", strip_document(strip))
        fresh = [] if strip is None else [one for one in strip.samples if one[0] > last_s]
        if strip is not None and fresh:
            last_s = fresh[-1][0]
        factor = strip.per_ppm if strip is not None else 1.0
        samples = [[round(t_s, 2), float(f"{value * factor:.6g}")] for t_s, value in fresh]
        yield _event("now", {**now_document(snapshot, live), "samples": samples})
    yield _event("over", {"failed": live.failed})


def _event(name: str, document: object) -> bytes:
    return f"event: {name}\ndata: {json.dumps(document, ensure_ascii=False, allow_nan=False)}\n\n".encode()


@router.post("/live/answer")
async def answer(request: Request, session: Session = Desk) -> Response:
    """The step that waits is done, or left out."""
    live, form = live_of(request, session), await form_of(request)
    state = form.get("state", "")
    if state not in ("done", "skipped"):
        raise InputError("no such answer", where="state", found=state, expected="done or skipped")
    note, step = form.get("note", "")[:REASON_CHARS], live.hands.asking
    measured = read_typed(step.kind, form.get("measured", "")[:60]) if step and step.kind in MEASURED else None
    done: Literal["done", "skipped"] = "done" if state == "done" else "skipped"
    taken = live.hands.answer(form.get("step", ""), done, session.name, note, measured)
    if not taken:
        raise HTTPException(409, "live.not_asked")
    return JSONResponse({"taken": True})


@router.post("/live/stop")
async def stop(request: Request, session: Session = Desk) -> Response:
    """Pause, to go on later, or abort for good. A second time it ends at once, but not while an inhibit stands."""
    live, form = live_of(request, session), await form_of(request)
    outcome, snapshot = form.get("outcome", ""), live.snapshot
    if outcome not in ("stopped", "aborted"):
        raise InputError("no such end", where="outcome", found=outcome, expected="stopped or aborted")
    if snapshot is not None and snapshot.stopping is not None:
        if any(effect not in live.handed_over for effect in snapshot.standing):
            raise HTTPException(409, "live.inhibits_stand")
        if snapshot.gas is not None:
            raise HTTPException(409, "live.gas_flows")
    reason = form.get("reason", "")[:REASON_CHARS]
    live.stop("stopped" if outcome == "stopped" else "aborted", session.name, reason)
    return JSONResponse({"taken": True})


@router.post("/live/note")
async def note(request: Request, session: Session = Desk) -> Response:
    """Words to be kept with the run."""
    live, text = live_of(request, session), (await form_of(request)).get("text", "").strip()
    if text:
        live.wish(NoteWish(session.name, text[:REASON_CHARS]))
    return JSONResponse({"taken": bool(text)})


@router.post("/live/hand-over")
async def hand_over(request: Request, session: Session = Desk) -> Response:
    """An inhibit that cannot be lifted now becomes somebody's, by name."""
    live, form = live_of(request, session), await form_of(request)
    to, effect = " ".join(form.get("to", "").split())[:60], form.get("effect", "")
    if not to:
        raise HTTPException(422, "live.name_needed")
    if live.snapshot is None or effect not in live.snapshot.standing:
        raise HTTPException(409, "live.not_standing")
    live.wish(HandOverWish(session.name, effect, to, form.get("reason", "")[:REASON_CHARS]))
    return JSONResponse({"taken": True})

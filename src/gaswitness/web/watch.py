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
from gaswitness.run.snapshots import Strip, end_of_wait
from gaswitness.sentence import listed, said
from gaswitness.telling import Teller
from gaswitness.web.access import Anybody, Desk, Refused, Session, browser_of, form_of
from gaswitness.web.live import Live
from gaswitness.web.pages import board_of, page, teller_of, words_of
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
    """Server-sent events: `strips` when other detectors come under test, `now` after every poll, with new readings."""
    live = live_of(request, session)
    access, cookie, browser = board_of(request).access, request.cookies.get("gaswitness", ""), browser_of(request)

    def still_in() -> bool:
        try:
            access.session(cookie, browser)
        except Refused:
            return False
        return True

    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    return StreamingResponse(
        _stream(live, still_in, teller_of(request, live.plan.wording)), media_type="text/event-stream", headers=headers
    )


async def _stream(live: Live, still_in: object, tell: Teller) -> AsyncIterator[bytes]:
    shown: dict[str, float | None] = {}
    last_s: dict[str, float] = {}
    async for snapshot in live.subscribe():
        if callable(still_in) and not still_in():
            yield _event("out", {})
            return
        if snapshot is None:
            yield b": still here\n\n"
            continue
        strips = {one.tag: one.strip for one in snapshot.tests}
        instants = {tag: strip.gas_on_s for tag, strip in strips.items()}
        if list(shown.items()) != list(instants.items()):
            last_s = {tag: t_s for tag, t_s in last_s.items() if shown.get(tag) == instants.get(tag, -1.0)}
            fresh = [tag for tag in strips if tag not in last_s]
            yield _event("strips", [{**strip_document(strips[tag], tell), "fresh": tag in fresh} for tag in strips])
            shown = instants
        document = now_document(snapshot, live, tell)
        for one in document["tests"]:
            one["samples"] = _samples(strips[one["tag"]], last_s)
        yield _event("now", document)
    yield _event("over", {"failed": tell(live.failed)})


def _samples(strip: Strip, last_s: dict[str, float]) -> list[list[float]]:
    """Readings that have not been sent yet, in the detector's own unit."""
    tag = strip.detector.tag
    fresh = [one for one in strip.samples if one[0] > last_s.get(tag, float("-inf"))]
    last_s[tag] = fresh[-1][0] if fresh else last_s.get(tag, float("-inf"))
    return [[round(t_s, 2), float(f"{value * strip.per_ppm:.6g}")] for t_s, value in fresh]


def _event(name: str, document: object) -> bytes:
    return f"event: {name}\ndata: {json.dumps(document, ensure_ascii=False, allow_nan=False)}\n\n".encode()


@router.post("/live/answer")
async def answer(request: Request, session: Session = Desk) -> Response:
    """The step that waits is done, or left out."""
    live, form = live_of(request, session), await form_of(request)
    state = form.get("state", "")
    if state not in ("done", "skipped"):
        raise InputError(
            said("no such answer"), where=said("answer"), found=state, expected=listed(["done", "skipped"], " | ")
        )
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
        raise InputError(
            said("no such end"), where=said("end"), found=outcome, expected=listed(["stopped", "aborted"], " | ")
        )
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


@router.post("/live/end-wait")
async def end_wait(request: Request, session: Session = Desk) -> Response:
    """The reading on gas need not settle: by the rule, what is wanted of it has been shown."""
    live, form = live_of(request, session), await form_of(request)
    wish = end_of_wait(live.snapshot, session.name) if live.snapshot is not None else None
    if wish is None or wish.step != form.get("step", ""):
        raise HTTPException(409, "live.not_shown")
    live.wish(wish)
    return JSONResponse({"taken": True})

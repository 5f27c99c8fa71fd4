"""The page of a post: what to watch, marks and readings by hand, and the server's clock to measure a phone's by."""

from __future__ import annotations

import json
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Depends, HTTPException, Request
from fastapi.responses import FileResponse, JSONResponse, Response, StreamingResponse

from gaswitness.run.snapshots import Snapshot
from gaswitness.site.records import Detector, Effect, Pattern, Site
from gaswitness.telling import Teller
from gaswitness.web.access import Session, require, session_of
from gaswitness.web.inbox import SERVER, Inbox
from gaswitness.web.live import Live
from gaswitness.web.pages import HERE, board_of, page, teller_of, words_of
from gaswitness.web.picture import digits_of, next_document, reading_document
from gaswitness.web.sent import Sent
from gaswitness.web.watch import live_of
from gaswitness.wording import unit_word

router = APIRouter()

URGENT_S = 60.0
"""How long an urgent message stays on a post's page, in real seconds."""
Witness = Depends(require("witness", "desk"))


@dataclass(frozen=True, slots=True)
class Indication:
    """Something that can be seen or heard at a post, and the presses it takes."""

    effect: Effect
    heard: bool
    """Of another post, but meant to be heard here."""
    presses: tuple[tuple[str, bool, Pattern | None], ...]
    """Key of the word, on or off, pattern."""


# --- pages ---


@router.get("/post")
async def post_page(request: Request, post: str = "", session: Session = Witness) -> Response:
    """The page of the post that the session is bound to; the desk may open any."""
    live = live_of(request, session)
    site = live.plan.site
    tag = session.post or post or (site.posts[0].tag if site.posts else "")
    here = next((one for one in site.posts if one.tag == tag), None)
    if here is None:
        raise HTTPException(404, "post.none")
    context = {
        "post": here,
        "run": live,
        "indications": indications(site, tag),
        "texts": words_of(request).under("post.", "word.", "live.vote", "live.stands_elsewhere"),
    }
    return page(request, "post.html", context, session=session)


@router.get("/sw.js")
async def service_worker() -> Response:
    """Keeps the page of the post for when there is no network; lies here so that it may answer for /post."""
    return FileResponse(HERE / "static" / "sw.js", media_type="text/javascript", headers={"cache-control": "no-cache"})


def indications(site: Site, post: str) -> tuple[Indication, ...]:
    """Everything expected at a post, from the matrix: what acts here, then what is meant to be heard here."""
    heard = {hearing.effect for one in site.posts if one.tag == post for hearing in one.hears}
    wired = {line.effect for line in site.matrix}
    found = [
        Indication(effect, effect.post != post, presses_of(effect, site))
        for effect in site.effects
        if effect.tag in wired and (effect.post == post or effect.tag in heard)
    ]
    return tuple(sorted(found, key=lambda one: one.heard))


def presses_of(effect: Effect, site: Site) -> tuple[tuple[str, bool, Pattern | None], ...]:
    """What a witness can say of one effect: lamps and sounders by their pattern, all else that it began or stopped."""
    off = (f"post.{effect.kind}.off", False, None)
    if effect.kind not in ("lamp", "sounder"):
        return (f"post.{effect.kind}.on", True, None), off
    other: Pattern = "flashing" if effect.kind == "lamp" else "pulsed"
    wanted: set[Pattern] = {effect.pattern, "steady", other}
    wanted |= {line.pattern for line in site.matrix if line.effect == effect.tag and line.pattern is not None}
    order: tuple[Pattern, ...] = ("steady", "flashing", "pulsed")
    return *((f"post.{effect.kind}.{one}", True, one) for one in order if one in wanted), off


# --- what goes out ---


@router.get("/post/clock")
async def clock(request: Request, session: Session = Witness) -> Response:  # noqa: ARG001 - asked for
    """The server's clock, read once, for one exchange."""
    return JSONResponse({"server": SERVER, "s": time.monotonic()})


@router.get("/post/events")
async def events(request: Request, post: str = "", session: Session = Witness) -> Response:
    """Server-sent events: what is to be watched at this post, whenever the run moved on."""
    live = live_of(request, session)
    headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
    stream = _stream(live, session.post or post, request)
    return StreamingResponse(stream, media_type="text/event-stream", headers=headers)


async def _stream(live: Live, post: str, request: Request) -> AsyncIterator[bytes]:
    tell = teller_of(request, live.plan.wording)
    async for snapshot in live.subscribe():
        if session_of(request) is None:
            yield b"event: out\ndata: {}\n\n"
            return
        if snapshot is None:
            yield b": still here\n\n"
            continue
        document = json.dumps(post_document(snapshot, live, post, tell), ensure_ascii=False, allow_nan=False)
        yield f"event: now\ndata: {document}\n\n".encode()
    yield b"event: over\ndata: {}\n\n"


def post_document(snapshot: Snapshot, live: Live, post: str, tell: Teller) -> dict[str, Any]:
    """What a post is told after every poll."""
    strip, step = snapshot.strip, snapshot.step
    mine = [one for one in snapshot.watched if one.post in (post, "")]
    effects = {f"{effect.tag}.on" for effect in live.plan.site.effects}
    under = sorted((one.strip for one in snapshot.tests), key=lambda one: one is not strip)  # the step's own first
    typed = [one.detector for one in under if one.quality in ("by-hand", "none yet")]
    waited = [one.signal for one in mine]
    points = [signal for detector in typed for signal in _points_by_hand(detector, live)]
    return {
        "t": round(snapshot.t_s, 2),
        "polled": snapshot.health.last_t_s,  # by which the bench tells how old a reading is on its way
        "ended": snapshot.ended,
        "stopping": snapshot.stopping,
        "step": None if step is None else {"id": step.id, "text": tell(step.text), "tag": step.tag},
        "here": step is not None and (step.post == post or any(one.post == post for one in mine)),
        "watched": [one.signal for one in mine if one.signal in effects],
        "points": [{"signal": one, "name": one} for one in dict.fromkeys((*points, *waited)) if one not in effects],
        "reading": None if strip is None else {**reading_document(strip), "unit": tell(unit_word(strip.detector.unit))},
        "digits": 0 if strip is None else digits_of(strip.detector.resolution_ppm * strip.per_ppm),
        "by_hand": [] if snapshot.ended else [{"tag": one.tag, "unit": tell(unit_word(one.unit))} for one in typed],
        "next": next_document(snapshot.next_alarm),
        "tests": [
            {
                **reading_document(one.strip),
                "unit": tell(unit_word(one.strip.detector.unit)),
                "digits": digits_of(one.strip.detector.resolution_ppm * one.strip.per_ppm),
                "gas": one.gas is not None,
                "next": next_document(one.next_alarm),
            }
            for one in snapshot.tests
        ],
        "votes": [{"group": one.group, "votes": one.votes, "need": one.need} for one in snapshot.votes],
        "gas": snapshot.gas.tag if snapshot.gas is not None else None,
        "may_shut": snapshot.gas_may_be_shut,
        "who": sorted(live.at_posts.get(post, {})),
        "link": snapshot.health.up,
        "elsewhere": list(snapshot.elsewhere),
        "urgent": [
            tell(one.text) for one in snapshot.messages if one.urgent and snapshot.t_s - one.t_s < URGENT_S * live.speed
        ],
    }


def _points_by_hand(detector: Detector, live: Live) -> list[str]:
    """Points of a detector under test that no link shows: an alarm may come before anybody waits for it."""
    own = [f"{detector.tag}.{name}" for name in (*(point.name for point in detector.alarms), "fault")]
    return [signal for signal in own if signal not in live.by_link]


# --- what comes in ---


@router.post("/post/marks")
async def take_marks(request: Request, sent: Sent, session: Session = Witness) -> Response:
    """Marks and typed readings; each is answered once it is on the disk, and may be sent as often as it takes."""
    post = session.stands_at(sent.run, sent.post)
    if post is None:
        raise HTTPException(403, "access.other_run")
    board = board_of(request)
    live = board.live if board.live is not None and board.live.run_id == sent.run else None
    inbox = Inbox(sent, session.name, post, board.folder, live)
    return JSONResponse({"receipts": await inbox.take()})

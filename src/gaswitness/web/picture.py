"""A snapshot as the JSON that pages draw; levels in the unit that the detector itself shows."""

from __future__ import annotations

from typing import Any

from gaswitness.run.lookout import Message
from gaswitness.run.snapshots import NextAlarm, PointLine, Snapshot, Strip, UnderTest
from gaswitness.telling import Teller
from gaswitness.web.live import Live
from gaswitness.wording import unit_word

MESSAGES = 12
DIGITS_AT_MOST = 4
WORTH_TELLING = 0.25
"""An outlook that is less certain than this part of itself (k = 2) would only puzzle people."""


def strip_document(strip: Strip, tell: Teller) -> dict[str, Any]:
    """What does not change while one detector is under test: set points, prediction, scale."""
    detector, factor, planned = strip.detector, strip.per_ppm, strip.planned
    document: dict[str, Any] = {
        "tag": detector.tag,
        "name": detector.name,
        "gas": detector.gas,
        "unit": tell(unit_word(detector.unit)),
        "digits": digits_of(detector.resolution_ppm * factor),
        "low": detector.range_low_ppm * factor,
        "range": detector.range_ppm * factor,
        "points": [
            {"name": one.name, "set": one.set_ppm * factor, "clear": one.clear_ppm * factor, "rising": one.rising}
            for one in in_order(strip.points)
        ],
        "curve": None,
    }
    if planned is not None:
        curve = planned.curve
        document["bottle"] = planned.bottle_ppm * factor
        document["air"] = [level * factor for level in planned.background_ppm]
        document["curve"] = {
            "t": list(curve.t_s),
            "low": [_short(level * factor) for level in curve.low_ppm],
            "high": [_short(level * factor) for level in curve.high_ppm],
            "off": curve.gas_off_s,
        }
    return document


def now_document(snapshot: Snapshot, live: Live, tell: Teller) -> dict[str, Any]:
    """What changes with every poll."""
    step = snapshot.step
    asking = live.hands.asking
    return {
        "t": round(snapshot.t_s, 2),
        "wall": snapshot.wall,
        "speed": live.speed,
        "ended": snapshot.ended,
        "why": tell(live.ended_why),
        "stopping": snapshot.stopping,
        "step": None
        if step is None
        else {
            "id": step.id,
            "kind": step.kind,
            "text": tell(step.text),
            "tag": step.tag,
            "effect": step.effect,
            "since": round(snapshot.step_since_s, 2),
            "most": step.at_most_s,
            "asking": asking is not None and asking.id == step.id,
        },
        "steps": [
            {"id": line.step.id, "kind": line.step.kind, "text": tell(line.step.text), "state": line.state}
            for line in snapshot.steps
        ],
        "detectors": [
            {
                "tag": one.tag,
                "gas": one.gas,
                "progress": one.progress,
                "done": one.done,
                "of": one.steps,
                "alarms": list(one.alarms),
            }
            for one in snapshot.detectors
        ],
        "tests": [test_document(one, live, tell) for one in snapshot.tests],
        "votes": [
            {
                "group": one.group,
                "need": one.need,
                "votes": one.votes,
                "met": one.met,
                "alarms": list(one.alarms),
                "faulty": list(one.faulty),
                "effects": list(one.effects),
            }
            for one in snapshot.votes
        ],
        "bottles": _bottles(snapshot, live),
        "cautions": list(map(tell, snapshot.cautions)),
        "watched": [
            {
                "signal": one.signal,
                "name": tell(one.name),
                "post": one.post,
                "pattern": one.pattern,
                "link": one.on_by_link,
                "witness": one.on_by_witness,
            }
            for one in snapshot.watched
        ],
        "inhibits": [
            {
                "effect": one.effect,
                "state": one.state,
                "by": one.by,
                "since": round(one.placed_t_s, 1),
                "until": None if one.until_t_s is None else round(one.until_t_s, 1),
                "standing": one.effect in snapshot.standing,
                "handed": live.handed_over.get(one.effect, ""),
            }
            for one in snapshot.inhibits
        ],
        "link": {
            "up": snapshot.health.up,
            "reason": tell(snapshot.health.reason),
            "missed": snapshot.health.missed,
            "last": snapshot.health.last_t_s,
        },
        "restarts": snapshot.restarts,
        "elsewhere": list(snapshot.elsewhere),
        "messages": [
            {"t": round(one.t_s, 1), "text": tell(one.text), "urgent": one.urgent, "real": one.real}
            for one in _kept(snapshot.messages)
        ],
        "posts": posts_document(live),
        "told": [{"role": one.role, **live.told.get(one.role, {})} for one in live.plan.site.warn],
    }


def _kept(messages: tuple[Message, ...]) -> list[Message]:
    """The last ones, and before them whatever is real."""
    return [*(one for one in messages[:-MESSAGES] if one.real), *messages[-MESSAGES:]]


def test_document(one: UnderTest, live: Live, tell: Teller) -> dict[str, Any]:
    """What changes with every poll about one detector under test."""
    strip, factor = one.strip, one.strip.per_ppm
    return {
        "tag": one.tag,
        "reading": reading_document(strip),
        "gas_on": strip.gas_on_s,
        "gas_off": strip.gas_off_s,
        "edges": _edges(strip, live),
        "next": next_document(one.next_alarm),
        "outlook": None
        if one.outlook is None or 2 * one.outlook.u_plateau_ppm > WORTH_TELLING * abs(one.outlook.plateau_ppm)
        else {
            "plateau": _short(one.outlook.plateau_ppm * factor),
            "u_plateau": _short(one.outlook.u_plateau_ppm * factor),
            "t90": round(one.outlook.t90_s, 1),
            "u_t90": round(one.outlook.u_t90_s, 1),
        },
        "shown": None
        if one.outlook is None or one.outlook.shown is None
        else {
            "enough": one.outlook.shown.enough,
            "why": tell(one.outlook.shown.why),
            "may_end_wait": one.may_end_wait,
        },
        "gas": _gas(one),
    }


def posts_document(live: Live) -> list[dict[str, Any]]:
    """Every post of the site, and who says to be there."""
    return [
        {"post": post.tag, "name": post.name, "who": sorted(live.at_posts.get(post.tag, {}))}
        for post in live.plan.site.posts
    ]


def digits_of(resolution: float) -> int:
    """Digits after the point that a detector shows.

    >>> digits_of(1.0), digits_of(0.02), digits_of(0.001)
    (0, 2, 3)
    """
    digits = 0
    while digits < DIGITS_AT_MOST and round(resolution, digits) < resolution * 0.999:
        digits += 1
    return digits


def in_order(points: tuple[PointLine, ...]) -> list[PointLine]:
    """Set points in the order in which gas reaches them."""
    return sorted(points, key=lambda point: point.set_ppm if point.rising else -point.set_ppm)


def _short(value: float) -> float:
    return float(f"{value:.5g}")


def reading_document(strip: Strip) -> dict[str, Any]:
    """The last reading and the level it stands at."""
    value_ppm = strip.reading_ppm if strip.quality not in ("bad", "none yet") else None
    on = [(number, point) for number, point in enumerate(in_order(strip.points), start=1) if point.on]
    return {
        "tag": strip.detector.tag,
        "value": None if value_ppm is None else _short(value_ppm * strip.per_ppm),
        "quality": strip.quality,
        "level": min(on[-1][0], 2) if on else 0,
        "point": on[-1][1].name if on else "",
        "rising": on[-1][1].rising if on else True,
        "on": [point.name for _, point in on],
    }


def _edges(strip: Strip, live: Live) -> list[dict[str, Any]]:
    """Edges of this detector's points and what witnesses marked, since shortly before gas on."""
    if strip.gas_on_s is None:
        return []
    from_s, own = strip.gas_on_s - 30.0, f"{strip.detector.tag}."
    return [
        {"t": round(one.t_s, 2), "signal": one.signal, "on": one.on, "by": one.by, "own": one.signal.startswith(own)}
        for one in live.edges
        if one.t_s >= from_s and (one.by or one.signal.startswith(own))
    ]


def next_document(coming: NextAlarm | None) -> dict[str, Any] | None:
    """When the next alarm is due."""
    if coming is None:
        return None
    return {
        "point": coming.point,
        "sets": coming.sets,
        "from": round(coming.earliest_s, 1),
        "until": round(coming.latest_s, 1),
        "renewed": coming.renewed,
    }


def _gas(one: UnderTest) -> dict[str, Any] | None:
    if one.gas is None:
        return None
    return {
        "tag": one.gas.tag,
        "since": round(one.gas.since_t_s, 2),
        "unsure": one.gas.unsure,
        "planned": one.strip.planned.gas_s if one.strip.planned is not None else None,
        "may_shut": one.gas_may_be_shut,
    }


def _bottles(snapshot: Snapshot, live: Live) -> list[dict[str, Any]]:
    """Litres left in every bottle that the plan uses, and what it still needs in all."""
    now = {one.gas.cylinder for one in snapshot.tests if one.gas is not None}
    if not now and snapshot.step is not None and snapshot.step.cylinder is not None:
        now = {snapshot.step.cylinder}
    lines = []
    for need in live.plan.gas:
        left_m3 = live.left_m3(need.cylinder, snapshot.t_s)
        lines.append(
            {
                "tag": need.cylinder,
                "left_l": None if left_m3 is None else round(left_m3 * 1e3, 1),
                "held_l": round(need.available_m3 * 1e3, 1),
                "now": need.cylinder in now,
            }
        )
    return lines

"""What a phone sends, and how it becomes marks and readings on the clock of its run."""

from __future__ import annotations

from datetime import UTC, datetime

from pydantic import Field

from gaswitness.evidence.timeline import Offset
from gaswitness.records import Record
from gaswitness.run.events import MarkMade, ReadingTaken
from gaswitness.run.ports import ReadingWish
from gaswitness.site.records import Pattern, Site
from gaswitness.web.access import plain
from gaswitness.web.live import OTHER, PRESENT, Mark
from gaswitness.web.marks import Axis, Exchange, Stamp, mark_u
from gaswitness.wording import scale_ppm

NAME = r"^[A-Za-z0-9._-]+$"
WITHDRAWN = "withdrawn"
"""The signal of a mark that takes another one back."""


class SentStamp(Record):
    """An instant as a phone noted it: which loading of the page, its running clock, its wall clock, in ms."""

    load: str = Field(min_length=4, max_length=40, pattern=NAME)
    own_ms: float = Field(ge=0, le=1e11)
    wall_ms: float = Field(ge=0, le=1e13)

    def stamp(self) -> Stamp:
        """The same in seconds."""
        return Stamp(self.load, self.own_ms / 1e3, self.wall_ms / 1e3)


class SentExchange(Record):
    """One exchange of a phone with a server."""

    server: str = Field(max_length=40)
    sent: SentStamp
    took_ms: float = Field(ge=0, le=1e9)
    server_s: float


class SentMark(Record):
    """One press."""

    mark_id: str = Field(min_length=8, max_length=80, pattern=NAME)
    at: SentStamp
    signal: str = Field(max_length=90)
    on: bool
    pattern: Pattern | None = None
    note: str = Field("", max_length=500)
    corrects: str | None = Field(None, max_length=80, pattern=NAME)
    witness: str = Field("", max_length=60)
    """Who held the phone when it was pressed."""


class SentReading(Record):
    """A reading typed in, in the unit that the detector shows."""

    mark_id: str = Field(min_length=8, max_length=80, pattern=NAME)
    at: SentStamp
    tag: str = Field(max_length=40)
    value: float


class Sent(Record):
    """What a phone sends: everything not acknowledged yet, and the exchanges that tell its clocks."""

    run: str = Field(max_length=200)
    post: str = Field(max_length=40)
    marks: tuple[SentMark, ...] = Field((), max_length=25)
    readings: tuple[SentReading, ...] = Field((), max_length=25)
    exchanges: tuple[SentExchange, ...] = Field(max_length=160)


def exchanges_of(sent: Sent, server: str) -> list[Exchange]:
    """The exchanges with this run of the server; its clock says nothing to those with another one."""
    return [
        Exchange(one.sent.stamp(), one.took_ms / 1e3, one.server_s) for one in sent.exchanges if one.server == server
    ]


def known_signal(signal: str, site: Site) -> bool:
    """Whether a mark can be about this: an effect, an alarm point, or one of the marks of no signal."""
    if signal in (OTHER, PRESENT, WITHDRAWN):
        return True
    tag, _, what = signal.partition(".")
    if what == "on" and any(effect.tag == tag for effect in site.effects):
        return True
    return any(one.tag == tag and what in ("fault", *(point.name for point in one.alarms)) for one in site.detectors)


def mark_of(one: SentMark, axis: Axis, offset: Offset, post: str, name: str) -> Mark:
    """The mark on the server's clock, with the phone's own instant beside it; `name` is who sends it."""
    own_s = one.at.wall_ms / 1e3
    real_s = own_s + offset.offset_s
    held = f"pressed as {one.witness}" if one.witness and one.witness != name else ""
    return Mark(
        mark_id=one.mark_id,
        post=post,
        signal=one.signal,
        on=one.on,
        real_s=real_s,
        offset_s=round(axis.wall_s(axis.run_time(real_s)) - own_s, 6),
        own_wall=text_of(own_s),
        u_s=mark_u(offset.u_s),
        pattern=one.pattern,
        note=plain("; ".join(part for part in (one.note, held) if part))[:500],
        corrects=one.corrects,
    )


def wish_of(one: SentReading, site: Site, axis: Axis, offset: Offset, name: str) -> ReadingWish | None:
    """The reading in ppm; none for a detector that the site does not have, or beyond anything it can show."""
    detector = next((each for each in site.detectors if each.tag == one.tag), None)
    if detector is None:
        return None
    value_ppm = one.value * scale_ppm(detector)[0]
    if abs(value_ppm) > 2 * detector.range_ppm:
        return None
    return ReadingWish(name, one.tag, value_ppm, axis.run_time(one.at.wall_ms / 1e3 + offset.offset_s))


def late_mark(mark: Mark, axis: Axis, name: str) -> MarkMade:
    """The event of a mark that came after its run had ended."""
    t_s = axis.run_time(mark.real_s)
    return MarkMade(
        t_s=t_s,
        wall=text_of(axis.wall_s(t_s)),
        mark_id=mark.mark_id,
        post=mark.post,
        witness=name,
        signal=mark.signal,
        on=mark.on,
        pattern=mark.pattern,
        offset_s=mark.offset_s,
        own_wall=mark.own_wall,
        u_s=mark.u_s * axis.speed,
        note=mark.note,
        corrects=mark.corrects,
    )


def late_reading(wish: ReadingWish, axis: Axis) -> ReadingTaken:
    """The event of a typed reading that came after its run had ended."""
    t_s = wish.t_s if wish.t_s is not None else axis.now_run_s
    wall = text_of(axis.wall_s(t_s))
    return ReadingTaken(t_s=t_s, wall=wall, tag=wish.tag, value_ppm=wish.value_ppm, source_t_s=t_s, quality="by-hand")


def text_of(wall_s: float) -> str:
    """An instant in UTC.

    >>> text_of(0.25)
    '1970-01-01T00:00:00.250+00:00'
    """
    return datetime.fromtimestamp(wall_s, UTC).isoformat(timespec="milliseconds")

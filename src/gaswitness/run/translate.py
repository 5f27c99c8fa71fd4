"""From polls to events: every reading, and of the status signals what changed and between which two polls."""

from __future__ import annotations

import math
from collections.abc import Callable

from gaswitness.errors import LinkError
from gaswitness.run.events import Event, LinkChanged, ReadingTaken, StatusSeen
from gaswitness.run.ports import Polled, PolledReading, Quality
from gaswitness.sentence import kept

STALE_AFTER_POLLS = 5.0
"""A reading whose source is older than this many polls is called stale."""


class Translator:
    """Remembers the last poll, and turns the next one into events."""

    def __init__(self, url: str, poll_s: float, wall: Callable[[float], str]) -> None:
        self._url = url
        self._poll_s = poll_s
        self._wall = wall
        self._status: dict[str, tuple[bool, float]] = {}
        self._down = False

    def polled(self, asked_t_s: float, t_s: float, polled: Polled) -> list[Event]:
        """Events of one poll that was asked for at `asked_t_s` and had come in by `t_s`."""
        wall = self._wall(t_s)
        events: list[Event] = []
        if self._down:
            self._down = False
            events.append(LinkChanged(t_s=t_s, wall=wall, url=self._url, up=True))
        for tag, reading in polled.readings.items():
            value_ppm, quality = self._judged(reading)
            source_t_s = t_s - (reading.source_age_s or 0.0)
            events.append(
                ReadingTaken(t_s=t_s, wall=wall, tag=tag, value_ppm=value_ppm, source_t_s=source_t_s, quality=quality)
            )
        for signal, on in polled.status.items():
            was = self._status.get(signal)
            if was is None or was[0] != on:
                after_t_s = was[1] if was is not None else None
                events.append(StatusSeen(t_s=t_s, wall=wall, signal=signal, on=on, after_t_s=after_t_s))
            self._status[signal] = (on, asked_t_s)
        return events

    def failed(self, t_s: float, error: LinkError) -> list[Event]:
        """Events of a poll that did not come back: said once, until the link is up again."""
        if self._down:
            return []
        self._down = True
        why, wall = error.message, self._wall(t_s)
        return [LinkChanged(t_s=t_s, wall=wall, url=self._url, up=False, reason=why, wording=kept(why))]

    def _judged(self, reading: PolledReading) -> tuple[float | None, Quality]:
        if reading.value_ppm is None or not math.isfinite(reading.value_ppm):
            return None, "bad" if reading.quality == "good" else reading.quality
        old = (reading.source_age_s or 0.0) > STALE_AFTER_POLLS * self._poll_s
        return reading.value_ppm, "stale" if old and reading.quality == "good" else reading.quality

"""MQTT messages as readings and states: payloads, pointers into JSON, instants, and which message counts. Pure.

Sources: RFC 6901 (JSON pointers), RFC 8259 (JSON), ISO 8601.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from gaswitness.links.scaled import detector_of, reading, without_faulty
from gaswitness.run.ports import Polled, PolledReading
from gaswitness.sentence import figure, said
from gaswitness.site.records import Detector, Site
from gaswitness.site.wires import LinkSpec, TopicEntry

LONGEST_PAYLOAD = 65_536
"""Octets of a message that is looked at; no reading is longer."""
OVERDUE_POLLS = 5.0
"""A topic that was silent for this many polls is overdue: its last reading is given once more, as stale."""
AHEAD_S = 2.0
"""How far ahead of this machine's clock an instant may be, as two clocks are that are set by the same network."""
_ON = {"true": True, "1": True, "on": True, "false": False, "0": False, "off": False}


class Unfit(ValueError):
    """A message that does not hold what the site says: found and expected."""

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


@dataclass(frozen=True, slots=True)
class Heard:
    """The message that counts for one entry now."""

    value: Any
    """As it stood in the message; `unfit` says why there is none."""
    arrived_s: float
    stamped_s: float | None = None
    """Its own instant, in seconds since 1970."""
    retained: bool = False
    unfit: str = ""
    late_s: float = 0.0
    """How old it was on arrival, by its own instant; below zero for one from the future."""


def parsed(payload: bytes) -> Any:
    """A payload as JSON where it is JSON, else as text without the blanks around it; raises Unfit.

    >>> parsed(b"12.5"), parsed(b" ON "), parsed(b'{"ppm": 3}')
    (12.5, 'ON', {'ppm': 3})
    """
    if len(payload) > LONGEST_PAYLOAD:
        raise Unfit(said("found {count} octets, expected at most {most}", count=len(payload), most=LONGEST_PAYLOAD))
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Unfit(said("found octets that are not UTF-8, expected text")) from error
    try:
        return json.loads(text)
    except RecursionError as error:
        raise Unfit(said("found values nested too deep")) from error
    except ValueError:
        return text.strip()


def pointed(document: Any, pointer: str) -> Any:
    """The value at a JSON pointer (RFC 6901); raises Unfit where there is none.

    >>> pointed({"a/b": [10, 20], "m~n": 8}, "/a~1b/1"), pointed({"m~n": 8}, "/m~0n"), pointed(5, "")
    (20, 8, 5)
    """
    here = document
    for step in pointer.split("/")[1:]:
        key = step.replace("~1", "/").replace("~0", "~")
        if isinstance(here, dict) and key in here:
            here = here[key]
        elif (
            isinstance(here, list) and key.isascii() and key.isdigit() and str(int(key)) == key and int(key) < len(here)
        ):
            here = here[int(key)]
        else:
            raise Unfit(said("found {found}, expected a value at {pointer}", found=_short(document), pointer=pointer))
    return here


def number_of(value: Any) -> float:
    """A JSON number, or text that is a plain decimal number; raises Unfit."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            return float(value)
        except OverflowError:
            return math.inf
    if isinstance(value, str):
        try:
            return float(value) if value.isascii() and "_" not in value else float("no")
        except ValueError:
            pass
    raise Unfit(said("found {found}, expected a number", found=_short(value)))


def state_of(value: Any, entry: TopicEntry) -> bool:
    """On or off; raises Unfit for what is neither.

    >>> state_of("ON", TopicEntry(signal="A.low", topic="a"))
    True
    >>> state_of("clear", TopicEntry(signal="A.low", topic="a", on_values=("low", "high")))
    False
    """
    if isinstance(value, dict | list) or value is None:
        raise Unfit(said("found {found}, expected a state", found=_short(value)))
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    text = json.dumps(value) if isinstance(value, bool) else str(value)
    if entry.on_values:
        return (text in entry.on_values) != entry.inverted
    on = _ON.get(text.lower())
    if on is None:
        raise Unfit(said("found {found}, expected true or false, 1 or 0, on or off", found=_short(value)))
    return on != entry.inverted


def instant_of(value: Any, unit: str) -> float:
    """Seconds since 1970 of a stamp: ISO 8601 with its zone, or a number; raises Unfit.

    >>> instant_of("2026-11-25T09:00:00Z", "s") == instant_of(1795597200000, "ms")
    True
    """
    if isinstance(value, str):
        try:
            instant = datetime.fromisoformat(value)
        except ValueError as error:
            text = said("found {found}, expected an instant as 2026-11-25T09:00:00Z", found=_short(value))
            raise Unfit(text) from error
        if instant.tzinfo is None:
            raise Unfit(
                said("found {found}, expected an instant with its zone, as 2026-11-25T09:00:00Z", found=_short(value))
            )
        return instant.timestamp()
    stamp_s = number_of(value) / (1000.0 if unit == "ms" else 1.0)
    if not math.isfinite(stamp_s):
        raise Unfit(said("found {found}, expected an instant", found=_short(value)))
    return stamp_s


def _short(value: Any) -> str:
    text = json.dumps(value, default=str)
    return text if len(text) <= 60 else text[:60] + " ..."


@dataclass
class Board:
    """What every entry of a link last heard.

    Of two messages the one with the later instant of its own counts, so that what comes twice or out of order changes
    nothing; without instants the last to arrive counts. A retained message counts until a live one was heard.
    """

    spec: LinkSpec
    detectors: Mapping[str, Detector]
    heard: dict[str, Heard] = field(default_factory=dict)
    told: dict[str, tuple[Heard, bool]] = field(default_factory=dict)
    """The message that was given last as a reading, by signal, and whether as one overdue."""
    told_of: dict[str, str] = field(default_factory=dict)
    """What was said first of a signal that is in doubt: the same for as long as it is, whatever messages hold."""

    def take(self, topic: str, payload: bytes, *, retained: bool, arrived_s: float, wall: datetime) -> None:
        """One message, as it arrives."""
        entries = [entry for entry in self.spec.topics if entry.topic == topic]
        try:
            document = parsed(payload)
        except Unfit as error:
            for entry in entries:
                self.heard[entry.signal] = Heard(None, arrived_s, retained=retained, unfit=error.message)
            return
        for entry in entries:
            new = _read(document, entry, Heard(None, arrived_s, retained=retained), wall.timestamp())
            if _counts(new, self.heard.get(entry.signal), OVERDUE_POLLS * self.spec.poll_s):
                self.heard[entry.signal] = new

    def polled(self, now_s: float) -> Polled:
        """What is new; of what is overdue, that it is."""
        readings: dict[str, PolledReading] = {}
        status: dict[str, bool] = {}
        remarks: list[str] = []
        for entry in self.spec.topics:
            last = self.heard.get(entry.signal)
            if last is None:
                continue
            doubt = last.unfit
            if entry.signal in self.detectors:
                doubt = doubt or self._clock(last)
                seen = self._reading(entry, last, now_s)
                if seen is not None:
                    readings[self.detectors[entry.signal].tag] = seen
            elif not last.unfit:
                status[entry.signal] = state_of(last.value, entry)
            if doubt:
                text = said("{signal}: topic {topic}: {doubt}", signal=entry.signal, topic=entry.topic, doubt=doubt)
                remarks.append(self.told_of.setdefault(entry.signal, text))
            else:
                self.told_of.pop(entry.signal, None)
        return Polled(without_faulty(readings, status), status, tuple(dict.fromkeys(remarks)))

    def _clock(self, last: Heard) -> str:
        """What is to be said of the instant in a live message that cannot be this machine's."""
        if last.retained or -AHEAD_S <= last.late_s <= OVERDUE_POLLS * self.spec.poll_s:
            return ""
        age = figure(abs(last.late_s))
        how = said("{age} s old on arrival", age=age) if last.late_s > 0 else said("{age} s in the future", age=age)
        return said(
            "its instant is {how}: set the clocks of sender and this machine alike, or see why it is held up", how=how
        )

    def _reading(self, entry: TopicEntry, last: Heard, now_s: float) -> PolledReading | None:
        """The message as a reading, once, and once more when it is overdue."""
        overdue = now_s - last.arrived_s > OVERDUE_POLLS * self.spec.poll_s
        before = self.told.get(entry.signal)
        if before is not None and before[0] is last and before[1] == overdue:
            return None
        self.told[entry.signal] = last, overdue
        age_s = now_s - last.arrived_s + max(0.0, last.late_s)
        if last.unfit:
            return PolledReading(None, "bad", age_s)
        seen = reading(number_of(last.value), entry, entry.unit, self.detectors[entry.signal])
        old = last.retained or overdue or last.late_s < -AHEAD_S
        return replace(seen, source_age_s=age_s, quality="stale" if old and seen.quality != "bad" else seen.quality)


def _read(document: Any, entry: TopicEntry, new: Heard, wall_s: float) -> Heard:
    """The value of one entry in a message, and its instant."""
    try:
        value = pointed(document, entry.pointer)
        if entry.signal.endswith(".reading"):
            number_of(value)
        else:
            state_of(value, entry)
        if entry.time_pointer is None:
            return replace(new, value=value)
        stamped_s = instant_of(pointed(document, entry.time_pointer), entry.time_unit)
    except Unfit as error:
        return replace(new, unfit=error.message)
    return replace(new, value=value, stamped_s=stamped_s, late_s=wall_s - stamped_s)


def _counts(new: Heard, last: Heard | None, patience_s: float) -> bool:
    """Whether a message takes the place of the last one.

    One that is not newer by its own instant does not, unless the sender's clock was set back: the last instant lay in
    the future, or nothing newer came for as long as a topic may be silent.
    """
    if last is None:
        return True
    if new.retained and not last.retained:
        return False
    if new.stamped_s is None or last.stamped_s is None or last.late_s < -AHEAD_S:
        return True
    return new.stamped_s > last.stamped_s or new.arrived_s - last.arrived_s > patience_s


def detectors(spec: LinkSpec, site: Site) -> dict[str, Detector]:
    """Detector of every reading, by signal; raises InputError where one does not fit the site."""
    return {
        entry.signal: detector_of(
            entry.signal, entry.unit, site, said("link {url}, {entry}", url=spec.url, entry=f"topics[{at}]")
        )
        for at, entry in enumerate(spec.topics)
        if entry.signal.endswith(".reading")
    }

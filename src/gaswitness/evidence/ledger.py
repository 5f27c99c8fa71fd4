"""One event, one line: the ledger's chain, its torn tail, and how it is read back.

A line is `{"ledger":1,"seq":N,"prev":"<hex>","digest":"<hex>","event":{...}}`, where `digest` is SHA-256 over
`1:N:prev:` and the exact bytes of the event. Bytes are compared, never a re-written form of them, so what was
witnessed is what is checked. The chain shows that nothing inside was changed, lost or moved; that the end is the
end is shown by the last event (`run-stopped`) and by the signature of a certificate.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass

from pydantic import ValidationError

from gaswitness.errors import ChainBroken
from gaswitness.records import first_complaint
from gaswitness.run.events import EVENT, Event, RunResumed, RunStarted, RunStopped
from gaswitness.sentence import said

LEDGER_VERSION = 1
ZERO_DIGEST = "0" * 64
"""What the first line names as the digest before it."""

_LINE = re.compile(
    rb'\{"ledger":(\d{1,4}),"seq":(0|[1-9]\d{0,11}),"prev":"([0-9a-f]{64})","digest":"([0-9a-f]{64})","event":(\{.*\})\}',
    re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Ledger:
    """A ledger whose chain holds.

    `digest` is the chain's last digest and `sha256` that of all bytes; `torn_bytes` counts what stands after the
    last whole line; `torn_lines` names lines inside that were cut off by a crash and set aside by a restart.

    To go on with it: append one newline unless `ends_with_newline`, then `run-resumed` with these `torn_bytes`,
    sealed after `digest` as number `next_seq`.
    """

    events: tuple[Event, ...]
    digest: str
    sha256: str
    torn_bytes: int = 0
    torn_lines: tuple[int, ...] = ()
    ends_with_newline: bool = True
    late: tuple[Event, ...] = ()
    """What came in after the run had ended and counts, where it was added for judging; it stands in `events` too."""
    after_end: tuple[Event, ...] = ()
    """What came in late and is of a moment after the end: kept and told, not counted."""
    late_torn_bytes: int = 0

    @property
    def next_seq(self) -> int:
        """Number of the line that comes next."""
        return len(self.events)

    @property
    def restarts(self) -> int:
        """How often the run went on after it had been cut off."""
        return sum(isinstance(event, RunResumed) for event in self.events)

    @property
    def started(self) -> RunStarted:
        """The first event, which carries the plan."""
        first = self.events[0]
        if not isinstance(first, RunStarted):
            raise TypeError("a ledger that was read begins with run-started")
        return first

    @property
    def stopped(self) -> RunStopped | None:
        """The last event, if the run was brought to an end."""
        last = self.events[-1]
        return last if isinstance(last, RunStopped) else None


def _digest(version: int, seq: int, previous_digest: str, event: bytes) -> str:
    return hashlib.sha256(f"{version}:{seq}:{previous_digest}:".encode() + event).hexdigest()


def seal(event: Event, previous_digest: str, seq: int) -> bytes:
    """Write an event as the ledger line that follows `previous_digest`, newline included.

    The digest of the line is found again with `digest_of(line)`; the first line follows `ZERO_DIGEST`.

    >>> from gaswitness.run.events import NoteTaken
    >>> line = seal(NoteTaken(t_s=1.0, wall="2026-01-01T00:00:01Z", by="MK", text="cap on"), ZERO_DIGEST, 0)
    >>> line[:21], digest_of(line)[:8]
    (b'{"ledger":1,"seq":0,"', '1bbccbf7')
    """
    body = EVENT.dump_json(event)
    digest = _digest(LEDGER_VERSION, seq, previous_digest, body)
    head = f'{{"ledger":{LEDGER_VERSION},"seq":{seq},"prev":"{previous_digest}","digest":"{digest}","event":'
    return head.encode() + body + b"}\n"


def digest_of(line: bytes) -> str:
    """The digest that a sealed line states."""
    match = _LINE.fullmatch(line.rstrip(b"\n"))
    if match is None:
        raise ValueError("not a sealed line")
    return match[4].decode()


@dataclass(frozen=True, slots=True)
class Line:
    """One sealed line whose bytes give the digest that it states."""

    seq: int
    previous: str
    digest: str
    event: Event


def whole_line(line: bytes) -> bool:
    """Whether this was written to its end, true or not."""
    return _LINE.fullmatch(line) is not None


def parse_line(line: bytes) -> Line | None:
    """Read one sealed line by itself; none where it is not whole, was altered, or holds no event that is known here."""
    match = _LINE.fullmatch(line)
    if match is None or int(match[1]) != LEDGER_VERSION:
        return None
    seq, previous, digest, body = int(match[2]), match[3].decode(), match[4].decode(), match[5]
    if _digest(LEDGER_VERSION, seq, previous, body) != digest:
        return None
    try:
        return Line(seq, previous, digest, EVENT.validate_json(body))
    except ValidationError:
        return None


def read_ledger(data: bytes, source: str = "ledger") -> Ledger:
    """Read a ledger and prove its chain.

    A last line that was cut off is reported in `torn_bytes`, not read, and no error: that is what a pulled plug
    leaves. A cut line further up is accepted only where the next whole line is `run-resumed` and states just as
    many torn bytes. All else raises ChainBroken, naming the line and what is wrong with it.
    """
    events: list[Event] = []
    torn_lines: list[int] = []
    digest = ZERO_DIGEST
    seen: dict[str, int] = {}
    torn_from: int | None = None  # first line of bytes that are no whole line
    torn = b""

    lines = data.split(b"\n")
    if lines[-1] == b"":
        lines.pop()
    for number, line in enumerate(lines, start=1):
        match = _LINE.fullmatch(line)
        if match is None:
            if torn_from is None:
                torn_from = number
            torn += line + b"\n"
            continue
        event = _read_line(match, number, source, digest, len(events), seen, torn_from)
        if torn_from is not None:
            if not isinstance(event, RunResumed) or event.torn_bytes != len(torn.rstrip(b"\n")):
                raise _broken(source, torn_from, said("is not a whole ledger line, and no restart accounts for it"))
            torn_lines.extend(range(torn_from, number))
            torn_from, torn = None, b""
        _check_order(event, events, source, number)
        events.append(event)
        digest = match[4].decode()
        seen[digest] = number

    if not events:
        raise ChainBroken(
            said("{source}: holds no whole ledger line ({data} bytes)", source=source, data=len(data)),
            hint=said("a ledger is the .jsonl file that `gaswitness run` writes; nothing was recorded in this one"),
        )
    return Ledger(
        events=tuple(events),
        digest=digest,
        sha256=hashlib.sha256(data).hexdigest(),
        torn_bytes=len(torn.rstrip(b"\n")),
        torn_lines=tuple(torn_lines),
        ends_with_newline=data.endswith(b"\n"),
    )


def _read_line(
    match: re.Match[bytes], number: int, source: str, previous: str, seq: int, seen: dict[str, int], torn: int | None
) -> Event:
    """Prove one whole line against the chain so far and read its event."""
    version, found_seq, prev, digest, body = (
        int(match[1]),
        int(match[2]),
        match[3].decode(),
        match[4].decode(),
        match[5],
    )
    if version != LEDGER_VERSION:
        raise ChainBroken(
            said(
                "{source}, line {number}: ledger version {version}, this program reads version {ledger_version}",
                source=source,
                number=number,
                version=version,
                ledger_version=LEDGER_VERSION,
            ),
            hint=said("judge it with the version of gaswitness that wrote it, or a newer one"),
        )
    if _digest(version, found_seq, prev, body) != digest:
        raise _broken(source, number, said("was altered: its bytes no longer give the digest that it states"))
    if digest in seen:
        raise _broken(source, number, said("stands here a second time (first on line {seen})", seen=seen[digest]))
    if (found_seq, prev) != (seq, previous):
        if torn is not None:
            raise _broken(source, torn, said("was altered or cut, and the lines after it do not go on without it"))
        if found_seq > seq:
            missing = found_seq - seq
            raise _broken(
                source,
                number,
                said(
                    "carries number {found_seq} where {seq} was due: {missing} missing or moved",
                    found_seq=found_seq,
                    seq=seq,
                    missing=missing,
                ),
            )
        if found_seq < seq:
            raise _broken(
                source,
                number,
                said(
                    "carries number {found_seq} where {seq} was due: it was moved or put in",
                    found_seq=found_seq,
                    seq=seq,
                ),
            )
        raise _broken(source, number, said("does not follow the line before it: another line stood there"))
    try:
        return EVENT.validate_json(body)
    except ValidationError as error:
        raise ChainBroken(
            said(
                "{source}, line {number}: the chain holds, but this is no event that is known here ({error})",
                source=source,
                number=number,
                error=first_complaint(error),
            ),
            hint=said("it was written by another version or by another hand; judge it with the version that wrote it"),
        ) from error


def _check_order(event: Event, before: list[Event], source: str, number: int) -> None:
    """A ledger begins with run-started, once, and nothing but a restart may follow an unfinished stop."""
    if isinstance(event, RunStarted) != (not before):
        raise _broken(source, number, said("run-started must be the first event and only that"))
    last = before[-1] if before else None
    if isinstance(last, RunStopped) and not (last.outcome == "stopped" and isinstance(event, RunResumed)):
        raise _broken(source, number, said("was added after the run had ended ({outcome})", outcome=last.outcome))


def _broken(source: str, number: int, what: str) -> ChainBroken:
    return ChainBroken(
        said("{source}, line {number}: {what}", source=source, number=number, what=what),
        hint=said("keep this file as it is, and look for an untouched copy; what stands in it proves nothing now"),
    )

"""What came in after a run had ended: lines chained like the ledger's own, in a file beside it that hangs on it.

Nothing may follow the end of a ledger. A phone that was out of reach may still hold marks of that run; they are kept
as `<run>.late-marks.jsonl`, whose first line names a digest of the ledger as the one before it. Judging then counts
them with the rest, save those of a moment after the end: these are kept, and told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from gaswitness.errors import ChainBroken
from gaswitness.evidence.ledger import Ledger, parse_line, whole_line
from gaswitness.run.events import MarkMade, ReadingTaken, RunStopped
from gaswitness.sentence import said

LateEvent = MarkMade | ReadingTaken
COVERAGE_K = 2.0
"""A mark this many of its standard uncertainties after the end may still have been made before it."""


@dataclass(frozen=True, slots=True)
class Late:
    """The late lines of a run whose chain holds; `digest` is the last one, to go on after."""

    events: tuple[LateEvent, ...]
    digest: str
    torn_bytes: int = 0

    @property
    def mark_ids(self) -> frozenset[str]:
        """Identities of the marks among them."""
        return frozenset(event.mark_id for event in self.events if isinstance(event, MarkMade))


def late_path(ledger: Path) -> Path:
    """Where the late marks of a ledger lie.

    >>> late_path(Path("r1.ledger.jsonl")).name
    'r1.late-marks.jsonl'
    """
    return ledger.with_name(ledger.name.removesuffix(".ledger.jsonl") + ".late-marks.jsonl")


def read_late(data: bytes, ledger: Ledger, source: str) -> Late:
    """Read late lines and prove that they hang on this ledger, and each on the one before.

    A line that was cut off is counted, not read, as long as the lines after it go on without it: that is what a
    pulled plug leaves. Raises ChainBroken for all else.
    """
    events: list[LateEvent] = []
    seen = {event.mark_id for event in ledger.events if isinstance(event, MarkMade)}
    digest, torn = ledger.digest, 0
    for number, line in enumerate(data.split(b"\n"), start=1):
        if not whole_line(line):
            torn += len(line)
            continue
        parsed = parse_line(line)
        if parsed is None:
            raise _broken(source, number, said("was altered, or is no event that is known here"))
        if (parsed.seq, parsed.previous) != (len(events), digest):
            raise _broken(source, number, said("does not follow the end of its ledger or the line before it"))
        if not isinstance(parsed.event, LateEvent):
            raise _broken(source, number, said("holds {kind}, which cannot come late", kind=parsed.event.kind))
        if isinstance(parsed.event, MarkMade):
            if parsed.event.mark_id in seen:
                raise _broken(source, number, said("holds mark {mark_id} a second time", mark_id=parsed.event.mark_id))
            seen.add(parsed.event.mark_id)
        events.append(parsed.event)
        digest = parsed.digest
    return Late(tuple(events), digest, torn)


def with_late(ledger: Ledger, late: Late) -> Ledger:
    """The ledger as it would be had these events come in before the run ended, for judging again; its bytes stay.

    An event of a moment after the end (by more than its uncertainty, k = 2) is not counted: it stands in `after_end`.
    """
    stopped = ledger.stopped
    after = tuple(event for event in late.events if stopped is not None and _after(event, stopped))
    counted = tuple(event for event in late.events if event not in after)
    last = ledger.events[-1:] if stopped is not None else ()
    events = (*ledger.events[: len(ledger.events) - len(last)], *counted, *last)
    return replace(ledger, events=events, late=counted, after_end=after, late_torn_bytes=late.torn_bytes)


def _after(event: LateEvent, stopped: RunStopped) -> bool:
    u_s = event.u_s if isinstance(event, MarkMade) else 0.0
    return event.t_s - COVERAGE_K * u_s > stopped.t_s


def _broken(source: str, number: int, what: str) -> ChainBroken:
    return ChainBroken(
        said("{source}, line {number}: {what}", source=source, number=number, what=what),
        hint=said("keep both files as they are; without this file the ledger is judged as it was when the run ended"),
    )

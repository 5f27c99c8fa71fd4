"""What came in after a run had ended: lines chained like the ledger's own, in a file beside it that hangs on it.

Nothing may follow the end of a ledger. A phone that was out of reach may still hold marks of that run; they are kept
as `<run>.late-marks.jsonl`, whose first line names a digest of the ledger as the one before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from gaswitness.errors import ChainBroken
from gaswitness.evidence.ledger import Ledger, parse_line
from gaswitness.run.events import Event, MarkMade, ReadingTaken, RunStopped

LateEvent = MarkMade | ReadingTaken


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


def read_late(data: bytes, ledger: Ledger, source: str) -> Late:
    """Read late lines and prove that they hang on this ledger, and each on the one before.

    A last line that was cut off is counted, not read. Raises ChainBroken.
    """
    events: list[LateEvent] = []
    digest, torn = ledger.digest, 0
    for number, line in enumerate(data.splitlines(), start=1):
        parsed = parse_line(line)
        if parsed is None:
            torn += len(line)
            continue
        if (parsed.seq, parsed.previous) != (len(events), digest) or not isinstance(parsed.event, LateEvent):
            raise ChainBroken(
                f"{source}, line {number}: does not follow the end of its ledger or the line before it",
                hint="keep both files as they are; without this file the ledger is judged as it was when the run ended",
            )
        events.append(parsed.event)
        digest = parsed.digest
    return Late(tuple(events), digest, torn)


def with_late(ledger: Ledger, late: Sequence[Event]) -> Ledger:
    """The ledger as it would be had these events come in before the run ended, for judging again; its bytes stay."""
    last = ledger.events[-1:] if isinstance(ledger.events[-1], RunStopped) else ()
    return replace(ledger, events=(*ledger.events[: len(ledger.events) - len(last)], *late, *last))

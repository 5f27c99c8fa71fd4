"""Marks that reach the board after their run has ended: kept beside its ledger, and counted once."""

from __future__ import annotations

import threading
from functools import lru_cache
from pathlib import Path

from gaswitness.evidence.late import LateEvent, late_path, read_late
from gaswitness.evidence.ledger import Ledger, read_ledger, seal
from gaswitness.history.files import LedgerFile
from gaswitness.run.events import Event, MarkMade, ReadingTaken
from gaswitness.web.live import SAME_READING_S

_ONE_AT_A_TIME = threading.Lock()


def ended_ledger(path: Path) -> Ledger:
    """A ledger that grows no more, read once however many marks come for it; raises EvidenceError."""
    state = path.stat()
    return _read(path, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=2)
def _read(path: Path, changed_ns: int, size: int) -> Ledger:  # noqa: ARG001 - what tells that it is another one
    return read_ledger(path.read_bytes(), path.name)


def keep_late(path: Path, event: LateEvent) -> tuple[LateEvent, bool]:
    """Write an event beside the ledger at `path`, once; comes back when it is on the disk.

    Gives the event as it is kept, and whether it was new. Raises EvidenceError where ledger or late marks can no
    longer be trusted, InputError while somebody else writes.
    """
    ledger = ended_ledger(path)
    beside = late_path(path)
    with _ONE_AT_A_TIME, LedgerFile.reopen(beside) if beside.is_file() else LedgerFile(beside) as file:
        data = beside.read_bytes()
        late = read_late(data, ledger, beside.name)
        for known in (*ledger.events, *late.events):
            if isinstance(known, LateEvent) and _same(known, event, ledger.started.speed):
                return known, False
        # what was torn off stays where it is, on a line of its own
        start = [] if not data or data.endswith(b"\n") else [b"\n"]
        file.append([*start, seal(event, late.digest, len(late.events))])
    return event, True


def _same(known: Event, event: LateEvent, speed: float) -> bool:
    """Sent again: a mark by its identity, a typed reading by what it says and when."""
    if isinstance(known, MarkMade) and isinstance(event, MarkMade):
        return known.mark_id == event.mark_id
    if isinstance(known, ReadingTaken) and isinstance(event, ReadingTaken) and known.quality == "by-hand":
        alike = (known.tag, known.value_ppm) == (event.tag, event.value_ppm)
        return alike and abs(known.source_t_s - event.source_t_s) <= SAME_READING_S * max(1.0, speed)
    return False

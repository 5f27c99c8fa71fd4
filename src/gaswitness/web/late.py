"""Marks that reach the board after their run has ended: kept beside its ledger, and counted once."""

from __future__ import annotations

import threading
from pathlib import Path

from gaswitness.evidence.late import Late, LateEvent, read_late
from gaswitness.evidence.ledger import Ledger, read_ledger, seal
from gaswitness.history.files import LedgerFile
from gaswitness.run.events import MarkMade
from gaswitness.web.folder import LEDGER

LATE = ".late-marks.jsonl"
_ONE_AT_A_TIME = threading.Lock()


def late_path(ledger: Path) -> Path:
    """Where the late marks of a ledger lie.

    >>> late_path(Path("r1.ledger.jsonl")).name
    'r1.late-marks.jsonl'
    """
    return ledger.with_name(ledger.name.removesuffix(LEDGER) + LATE)


def late_of(path: Path, ledger: Ledger) -> Late:
    """What came late to this run; nothing where there is no such file. Raises ChainBroken."""
    beside = late_path(path)
    data = beside.read_bytes() if beside.is_file() else b""
    return read_late(data, ledger, beside.name)


def keep_late(path: Path, event: LateEvent) -> bool:
    """Write an event beside the ledger at `path`, once; comes back when it is on the disk. False: it was there.

    Raises EvidenceError where ledger or late marks can no longer be trusted, InputError while somebody else writes.
    """
    ledger = read_ledger(path.read_bytes(), path.name)
    beside = late_path(path)
    with _ONE_AT_A_TIME, LedgerFile.reopen(beside) if beside.is_file() else LedgerFile(beside) as file:
        late = late_of(path, ledger)
        if isinstance(event, MarkMade) and event.mark_id in late.mark_ids | _marks_of(ledger):
            return False
        if event in late.events:
            return False
        if late.torn_bytes:
            file.append([b"\n"])  # what was torn off stays where it is
        file.append([seal(event, late.digest, len(late.events))])
    return True


def _marks_of(ledger: Ledger) -> frozenset[str]:
    return frozenset(event.mark_id for event in ledger.events if isinstance(event, MarkMade))

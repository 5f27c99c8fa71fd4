"""Ledgers that a board has written, read back while it goes on."""

from __future__ import annotations

from pathlib import Path

from gaswitness.evidence.ledger import Ledger, read_ledger
from gaswitness.run.events import MarkMade


def only_ledger(folder: Path) -> Ledger:
    """The one ledger of a folder."""
    (path,) = folder.glob("*.ledger.jsonl")
    return read_ledger(path.read_bytes(), path.name)


def marks_in(folder: Path) -> tuple[MarkMade, ...]:
    """Every mark in it, in order."""
    return tuple(event for event in only_ledger(folder).events if isinstance(event, MarkMade))

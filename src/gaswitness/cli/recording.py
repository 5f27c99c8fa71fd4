"""Where a run meets its ledger file: events are sealed as they come, and written together once per poll."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from gaswitness.errors import EvidenceError, InputError
from gaswitness.evidence.ledger import ZERO_DIGEST, Ledger, digest_of, read_ledger, seal
from gaswitness.history.files import LedgerFile
from gaswitness.plan.records import Plan
from gaswitness.run.events import Event
from gaswitness.sentence import listed, said

SUFFIX = ".ledger.jsonl"


class Recorder:
    """Seals events in order; they are on the disk when `commit` returns. The file is made by the first of them."""

    def __init__(self, path: Path, make: Callable[[Path], LedgerFile] = LedgerFile) -> None:
        self.path = path
        self._make = make
        self._file: LedgerFile | None = None
        self._digest, self._seq = ZERO_DIGEST, 0
        self._pending: list[bytes] = []

    @classmethod
    def going_on(cls, path: Path) -> tuple[Recorder, Ledger]:
        """Go on with a ledger: it is locked first, then read, and what was torn off at its end stays where it is."""
        file = LedgerFile.reopen(path)
        try:
            ledger = read_ledger(path.read_bytes(), str(path))
        except BaseException:
            file.close()
            raise
        recorder = cls(path)
        recorder._file = file
        recorder._digest, recorder._seq = ledger.digest, ledger.next_seq
        if not ledger.ends_with_newline:
            recorder._pending.append(b"\n")
        return recorder, ledger

    def record(self, event: Event) -> None:
        """Seal one event; it is written by the next `commit`."""
        line = seal(event, self._digest, self._seq)
        self._digest, self._seq = digest_of(line), self._seq + 1
        self._pending.append(line)

    def commit(self) -> None:
        """Write what was recorded and come back when it is on the disk."""
        if not self._pending:
            return
        if self._file is None:
            self._file = self._make(self.path)
        self._file.append(self._pending)
        self._pending.clear()

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()


def new_path(folder: Path, site: str, now: datetime) -> Path:
    """A name that nothing has yet, told by the instant and the site.

    >>> new_path(Path("."), "Cider cellar", datetime(2026, 1, 2, 3, 4, 5)).name
    '20260102T030405Z-cider-cellar.ledger.jsonl'
    """
    slug = "-".join("".join(char if char.isalnum() else " " for char in site.lower()).split()) or "site"
    stem, number = f"{now:%Y%m%dT%H%M%SZ}-{slug[:40]}", 1
    path = folder / f"{stem}{SUFFIX}"
    while path.exists():
        number += 1
        path = folder / f"{stem}-{number}{SUFFIX}"
    return path


def unfinished(folder: Path, plan: Plan | None) -> Path:
    """The newest ledger in a folder that can be gone on with, of this plan if one is given.

    Raises InputError where there is none.
    """
    broken: list[str] = []
    ledgers = sorted(folder.glob(f"*{SUFFIX}"), key=lambda path: path.stat().st_mtime, reverse=True)
    for path in ledgers:
        try:
            ledger = read_ledger(path.read_bytes(), str(path))
        except EvidenceError:
            broken.append(path.name)
            continue
        if can_go_on(ledger) and (plan is None or ledger.started.plan == plan):
            return path
    raise InputError(
        said("no unfinished run") if plan is None else said("no unfinished run of this plan"),
        where=str(folder),
        found=said("{count} ledgers, not readable: {broken}", count=len(ledgers), broken=listed(broken))
        if broken
        else said("{count} ledgers", count=len(ledgers)),
        expected=said("a *{suffix} file that does not end in a finished run", suffix=SUFFIX),
        hint=said("name the ledger itself, or start a new run without --resume"),
    )


def can_go_on(ledger: Ledger) -> bool:
    """A run that was cut off, or stopped to be gone on with later."""
    return ledger.stopped is None or ledger.stopped.outcome == "stopped"

"""The only place where evidence meets the disk: append for good, or replace as a whole."""

from __future__ import annotations

import os
import secrets
import sys
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

from gaswitness.errors import InputError
from gaswitness.evidence.late import late_path, read_late, with_late
from gaswitness.evidence.ledger import Ledger, read_ledger
from gaswitness.sentence import said

_BINARY = getattr(os, "O_BINARY", 0)
"""Windows would otherwise turn every newline into two bytes, and no digest would hold."""


class LedgerFile:
    """A file that only grows. What `append` returned from is on the disk, and stays.

    `LedgerFile(path)` makes a new file and refuses one that exists; `LedgerFile.reopen(path)` goes on at the end
    of an existing one. The system's own lock keeps a second run from writing into the same ledger, and is gone
    with the process, so a killed run leaves nothing in the way.
    """

    def __init__(self, path: Path, *, _flags: int = os.O_CREAT | os.O_EXCL) -> None:
        self.path = path
        try:
            self._handle = os.open(path, os.O_WRONLY | os.O_APPEND | _BINARY | _flags, 0o644)
        except FileExistsError:
            raise InputError(
                said("this file exists, and a ledger is never overwritten"),
                where=str(path),
                hint=said("give another name or folder, or go on with it by --resume"),
            ) from None
        try:
            _lock(self._handle)
        except OSError:
            os.close(self._handle)
            self._handle = -1
            raise InputError(
                said("another run is writing this ledger"),
                where=str(path),
                hint=said("let that run end, or stop it, first"),
            ) from None
        if _flags & os.O_CREAT:
            _sync_folder(path.parent)

    @classmethod
    def reopen(cls, path: Path) -> LedgerFile:
        """Go on at the end of an existing file."""
        return cls(path, _flags=0)

    def append(self, lines: Iterable[bytes]) -> None:
        """Write these bytes at the end and come back when they are on the disk."""
        rest = memoryview(b"".join(lines))
        while rest:
            rest = rest[os.write(self._handle, rest) :]
        os.fsync(self._handle)

    def close(self) -> None:
        """Let go of the file; may be called twice."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def __enter__(self) -> LedgerFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def late_beside(ledger: Path) -> bytes:
    """What came in after the run of this ledger had ended; empty where nothing did."""
    beside = late_path(ledger)
    return beside.read_bytes() if beside.is_file() else b""


def ledger_with_late(path: Path) -> Ledger:
    """A ledger and what came in after its end, for judging; raises EvidenceError where they cannot be trusted."""
    ledger, late = read_ledger(path.read_bytes(), str(path)), late_beside(path)
    return with_late(ledger, read_late(late, ledger, str(late_path(path)))) if late else ledger


def write_whole(path: Path, data: bytes, *, private: bool = False) -> None:
    """Put a whole file in place: afterwards it holds either all of the old bytes or all of the new ones.

    What is private can be read by its owner only; anything else by whom the system's settings let.
    """
    part = path.with_name(f".{path.name}.{secrets.token_hex(6)}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o600 if private else 0o666)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def keep_certificate(
    folder: Path, certificate_id: str, pdf: bytes, bundle: bytes, language: str = "en"
) -> tuple[Path, Path]:
    """Put paper and bundle into a folder, beside an earlier one of the same number and never in its place.

    The name says the language of a paper that is not in English.
    """
    told = certificate_id if language == "en" else f"{certificate_id}-{language}"
    n = 1
    while True:
        stem = told if n == 1 else f"{told}-{n}"
        paper, box = folder / f"{stem}.pdf", folder / f"{stem}.evidence.zip"
        try:
            box.touch(exist_ok=False)  # whoever makes it first has the name, also of two at once
        except FileExistsError:
            n += 1
            continue
        write_whole(paper, pdf)
        write_whole(box, bundle)
        return paper, box


if sys.platform == "win32":
    import msvcrt

    _FAR = 2**31 - 2
    """A byte that no ledger reaches: locks bind there, and readers must not be kept out."""

    def _lock(handle: int) -> None:
        os.lseek(handle, _FAR, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _sync_folder(folder: Path) -> None:
    """Have the folder's entry on the disk too, where the system has such a thing."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

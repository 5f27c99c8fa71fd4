"""What one board consists of; handed to the pages as a whole."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gaswitness.web.access import Access, Pace
from gaswitness.web.due import DueList
from gaswitness.web.folder import Folder
from gaswitness.web.live import Live


@dataclass(frozen=True, slots=True)
class Start:
    """A run that somebody wants to begin."""

    plan: Path
    link: str | None
    operator: str
    resume: bool = False


@dataclass
class Board:
    """One folder, one run at a time, and whoever joined."""

    folder: Folder
    access: Access
    address: str
    """Where phones find this board, such as `http://192.0.2.7:8014`."""
    begin: Callable[[Start], Awaitable[None]] | None = None
    """Begins a run and comes back once it goes; raises GaswitnessError."""
    live: Live | None = None
    store: str | None = None
    """Address of the store that the due list is made from; without one, from the certificates in the folder."""
    key: Ed25519PrivateKey | None = None
    """Signs certificates; without one none is issued here."""
    tls_fingerprint: str = ""
    tls_authority: bytes = b""
    """What phones install to trust this board's certificate (DER)."""
    due: DueList = field(default_factory=DueList)
    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    knocks: Pace = field(default_factory=lambda: Pace(burst=10, per_s=10 / 60))
    """How often one address may try to join."""
    requests: Pace = field(default_factory=lambda: Pace(burst=240, per_s=40))
    """How often one address may ask for anything else."""

    @property
    def running(self) -> bool:
        """Whether a run goes on."""
        return self.live is not None and not self.live.over

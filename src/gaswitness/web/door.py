"""Connections, before anything is asked over them: so many from one address, and none that keeps us waiting."""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import Any

from uvicorn.protocols.http.auto import AutoHTTPProtocol

FROM_ONE_ADDRESS = 64
"""A browser opens six; several phones may share an address."""
FIRST_REQUEST_S = 15.0
"""By then the first request of a connection must have come whole, headers and all."""
_open: Counter[str] = Counter()


class Door(AutoHTTPProtocol):  # type: ignore[misc, valid-type]
    """The server's own protocol, for those who are let in."""

    _from = ""
    _patience: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Count it, and turn it away where there are too many; begin to wait for what it asks."""
        super().connection_made(transport)
        self._from = str((transport.get_extra_info("peername") or ("?",))[0])
        _open[self._from] += 1
        if _open[self._from] > FROM_ONE_ADDRESS:
            transport.abort()
            return
        self._patience = asyncio.get_running_loop().call_later(FIRST_REQUEST_S, self._asked_nothing)

    def connection_lost(self, exc: Exception | None) -> None:
        """Count it no more."""
        if self._patience is not None:
            self._patience.cancel()
        _open[self._from] -= 1
        if not _open[self._from]:
            del _open[self._from]
        super().connection_lost(exc)

    def _asked_nothing(self) -> None:
        if self.cycle is None:
            self.transport.abort()

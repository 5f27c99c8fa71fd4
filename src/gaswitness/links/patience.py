"""How long a link that is down waits before it tries again: 1, 2, 4 ... 30 s on the run's clock."""

from __future__ import annotations

from gaswitness.clock import Clock
from gaswitness.errors import LinkError
from gaswitness.sentence import figure, said

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 30.0


class Patience:
    """Remembers when the next attempt is due.

    >>> from gaswitness.clock import OwnedClock
    >>> clock = OwnedClock()
    >>> patience = Patience("mqtt://192.0.2.10", clock)
    >>> patience.failed()
    >>> patience.check()
    Traceback (most recent call last):
    gaswitness.errors.LinkError: mqtt://192.0.2.10: down, next attempt in 1 s
    >>> clock.advance_s(1.0)
    >>> patience.check()
    """

    def __init__(self, url: str, clock: Clock) -> None:
        self._url = url
        self._clock = clock
        self._wait_s = FIRST_WAIT_S
        self._not_before_s = -1.0

    def check(self, why: str = said("down")) -> None:
        """Raises LinkError while it is too early to try again."""
        left_s = self._not_before_s - self._clock.now_s()
        if left_s > 0:
            raise LinkError(said("{url}: {why}, next attempt in {wait} s", url=self._url, why=why, wait=figure(left_s)))

    def failed(self) -> None:
        """An attempt failed: wait, and the next time twice as long."""
        self._not_before_s = self._clock.now_s() + self._wait_s
        self._wait_s = min(2.0 * self._wait_s, LONGEST_WAIT_S)

    def succeeded(self) -> None:
        """It is up: begin again with a short wait."""
        self._wait_s = FIRST_WAIT_S
        self._not_before_s = -1.0

"""Response ageing from the store, for whoever simulates with it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from gaswitness.learn.ageing import Ageing, ageing
from gaswitness.learn.records import DetectorTest, only_real
from gaswitness.site.records import Site


class Kept(Protocol):
    """A store, as far as this needs one: `gaswitness.history.store.open_store(url)` gives it."""

    def tested(self, *, site: str | None = None) -> list[DetectorTest]:
        """Every test that was kept, or those of one site."""
        ...


def ageing_of(store: Kept, site: Site) -> Mapping[str, Ageing]:
    """Ageing of the detectors of this site, by tag, from all that the store holds under the site's name.

    A detector without a test that gave a t90 is left out: what is unknown is not guessed.
    """
    tests, _ = only_real(store.tested(site=site.name))
    stated_s = {detector.tag: detector.t90_s for detector in site.detectors}
    return ageing([test for test in tests if test.tag in stated_s], stated_s)

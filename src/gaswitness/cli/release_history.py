"""How slowly each detector of a site answers, from its past tests in the store, for a study of releases."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from gaswitness.release.montecarlo import Aged, Spread
from gaswitness.site import Site

if TYPE_CHECKING:
    from gaswitness.learn.ageing import Ageing


@dataclass(frozen=True, slots=True)
class Responses:
    """What is known of the detectors of a site, and what a study draws for them."""

    tags: tuple[str, ...]
    spread: Spread
    known: dict[str, Ageing]
    """By tag; empty where no store was named."""

    def document(self) -> list[dict[str, Any]]:
        """What was used for each detector, and where it comes from."""
        rows: list[dict[str, Any]] = []
        for tag in self.tags:
            used, past = self.spread.ageing_of(tag), self.known.get(tag)
            row: dict[str, Any] = {"detector": tag, "t90_ratio": used.ageing, "factor": used.ageing_factor}
            if past is None:
                row["from"] = "assumed"
            else:
                row |= {
                    "from": "history",
                    "tests": past.tests,
                    "mean": past.ratio,
                    "u_mean": past.u if math.isfinite(past.u) else None,
                    "spread": past.spread,
                    "last": past.last,
                    "last_day": past.last_day.isoformat(),
                    "against": past.against,
                    "simulated": past.simulated,
                }
            rows.append(row)
        return rows


def responses(site: Site, spread: Spread, store: str | None) -> Responses:
    """What is drawn for the detectors of this site: their own past where the store knows it, else the common spread.

    Raises InputError where there is no such store.
    """
    tags = tuple(detector.tag for detector in site.detectors)
    if store is None:
        return Responses(tags, spread, {})
    from gaswitness.history.ageing import ageing_of
    from gaswitness.history.store import open_store

    with open_store(store) as kept:
        known = dict(ageing_of(kept, site))
    aged = tuple(aged_from(known[tag], spread.ageing_factor) for tag in tags if tag in known)
    return Responses(tags, replace(spread, aged=aged), known)


def aged_from(past: Ageing, common_factor: float) -> Aged:
    """What is drawn for a detector with this past.

    The median is the mean of its tests, or the last one where that was slower: a sensor does not grow young again. The
    width is that between its tests (for one test alone, the common one), joined in quadrature with the uncertainty of
    the mean, so that few tests count for little.
    """
    between = math.log(common_factor if past.spread is None else max(past.spread, 1.0))
    of_mean = past.u / past.ratio if math.isfinite(past.u) else 0.0
    return Aged(past.tag, max(past.ratio, past.last), math.exp(math.hypot(between, of_mean)))

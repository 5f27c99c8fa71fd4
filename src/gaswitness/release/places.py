"""Where to put detectors: candidates in every zone of a scene, tried on its releases, and the best of them chosen."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gaswitness.release.montecarlo import MOST_PATTERNS, Mapper, Spread, study
from gaswitness.release.scene import Scene
from gaswitness.release.siting import choose_places


@dataclass(frozen=True, slots=True)
class Placed:
    """Zones for the detectors, the best choice and the greedy one, with the share of releases seen."""

    best: tuple[str, ...]
    p_best: float
    greedy: tuple[str, ...]
    p_greedy: float
    within_s: float
    """Time within which an alarm counts as seen."""


def place_detectors(
    scene: Scene,
    spread: Spread,
    number: int,
    *,
    scenarios: int,
    seed: int,
    stream: int = 0,
    mapper: Mapper | None = None,
) -> Placed:
    """Try detectors like the scene's first one, two in each zone (sixteen in all), and choose those that see most.

    `spread.duration_s` is the time within which an alarm counts.

    Two in one zone fail independently, so a second one there may be worth more than a first one elsewhere. The air is
    that without alarms acting on it, since what a fan does depends on the choice.
    """
    if not scene.watches:
        return Placed((), 0.0, (), 0.0, spread.duration_s)
    like = scene.watches[0]
    names = [zone.name for zone in scene.network.zones]
    zones = [*names, *names][:MOST_PATTERNS]
    watches = tuple(replace(like, tag=f"candidate-{i}", zone=zone) for i, zone in enumerate(zones))
    result = study(
        replace(scene, watches=watches, triggers=()),
        spread,
        scenarios=scenarios,
        seed=seed,
        stream=stream,
        mapper=mapper,
    )
    met = np.flatnonzero(result.patterns)
    seen = (met[:, None] >> np.arange(len(zones)))[:, :] & 1
    siting = choose_places(seen.astype(bool), number, weights=result.patterns[met])
    return Placed(
        tuple(zones[i] for i in siting.best.places),
        siting.best.covered,
        tuple(zones[i] for i in siting.greedy.places),
        siting.greedy.covered,
        spread.duration_s,
    )

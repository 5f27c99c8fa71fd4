"""The alarms of a site at its posts: which sounders reach a place, how loud, and by which rules that is enough."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gaswitness.errors import Fault, InputFaults
from gaswitness.site import Site
from gaswitness.sound import NEEDS_LIGHT_DBA, Audible, audible, level_at_dba, together_dba


@dataclass(frozen=True, slots=True)
class HeardAt:
    """One post. `level_dba` is minus infinity where nothing that is known reaches it."""

    post: str
    name: str
    level_dba: float
    from_each: dict[str, float]
    """Level of each sounder here, in the open."""
    rules: tuple[Audible, ...]
    """Empty where the noise of the place, or the level, is not known."""
    unknown: tuple[str, ...]
    """What the site does not say."""
    needs_light: bool
    has_light: bool

    @property
    def holds(self) -> bool:
        """Whether every rule is met, with nothing unknown."""
        return not self.unknown and all(row.holds for row in self.rules) and (self.has_light or not self.needs_light)


def heard(site: Site) -> tuple[HeardAt, ...]:
    """Every post that hears a sounder, or has noise described; raises InputFaults for sounders that are not there."""
    effects = {effect.tag: effect for effect in site.effects}
    faults = [
        Fault(
            f"$.posts[{i}].hears[{j}].effect",
            f"found {hearing.effect!r}, expected the tag of an effect of kind sounder",
        )
        for i, post in enumerate(site.posts)
        for j, hearing in enumerate(post.hears)
        if hearing.effect not in effects or effects[hearing.effect].kind != "sounder"
    ]
    if faults:
        raise InputFaults(site.name, tuple(faults))
    found = []
    for post in site.posts:
        if not post.hears and post.noise is None:
            continue
        unknown = [] if post.noise is not None else ["noise of the place"]
        levels: dict[str, float] = {}
        for hearing in post.hears:
            at_1_m = effects[hearing.effect].sound_dba
            if at_1_m is None:
                unknown.append(f"level of {hearing.effect} at 1 m")
            else:
                levels[hearing.effect] = level_at_dba(at_1_m, hearing.distance_m, hearing.barrier_db)
        level_dba = together_dba(levels.values())
        noise = post.noise
        rules = (
            audible(level_dba, noise.average_dba, noise.maximum_dba, sleeping=post.sleeping)
            if noise is not None and math.isfinite(level_dba)
            else ()
        )
        if not levels and not unknown:
            unknown.append("any sounder that reaches it")
        found.append(
            HeardAt(
                post.tag,
                post.name,
                level_dba,
                levels,
                rules,
                tuple(unknown),
                noise is not None and noise.average_dba > NEEDS_LIGHT_DBA,
                any(effect.kind == "lamp" and effect.post == post.tag for effect in site.effects),
            )
        )
    return tuple(found)

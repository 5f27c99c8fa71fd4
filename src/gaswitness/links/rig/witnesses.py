"""People at the posts of the simulated installation: they press when something really starts, stops or changes."""

from __future__ import annotations

from gaswitness.links.rig.chance import NumberedNoise
from gaswitness.links.rig.world import Sight
from gaswitness.run.ports import Press
from gaswitness.site.records import Site

REACTION_S = 0.25
REACTION_SD_S = 0.10
FASTEST_S = 0.10
SLOWEST_S = 0.60
"""Reaction of a person who waits for a thing to happen: mean 0.25 s, standard deviation 0.1 s (common practice, no
source), never under 0.1 s nor over 0.6 s."""


class Witnesses:
    """One at every post; they see what happens there, whatever the panel believes."""

    def __init__(self, site: Site, seed: int, instance: str = "rig") -> None:
        self._post = {effect.tag: effect.post for effect in site.effects}
        self._names = {post.tag: f"rig witness, {post.name}" for post in site.posts}
        self._noise = NumberedNoise(seed, "witnesses")
        self._instance = instance
        self._count = 0

    def present(self, t_s: float) -> tuple[Press, ...]:
        """Everybody says that they are at their post."""
        return tuple(
            Press(
                mark_id=f"{self._instance}-at-{post}",
                post=post,
                witness=name,
                signal="present",
                on=True,
                t_s=t_s,
                u_s=REACTION_SD_S,
            )
            for post, name in self._names.items()
        )

    def press(self, sight: Sight) -> Press:
        """The mark that this sight brings, on the rig's clock."""
        reaction_s = REACTION_S + REACTION_SD_S * self._noise[self._count]
        reaction_s = min(max(reaction_s, FASTEST_S), SLOWEST_S)
        self._count += 1
        post = self._post[sight.effect]
        return Press(
            mark_id=f"{self._instance}-{self._count}",
            post=post,
            witness=self._names.get(post, "rig witness"),
            signal=f"{sight.effect}.on",
            on=sight.on,
            t_s=sight.t_s + reaction_s,
            u_s=REACTION_SD_S,
            pattern=sight.pattern if sight.on else None,
        )

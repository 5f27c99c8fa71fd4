"""The simulated panel as a link within one process: what a poll over the wire would bring, without the wire."""

from __future__ import annotations

from gaswitness.clock import Clock
from gaswitness.errors import LinkError
from gaswitness.links import registers
from gaswitness.links.rig.regmap import maps_of, words_of
from gaswitness.links.rig.world import World
from gaswitness.run.ports import Polled
from gaswitness.sentence import said


class RigLink:
    """Reads the rig through its register map, so that types, scales and word orders matter as they do on the wire."""

    def __init__(self, world: World, clock: Clock) -> None:
        self.url = "rig:"
        self._world = world
        self._clock = clock
        self._maps = maps_of(world.site, self.url)
        self._detectors = [registers.detectors(spec, world.site) for spec in self._maps]
        self.poll_s = min(spec.poll_s for spec in self._maps)

    async def open(self) -> None:
        """Raises LinkError while the wire is down."""
        await self.poll()

    async def poll(self) -> Polled:
        """Everything, as it stands now; raises LinkError while the wire is down."""
        world = self._world
        world.advance(self._clock.now_s())
        if not world.link_up:
            raise LinkError(said("{url} no answer", url=self.url), hint=said("the simulated wire is down"))
        seen = [
            registers.polled(
                spec, detectors, words_of(spec, world.site, world.readings(), world.status(), world.swapped)
            )
            for spec, detectors in zip(self._maps, self._detectors, strict=True)
        ]
        return Polled(
            {tag: reading for polled in seen for tag, reading in polled.readings.items()},
            {signal: on for polled in seen for signal, on in polled.status.items()},
        )

    async def close(self) -> None:
        """Nothing to let go."""

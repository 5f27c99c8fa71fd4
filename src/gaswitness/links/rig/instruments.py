"""What the rig's people read off their own instruments: what is really there, and a small error of each instrument.

Every error belongs to the seed: a barometer or a gauge that is off stays off (our assumptions).
"""

from __future__ import annotations

from gaswitness.links.rig.chance import generator
from gaswitness.links.rig.world import World
from gaswitness.plan.records import Step
from gaswitness.run.measured import AirRead, Measured

BAROMETER_PA = 50.0
THERMOMETER_K = 0.2
"""Standard deviation of the error of an instrument."""


def measured_at(world: World, step: Step) -> Measured | None:
    """What is read at this step; none for a step at which nothing is."""
    return _air(world) if step.kind == "air" else None


def _off(world: World, instrument: str, sd: float) -> float:
    return sd * float(generator(world.seed, instrument).standard_normal())


def _air(world: World) -> AirRead:
    air = world.site.conditions
    return AirRead(
        round(air.pressure_pa + _off(world, "barometer", BAROMETER_PA), -1),
        round(air.temperature_k + _off(world, "thermometer", THERMOMETER_K), 1),
    )

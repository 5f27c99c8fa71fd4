"""What the rig's people read off their own instruments: what is really there, and a small error of each instrument.

Every error belongs to the seed: a barometer or a gauge that is off stays off (our assumptions).
"""

from __future__ import annotations

from gaswitness.links.rig.chance import generator
from gaswitness.links.rig.world import World
from gaswitness.plan.records import Step
from gaswitness.run.measured import AirRead, BottleRead, Measured, SoundRead
from gaswitness.sound import level_at_dba, together_dba

BAROMETER_PA = 50.0
THERMOMETER_K = 0.2
METER_DB = 0.7
GAUGE_PA = 0.3e5
"""Standard deviation of the error of an instrument."""


def measured_at(world: World, step: Step) -> Measured | None:
    """What is read at this step; none for a step at which nothing is."""
    match step.kind:
        case "air":
            return _air(world)
        case "sound":
            return _sound(world, step.post or "")
        case "bottle":
            return _gauge(world, step.cylinder or "")
        case _:
            return None


def _off(world: World, instrument: str, sd: float) -> float:
    return sd * float(generator(world.seed, instrument).standard_normal())


def _air(world: World) -> AirRead:
    air = world.site.conditions
    return AirRead(
        round(air.pressure_pa + _off(world, "barometer", BAROMETER_PA), -1),
        round(air.temperature_k + _off(world, "thermometer", THERMOMETER_K), 1),
    )


def _sound(world: World, post: str) -> SoundRead | None:
    """Every sounder that really acts and is heard here, in the open, and the noise of the place."""
    here = next((one for one in world.site.posts if one.tag == post), None)
    if here is None or here.noise is None:
        return None
    levels = [here.noise.average_dba]
    for hearing in here.hears:
        at_1_m = world.site.effect(hearing.effect).sound_dba
        if hearing.effect in world.acting and at_1_m is not None:
            levels.append(level_at_dba(at_1_m, hearing.distance_m, hearing.barrier_db))
    return SoundRead(round(together_dba(levels) + _off(world, f"meter at {post}", METER_DB), 1))


def _gauge(world: World, cylinder: str) -> BottleRead:
    """A gauge that cannot be read finer than half a bar."""
    pressure_pa = world.pressure_pa(cylinder) + _off(world, f"gauge of {cylinder}", GAUGE_PA)
    return BottleRead(max(0.0, round(pressure_pa / 0.5e5) * 0.5e5))

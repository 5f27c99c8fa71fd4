"""One rig as a process: its clock, its panel on Modbus TCP, its control port."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import secrets
from collections.abc import Callable, Sequence

from gaswitness.errors import LinkError
from gaswitness.links.rig.control import ControlServer, Greeting
from gaswitness.links.rig.faults import RigFault
from gaswitness.links.rig.modbus_server import PanelServer
from gaswitness.links.rig.pace import RigTime
from gaswitness.links.rig.regmap import maps_of
from gaswitness.links.rig.world import World
from gaswitness.site.records import Site

TICK_S = 0.02
"""Real seconds between looks at the world while nobody asks for anything."""


async def serve(
    site: Site,
    *,
    host: str,
    port: int,
    control_port: int | None,
    speed: float,
    seed: int,
    faults: Sequence[RigFault],
    ready: Callable[[PanelServer, ControlServer], None],
    stop: asyncio.Event,
) -> None:
    """Serve until told to stop; raises LinkError where a port is taken.

    Without `control_port` the port after the panel's is used, or any free one where that is taken.
    """
    clock = RigTime(speed)
    world = World(site, seed=seed, faults=faults)

    def catch_up() -> None:
        world.advance(clock.now_s())

    panel = PanelServer(world, maps_of(site, f"modbus-tcp://{host}:{port}"), host, catch_up)
    await panel.start(port)
    greeting = Greeting(site=site.name, speed=speed, seed=seed, modbus=f"{host}:{panel.port}")
    control = ControlServer(world, greeting, clock, catch_up, instance=f"rig-{secrets.token_hex(3)}")
    try:
        await _start_control(control, panel.port, control_port)
        gc.collect()
        gc.freeze()  # a full collection over all that was imported would keep a poll waiting for seconds of rig time
        ready(panel, control)
        while not stop.is_set():
            catch_up()
            await panel.follow()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), TICK_S)
    finally:
        await control.stop()
        await panel.stop()


async def _start_control(control: ControlServer, panel_port: int, asked: int | None) -> None:
    wanted = panel_port + 1 if asked is None else asked
    try:
        await control.start(wanted)
    except (OSError, OverflowError) as error:
        if asked is None:
            await control.start(0)
            return
        raise LinkError(
            f"control port {wanted}: could not listen", hint="choose another with --control-port, or 0"
        ) from error

"""A whole visit over a Modbus server that is not ours, with a register map of its own.

The server is pyModbusTCP, in its own thread. What its registers hold comes from the simulated installation, written
there by the test with the standard library's `struct`.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
from datetime import UTC, date, datetime

from pyModbusTCP.server import ModbusServer

from gaswitness.clock import SystemClock
from gaswitness.links.modbus import ModbusLink
from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.world import World
from gaswitness.plan import build_plan
from gaswitness.run.drive import drive
from gaswitness.run.events import Event, ReadingTaken
from support.rigs import cellar, free_port, link_spec

SPEED = 100.0


def fill(server: ModbusServer, world: World) -> None:
    """Holding registers from 2000: A as int32 in tenths of ppm, low word first; B as 4 to 20 mA in microamperes.

    Coils from 64: alarms and outputs. Input register 7: faults as bits 3 and 9, off when lit.
    """
    shown, status, bank = world.readings(), world.status(), server.data_bank
    a_ppm, b_ppm = shown["CO2-A"], shown["CO2-B"]
    tenths = -(2**31) if a_ppm != a_ppm else round(10 * a_ppm)
    high, low = struct.unpack(">HH", struct.pack(">i", tenths))
    microamperes = 0 if b_ppm != b_ppm else round(4000 + 16000 * b_ppm / 50_000)
    bank.set_holding_registers(2000, [low, high, 0, microamperes])
    signals = ("CO2-A.low", "CO2-A.high", "CO2-B.low", "CO2-B.high", "BEACON.on", "FAN.on", "FAULT.on")
    bank.set_coils(64, [status[signal] for signal in signals])
    lit = (not status["CO2-A.fault"]) << 3 | (not status["CO2-B.fault"]) << 9
    bank.set_input_registers(7, [lit])


def foreign_map(url: str) -> object:
    return link_spec(
        url,
        [
            {"signal": "CO2-A.reading", "function": 3, "address": 2000, "type": "int32", "words": "CDAB", "scale": 0.1},
            {
                "signal": "CO2-B.reading",
                "function": 3,
                "address": 2003,
                "type": "uint16",
                "scale": 0.001,
                "unit": "mA",
            },
        ],
        [
            {"signal": "CO2-A.low", "function": 1, "address": 64},
            {"signal": "CO2-A.high", "function": 1, "address": 65},
            {"signal": "CO2-B.low", "function": 1, "address": 66},
            {"signal": "CO2-B.high", "function": 1, "address": 67},
            {"signal": "BEACON.on", "function": 1, "address": 68},
            {"signal": "FAN.on", "function": 1, "address": 69},
            {"signal": "FAULT.on", "function": 1, "address": 70},
            {"signal": "CO2-A.fault", "function": 4, "address": 7, "bit": 3, "inverted": True},
            {"signal": "CO2-B.fault", "function": 4, "address": 7, "bit": 9, "inverted": True},
        ],
    )


async def test_a_whole_visit_over_another_server() -> None:
    server = ModbusServer("127.0.0.1", free_port(), no_block=True)
    server.start()
    spec = foreign_map(f"modbus-tcp://127.0.0.1:{server.port}")
    site = cellar().model_copy(update={"links": (spec,)})
    plan = build_plan(site, made=datetime(2026, 11, 25, tzinfo=UTC), today=date(2026, 11, 25))
    clock = SystemClock(speed=SPEED)
    world = World(site, seed=3)
    fill(server, world)

    async def keep_filling() -> None:
        while True:
            world.advance(clock.now_s())
            fill(server, world)
            await asyncio.sleep(0.002)

    filling = asyncio.create_task(keep_filling())
    events: list[Event] = []
    try:
        stopped = await asyncio.wait_for(
            drive(
                plan,
                ModbusLink(spec, site, clock=clock),
                RigHands(world, clock),
                clock,
                events.append,
                run_id="foreign",
                operator="test",
                speed=SPEED,
                simulated=True,
            ),
            timeout=120,
        )
    finally:
        filling.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await filling
        server.stop()
    assert stopped.outcome == "complete"
    for tag in ("CO2-A", "CO2-B"):
        values = [e.value_ppm for e in events if isinstance(e, ReadingTaken) and e.tag == tag and e.quality == "good"]
        assert min(v for v in values if v is not None) > 300.0
        assert 23_500.0 < max(v for v in values if v is not None) < 26_500.0

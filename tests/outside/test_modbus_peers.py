"""The Modbus link against servers that are not ours: pyModbusTCP over TCP, a small RTU server over joined ports."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from pyModbusTCP.server import ModbusServer

from gaswitness.clock import OwnedClock
from gaswitness.errors import LinkError
from gaswitness.links import open_link
from gaswitness.links.modbus import ModbusLink, plausible_orders
from support.rigs import free_port, link_spec, ravensmoor


def halves(form: str, value: float) -> list[int]:
    """Four bytes as two registers, most significant first, by the standard library alone."""
    return list(struct.unpack(">HH", struct.pack(">" + form, value)))


def bytes_swapped(words: list[int]) -> list[int]:
    return [(word >> 8) | (word & 0xFF) << 8 for word in words]


@pytest.fixture
def peer() -> Iterator[ModbusServer]:
    """pyModbusTCP with a map of its own: other tables, types and orders than our examples."""
    server = ModbusServer("127.0.0.1", free_port(), no_block=True)
    server.start()
    bank = server.data_bank
    bank.set_holding_registers(700, halves("f", 12.5))  # ABCD
    bank.set_holding_registers(702, halves("f", 80.25)[::-1])  # CDAB
    bank.set_holding_registers(704, bytes_swapped(halves("i", -1234)))  # BADC
    bank.set_holding_registers(706, bytes_swapped(halves("I", 4_000_000_000))[::-1])  # DCBA
    bank.set_input_registers(3000, [2090])
    bank.set_input_registers(3100, [0xFFF6])  # -10 as int16
    bank.set_input_registers(3200, [12_000])  # 12.000 mA
    bank.set_coils(40, [True])
    bank.set_discrete_inputs(9, [True])
    bank.set_holding_registers(50, [0b1000_0000_0000_0001])
    yield server
    server.stop()


def map_for(url: str) -> object:
    return link_spec(
        url,
        [
            {"signal": "NH3-1.reading", "function": 3, "address": 700, "type": "float32"},
            {"signal": "NH3-2.reading", "function": 3, "address": 702, "type": "float32", "words": "CDAB"},
            {
                "signal": "CO2-1.reading",
                "function": 3,
                "address": 704,
                "type": "int32",
                "words": "BADC",
                "scale": -0.001,
                "unit": "%vol",
            },
            {
                "signal": "CO2-2.reading",
                "function": 3,
                "address": 706,
                "type": "uint32",
                "words": "DCBA",
                "scale": 0.001,
                "unit": "ppb",
            },
            {"signal": "O2-1.reading", "function": 4, "address": 3000, "type": "uint16", "scale": 0.01, "unit": "%vol"},
            {"signal": "CO-1.reading", "function": 4, "address": 3100, "type": "int16", "scale": 0.1, "offset": 26.0},
            {"signal": "NO2-1.reading", "function": 4, "address": 3200, "type": "uint16", "scale": 0.001, "unit": "mA"},
        ],
        [
            {"signal": "NH3-1.low", "function": 1, "address": 40},
            {"signal": "NH3-1.high", "function": 2, "address": 9, "inverted": True},
            {"signal": "PLANT-FAN.on", "function": 3, "address": 50, "bit": 15},
            {"signal": "PLANT-STOP.on", "function": 3, "address": 50, "bit": 1},
        ],
    )


async def test_another_server_with_a_map_of_its_own(peer: ModbusServer) -> None:
    link = ModbusLink(map_for(f"modbus-tcp://127.0.0.1:{peer.port}"), ravensmoor())
    await link.open()
    seen = await link.poll()
    await link.close()
    shown = {tag: reading.value_ppm for tag, reading in seen.readings.items()}
    assert shown == pytest.approx(
        {
            "NH3-1": 12.5,
            "NH3-2": 80.25,
            "CO2-1": 12_340.0,
            "CO2-2": 4000.0,
            "O2-1": 209_000.0,
            "CO-1": 25.0,
            "NO2-1": 5.0,  # 12 mA is the middle of 0 to 10 ppm
        }
    )
    assert {reading.quality for reading in seen.readings.values()} == {"good"}
    assert seen.status == {"NH3-1.low": True, "NH3-1.high": False, "PLANT-FAN.on": True, "PLANT-STOP.on": False}


async def test_swapped_words_are_reported_as_they_came_and_can_be_explained(peer: ModbusServer) -> None:
    spec = link_spec(
        f"modbus-tcp://127.0.0.1:{peer.port}",
        [{"signal": "NH3-2.reading", "function": 3, "address": 702, "type": "float32", "words": "ABCD"}],
        [],
    )
    link = ModbusLink(spec, ravensmoor())
    await link.open()
    reading = (await link.poll()).readings["NH3-2"]
    words = await link.read_words(spec.registers[0])
    await link.close()
    assert reading.value_ppm is not None
    assert abs(reading.value_ppm) < 1e-6
    assert plausible_orders(words, 0.0, 300.0, step=1.0) == ("CDAB",)


async def test_a_link_that_went_down_mends_itself_and_waits_longer_each_time() -> None:
    clock = OwnedClock()
    port = free_port()
    spec = link_spec(
        f"modbus-tcp://127.0.0.1:{port}",
        [{"signal": "NH3-1.reading", "function": 3, "address": 0, "type": "uint16"}],
        [],
    )
    link = ModbusLink(spec, ravensmoor(), clock=clock)
    attempts = []
    for second in range(20):
        try:
            await link.poll()
        except LinkError as error:
            if "could not connect" in error.message:
                attempts.append(second)
        clock.advance_s(1.0)
    assert attempts == [0, 1, 3, 7, 15]
    server = ModbusServer("127.0.0.1", port, no_block=True)
    server.start()
    try:
        server.data_bank.set_holding_registers(0, [42])
        clock.advance_s(60.0)
        assert (await link.poll()).readings["NH3-1"].value_ppm == 42.0
    finally:
        await link.close()
        server.stop()


async def test_a_cut_connection_is_one_failed_poll(peer: ModbusServer) -> None:
    clock = OwnedClock()
    link = ModbusLink(map_for(f"modbus-tcp://127.0.0.1:{peer.port}"), ravensmoor(), clock=clock)
    await link.open()
    await link.poll()
    port = peer.port
    peer.stop()
    await asyncio.sleep(0.1)
    with pytest.raises(LinkError):
        await link.poll()
    again = ModbusServer("127.0.0.1", port, no_block=True)
    again.start()
    try:
        clock.advance_s(60.0)
        assert len((await link.poll()).readings) == 7
    finally:
        await link.close()
        again.stop()


async def test_nobody_there_is_told_with_a_hint() -> None:
    link = open_link(f"modbus-tcp://127.0.0.1:{free_port()}", ravensmoor())
    with pytest.raises(LinkError, match="could not connect") as caught:
        await link.open()
    assert "port" in caught.value.hint


RTU_SERVER = """
import serial, sys
port = serial.Serial(sys.argv[1], 9600, timeout=0.05)
def crc(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")
print("ready", flush=True)
held = b""
while True:
    held += port.read(64)
    if len(held) < 8:
        continue
    frame, held = held[:8], held[8:]
    assert crc(frame[:6]) == frame[6:], frame
    first, count = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
    body = frame[:2] + bytes([2 * count])
    for address in range(first, first + count):
        body += (10 * address).to_bytes(2, "big")
    check = crc(body)
    port.write(body + (bytes(255 - octet for octet in check) if "--broken" in sys.argv else check))
"""


@contextlib.asynccontextmanager
async def joined_ports(folder: Path) -> AsyncIterator[tuple[Path, Path]]:
    """Two serial ports joined back to back."""
    near, far = folder / "near", folder / "far"
    with subprocess.Popen(
        ["timeout", "60", "socat", f"pty,raw,echo=0,link={near}", f"pty,raw,echo=0,link={far}"]
    ) as wire:
        try:
            deadline = time.monotonic() + 10.0
            while not (near.exists() and far.exists()) and time.monotonic() < deadline:
                await asyncio.sleep(0.05)
            yield near, far
        finally:
            wire.terminate()


@contextlib.contextmanager
def rtu_server(port: Path, *options: str) -> Iterator[None]:
    """A unit on a serial port, written with bytes alone."""
    with subprocess.Popen(
        [sys.executable, "-c", RTU_SERVER, str(port), *options], stdout=subprocess.PIPE, text=True
    ) as server:
        try:
            assert server.stdout is not None
            assert server.stdout.readline() == "ready\n"
            yield
        finally:
            server.kill()


needs_socat = pytest.mark.skipif(shutil.which("socat") is None, reason="socat is not installed: no joined serial ports")


@needs_socat
async def test_serial_line_over_two_joined_ports(tmp_path: Path) -> None:
    async with joined_ports(tmp_path) as (near, far):
        with rtu_server(far):
            spec = link_spec(
                f"modbus-rtu://{near}?baud=9600&parity=N",
                [{"signal": "CO-1.reading", "function": 3, "address": 12, "type": "uint16"}],
                [{"signal": "CO-1.low", "function": 4, "address": 3, "bit": 1}],
            )
            link = ModbusLink(spec, ravensmoor())
            await link.open()
            seen = await link.poll()
            await link.close()
    assert seen.readings["CO-1"].value_ppm == 120.0
    assert seen.status == {"CO-1.low": True}  # 30 is 0b11110


@needs_socat
async def test_a_frame_with_a_broken_check_sum_is_never_a_reading(tmp_path: Path) -> None:
    clock = OwnedClock()
    async with joined_ports(tmp_path) as (near, far):
        spec = link_spec(
            f"modbus-rtu://{near}?baud=9600&parity=N",
            [{"signal": "CO-1.reading", "function": 3, "address": 12, "type": "uint16"}],
            [],
        )
        link = ModbusLink(spec, ravensmoor(), clock=clock, timeout_s=0.3)
        with rtu_server(far, "--broken"):
            await link.open()
            with pytest.raises(LinkError, match="no answer"):
                await link.poll()
        with rtu_server(far):
            clock.advance_s(60.0)
            assert (await link.poll()).readings["CO-1"].value_ppm == 120.0
            await link.close()

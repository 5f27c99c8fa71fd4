"""The rig as its own process: another Modbus master reads it, nothing can write to it, hands reach it apart from that.

mbpoll stands on libmodbus and shares no code with this project or with pymodbus.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import shutil
import signal
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from gaswitness.clock import SystemClock
from gaswitness.errors import LinkError
from gaswitness.links.modbus import ModbusLink
from gaswitness.links.opening import open_link
from gaswitness.links.rig.client import ControlClient, control_port_of, greeting_of
from gaswitness.links.rig.commands import Command
from gaswitness.links.rig.regmap import made_up_map
from gaswitness.plan.records import Step
from gaswitness.run.ports import Press
from support.rigs import EXAMPLES, cellar, free_port, ravensmoor


@dataclass(frozen=True)
class Running:
    port: int
    control: int
    process: subprocess.Popen[str]

    @property
    def url(self) -> str:
        return f"modbus-tcp://127.0.0.1:{self.port}"


@contextmanager
def rig(site: str, *options: str) -> Iterator[Running]:
    """`gaswitness rig` in its own process."""
    command = [sys.executable, "-m", "gaswitness.cli.main", "rig", str(EXAMPLES / site), "--port", "0", *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            told = process.stdout.readline() + process.stdout.readline()
            match = re.fullmatch(r"listening on 127\.0\.0\.1:(\d+)\ncontrol port (\d+)\n", told)
            if match is None:
                process.kill()
                raise AssertionError(f"{told!r} {process.stderr.read() if process.stderr else ''}")
            yield Running(int(match[1]), int(match[2]), process)
        finally:
            if process.poll() is None:
                process.kill()


@pytest.fixture(scope="module")
def ice() -> Iterator[Running]:
    with rig("ravensmoor.yaml", "--speed", "20", "--seed", "1") as running:
        yield running


needs_mbpoll = pytest.mark.skipif(shutil.which("mbpoll") is None, reason="mbpoll is not installed")


def mbpoll(port: int, *options: str, write: str | None = None) -> tuple[int, str]:
    """Ask once; exit code and everything said."""
    command = ["mbpoll", "-m", "tcp", "-a", "1", "-p", str(port), "-0", "-1", "-q", *options, "127.0.0.1"]
    done = subprocess.run(
        [*command, write] if write else command, capture_output=True, text=True, timeout=20, check=False
    )
    return done.returncode, done.stdout + done.stderr


def values(said: str) -> list[str]:
    return re.findall(r"\[\d+\]:\s+(\S+)", said)


@needs_mbpoll
def test_another_master_reads_floats_words_and_bits(ice: Running) -> None:
    code, said = mbpoll(ice.port, "-t", "3:float", "-B", "-r", "0", "-c", "1")  # NH3-1, ABCD
    assert code == 0, said
    assert 0.0 <= float(values(said)[0]) <= 6.0
    _, said = mbpoll(ice.port, "-t", "3:float", "-r", "2", "-c", "1")  # NH3-2, CDAB
    assert 0.0 <= float(values(said)[0]) <= 6.0
    _, said = mbpoll(ice.port, "-t", "3", "-r", "7", "-c", "1")  # O2-1, uint16 in hundredths of a per cent
    assert 2040 <= int(values(said)[0]) <= 2130
    _, said = mbpoll(ice.port, "-t", "1", "-r", "16", "-c", "7")  # fault contacts, opened by a fault
    assert values(said) == ["1"] * 7
    _, said = mbpoll(ice.port, "-t", "4:hex", "-r", "100", "-c", "3")  # what the panel drives
    assert values(said) == ["0x0000"] * 3


@needs_mbpoll
@pytest.mark.parametrize(("table", "address"), [("4", "100"), ("4", "5000"), ("0", "0")])
def test_another_master_cannot_write(ice: Running, table: str, address: str) -> None:
    code, said = mbpoll(ice.port, "-t", table, "-r", address, write="1")
    assert code != 0
    assert "Illegal function" in said


@needs_mbpoll
def test_what_is_not_in_the_map_is_an_illegal_address(ice: Running) -> None:
    for options in (("-t", "3", "-r", "4", "-c", "60"), ("-t", "0", "-r", "0"), ("-t", "4", "-r", "99")):
        code, said = mbpoll(ice.port, *options)
        assert code != 0
        assert "Illegal data address" in said


def ask_raw(port: int, pdu: bytes) -> bytes:
    """One request unit over a bare socket; the reply unit."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as wire:
        wire.sendall(struct.pack(">HHHB", 7, 0, len(pdu) + 1, 1) + pdu)
        header = wire.recv(7, socket.MSG_WAITALL)
        assert header[:4] == b"\x00\x07\x00\x00"
        return wire.recv(int.from_bytes(header[4:6], "big") - 1, socket.MSG_WAITALL)


@pytest.mark.parametrize(
    "request_hex",
    [
        "05 0000 FF00",  # write one coil
        "06 0064 0001",  # write one register
        "0F 0000 0008 01 FF",  # write many coils
        "10 0064 0001 02 0001",  # write many registers
        "15 07 06 0004 0007 0001 0000",  # write a file record
        "16 0064 00F2 0025",  # mask write
        "17 0000 0001 0064 0001 02 00FF",  # read and write many
        "08 0000 A537",  # diagnostics
        "2B 0E 01 00",  # read device identification
        "41 0000",  # of nobody's
    ],
)
def test_every_function_but_the_four_reads_is_illegal(ice: Running, request_hex: str) -> None:
    request = bytes.fromhex(request_hex.replace(" ", ""))
    before = ask_raw(ice.port, bytes.fromhex("0300640003"))
    assert ask_raw(ice.port, request) == bytes([request[0] | 0x80, 1])
    assert ask_raw(ice.port, bytes.fromhex("0300640003")) == before


async def test_our_link_reads_the_same_through_every_type_and_order(ice: Running) -> None:
    link = open_link(ice.url, ravensmoor())
    await link.open()
    seen = await link.poll()
    await link.close()
    for tag, reading in seen.readings.items():
        detector = ravensmoor().detector(tag)
        low_ppm, high_ppm = ravensmoor().background_ppm(detector)
        assert reading.quality == "good"
        assert reading.value_ppm is not None
        assert low_ppm - 0.02 * detector.range_ppm <= reading.value_ppm <= high_ppm + 0.02 * detector.range_ppm, tag
    assert len(seen.readings) == 7
    assert len(seen.status) == 45
    assert not any(seen.status.values())


def step(kind: str, **more: object) -> Step:
    return Step.model_validate(
        {"id": f"X/{kind}", "kind": kind, "text": "do it", "ends": "confirm", "at_most_s": 60.0, **more}
    )


async def test_hands_and_witnesses_over_the_control_port() -> None:
    with rig("ravensmoor.yaml", "--speed", "60", "--seed", "2") as running:
        clock = SystemClock(speed=60.0)
        hands = ControlClient(running.control, clock)
        await hands.open()
        assert hands.greeting is not None
        assert hands.greeting.modbus == f"127.0.0.1:{running.port}"
        link = ModbusLink(ravensmoor().links[0].model_copy(update={"url": running.url}), ravensmoor(), clock=clock)
        await link.open()
        before_s = clock.now_s()
        answer = await hands.do(step("gas-on", tag="CO-1", cylinder="BTL-CO"))
        assert answer.t_s is not None
        assert before_s - 3 * answer.u_s <= answer.t_s <= clock.now_s() + 3 * answer.u_s
        pressed: list[Press] = []

        async def watch() -> None:
            async for press in hands.presses():
                if press.signal != "present":
                    pressed.append(press)

        watching = asyncio.create_task(watch())
        async with asyncio.timeout(20.0):
            while not (await link.poll()).status["CO-1.high"]:
                await asyncio.sleep(0.01)
            set_s = clock.now_s()
            while len(pressed) < 4:
                await asyncio.sleep(0.01)
        watching.cancel()
        await hands.close()
        await link.close()
    marks = {press.signal: press for press in pressed if press.on}
    assert {"LAMP-6.on", "PANEL-HORN.on", "GARAGE-FAN.on", "GARAGE-BEACON.on"} <= set(marks)
    assert marks["GARAGE-BEACON.on"].pattern == "flashing"
    assert marks["GARAGE-BEACON.on"].post == "GARAGE-DOOR"
    assert abs(marks["GARAGE-BEACON.on"].t_s - set_s) < 10.0
    assert len({press.mark_id for press in pressed}) == len(pressed)


async def test_faults_come_and_go_over_the_control_port() -> None:
    with rig("ravensmoor.yaml", "--speed", "60", "--fault", "swapped-words:NH3-1") as running:
        clock = SystemClock(speed=60.0)
        hands = ControlClient(running.control, clock)
        await hands.open()
        assert await hands.faults() == ("swapped-words:NH3-1",)
        link = open_link(running.url, ravensmoor(), clock)
        await link.open()
        await hands.act(Command(do="gas-on", tag="NH3-1", cylinder="BTL-NH3"))
        await asyncio.sleep(2.0)
        swapped = (await link.poll()).readings["NH3-1"].value_ppm
        assert swapped is not None
        assert not 1.0 < swapped < 300.0
        await hands.act(Command(do="clear", fault="swapped-words:NH3-1"))
        mended = (await link.poll()).readings["NH3-1"].value_ppm
        assert mended is not None
        assert mended > 100.0
        with pytest.raises(LinkError, match="no such detector"):
            await hands.act(Command(do="gas-on", tag="NH3-7", cylinder="BTL-NH3"))
        await hands.close()
        await link.close()


async def test_the_wire_drops_and_comes_back() -> None:
    with rig("ravensmoor.yaml", "--speed", "60", "--fault", "link-down:CO-1:90") as running:
        clock = SystemClock(speed=60.0)
        hands = ControlClient(running.control, clock)
        await hands.open()
        link = open_link(running.url, ravensmoor(), clock)
        await link.open()
        await hands.act(Command(do="gas-on", tag="CO-1", cylinder="BTL-CO"))
        states = []
        for _ in range(150):
            try:
                await link.poll()
                states.append(True)
            except LinkError:
                states.append(False)
            await asyncio.sleep(0.03)
        await hands.close()
        await link.close()
    assert states[0]
    assert False in states
    assert states[-1]


async def test_a_rig_is_known_by_its_greeting_and_nothing_is_sent_to_strangers(ice: Running) -> None:
    greeting = await greeting_of(ice.control)
    assert greeting is not None
    assert (greeting.site, greeting.speed, greeting.seed) == ("Ravensmoor ice rink", 20.0, 1)
    assert await greeting_of(free_port()) is None
    assert control_port_of("modbus-tcp://192.0.2.10:502") is None
    assert control_port_of(ice.url) == ice.port + 1
    with pytest.raises(LinkError, match="20 times as fast"):
        await ControlClient(ice.control, SystemClock(speed=1.0)).open()


async def test_nonsense_on_the_control_port_is_answered_and_survived(ice: Running) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", ice.control)
    await reader.readline()
    for line in (b"hello\n", b"[]\n", b'{"id": 3, "command": {"do": "explode"}}\n', b"\xff\xfe\n"):
        writer.write(line)
        assert b"not a request" in await reader.readline()
    writer.write(b"x" * 200_000 + b"\n")
    with contextlib.suppress(ConnectionResetError):
        assert await reader.read() == b""
    writer.close()
    assert await greeting_of(ice.control) is not None


def test_it_ends_cleanly_when_told_to() -> None:
    for number in (signal.SIGINT, signal.SIGTERM):
        with rig("cellar.yaml") as running:
            running.process.send_signal(number)
            assert running.process.wait(timeout=10) == 0
            assert running.process.stderr is not None
            assert "Traceback" not in running.process.stderr.read()


async def test_a_site_without_a_map_gets_one_and_is_told(tmp_path: Path) -> None:
    text = (EXAMPLES / "cellar.yaml").read_text("utf-8")
    bare = tmp_path / "bare.yaml"
    bare.write_text(text[: text.index("links:")] + text[text.index("warn:") :], "utf-8")
    with rig(str(bare), "--speed", "10") as running:
        link = ModbusLink(made_up_map(cellar(), running.url), cellar())
        await link.open()
        seen = await link.poll()
        await link.close()
        running.process.terminate()
        assert running.process.stderr is not None
        told = running.process.stderr.read()
    assert set(seen.readings) == {"CO2-A", "CO2-B"}
    assert "This one was made up" in told
    assert "CO2-B.reading" in told
    assert "BEACON.on" in told


def test_a_port_that_is_taken_is_one_message(ice: Running, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "gaswitness.cli.main", "rig", str(EXAMPLES / "cellar.yaml")]
    done = subprocess.run(
        [*command, "--port", str(ice.port)], capture_output=True, text=True, timeout=60, check=False, cwd=tmp_path
    )
    assert done.returncode == 3
    assert "could not listen" in done.stderr
    assert "Traceback" not in done.stderr

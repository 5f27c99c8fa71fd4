"""A link as bad as a cellar's: delays that differ by direction, jitter, loss; for packets where we may, else for bytes.

As root on Linux two network namespaces stand at its ends, joined by two `tun` devices and a process in the middle that
delays and drops IP packets (no kernel module for that is needed). Elsewhere the same process is a relay on loopback
that delays what it passes on, and holds it up by a retransmission's time where a packet would have been lost.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import heapq
import itertools
import json
import os
import random
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

BOARD, PHONES = "10.77.0.1", [f"10.77.0.{number}" for number in range(10, 60)]
RETRANSMITTED_S = 0.25


@dataclass(frozen=True, slots=True)
class Weather:
    """What the link does: least delay and mean of the jitter above it, each way, and the share of packets lost."""

    out_s: float = 0.01
    out_jitter_s: float = 0.02
    back_s: float = 0.05
    back_jitter_s: float = 0.05
    loss: float = 0.02
    seed: int = 20261125

    def delay_s(self, rng: random.Random, out: bool) -> float:
        least, jitter = (self.out_s, self.out_jitter_s) if out else (self.back_s, self.back_jitter_s)
        return least + rng.expovariate(1 / jitter)


@dataclass(frozen=True, slots=True)
class BadLink:
    """The two ends: words before a command that runs there, and where phones are and find the board."""

    weather: Weather
    at_board: list[str] = field(default_factory=list)
    at_phones: list[str] = field(default_factory=list)
    phones: list[str] = field(default_factory=lambda: [f"127.0.0.{number}" for number in range(10, 60)])

    @property
    def packets(self) -> bool:
        """Whether real packets are lost."""
        return bool(self.at_board)

    @contextlib.contextmanager
    def board_at(self, port: int) -> Iterator[str]:
        """Where phones find the board that listens on this port at its end."""
        if self.packets:
            yield f"{BOARD}:{port}"
            return
        with _middle({"relay": port, "weather": asdict(self.weather)}) as said:
            yield f"127.0.0.1:{said}"


@contextlib.contextmanager
def bad_link(weather: Weather) -> Iterator[BadLink]:
    """A bad link, of packets if this machine lets us."""
    if not (sys.platform == "linux" and os.geteuid() == 0 and Path("/dev/net/tun").exists() and _namespaces()):
        yield BadLink(weather)
        return
    mark = f"{os.getpid() % 100_000}"
    names, ends = (f"gwb{mark}", f"gwp{mark}"), (f"gwtb{mark}", f"gwtp{mark}")
    with contextlib.ExitStack() as stack:
        stack.enter_context(_middle({"tun": ends, "weather": asdict(weather)}))
        for name, end in zip(names, ends, strict=True):
            _ip("netns", "add", name)
            stack.callback(_ip, "netns", "del", name)
            _ip("link", "set", end, "netns", name)
            for address in [BOARD] if end == ends[0] else PHONES:
                _ip("-n", name, "addr", "add", f"{address}/24", "dev", end)
            for device in ("lo", end):
                _ip("-n", name, "link", "set", device, "up")
        within = [["ip", "netns", "exec", name] for name in names]
        yield BadLink(weather, *within, PHONES)


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


def _namespaces() -> bool:
    name = f"gwtry{os.getpid()}"
    with contextlib.suppress(OSError, subprocess.CalledProcessError):
        _ip("netns", "add", name)
        _ip("netns", "del", name)
        return True
    return False


@contextlib.contextmanager
def _middle(asked: dict[str, Any]) -> Iterator[str]:
    """The process in the middle; gives the line that it says once it is there."""
    with subprocess.Popen([sys.executable, __file__, json.dumps(asked)], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip()
        finally:
            process.terminate()


# --- the process in the middle ---


def _tun(name: str) -> int:
    handle = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
    no_header, is_tun, set_name = 0x1000, 0x0001, 0x400454CA
    fcntl.ioctl(handle, set_name, struct.pack("16sH14x", name.encode(), is_tun | no_header))
    return handle


async def _packets(ends: tuple[str, str], weather: Weather) -> None:
    """Packets on, those of each phone in order, late and with some missing."""
    loop, rng, order = asyncio.get_running_loop(), random.Random(weather.seed), itertools.count()
    board, phones = (_tun(name) for name in ends)
    under_way: list[tuple[float, int, int, bytes]] = []
    last: dict[bytes, float] = {}
    news = asyncio.Event()

    def take(source: int, target: int) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            while packet := os.read(source, 65536):
                if packet[0] >> 4 == 4 and rng.random() >= weather.loss:
                    due_s = time.monotonic() + weather.delay_s(rng, target == board)
                    pair = packet[12:20]  # from and to (RFC 791): what a phone is sent comes in order
                    last[pair] = max(last.get(pair, 0.0), due_s)
                    heapq.heappush(under_way, (last[pair], next(order), target, packet))
                    news.set()

    loop.add_reader(phones, take, phones, board)
    loop.add_reader(board, take, board, phones)
    print("ready", flush=True)
    while True:
        wait_s = under_way[0][0] - time.monotonic() if under_way else None
        if wait_s is None or wait_s > 0:
            news.clear()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(news.wait(), wait_s)
            continue
        _, _, target, packet = heapq.heappop(under_way)
        with contextlib.suppress(OSError):
            os.write(target, packet)


async def _relayed(port: int, weather: Weather) -> None:
    """Bytes on, from the address that they came from, so that the board tells phones apart."""
    rng = random.Random(weather.seed)

    async def pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, out: bool) -> None:
        queue: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue()

        async def deliver() -> None:
            while True:
                due_s, data = await queue.get()
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
                if not data:
                    writer.close()
                    return
                writer.write(data)

        delivery = asyncio.create_task(deliver())
        data = b"."
        while data:
            with contextlib.suppress(OSError):
                data = await reader.read(1400)
            held_s = RETRANSMITTED_S if rng.random() < weather.loss else 0.0
            queue.put_nowait((time.monotonic() + weather.delay_s(rng, out) + held_s, data))
        await delivery

    async def met(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        here = writer.get_extra_info("peername")[0]
        with contextlib.suppress(OSError):
            there, away = await asyncio.open_connection("127.0.0.1", port, local_addr=(here, 0))
            await asyncio.gather(pass_on(reader, away, True), pass_on(there, writer, False))

    server = await asyncio.start_server(met, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()


def _main(asked: dict[str, Any]) -> None:
    weather = Weather(**asked["weather"])
    asyncio.run(_relayed(asked["relay"], weather) if "relay" in asked else _packets(tuple(asked["tun"]), weather))


if __name__ == "__main__":
    _main(json.loads(sys.argv[1]))

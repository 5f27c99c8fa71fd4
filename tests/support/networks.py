"""The cellar over BACnet and over MQTT: maps for both, and the simulated installation behind peers not ours."""

from __future__ import annotations

import asyncio
import contextlib
import json
import queue
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.pace import HeldLink, LeadingClock
from gaswitness.links.rig.world import World
from gaswitness.plan import build_plan
from gaswitness.plan.records import Plan
from gaswitness.run.drive import drive
from gaswitness.run.events import Event
from gaswitness.run.ports import Link
from gaswitness.site import Site
from gaswitness.site.wires import LinkSpec
from support.rigs import cellar

DEVICE = Path(__file__).with_name("bacnet_device.py")
INSTANCE = 1234
PATIENCE_S = 20.0
DAY = datetime(2026, 11, 25, 9, tzinfo=UTC)

needs_loopback_broadcast = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="only Linux broadcasts on its loopback"
)


class Device:
    """A BACnet device in a process of its own; `requests` is what it was asked for, by name of the service."""

    def __init__(self, *options: str, port: int | None = None, objects: Mapping[str, Mapping[str, object]]) -> None:
        self.port = port or free_udp_port()
        self.url = f"bacnet://127.0.0.1:{self.port}"
        self.requests: list[str] = []
        self._process = subprocess.Popen(
            [sys.executable, "-W", "ignore", str(DEVICE), f"127.0.0.1/8:{self.port}", str(INSTANCE), *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._done: queue.Queue[str] = queue.Queue()
        self._readers = [
            threading.Thread(target=self._read, args=(self._process.stdout, self._done.put), daemon=True),
            threading.Thread(target=self._read, args=(self._process.stderr, self.requests.append), daemon=True),
        ]
        for reader in self._readers:
            reader.start()
        self.put(objects)

    def __enter__(self) -> Device:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait(timeout=PATIENCE_S)
        for reader in self._readers:
            reader.join(timeout=PATIENCE_S)
        for stream in (self._process.stdin, self._process.stdout, self._process.stderr):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def put(self, objects: Mapping[str, Mapping[str, object]]) -> None:
        """Change what the objects hold, and come back once they do."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(objects) + "\n")
        self._process.stdin.flush()
        assert self._done.get(timeout=PATIENCE_S) == "done", self.requests[-20:]

    @staticmethod
    def _read(stream: Iterator[str], take: object) -> None:
        for line in stream:
            take(line.strip())  # type: ignore[operator]


def free_udp_port() -> int:
    """A UDP port that nobody holds now."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def cellar_by_bacnet(url: str) -> LinkSpec:
    """Readings as analog inputs (A in parts per million, B in percent), alarms as binary and multi-state objects."""
    rows: list[dict[str, object]] = [
        {"signal": "CO2-A.reading", "object": "analog-input:1"},
        {"signal": "CO2-B.reading", "object": "analog-input:2", "unit": "%vol"},
        {"signal": "CO2-A.fault", "object": "analog-input:1", "flag": "fault"},
        {"signal": "CO2-B.fault", "object": "analog-input:2", "flag": "fault"},
        {"signal": "CO2-A.low", "object": "binary-input:11"},
        {"signal": "CO2-A.high", "object": "binary-value:12"},
        {"signal": "CO2-B.low", "object": "multi-state-input:2", "on_values": [2, 3]},
        {"signal": "CO2-B.high", "object": "multi-state-input:2", "on_values": [3]},
        {"signal": "BEACON.on", "object": "binary-output:21"},
        {"signal": "FAN.on", "object": "binary-output:22", "inverted": True},
        {"signal": "FAULT.on", "object": "binary-output:23"},
    ]
    return LinkSpec.model_validate({"url": url, "poll": "1 s", "objects": rows})


def objects_of(world: World) -> dict[str, dict[str, object]]:
    """What the device of `cellar_by_bacnet` holds now."""
    shown, status = world.readings(), world.status()
    a_ppm, b_ppm = shown["CO2-A"], shown["CO2-B"]
    level = 3 if status["CO2-B.high"] else 2 if status["CO2-B.low"] else 1
    still = [0, 0, 0, 0]

    def number(value: float, fault: bool, unit: str) -> dict[str, object]:
        lost = value != value
        return {"presentValue": 0.0 if lost else value, "units": unit, "statusFlags": [0, int(fault or lost), 0, 0]}

    def binary(on: bool) -> dict[str, object]:
        return {"presentValue": "active" if on else "inactive", "statusFlags": still}

    return {
        "analog-input:1": number(a_ppm, status["CO2-A.fault"], "partsPerMillion"),
        "analog-input:2": number(b_ppm / 1e4, status["CO2-B.fault"], "percent"),
        "binary-input:11": binary(status["CO2-A.low"]),
        "binary-value:12": binary(status["CO2-A.high"]),
        "multi-state-input:2": {"presentValue": level, "numberOfStates": 3, "statusFlags": still},
        "binary-output:21": binary(status["BEACON.on"]),
        "binary-output:22": binary(not status["FAN.on"]),
        "binary-output:23": binary(status["FAULT.on"]),
    }


TOPIC = "cellar/panel"


def cellar_by_mqtt(url: str) -> LinkSpec:
    """Everything in one message of one topic, each with the panel's own instant."""
    shown: list[dict[str, object]] = [
        {"signal": f"{tag}.reading", "topic": TOPIC, "pointer": f"/gas/{tag}/%", "time_pointer": "/t", "unit": "%vol"}
        for tag in ("CO2-A", "CO2-B")
    ]
    states: list[dict[str, object]] = [
        {"signal": signal, "topic": TOPIC, "pointer": f"/state/{signal}", "time_pointer": "/t"}
        for signal in ("CO2-A.low", "CO2-A.high", "CO2-B.low", "CO2-B.high", "BEACON.on", "FAN.on", "FAULT.on")
    ] + [
        {"signal": f"{tag}.fault", "topic": TOPIC, "pointer": f"/gas/{tag}/ok", "time_pointer": "/t", "inverted": True}
        for tag in ("CO2-A", "CO2-B")
    ]
    return LinkSpec.model_validate({"url": url, "poll": "1 s", "topics": shown + states})


def message_of(world: World, wall: datetime) -> str:
    """What a panel would publish now; a reading that is lost is no number in JSON, but null."""
    shown, status = world.readings(), world.status()
    return json.dumps(
        {
            "t": wall.isoformat(),
            "gas": {
                tag: {"%": None if ppm != ppm else round(ppm / 1e4, 5), "ok": not status[f"{tag}.fault"]}
                for tag, ppm in shown.items()
            },
            "state": {signal: on for signal, on in status.items() if not signal.endswith(".fault")},
        }
    )


def plan_for(site: Site) -> Plan:
    return build_plan(site, made=DAY, today=DAY.date())


def cellar_with(spec: LinkSpec) -> Site:
    return cellar().model_copy(update={"links": (spec,)})


async def carried_out(plan: Plan, link: Link, world: World, clock: LeadingClock) -> list[Event]:
    """A whole visit; time moves only when the link, the hands and everybody else have nothing left to do."""
    events: list[Event] = []
    stopped = await asyncio.wait_for(
        drive(
            plan,
            HeldLink(link, clock),
            RigHands(world, clock),
            clock,
            events.append,
            run_id="network",
            operator="test",
            simulated=True,
        ),
        timeout=240,
    )
    assert stopped.outcome == "complete", stopped
    return events

"""The BACnet link against a device by another library (bacpypes, in a process of its own), over UDP on the loopback."""

from __future__ import annotations

import socket
from collections.abc import Mapping

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.errors import InputError, LinkError
from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.links.bacnet import BacnetLink
from gaswitness.links.rig.pace import LeadingClock
from gaswitness.links.rig.world import World
from gaswitness.run.events import ReadingTaken
from gaswitness.run.ports import Polled
from gaswitness.site.wires import LinkSpec
from support.ledgers import write_chain
from support.networks import (
    DAY,
    INSTANCE,
    Device,
    carried_out,
    cellar_by_bacnet,
    cellar_with,
    free_udp_port,
    needs_loopback_broadcast,
    objects_of,
    plan_for,
)
from support.rigs import ravensmoor

STILL = [0, 0, 0, 0]
HELD: Mapping[str, Mapping[str, object]] = {
    "analog-input:1": {"presentValue": 12.5, "units": "partsPerMillion", "statusFlags": STILL},
    "analog-value:2": {"presentValue": 0.4, "units": "percent", "statusFlags": STILL},
    "binary-input:3": {"presentValue": "active", "statusFlags": STILL},
    "multi-state-value:4": {"presentValue": 3, "numberOfStates": 4, "statusFlags": STILL},
}
ROWS: list[dict[str, object]] = [
    {"signal": "NH3-1.reading", "object": "analog-input:1"},
    {"signal": "CO2-1.reading", "object": "analog-value:2", "unit": "%vol"},
    {"signal": "NH3-1.low", "object": "binary-input:3"},
    {"signal": "NH3-1.high", "object": "multi-state-value:4", "on_values": [3, 4]},
    {"signal": "NH3-1.fault", "object": "analog-input:1", "flag": "fault"},
]


def link_to(url: str, rows: list[dict[str, object]] = ROWS, clock: OwnedClock | None = None) -> BacnetLink:
    spec = LinkSpec.model_validate({"url": url, "objects": rows})
    return BacnetLink(spec, ravensmoor(), clock=clock or OwnedClock(), timeout_s=0.5)


async def poll_once(link: BacnetLink) -> Polled:
    await link.open()
    try:
        return await link.poll()
    finally:
        await link.close()


def shown(polled: Polled) -> dict[str, float | None]:
    return {tag: None if r.value_ppm is None else round(r.value_ppm, 3) for tag, r in polled.readings.items()}


@pytest.mark.parametrize("options", [(), ("--without-multiple",), ("--longest", "50"), ("--longest", "206")])
async def test_the_same_is_read_from_devices_that_can_more_or_less(options: tuple[str, ...]) -> None:
    with Device(*options, objects=HELD) as device:
        seen = await poll_once(link_to(device.url))
        asked = set(device.requests)
    assert shown(seen) == {"NH3-1": 12.5, "CO2-1": 4000.0}
    assert seen.status == {"NH3-1.low": True, "NH3-1.high": True, "NH3-1.fault": False}
    assert seen.remarks == ()
    assert asked <= {"ReadPropertyRequest", "ReadPropertyMultipleRequest"}
    if "--without-multiple" not in options:
        assert "ReadPropertyMultipleRequest" in asked


async def test_many_objects_need_several_requests() -> None:
    many = {f"analog-input:{n}": {**HELD["analog-input:1"], "presentValue": float(n)} for n in range(1, 8)}
    states = {f"binary-input:{n}": HELD["binary-input:3"] for n in range(1, 60)}
    signals = [f"{d.tag}.{p.name}" for d in ravensmoor().detectors for p in d.alarms]
    signals += [f"{effect.tag}.on" for effect in ravensmoor().effects]
    rows: list[dict[str, object]] = [
        {"signal": f"{detector.tag}.reading", "object": f"analog-input:{n}"}
        for n, detector in enumerate(ravensmoor().detectors, start=1)
    ]
    rows += [{"signal": signal, "object": f"binary-input:{n}"} for n, signal in enumerate(signals, start=1)]
    with Device("--longest", "480", objects={**many, **states}) as device:
        seen = await poll_once(link_to(device.url, rows))
        asked = device.requests.count("ReadPropertyMultipleRequest")
    assert list(shown(seen).values()) == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]
    assert len(seen.status) == len(signals)
    assert asked == 2 * -(-len(rows) // 19) + 1  # of 480 octets 19 objects are sure to fit: looked over, and polled


@needs_loopback_broadcast
async def test_a_device_is_found_by_its_instance() -> None:
    with Device(objects=HELD) as device:
        url = f"bacnet://{INSTANCE}?broadcast=127.255.255.255:{device.port}&local=127.0.0.1:0"
        seen = await poll_once(link_to(url))
        assert device.requests[0] == "WhoIsRequest"
    assert shown(seen)["NH3-1"] == 12.5


@needs_loopback_broadcast
async def test_a_device_that_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gaswitness.links.bacnet.SEARCH_S", 0.3)
    with Device(objects=HELD) as device:
        url = f"bacnet://77?broadcast=127.255.255.255:{device.port}&local=127.0.0.1:0"
        with pytest.raises(LinkError, match="no device 77 answered") as caught:
            await link_to(url).open()
    assert "bacnet://HOST" in caught.value.hint


async def test_a_port_that_is_taken_is_told() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        port = other.getsockname()[1]
        with pytest.raises(LinkError, match=f"could not take UDP port {port}") as caught:
            await link_to(f"bacnet://{INSTANCE}?local=127.0.0.1:{port}").open()
    assert "another program may hold it" in caught.value.hint


@needs_loopback_broadcast
async def test_a_search_goes_on_where_another_program_has_the_usual_port(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine that runs a device or a gateway itself: the search leaves from a port of its own."""
    with Device(objects=HELD) as device:
        monkeypatch.setattr("gaswitness.links.bacnet.PORT", device.port)
        seen = await poll_once(link_to(f"bacnet://{INSTANCE}"))
        monkeypatch.setattr("gaswitness.links.bacnet.SEARCH_S", 0.3)
        with pytest.raises(LinkError, match="no device 77 answered") as caught:
            await link_to("bacnet://77").open()
    assert shown(seen)["NH3-1"] == 12.5
    assert f"another program holds UDP port {device.port}" in caught.value.hint


async def test_nobody_there_is_told_with_a_hint() -> None:
    with pytest.raises(LinkError, match=r"no answer within 0\.5 s, asked twice") as caught:
        await link_to(f"bacnet://127.0.0.1:{free_udp_port()}").open()
    assert "firewall" in caught.value.hint


async def test_objects_that_the_device_does_not_have_are_named_all_at_once() -> None:
    rows = [
        *ROWS,
        {"signal": "NH3-2.reading", "object": "analog-input:9"},
        {"signal": "NH3-2.low", "object": "binary-value:9"},
    ]
    with Device(objects=HELD) as device, pytest.raises(LinkError) as caught:
        await link_to(device.url, rows).open()
    assert "analog-input:9 (unknown-object), binary-value:9 (unknown-object)" in caught.value.message


async def test_units_that_contradict_each_other_are_bad_input() -> None:
    rows = [{**ROWS[0], "unit": "ppb"}]
    with Device(objects=HELD) as device, pytest.raises(InputError, match="different units") as caught:
        await link_to(device.url, rows).open()
    assert "parts-per-million in the device" in str(caught.value)


async def test_flags_and_values_that_are_not_to_be_used() -> None:
    with Device(objects=HELD) as device:
        link = link_to(device.url)
        await link.open()
        device.put({"analog-input:1": {"statusFlags": [0, 1, 0, 0]}, "binary-input:3": {"statusFlags": [0, 0, 0, 1]}})
        faulty = await link.poll()
        device.put({"analog-input:1": {"statusFlags": [0, 0, 1, 0]}, "analog-value:2": {"presentValue": float("nan")}})
        overridden = await link.poll()
        device.put(HELD)
        mended = await link.poll()
        await link.close()
    assert faulty.readings["NH3-1"].quality == "bad"
    assert faulty.status == {"NH3-1.high": True, "NH3-1.fault": True}
    assert faulty.remarks == ("NH3-1.low: binary-input:3 is out-of-service: its state is not to be believed",)
    assert overridden.readings["NH3-1"].quality == "bad"
    assert overridden.readings["CO2-1"].value_ppm is None
    assert "NH3-1.reading: analog-input:1 is overridden" in " ".join(overridden.remarks)
    assert {reading.quality for reading in mended.readings.values()} == {"good"}
    assert mended.remarks == ()


async def test_a_device_that_goes_and_comes_back() -> None:
    clock = OwnedClock()
    attempts = []
    with Device(objects=HELD) as device:
        link = link_to(device.url, clock=clock)
        await link.open()
        await link.poll()
        port = device.port
    for second in range(12):
        try:
            await link.poll()
        except LinkError as error:
            if "no answer" in error.message:
                attempts.append(second)
        clock.advance_s(1.0)
    assert attempts == [0, 1, 2, 4, 8]
    with Device(port=port, objects=HELD):
        clock.advance_s(60.0)
        assert shown(await link.poll())["NH3-1"] == 12.5
        await link.close()


async def test_a_whole_visit_to_a_verdict() -> None:
    spec = cellar_by_bacnet("bacnet://127.0.0.1:47808")
    world = World(cellar_with(spec), seed=3)
    clock = LeadingClock(1e9, start=DAY)
    with Device(objects=objects_of(world)) as device:
        spec = cellar_by_bacnet(device.url)
        site = cellar_with(spec)

        class Followed(BacnetLink):
            """The device holds what the installation shows at the moment of each poll."""

            async def poll(self) -> Polled:
                world.advance(clock.now_s())
                device.put(objects_of(world))
                return await super().poll()

        events = await carried_out(plan_for(site), Followed(spec, site, clock=clock), world, clock)
        asked = set(device.requests)
    assert asked <= {"ReadPropertyRequest", "ReadPropertyMultipleRequest"}
    readings = [event for event in events if isinstance(event, ReadingTaken) and event.tag == "CO2-B"]
    assert 23_500.0 < max(event.value_ppm or 0.0 for event in readings) < 26_500.0
    judgement = judge(series_of(read_ledger(write_chain(events))))
    assert {verdict.tag: verdict.outcome for verdict in judgement.verdicts} == {"CO2-A": "pass", "CO2-B": "pass"}

"""BACnet frames byte by byte: the examples printed in the standard, and peers that answer late, twice, or wrongly.

Printed: ANSI/ASHRAE 135, annex F.3.5 (ReadProperty), F.3.7 (ReadPropertyMultiple, both examples) and F.4 (Who-Is and
I-Am), from memory; BACnet/IP headers after annex J. The peer here is written with bytes alone.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gaswitness.clock import OwnedClock
from gaswitness.errors import LinkError
from gaswitness.links.bacnet import BacnetLink
from gaswitness.links.bacnet_stack import Stack
from gaswitness.links.objects import Refused, Value
from gaswitness.site.wires import LinkSpec
from support.rigs import ravensmoor

from bacpypes3.apdu import SubscribeCOVRequest, WritePropertyRequest  # isort: skip
from bacpypes3.pdu import IPv4Address  # isort: skip

Answers = Callable[[bytes], Sequence[bytes]]


class Peer(asyncio.DatagramProtocol):
    """Answers each APDU by what a function makes of it, and keeps every frame that came in."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers
        self.frames: list[bytes] = []
        self.transport: asyncio.DatagramTransport | None = None
        self.last = ("127.0.0.1", 0)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport  # type: ignore[assignment]

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.frames.append(data)
        self.last = addr
        assert data[:2] == b"\x81\x0a"  # BACnet/IP, original unicast NPDU
        assert int.from_bytes(data[2:4], "big") == len(data)
        assert data[4:6] == b"\x01\x04"  # version 1, an answer is expected
        for apdu in self.answers(data[6:]):
            self.send(apdu)

    def send(self, apdu: bytes) -> None:
        assert self.transport is not None
        self.transport.sendto(framed(apdu), self.last)


def framed(apdu: bytes) -> bytes:
    return b"\x81\x0a" + (6 + len(apdu)).to_bytes(2, "big") + b"\x01\x00" + apdu


@asynccontextmanager
async def peer(answers: Answers) -> AsyncIterator[tuple[Peer, int]]:
    loop = asyncio.get_running_loop()
    transport, protocol = await loop.create_datagram_endpoint(lambda: Peer(answers), local_addr=("127.0.0.1", 0))
    try:
        yield protocol, transport.get_extra_info("sockname")[1]
    finally:
        transport.close()


@asynccontextmanager
async def stack() -> AsyncIterator[Stack]:
    made = Stack(("127.0.0.1", 0), [("127.255.255.255", 47808)], 0.3)
    await made.open()
    try:
        yield made
    finally:
        made.close()


def with_invoke_id(apdu: str, request: bytes) -> bytes:
    """An answer as printed, with the invoke ID of the request in place of the printed one."""
    octets = bytearray.fromhex(apdu)
    octets[1] = request[2]
    return bytes(octets)


F_3_5_ASKED = "0c 0c00000005 1955"
F_3_5_ANSWER = "30 01 0c 0c00000005 1955 3e 444290999a 3f"
F_3_7_ASKED = "0e 0c00000010 1e 0955 0967 1f"
F_3_7_ANSWER = "30 f1 0e 0c00000010 1e 2955 4e 444290999a 4f 2967 4e 9100 4f 1f"
F_3_7_SECOND_ASKED = "0e 0c00000021 1e 0955 1f 0c00000032 1e 0955 1f 0c00000023 1e 0955 1f"
F_3_7_SECOND_ANSWER = (
    "30 02 0e 0c00000021 1e 2955 4e 4442293333 4f 1f 0c00000032 1e 2955 5e 9101 911f 5f 1f "
    "0c00000023 1e 2955 4e 4443d9d99a 4f 1f"
)


async def test_read_property_as_printed() -> None:
    async with peer(lambda asked: [with_invoke_id(F_3_5_ANSWER, asked)]) as (device, port), stack() as reader:
        got = await reader._property(IPv4Address(("127.0.0.1", port)), "analog-input:5", "present-value")
    assert got == Value("real", pytest.approx(72.3))
    (frame,) = device.frames
    assert frame[6:8] == b"\x00\x05"  # confirmed request, answers of up to 1476 octets, in one piece
    assert frame[9:] == bytes.fromhex(F_3_5_ASKED)


async def test_read_property_multiple_as_printed() -> None:
    async with peer(lambda asked: [with_invoke_id(F_3_7_ANSWER, asked)]) as (device, port), stack() as reader:
        wanted = {"analog-input:16": ("present-value", "reliability")}
        got = await reader.read(IPv4Address(("127.0.0.1", port)), wanted)
    assert got["analog-input:16", "present-value"] == Value("real", pytest.approx(72.3))
    assert got["analog-input:16", "reliability"] == Value("enumerated", 0)
    assert device.frames[0][9:] == bytes.fromhex(F_3_7_ASKED)


async def test_several_objects_and_one_that_is_not_there_as_printed() -> None:
    async with peer(lambda asked: [with_invoke_id(F_3_7_SECOND_ANSWER, asked)]) as (device, port), stack() as reader:
        reader._at_once = 10
        wanted = {f"analog-input:{n}": ("present-value",) for n in (33, 50, 35)}
        got = await reader.read(IPv4Address(("127.0.0.1", port)), wanted)
    assert got["analog-input:33", "present-value"] == Value("real", pytest.approx(42.3))
    assert got["analog-input:50", "present-value"] == Refused("unknown-object")
    assert got["analog-input:35", "present-value"] == Value("real", pytest.approx(435.7))
    assert device.frames[0][9:] == bytes.fromhex(F_3_7_SECOND_ASKED)


async def test_who_is_and_i_am_as_printed() -> None:
    """F.4: Who-Is for device 3 is 10 08 09 03 19 03; its I-Am 10 00 C4 02000003 22 0400 91 03 21 63."""
    heard: list[bytes] = []

    class Listener(asyncio.DatagramProtocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
            heard.append(data)
            for i_am in ("1000c402000003220400910321 63", "1000c402000004220400910321 63"):
                self.transport.sendto(framed(bytes.fromhex(i_am)), addr)  # type: ignore[attr-defined]

    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(Listener, local_addr=("127.0.0.1", 0))
    port = transport.get_extra_info("sockname")[1]
    reader = Stack(("127.0.0.1", 0), [("127.0.0.1", port)], 0.3)
    await reader.open()
    found = await reader.find(3, 0.6)
    reader.close()
    transport.close()
    assert [(str(one.address), one.longest_answer) for one in found] == [(f"127.0.0.1:{port}", 1024)]
    assert heard == [bytes.fromhex("810b0010 01 20 ffff 00 ff 1008 0903 1903")]  # a broadcast to every network


ROWS = [
    {"signal": "NH3-1.reading", "object": "analog-input:1", "unit": "ppm"},
    {"signal": "NH3-1.low", "object": "binary-input:2"},
]
SEEN = "1e 2955 4e {present} 4f 296f 4e 820400 4f 1f"


def panel(present: Callable[[], str] = lambda: "4441480000", low: str = "9101") -> Answers:
    """A device that knows how much it can say, two objects and their units; 12.5 unless something else is wanted."""

    def answers(asked: bytes) -> list[bytes]:
        head = f"30 {asked[2]:02x}"
        if asked[3] == 0x0C:  # ReadProperty, of the device itself
            return [bytes.fromhex(f"{head} 0c 0c 023fffff 193e 3e 2201e0 3f")]
        if asked.hex().endswith("09751f"):  # units
            return [bytes.fromhex(f"{head} 0e 0c00000001 1e 2975 4e 9160 4f 1f")]
        both = f"0c00000001 {SEEN.format(present=present())} 0c00c00002 {SEEN.format(present=low)}"
        return [bytes.fromhex(f"{head} 0e {both}")]

    return answers


def link_to(port: int) -> BacnetLink:
    spec = LinkSpec.model_validate({"url": f"bacnet://127.0.0.1:{port}", "objects": ROWS})
    return BacnetLink(spec, ravensmoor(), clock=OwnedClock(), timeout_s=0.2)


async def test_a_panel_made_of_bytes_is_read() -> None:
    async with peer(panel()) as (device, port):
        link = link_to(port)
        await link.open()
        seen = await link.poll()
        await link.close()
    assert seen.readings["NH3-1"].value_ppm == 12.5
    assert seen.status == {"NH3-1.low": True}
    services = {frame[6] << 8 | frame[9] for frame in device.frames}
    assert services == {0x000C, 0x000E}  # confirmed requests ReadProperty and ReadPropertyMultiple, and nothing else


@pytest.mark.parametrize(
    ("present", "words"),
    [
        ("447fc00000", ""),  # a real that is not a number
        ("00", "found null"),
        ("7504006f6666", "found other"),  # the text "off"
        ("9101", "found enumerated 1"),
        ("11", "found boolean"),
    ],
)
async def test_a_value_of_another_kind(present: str, words: str) -> None:
    async with peer(panel(lambda: present)) as (_, port):
        link = link_to(port)
        await link.open()
        seen = await link.poll()
        await link.close()
    assert (seen.readings["NH3-1"].value_ppm, seen.readings["NH3-1"].quality) == (None, "bad")
    assert words in " ".join(seen.remarks)
    assert seen.status == {"NH3-1.low": True}


async def test_answers_that_come_twice_late_or_to_another_question_change_nothing() -> None:
    """Each new question is answered with the old answer first, the right one next, and that once more."""
    value = iter(range(1, 100))
    kept: list[bytes] = []

    def restless(asked: bytes) -> list[bytes]:
        number = next(value)
        (answer,) = panel(lambda: "44" + struct.pack(">f", number).hex())(asked)
        stranger = bytearray(answer)
        stranger[1] = (asked[2] + 7) % 256
        sent = [*kept[-2:], bytes(stranger), answer, answer]
        kept.append(answer)
        return sent

    async with peer(restless) as (_, port):
        link = link_to(port)
        await link.open()
        seen = [(await link.poll()).readings["NH3-1"].value_ppm for _ in range(5)]
        await link.close()
    assert seen == [4.0, 5.0, 6.0, 7.0, 8.0]


async def test_noise_on_the_port_changes_nothing() -> None:
    noise = [b"", b"\x81", b"\x81\x0a\x00\x04", b"\x82" * 40, bytes.fromhex("810a000a01ff00000000"), b"\xff" * 1400]
    noise += [
        framed(bytes.fromhex(text)) for text in ("30", "3007", "30ff0e1e1e1e1e", "1008", "60ff", "50ee0c", "f0f0f0")
    ]

    def noisy(asked: bytes) -> list[bytes]:
        assert device.transport is not None
        for octets in noise:
            device.transport.sendto(octets, device.last)
        return panel()(asked)

    async with peer(noisy) as (device, port):
        link = link_to(port)
        await link.open()
        seen = await link.poll()
        await link.close()
    assert seen.readings["NH3-1"].value_ppm == 12.5


@settings(max_examples=60, deadline=None)
@example(changes=[(0.28125, 84)], kept=1.0)  # a real number of four octets, tagged as a double
@given(
    st.lists(st.tuples(st.floats(0.0, 1.0, exclude_max=True), st.integers(0, 255)), max_size=3),
    st.one_of(st.just(1.0), st.floats(0.0, 1.0)),
)
def test_answers_with_octets_changed_or_cut_are_a_poll_or_a_failed_one(
    changes: list[tuple[float, int]], kept: float
) -> None:
    """Whatever comes, there is never another kind of error, and nothing that was cut off is made up."""
    spoilt = False

    def answers(asked: bytes) -> list[bytes]:
        (answer,) = panel()(asked)
        if not spoilt:
            return [answer]
        octets = bytearray(answer)
        for where, octet in changes:
            octets[int(where * len(octets))] = octet
        return [bytes(octets[: round(kept * len(octets))])]

    async def asked_once() -> None:
        nonlocal spoilt
        async with peer(answers) as (_, port):
            spec = LinkSpec.model_validate({"url": f"bacnet://127.0.0.1:{port}", "objects": ROWS})
            link = BacnetLink(spec, ravensmoor(), clock=OwnedClock(), timeout_s=0.05)
            with contextlib.suppress(LinkError):
                await link.open()
                spoilt = True
                seen = await link.poll()
                assert set(seen.readings) == {"NH3-1"}
                assert set(seen.status) <= {"NH3-1.low"}
            await link.close()

    asyncio.run(asked_once())


async def test_an_answer_that_cannot_be_read_is_one_failed_poll() -> None:
    broken = False

    def answers(asked: bytes) -> list[bytes]:
        return [bytes.fromhex(f"30 {asked[2]:02x} 0e 0c0000 1e 1e 29")] if broken else list(panel()(asked))

    async with peer(answers) as (_, port):
        link = link_to(port)
        await link.open()
        broken = True
        with pytest.raises(LinkError):
            await link.poll()
        broken = False
        assert (await link.poll()).readings["NH3-1"].value_ppm == 12.5
        await link.close()


async def test_a_first_request_that_is_lost_is_sent_again() -> None:
    seen: set[bytes] = set()

    def deaf_at_first(asked: bytes) -> list[bytes]:
        if asked in seen:
            return panel()(asked)
        seen.add(asked)
        return []

    async with peer(deaf_at_first) as (_, port):
        link = link_to(port)
        await link.open()
        assert (await link.poll()).readings["NH3-1"].value_ppm == 12.5
        await link.close()


@pytest.mark.parametrize(
    "refusal",
    [
        "60 {id} 09",  # reject, unrecognized service
        "71 {id} 04",  # abort by the server, segmentation not supported
        "71 {id} 01",  # abort by the server, buffer overflow
        "50 {id} 0e 9101 911f",  # error, object, unknown object
    ],
)
async def test_a_device_that_refuses_to_read_several(refusal: str) -> None:
    def answers(asked: bytes) -> list[bytes]:
        if asked[3] == 0x0E:
            return [bytes.fromhex(refusal.format(id=f"{asked[2]:02x}"))]
        name, one = asked[5:9].hex(), asked[-1]
        values = {
            ("023fffff", 0x3E): "2201e0",
            ("00000001", 0x55): "4441480000",
            ("00c00002", 0x55): "9101",
            ("00000001", 0x75): "9160",
        }
        value = values.get((name, one), "820400")
        return [bytes.fromhex(f"30 {asked[2]:02x} 0c 0c {name} 19 {one:02x} 3e {value} 3f")]

    async with peer(answers) as (device, port):
        link = link_to(port)
        await link.open()
        before = len(device.frames)
        seen = await link.poll()
        asked = [frame[9] for frame in device.frames[before:]]
        await link.close()
    assert seen.readings["NH3-1"].value_ppm == 12.5
    assert seen.status == {"NH3-1.low": True}
    assert asked.count(0x0C) == 4
    if refusal.startswith("60"):
        assert 0x0E not in asked  # it was told once that this service is not known


async def test_an_object_that_vanishes_is_said_and_the_rest_is_read() -> None:
    gone = False

    def answers(asked: bytes) -> list[bytes]:
        (answer,) = panel()(asked)
        if gone and asked[3] == 0x0E:
            lost = "0c00000001 1e 2955 5e 9101 911f 5f 296f 5e 9101 911f 5f 1f"
            return [bytes.fromhex(f"30 {asked[2]:02x} 0e {lost} 0c00c00002 {SEEN.format(present='9101')}")]
        return [answer]

    async with peer(answers) as (_, port):
        link = link_to(port)
        await link.open()
        gone = True
        seen = await link.poll()
        await link.close()
    assert seen.readings["NH3-1"].quality == "bad"
    assert seen.remarks == ("NH3-1.reading: analog-input:1 is not readable (unknown-object): reading unknown",)
    assert seen.status == {"NH3-1.low": True}


async def test_nothing_but_questions_can_be_sent() -> None:
    async with peer(lambda _: []) as (device, port), stack() as reader:
        for request in (WritePropertyRequest(), SubscribeCOVRequest()):
            request.pduDestination = IPv4Address(("127.0.0.1", port))
            with pytest.raises(LinkError, match="only reads"):
                reader._app.request(request)
        await asyncio.sleep(0.1)
        assert device.frames == []


async def test_it_is_no_device_and_answers_nobody() -> None:
    """A Who-Is is passed over in silence; a request to read or write something of ours is rejected."""
    said: list[bytes] = []

    class Curious(asyncio.DatagramProtocol):
        def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
            said.append(data[6:])

    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(Curious, local_addr=("127.0.0.1", 0))
    async with stack() as reader:
        assert reader._port._transport is not None
        own = reader._port._transport.get_extra_info("sockname")
        for apdu in ("1008", "0005 01 0c 0c 00000001 1955", "0005 02 0f 0c 00000001 1955 3e 4441480000 3f"):
            transport.sendto(framed(bytes.fromhex(apdu)), own)
        for to_networks in (
            "018000",
            "018012",
            "0180060000",
        ):  # who is a router, which network is this, a routing table
            transport.sendto(b"\x81\x0a\x00" + bytes([4 + len(to_networks) // 2]) + bytes.fromhex(to_networks), own)
        await asyncio.sleep(0.3)
    transport.close()
    assert sorted(said) == [bytes.fromhex("600109"), bytes.fromhex("600209")]  # reject, unrecognized service


async def test_a_device_behind_a_router_is_found_and_asked_through_it() -> None:
    """Network 5, station 0x19, behind the peer; network headers after clause 6.2.2 of the standard (from memory)."""
    station, asked = bytes.fromhex("0005 01 19"), []

    class Router(asyncio.DatagramProtocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
            asked.append(data[4:])
            if data[10:12] == b"\x10\x08":  # Who-Is
                answer = bytes.fromhex("1000 c4 020004d2 22 01e0 91 03 21 63")
            else:
                assert data[4:11] == b"\x01\x24" + station + b"\xff"  # an answer is expected; to that station
                (answer,) = panel()(data[11:])
            frame = b"\x01\x08" + station + answer
            self.transport.sendto(  # type: ignore[attr-defined]
                b"\x81\x0a" + (4 + len(frame)).to_bytes(2, "big") + frame, addr
            )

    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(Router, local_addr=("127.0.0.1", 0))
    port = transport.get_extra_info("sockname")[1]
    url = f"bacnet://1234?broadcast=127.0.0.1:{port}&local=127.0.0.1:0"
    link = BacnetLink(LinkSpec.model_validate({"url": url, "objects": ROWS}), ravensmoor(), clock=OwnedClock())
    await link.open()
    seen = await link.poll()
    await link.close()
    transport.close()
    assert seen.readings["NH3-1"].value_ppm == 12.5
    assert len(asked) == 4  # a search, the objects, their units, and one poll


async def test_two_devices_with_one_instance_are_told_apart_by_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gaswitness.links.bacnet.SEARCH_S", 0.6)
    loop = asyncio.get_running_loop()
    other, _ = await loop.create_datagram_endpoint(asyncio.DatagramProtocol, local_addr=("127.0.0.1", 0))

    class Listener(asyncio.DatagramProtocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport

        def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
            for transport in (self.transport, other):
                i_am = framed(bytes.fromhex("1000 c4 020004d2 22 01e0 91 03 21 63"))
                transport.sendto(i_am, addr)  # type: ignore[attr-defined]

    transport, _ = await loop.create_datagram_endpoint(Listener, local_addr=("127.0.0.1", 0))
    port = transport.get_extra_info("sockname")[1]
    url = f"bacnet://1234?broadcast=127.0.0.1:{port}&local=127.0.0.1:0"
    link = BacnetLink(LinkSpec.model_validate({"url": url, "objects": ROWS}), ravensmoor(), clock=OwnedClock())
    with pytest.raises(LinkError, match="2 devices answered to instance 1234") as caught:
        await link.open()
    assert f"127.0.0.1:{port}, " in caught.value.message
    for end in (transport, other):
        end.close()

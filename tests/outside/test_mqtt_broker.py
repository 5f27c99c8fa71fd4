"""The MQTT link against a broker that is not ours: mosquitto, with messages by its own publisher, and one of bytes.

Packets after MQTT 3.1.1 (OASIS), chapter 3, from memory.
"""

from __future__ import annotations

import asyncio
import ipaddress
import subprocess
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from gaswitness.clock import Clock, OwnedClock, SystemClock
from gaswitness.errors import LinkError
from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.links.mqtt import MqttLink
from gaswitness.links.rig.pace import LeadingClock
from gaswitness.links.rig.world import World
from gaswitness.run.drive import drive
from gaswitness.run.events import LinkChanged, NoteTaken, ReadingTaken
from gaswitness.run.ports import Answer, Polled, PolledReading, StopWish, Wish
from gaswitness.site.wires import LinkSpec
from support.brokers import Broker, needs_mosquitto
from support.ledgers import write_chain
from support.networks import DAY, TOPIC, carried_out, cellar_by_mqtt, cellar_with, message_of, plan_for
from support.rigs import free_port, ravensmoor

PATIENCE_S = 20.0
ROWS: list[dict[str, object]] = [
    {"signal": "NH3-1.reading", "topic": "rink/nh3-1"},
    {"signal": "NH3-2.reading", "topic": "rink/nh3-2", "pointer": "/gas/0/ppm", "time_pointer": "/t"},
    {"signal": "NH3-1.fault", "topic": "rink/state", "pointer": "/nh3-1", "on_values": ["fault", "lost"]},
]


def link_to(url: str, clock: Clock | None = None, rows: list[dict[str, object]] = ROWS) -> MqttLink:
    spec = LinkSpec.model_validate({"url": url, "topics": rows})
    return MqttLink(spec, ravensmoor(), clock=clock or OwnedClock(), timeout_s=5.0)


async def until(link: MqttLink, wanted: Callable[[Polled], bool]) -> Polled:
    """Poll until something has come; what a poll brought is put together, since each message is given once."""
    readings: dict[str, PolledReading] = {}
    deadline = time.monotonic() + PATIENCE_S
    while True:
        polled = await link.poll()
        readings |= polled.readings
        together = Polled(readings, polled.status, polled.remarks)
        if wanted(together):
            return together
        assert time.monotonic() < deadline, together
        await asyncio.sleep(0.01)


def has(tag: str) -> Callable[[Polled], bool]:
    return lambda polled: tag in polled.readings


@pytest.fixture
def broker(tmp_path: Path) -> object:
    with Broker(tmp_path) as running:
        yield running


@needs_mosquitto
async def test_messages_by_another_program(broker: Broker) -> None:
    link = link_to(broker.url, SystemClock())
    await link.open()
    assert await link.poll() == Polled()
    broker.publish("rink/nh3-1", "12.5")
    broker.publish("rink/nh3-2", f'{{"t": {time.time():f}, "gas": [{{"ppm": 40}}]}}')
    broker.publish("rink/state", '{"nh3-1": "well"}')
    broker.publish("rink/other", "99")
    seen = await until(link, lambda polled: len(polled.readings) == 2 and bool(polled.status))
    broker.publish("rink/state", '{"nh3-1": "lost"}')
    lost = await until(link, lambda polled: polled.status["NH3-1.fault"])
    await link.close()
    assert {tag: (r.value_ppm, r.quality) for tag, r in seen.readings.items()} == {
        "NH3-1": (12.5, "good"),
        "NH3-2": (40.0, "good"),
    }
    assert seen.status == {"NH3-1.fault": False}
    assert lost.remarks == ()
    assert "Received PUBLISH from" in broker.log.read_text("utf-8")


@needs_mosquitto
async def test_retained_messages_are_old_and_a_retained_state_counts(broker: Broker) -> None:
    broker.publish("rink/nh3-1", "12.5", retain=True)
    broker.publish("rink/state", '{"nh3-1": "well"}', retain=True)
    link = link_to(broker.url)
    await link.open()
    seen = await until(link, lambda polled: has("NH3-1")(polled) and bool(polled.status))
    broker.publish("rink/nh3-1", "13.5", retain=True)  # kept by the broker, and live for whoever listens now
    live = await until(link, has("NH3-1"))
    await link.close()
    assert (seen.readings["NH3-1"].value_ppm, seen.readings["NH3-1"].quality) == (12.5, "stale")
    assert seen.status == {"NH3-1.fault": False}
    assert (live.readings["NH3-1"].value_ppm, live.readings["NH3-1"].quality) == (13.5, "good")


@needs_mosquitto
async def test_messages_that_cannot_be_read_are_said(broker: Broker) -> None:
    link = link_to(broker.url)
    await link.open()
    broker.publish("rink/nh3-1", "n/a")
    broker.publish("rink/nh3-2", "NaN")
    broker.publish("rink/state", b"\xff\x00")
    seen = await until(link, lambda polled: len(polled.readings) == 2 and len(polled.remarks) == 3)
    await link.close()
    assert {(reading.value_ppm, reading.quality) for reading in seen.readings.values()} == {(None, "bad")}
    assert seen.status == {}
    assert 'NH3-1.reading: topic rink/nh3-1: found "n/a", expected a number' in seen.remarks


@needs_mosquitto
async def test_a_broker_that_restarts(broker: Broker) -> None:
    clock = OwnedClock()
    link = link_to(broker.url, clock)
    await link.open()
    broker.publish("rink/nh3-1", "12.5")
    await until(link, has("NH3-1"))
    broker.stop()
    with pytest.raises(LinkError, match="connection lost"):
        await until(link, lambda _: False)
    attempts = []
    for second in range(10):
        try:
            await link.poll()
        except LinkError as error:
            if "next attempt" not in error.message:
                attempts.append(second)
        clock.advance_s(1.0)
    assert attempts == [0, 1, 3, 7]
    broker.start()
    clock.advance_s(60.0)
    assert await link.poll() == Polled()  # what was heard before the gap is not given again
    broker.publish("rink/nh3-1", "14")
    assert (await until(link, has("NH3-1"))).readings["NH3-1"].value_ppm == 14.0
    await link.close()


@needs_mosquitto
async def test_user_and_password(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    users = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "reader", "spring-tide"], check=True)
    options = ("allow_anonymous false", f"password_file {users}")
    with Broker(tmp_path, options, publisher=["-u", "reader", "-P", "spring-tide"]) as broker:
        with pytest.raises(LinkError, match=r"(?i)authori") as caught:
            await link_to(broker.url).open()
        assert "GASWITNESS_MQTT_USER" in caught.value.hint
        monkeypatch.setenv("GASWITNESS_MQTT_USER", "reader")
        monkeypatch.setenv("GASWITNESS_MQTT_PASSWORD", "neap-tide")
        with pytest.raises(LinkError) as caught:
            await link_to(broker.url).open()
        assert "neap-tide" not in str(caught.value)
        monkeypatch.setenv("GASWITNESS_MQTT_PASSWORD", "spring-tide")
        link = link_to(broker.url)
        await link.open()
        broker.publish("rink/nh3-1", "12.5")
        assert (await until(link, has("NH3-1"))).readings["NH3-1"].value_ppm == 12.5
        await link.close()


USAGES = (
    "digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement",
    "key_cert_sign", "crl_sign", "encipher_only", "decipher_only",
)  # fmt: skip


def authority(folder: Path) -> None:
    """A certificate authority of our own in `ca.pem`, and a server proven by it in `server.pem` and `server.key`."""

    def name(text: str) -> x509.Name:
        return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])

    ca_key, key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    now = datetime.now(UTC)

    def made(subject: str, public: ec.EllipticCurvePublicKey, *, is_ca: bool) -> x509.Certificate:
        usage = dict.fromkeys(USAGES, False) | {"key_cert_sign": is_ca, "digital_signature": not is_ca}
        return (  # with all that RFC 5280 asks for: Python 3.13 and later insist on it
            x509.CertificateBuilder()
            .subject_name(name(subject))
            .issuer_name(name("test authority"))
            .public_key(public)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=1))
            .not_valid_after(now + timedelta(days=1))
            .add_extension(x509.BasicConstraints(ca=is_ca, path_length=None), critical=True)
            .add_extension(x509.KeyUsage(**usage), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(ca_key.public_key()), critical=False)
            .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False)
            .sign(ca_key, hashes.SHA256())
        )

    pem = serialization.Encoding.PEM
    (folder / "ca.pem").write_bytes(made("test authority", ca_key.public_key(), is_ca=True).public_bytes(pem))
    (folder / "server.pem").write_bytes(made("broker", key.public_key(), is_ca=False).public_bytes(pem))
    (folder / "server.key").write_bytes(
        key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )


@needs_mosquitto
@pytest.mark.filterwarnings("ignore:.*unclosed.*SSLSocket")  # the library leaves a refused one to the collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_tls_trusts_only_whom_it_was_told_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    authority(tmp_path)
    proof = (f"certfile {tmp_path / 'server.pem'}", f"keyfile {tmp_path / 'server.key'}")
    publisher = ["--cafile", str(tmp_path / "ca.pem")]
    with Broker(tmp_path, ("allow_anonymous true", *proof), publisher) as broker:
        url = broker.url.replace("mqtt:", "mqtts:")
        with pytest.raises(LinkError, match="certificate") as caught:
            await link_to(url).open()
        assert "GASWITNESS_MQTT_CA" in caught.value.hint
        monkeypatch.setenv("GASWITNESS_MQTT_CA", str(tmp_path / "ca.pem"))
        with pytest.raises(LinkError):  # proven for 127.0.0.1, and not for this name
            await link_to(url.replace("127.0.0.1", "localhost")).open()
        link = link_to(url)
        await link.open()
        broker.publish("rink/nh3-1", "12.5")
        assert (await until(link, has("NH3-1"))).readings["NH3-1"].value_ppm == 12.5
        await link.close()


async def test_nobody_there_is_told_with_a_hint() -> None:
    with pytest.raises(LinkError, match="refused") as caught:
        await link_to(f"mqtt://127.0.0.1:{free_port()}").open()
    assert "mqtts://" in caught.value.hint


# -- a broker made of bytes ------------------------------------------------------------------------------------------

CONNACK = bytes.fromhex("20020000")


class Wire:
    """What a client sends, packet by packet, and how to answer it."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self.writer = reader, writer
        self.packets: list[bytes] = []

    async def packet(self) -> bytes:
        head = await self._reader.readexactly(2)
        assert head[1] < 128  # every packet of a client that only listens is short
        body = await self._reader.readexactly(head[1])
        self.packets.append(head + body)
        return head + body

    def suback(self, subscribe: bytes, codes: bytes) -> None:
        self.writer.write(bytes([0x90, 2 + len(codes)]) + subscribe[2:4] + codes)

    def publish(self, topic: str, payload: bytes, mid: int, *, dup: bool = False, retain: bool = False) -> None:
        name = topic.encode()
        body = len(name).to_bytes(2, "big") + name + mid.to_bytes(2, "big") + payload
        self.writer.write(bytes([0x32 | dup << 3 | retain, len(body)]) + body)


@asynccontextmanager
async def bytes_broker(talk: Callable[[Wire], Awaitable[None]]) -> AsyncIterator[tuple[str, list[Wire]]]:
    wires: list[Wire] = []

    async def served(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        wires.append(Wire(reader, writer))
        try:
            await talk(wires[-1])
            while True:
                await wires[-1].packet()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(served, "127.0.0.1", 0)
    try:
        yield f"mqtt://127.0.0.1:{server.sockets[0].getsockname()[1]}", wires
    finally:
        server.close()
        for wire in wires:  # from Python 3.12 on a server waits until every connection is gone
            wire.writer.close()
        await server.wait_closed()


async def welcomed(wire: Wire) -> None:
    await wire.packet()
    wire.writer.write(CONNACK)
    wire.suback(await wire.packet(), b"\x01\x01\x01")


async def test_it_subscribes_and_says_nothing_else() -> None:
    """Whatever comes: CONNECT without a will, SUBSCRIBE at QoS 1, acknowledgements, DISCONNECT; never a PUBLISH."""

    async def talk(wire: Wire) -> None:
        await welcomed(wire)
        for mid in (1, 2):
            wire.publish("rink/nh3-1", b"12.5", mid)

    async with bytes_broker(talk) as (url, wires):
        link = link_to(url)
        await link.open()
        await until(link, has("NH3-1"))
        await link.close()
        packets = wires[0].packets
        while packets[-1][0] >> 4 != 14:
            await asyncio.sleep(0.01)
    connect, subscribe, *others = packets
    assert connect[:9] == bytes([0x10, len(connect) - 2]) + b"\x00\x04MQTT\x04"
    assert connect[9] == 0b0000_0010  # a clean session; no will, no user, no password
    assert subscribe[0] == 0x82
    expected = b"".join(len(t).to_bytes(2, "big") + t + b"\x01" for t in (b"rink/nh3-1", b"rink/nh3-2", b"rink/state"))
    assert subscribe[4:] == expected
    assert {packet[0] >> 4 for packet in others} == {4, 14}  # PUBACK, DISCONNECT


async def test_a_broker_that_refuses_a_topic() -> None:
    async def talk(wire: Wire) -> None:
        await wire.packet()
        wire.writer.write(CONNACK)
        wire.suback(await wire.packet(), b"\x01\x80\x01")

    async with bytes_broker(talk) as (url, _):
        with pytest.raises(LinkError, match="the broker refuses rink/nh3-2"):
            await link_to(url).open()


async def test_a_message_sent_again_after_a_newer_one_changes_nothing() -> None:
    def told(ppm: int, second: int) -> bytes:
        return b'{"t":"2026-01-01T00:00:%02dZ","gas":[{"ppm":%d}]}' % (second, ppm)

    async def talk(wire: Wire) -> None:
        await welcomed(wire)
        wire.publish("rink/nh3-2", told(10, 1), 1)
        wire.publish("rink/nh3-2", told(20, 2), 2)
        wire.publish("rink/nh3-2", told(10, 1), 1, dup=True)
        wire.publish("rink/nh3-2", told(99, 3), 3, retain=True)
        wire.publish("rink/nh3-1", b"1", 4)

    async with bytes_broker(talk) as (url, _):
        clock = OwnedClock()  # begins at the start of 2026
        clock.advance_s(3.0)
        link = link_to(url, clock)
        await link.open()
        deadline = time.monotonic() + PATIENCE_S
        while "NH3-1.reading" not in link._board.heard and time.monotonic() < deadline:
            await asyncio.sleep(0.01)
        seen = await link.poll()
        await link.close()
    assert seen.readings["NH3-2"] == PolledReading(20.0, "good", pytest.approx(1.0))


@pytest.mark.parametrize(
    "garbage",
    [
        bytes.fromhex("ffffffffff"),  # a length of more than four octets
        bytes.fromhex("3204ffff0001"),  # a topic longer than its packet
        bytes.fromhex("32060002fffe0001"),  # a topic that is not UTF-8
        bytes.fromhex("3000"),  # a message without anything
        bytes.fromhex("0000"),  # no kind of packet
    ],
)
async def test_octets_that_are_no_mqtt_are_a_lost_connection_or_passed_over(garbage: bytes) -> None:
    async def talk(wire: Wire) -> None:
        await welcomed(wire)
        wire.writer.write(garbage)
        wire.publish("rink/nh3-1", b"12.5", 1)

    async with bytes_broker(talk) as (url, _):
        link = link_to(url)
        await link.open()
        try:
            seen = await until(link, has("NH3-1"))
        except LinkError as error:
            assert url in error.message  # noqa: PT017 either is right
        else:
            assert seen.readings["NH3-1"].value_ppm == 12.5
        await link.close()


async def test_a_broker_that_never_answers() -> None:
    async def talk(wire: Wire) -> None:
        await wire.packet()

    async with bytes_broker(talk) as (url, _):
        spec = LinkSpec.model_validate({"url": url, "topics": ROWS})
        with pytest.raises(LinkError):
            await MqttLink(spec, ravensmoor(), timeout_s=0.2).open()


def test_a_loop_that_cannot_watch_sockets_will_do() -> None:
    """The usual loop of Windows has no add_reader."""

    class Blind(asyncio.SelectorEventLoop):
        def add_reader(self, *_: object) -> None:  # type: ignore[override]
            raise NotImplementedError

        add_writer = add_reader  # type: ignore[assignment]

    async def talk(wire: Wire) -> None:
        await welcomed(wire)
        wire.publish("rink/nh3-1", b"12.5", 1)

    async def listen() -> Polled:
        async with bytes_broker(talk) as (url, _):
            link = link_to(url)
            await link.open()
            seen = await until(link, has("NH3-1"))
            await link.close()
            return seen

    with asyncio.Runner(loop_factory=Blind) as runner:
        assert runner.run(listen()).readings["NH3-1"].value_ppm == 12.5


# -- whole visits ----------------------------------------------------------------------------------------------------


@needs_mosquitto
async def test_a_whole_visit_to_a_verdict(broker: Broker) -> None:
    """The panel publishes once a second; time stands until the broker has brought the message to the link."""
    spec = cellar_by_mqtt(broker.url)
    site = cellar_with(spec)
    world = World(site, seed=3)
    clock = LeadingClock(1e9, start=DAY)
    link = MqttLink(spec, site, clock=clock)
    publisher = broker.stream(TOPIC)

    async def publish() -> None:
        while True:
            with clock.hold():
                world.advance(clock.now_s())
                wall = clock.wall()
                assert publisher.stdin is not None
                publisher.stdin.write(message_of(world, wall) + "\n")
                deadline = time.monotonic() + PATIENCE_S
                while (last := link._board.heard.get("CO2-A.low")) is None or last.stamped_s != wall.timestamp():
                    assert time.monotonic() < deadline
                    await asyncio.sleep(0.001)
            await clock.sleep_s(1.0)

    await link.open()
    publishing = asyncio.create_task(publish())
    try:
        events = await carried_out(plan_for(site), link, world, clock)
    finally:
        publishing.cancel()
        await asyncio.gather(publishing, return_exceptions=True)
        publisher.communicate(timeout=PATIENCE_S)
    assert not [event for event in events if isinstance(event, LinkChanged)]
    judgement = judge(series_of(read_ledger(write_chain(events))))
    assert {verdict.tag: verdict.outcome for verdict in judgement.verdicts} == {"CO2-A": "pass", "CO2-B": "pass"}


class Idle:
    """Hands that do nothing until the run is stopped."""

    name = "idle"

    async def do(self, step: object) -> Answer:
        await asyncio.Event().wait()
        raise AssertionError

    async def presses(self) -> AsyncIterator[object]:
        await asyncio.Event().wait()
        yield


@needs_mosquitto
async def test_a_gap_and_what_cannot_be_read_stand_in_the_ledger_and_no_secret_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    users = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "reader", "spring-tide"], check=True)
    monkeypatch.setenv("GASWITNESS_MQTT_USER", "reader")
    monkeypatch.setenv("GASWITNESS_MQTT_PASSWORD", "spring-tide")
    options = ("allow_anonymous false", f"password_file {users}")
    with Broker(tmp_path, options, ["-u", "reader", "-P", "spring-tide"]) as broker:
        spec = cellar_by_mqtt(broker.url).model_copy(update={"poll_s": 0.05})
        site = cellar_with(spec)
        clock = SystemClock()
        world = World(site, seed=3)
        events: list[object] = []
        wishes: asyncio.Queue[Wish] = asyncio.Queue()
        run = asyncio.create_task(
            drive(
                plan_for(site),
                MqttLink(spec, site, clock=clock),
                Idle(),  # type: ignore[arg-type]
                clock,
                events.append,
                run_id="gap",
                operator="test",
                wishes=wishes,
            )
        )

        async def recorded(wanted: Callable[[object], bool]) -> None:
            deadline = time.monotonic() + PATIENCE_S
            while not any(wanted(event) for event in events):
                assert time.monotonic() < deadline, events[-3:]
                await asyncio.sleep(0.02)

        await recorded(lambda _: True)
        await asyncio.sleep(0.2)
        await asyncio.to_thread(broker.publish, TOPIC, message_of(world, clock.wall()))
        await recorded(lambda event: isinstance(event, ReadingTaken) and event.value_ppm is not None)
        await asyncio.to_thread(broker.publish, TOPIC, '{"gas": {}, "state": {}}')
        await recorded(lambda event: isinstance(event, NoteTaken) and "expected a value at" in event.text)
        broker.stop()
        await recorded(lambda event: isinstance(event, LinkChanged) and not event.up)
        broker.start()
        await recorded(lambda event: isinstance(event, LinkChanged) and event.up)
        for _ in range(2):
            wishes.put_nowait(StopWish("stopped", "test"))
        stopped = await asyncio.wait_for(run, PATIENCE_S)
    assert stopped.outcome == "stopped"
    ledger = write_chain(events)  # type: ignore[arg-type]
    assert b"spring-tide" not in ledger
    assert b"reader" not in ledger

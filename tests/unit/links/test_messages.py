"""MQTT messages as readings and states: pointers, instants, and which of several messages counts."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.errors import InputError
from gaswitness.links import messages
from gaswitness.links.messages import Board, Unfit, instant_of, number_of, parsed, pointed, state_of
from gaswitness.links.mqtt import broker_of
from gaswitness.site.wires import LinkSpec, TopicEntry
from support.rigs import ravensmoor

START = datetime(2026, 11, 25, 9, tzinfo=UTC)

RFC_6901 = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_6901),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_rfc_6901(pointer: str, value: object) -> None:
    """Section 5 of RFC 6901, whole."""
    assert pointed(RFC_6901, pointer) == value


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/01", "/nothing", "/foo/0/x", "/a~1b/0"])
def test_a_pointer_to_nothing(pointer: str) -> None:
    with pytest.raises(Unfit, match="expected a value at"):
        pointed(RFC_6901, pointer)


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_any_payload_without_the_value_is_bad_and_said(payload: bytes) -> None:
    board = Desk(ROW, LOW).board
    board.take("rink/nh3-1", payload, retained=False, arrived_s=0.0, wall=START)
    polled = board.polled(0.0)
    assert polled.readings["NH3-1"].quality == "bad"
    assert polled.status == {}
    assert "found" in polled.remarks[0]


@pytest.mark.parametrize("payload", [b"[" * 60_000, b"x" * 70_000, b"\xff\xfe"])
def test_payloads_beyond_reason(payload: bytes) -> None:
    with pytest.raises(Unfit):
        number_of(parsed(payload))


@pytest.mark.parametrize(
    ("value", "number"), [(3, 3.0), (2.5, 2.5), ("12.5", 12.5), ("-1e3", -1000.0), (10**400, float("inf"))]
)
def test_numbers(value: object, number: float) -> None:
    assert number_of(value) == number


@pytest.mark.parametrize("value", [True, None, [], {}, "12.5 ppm", "1_000", "", "n/a", "٣"])
def test_no_numbers(value: object) -> None:
    with pytest.raises(Unfit, match="expected a number"):
        number_of(value)


@pytest.mark.parametrize(
    ("value", "on"),
    [(True, True), (False, False), (1, True), (0.0, False), ("ON", True), ("off", False), ("true", True)],
)
def test_states(value: object, on: bool) -> None:
    plain = TopicEntry(signal="NH3-1.low", topic="t")
    assert state_of(value, plain) is on
    assert state_of(value, plain.model_copy(update={"inverted": True})) is not on


def test_states_by_name() -> None:
    named = TopicEntry(signal="NH3-1.low", topic="t", on_values=("low", "high", "2"))
    assert [state_of(value, named) for value in ("low", "high", 2, "normal", "LOW")] == [True, True, True, False, False]


@pytest.mark.parametrize("value", [2, "open", None, [1], {"on": True}])
def test_no_states(value: object) -> None:
    with pytest.raises(Unfit):
        state_of(value, TopicEntry(signal="NH3-1.low", topic="t"))


def test_instants() -> None:
    epoch_s = START.timestamp()
    for stamp, unit in (("2026-11-25T09:00:00Z", "s"), ("2026-11-25T10:00:00+01:00", "s"), (epoch_s, "s")):
        assert instant_of(stamp, unit) == epoch_s
    assert instant_of(epoch_s * 1000, "ms") == epoch_s
    for stamp in ("2026-11-25T09:00:00", "9 o'clock", None, True, float("nan")):
        with pytest.raises(Unfit):
            instant_of(stamp, "s")


ROW = {"signal": "NH3-1.reading", "topic": "rink/nh3-1", "pointer": "/ppm"}
STAMPED = {**ROW, "time_pointer": "/t"}
LOW = {"signal": "NH3-1.low", "topic": "rink/nh3-1", "pointer": "/low"}


class Desk:
    """A board with its clock."""

    def __init__(self, *rows: dict[str, object]) -> None:
        spec = LinkSpec.model_validate({"url": "mqtt://192.0.2.1", "poll": "1 s", "topics": rows})
        self.board = Board(spec, messages.detectors(spec, ravensmoor()))
        self.now_s = 0.0

    def hear(self, payload: object, *, topic: str = "rink/nh3-1", retained: bool = False) -> None:
        octets = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self.board.take(
            topic, octets, retained=retained, arrived_s=self.now_s, wall=START + timedelta(seconds=self.now_s)
        )

    def stamp(self, at_s: float) -> str:
        return (START + timedelta(seconds=at_s)).isoformat()

    def reading(self) -> tuple[float | None, str, float | None] | None:
        seen = self.board.polled(self.now_s).readings.get("NH3-1")
        return None if seen is None else (seen.value_ppm, seen.quality, seen.source_age_s)


def test_each_message_is_one_reading() -> None:
    desk = Desk(ROW)
    assert desk.reading() is None
    desk.hear({"ppm": 12.5})
    assert desk.reading() == (12.5, "good", 0.0)
    assert desk.reading() is None
    desk.hear({"ppm": 12.5})  # at the same instant, and the same value: still another message
    assert desk.reading() == (12.5, "good", 0.0)


def test_silence_is_told_once() -> None:
    desk = Desk(ROW)
    desk.hear({"ppm": 12.5})
    assert desk.reading() == (12.5, "good", 0.0)
    desk.now_s = 5.0
    assert desk.reading() is None
    desk.now_s = 6.0
    assert desk.reading() == (12.5, "stale", 6.0)
    desk.now_s = 7.0
    assert desk.reading() is None
    desk.hear({"ppm": 13.0})
    assert desk.reading() == (13.0, "good", 0.0)


def test_a_retained_message_is_never_fresh() -> None:
    desk = Desk(STAMPED, LOW)
    desk.hear({"ppm": 12.5, "t": desk.stamp(-40.0), "low": True}, retained=True)
    assert desk.board.polled(0.0).status == {"NH3-1.low": True}
    desk = Desk(STAMPED)
    desk.hear({"ppm": 12.5, "t": desk.stamp(0.0)}, retained=True)
    assert desk.reading() == (12.5, "stale", 0.0)
    desk.now_s = 1.0
    desk.hear({"ppm": 14.0, "t": desk.stamp(1.0)})
    desk.hear({"ppm": 99.0, "t": desk.stamp(2.0)}, retained=True)
    assert desk.reading() == (14.0, "good", 0.0)


def test_twice_and_out_of_order_change_nothing() -> None:
    desk = Desk(STAMPED, {**LOW, "time_pointer": "/t"})
    desk.now_s = 3.0
    desk.hear({"ppm": 30.0, "t": desk.stamp(3.0), "low": True})
    desk.hear({"ppm": 20.0, "t": desk.stamp(2.0), "low": False})
    desk.hear({"ppm": 30.0, "t": desk.stamp(3.0), "low": True})
    polled = desk.board.polled(desk.now_s)
    assert polled.readings["NH3-1"].value_ppm == 30.0
    assert polled.status == {"NH3-1.low": True}
    desk.now_s = 4.0
    desk.hear({"ppm": 30.0, "t": desk.stamp(3.0), "low": False})
    assert desk.reading() is None


def test_a_clock_that_is_set_back_does_not_silence_its_sender() -> None:
    desk = Desk(STAMPED)
    desk.hear({"ppm": 1.0, "t": desk.stamp(3600.0)})  # an hour ahead
    desk.now_s = 1.0
    desk.hear({"ppm": 2.0, "t": desk.stamp(1.0)})
    assert desk.reading() == (2.0, "good", 0.0)
    for second in range(2, 12):  # and then half a minute behind
        desk.now_s = float(second)
        desk.hear({"ppm": float(second), "t": desk.stamp(second - 30.0)})
    assert desk.reading() == (11.0, "good", pytest.approx(30.0))  # an age which the run calls stale
    assert "30 s old" in desk.board.polled(desk.now_s).remarks[0]


def test_the_age_of_a_message_is_counted_from_its_own_instant() -> None:
    desk = Desk(STAMPED)
    desk.now_s = 10.0
    desk.hear({"ppm": 12.5, "t": desk.stamp(8.5)})
    desk.now_s = 10.5
    assert desk.reading() == (12.5, "good", pytest.approx(2.0))


@pytest.mark.parametrize(("behind_s", "words"), [(-60.0, "60 s in the future"), (60.0, "60 s old on arrival")])
def test_clocks_that_disagree_are_told(behind_s: float, words: str) -> None:
    desk = Desk(STAMPED)
    desk.now_s = 100.0
    desk.hear({"ppm": 12.5, "t": desk.stamp(100.0 - behind_s)})
    polled = desk.board.polled(desk.now_s)
    assert words in polled.remarks[0]
    if behind_s < 0:
        assert polled.readings["NH3-1"].quality == "stale"
    else:
        assert polled.readings["NH3-1"].source_age_s == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b'{"ppm": "n/a"}', "expected a number"),
        (b'{"ppm": null}', "expected a number"),
        (b'{"PPM": 3}', "expected a value at /ppm"),
        (b"3", "expected a value at /ppm"),
        (b"\xff", "not UTF-8"),
        (b"", "expected a value at /ppm"),
    ],
)
def test_a_message_of_the_wrong_kind_is_bad_and_said(payload: bytes, words: str) -> None:
    desk = Desk(ROW)
    desk.hear({"ppm": 12.5})
    desk.hear(payload)
    polled = desk.board.polled(0.0)
    assert (polled.readings["NH3-1"].value_ppm, polled.readings["NH3-1"].quality) == (None, "bad")
    assert words in polled.remarks[0]
    assert "topic rink/nh3-1" in polled.remarks[0]
    desk.hear({"ppm": 13.0})
    assert desk.board.polled(0.0).remarks == ()


def test_a_doubt_is_said_in_the_same_words_for_as_long_as_it_holds() -> None:
    """What changes from message to message must not make a note of each."""
    desk = Desk(STAMPED, LOW)
    said = set()
    for second in range(5):
        desk.now_s = float(second)
        desk.hear({"ppm": 12.5, "t": desk.stamp(second + 60.0 + second), "low": f"ajar {second}"})
        said |= set(desk.board.polled(desk.now_s).remarks)
    assert len(said) == 2, said
    desk.hear({"ppm": 12.5, "t": desk.stamp(200.0), "low": False})
    desk.now_s = 200.0
    desk.hear({"ppm": 12.5, "t": desk.stamp(200.5), "low": False})
    assert desk.board.polled(desk.now_s).remarks == ()


def test_not_a_number_is_bad() -> None:
    desk = Desk(ROW)
    desk.hear(b'{"ppm": NaN}')
    assert desk.reading() == (None, "bad", 0.0)


def test_a_state_of_the_wrong_kind_is_unknown_and_said() -> None:
    desk = Desk(LOW)
    desk.hear({"low": True})
    desk.hear({"low": "ajar"})
    polled = desk.board.polled(0.0)
    assert polled.status == {}
    assert 'found "ajar"' in polled.remarks[0]


def test_a_fault_that_shows_makes_the_reading_bad() -> None:
    desk = Desk(ROW, {"signal": "NH3-1.fault", "topic": "rink/f"})
    desk.hear(b"on", topic="rink/f", retained=True)
    desk.hear({"ppm": 12.5})
    assert desk.reading() == (12.5, "bad", 0.0)


def test_unit_scale_and_range() -> None:
    desk = Desk({**ROW, "unit": "%vol", "scale": 0.001})
    desk.hear({"ppm": 12.5})
    assert desk.reading() == (125.0, "good", 0.0)
    desk.hear({"ppm": 900})
    assert desk.reading() == (9000.0, "over", 0.0)


def test_addresses() -> None:
    plain, tls = broker_of("mqtt://broker.example"), broker_of("mqtts://[2001:db8::1]:8884/")
    assert (plain.host, plain.port, plain.tls) == ("broker.example", 1883, None)
    assert (tls.host, tls.port) == ("2001:db8::1", 8884)
    assert tls.tls is not None
    assert tls.tls.check_hostname
    assert broker_of("mqtts://broker.example").port == 8883


@pytest.mark.parametrize(
    "url", ["mqtt://", "mqtt://h:0", "mqtt://h:99999", "mqtt://h/topic", "mqtt://h?x=1", "mqtt://[::1", "mqtt://h#x"]
)
def test_an_address_that_cannot_be(url: str) -> None:
    with pytest.raises(InputError) as caught:
        broker_of(url)
    assert repr(url) in str(caught.value)


def test_secrets_come_from_the_environment_and_show_nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GASWITNESS_MQTT_USER", "reader")
    monkeypatch.setenv("GASWITNESS_MQTT_PASSWORD", "spring-tide")
    broker = broker_of("mqtt://broker.example")
    assert (broker.user, broker.password) == ("reader", "spring-tide")
    assert "spring-tide" not in repr(broker)
    monkeypatch.delenv("GASWITNESS_MQTT_USER")
    with pytest.raises(InputError, match="GASWITNESS_MQTT_USER") as caught:
        broker_of("mqtt://broker.example")
    assert "spring-tide" not in str(caught.value)


def test_a_file_that_is_no_certificate_is_one_message(monkeypatch: pytest.MonkeyPatch, tmp_path: object) -> None:
    monkeypatch.setenv("GASWITNESS_MQTT_CA", "nowhere.pem")
    with pytest.raises(InputError, match=r"GASWITNESS_MQTT_CA=nowhere.pem") as caught:
        broker_of("mqtts://broker.example")
    assert "PEM" in str(caught.value)

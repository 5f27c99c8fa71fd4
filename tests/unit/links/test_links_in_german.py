"""What links say when they are given something wrong, or read it: in German nothing of it stays English."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.errors import GaswitnessError, LinkError
from gaswitness.links import open_link
from gaswitness.links.bacnet import target_of
from gaswitness.links.logfile import parse_instant, read_log
from gaswitness.links.messages import Board, Unfit, instant_of, number_of, parsed, pointed, state_of
from gaswitness.links.mqtt import broker_of
from gaswitness.links.objects import Refused, Value, polled, unit_of
from gaswitness.links.patience import Patience
from gaswitness.links.rig.client import ControlClient
from gaswitness.sentence import Figure, Sentence
from gaswitness.site.wires import LinkSpec, ObjectEntry, TopicEntry
from gaswitness.telling import Teller
from support.german import english_in
from support.rigs import cellar, ravensmoor

NAMES = {
    *("bacnet://0", "bacnet://x?y", "bacnet://9999999", "bacnet://999.1", "mqtt://a/b", "modbus-tcp://", "CO2-A", "a"),
    *("4194302", "'bacnet://x?y'", "'bacnet://9999999'", "'bacnet://999.1'", "'mqtt://a/b'", "'modbus-tcp://'"),
    *("modbus-rtu://?baud=x", "'modbus-rtu://?baud=x'", "'ftp://a'", "modbus-tcp://...", "modbus-rtu://...", "--link"),
    *("modbus-tcp://a:1", "'modbus-tcp://a:1'", "registers", "bits", "objects", "topics", "mqtt", "mqtt://a:1"),
    *("'mqtt://a:1'", "bacnet://1.2.3.4", "'bacnet://1.2.3.4'", "CO2-A.reading", "CO2-A.low", "analog-input:1"),
    *("unknown-object", "out-of-service", "ppm", "milliamperes", "real", "12", '"x"', "/a", "[1]", '"2026-01-01"'),
    *("t,CO2-A", "'t'", "'CO2-A'", "'x'", "--time", "--value", "1", "2", "rig:", "gaswitness rig SITE", "ppb", "%vol"),
    *("%LFL", "mA", "null", "mqtt://u:p@a", "'no time'", "'0'", "3"),
}


def names() -> set[str]:
    return NAMES | {cellar().name, ravensmoor().name}


def left(*texts: str, besides: tuple[str, ...] = ()) -> list[str]:
    known = names() | set(besides)
    return [one for text in texts for one in english_in(text, known, {})]


def at_once(raises: Callable[[], object]) -> GaswitnessError | Unfit:
    with pytest.raises((GaswitnessError, Unfit)) as caught:
        raises()
    return caught.value


def opening(url: str | None) -> Callable[[], object]:
    return lambda: open_link(url, cellar().model_copy(update={"links": ()}))


STAMP = TopicEntry(signal="CO2-A.low", topic="a")
MA = ObjectEntry.model_validate({"signal": "CO2-A.reading", "object": "analog-input:1", "unit": "ppm"})
BARE = ObjectEntry.model_validate({"signal": "CO2-A.reading", "object": "analog-input:1"})

REFUSALS: dict[str, Callable[[], object]] = {
    "BACnet address": lambda: target_of("bacnet://x?y"),
    "BACnet instance": lambda: target_of("bacnet://9999999"),
    "IPv4 address": lambda: target_of("bacnet://999.1"),
    "MQTT address": lambda: broker_of("mqtt://a/b"),
    "no link": opening(None),
    "another scheme": opening("ftp://a"),
    "secret": opening("mqtt://u:p@a"),
    "no register map": opening("modbus-tcp://a:1"),
    "no topics": opening("mqtt://a:1"),
    "no objects": opening("bacnet://1.2.3.4"),
    "other unit": lambda: unit_of(MA, Value("enumerated", 2), ""),
    "no unit": lambda: unit_of(BARE, Value("enumerated", 95 + 900), ""),
    "JSON pointer": lambda: pointed([1], "/a"),
    "number": lambda: number_of("x"),
    "state": lambda: state_of("x", STAMP),
    "no state": lambda: state_of(None, STAMP),
    "stamp": lambda: instant_of("x", "s"),
    "stamp without zone": lambda: instant_of("2026-01-01", "s"),
    "too long": lambda: parsed(b"1" * 70_000),
    "not UTF-8": lambda: parsed(b"\xff"),
}


@pytest.mark.parametrize("raises", REFUSALS.values(), ids=REFUSALS.keys())
def test_a_refusal_is_german(raises: Callable[[], object]) -> None:
    error = at_once(raises)
    assert left(error.message, getattr(error, "hint", ""), besides=("995",)) == []


LOGS = {
    "empty": "",
    "no rows": "t,CO2-A\n",
    "no time": "x,CO2-A\na,1\n",
    "no reading": "t,CO2-A\n1,x\n",
    "broken row": "t,CO2-A\n1,2\n2,3\n3\n4,5\n",
    "no number later": "t,CO2-A\n" + "1,2\n" * 400 + "2,x\n",
}


@pytest.mark.parametrize("text", LOGS.values(), ids=LOGS.keys())
def test_a_log_that_cannot_be_read_is_refused_in_german(text: str, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text, "utf-8")
    error = at_once(lambda: read_log(path, value="CO2-A"))
    found = ("['x', 'CO2-A']", "['t', 'CO2-A']", "402", "4")
    assert left(error.message, error.hint, besides=(str(path), *found)) == []


def test_a_time_that_is_none_is_refused_in_german(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("t,CO2-A\n1,2\n2,3\n", "utf-8")
    log = read_log(path)
    for text in ("no time", "2026-01-01T00:00:00Z"):
        error = at_once(lambda text=text: parse_instant(text, log))
        assert left(error.message, error.hint, besides=(str(path), "'2026-01-01T00:00:00Z'")) == []


def remarks_of_objects(value: Value | Refused, flags: frozenset[str] = frozenset()) -> tuple[str, ...]:
    spec = LinkSpec.model_validate({"url": "bacnet://0", "objects": [MA.model_dump(exclude_none=True)]})
    detector = next(one for one in cellar().detectors if one.tag == "CO2-A")
    got = {
        ("analog-input:1", "present-value"): value,
        ("analog-input:1", "status-flags"): Value("flags", flags=flags),  # type: ignore[arg-type]
    }
    return polled(spec, {"CO2-A.reading": detector}, {"CO2-A.reading": "ppm"}, got).remarks


@pytest.mark.parametrize(
    ("value", "flags"),
    [
        (Refused("unknown-object"), frozenset()),
        (Value("null"), frozenset()),
        (Value("real", 1.0), frozenset({"out-of-service"})),
        (Value("real", 1.0), frozenset({"fault"})),
    ],
)
def test_a_remark_on_an_object_is_german(value: Value | Refused, flags: frozenset[str]) -> None:
    (remark,) = remarks_of_objects(value, flags)
    assert left(remark) == []


@pytest.mark.parametrize("payload", [b"x", b"\xff", b'{"ppm": 1}'])
def test_a_remark_on_a_topic_is_german(payload: bytes) -> None:
    spec = LinkSpec.model_validate({"url": "mqtt://a:1", "topics": [{"signal": "CO2-A.reading", "topic": "a"}]})
    detector = next(one for one in cellar().detectors if one.tag == "CO2-A")
    board = Board(spec, {"CO2-A.reading": detector})
    board.take("a", payload, retained=False, arrived_s=0.0, wall=datetime(2026, 11, 25, tzinfo=UTC))
    (remark,) = board.polled(1.0).remarks
    assert left(remark, besides=('{"ppm": 1}',)) == []


def test_a_remark_on_a_clock_is_german_to_its_figures() -> None:
    topic = {"signal": "CO2-A.reading", "topic": "a", "pointer": "/v", "time_pointer": "/t"}
    spec = LinkSpec.model_validate({"url": "mqtt://a:1", "topics": [topic]})
    detector = next(one for one in cellar().detectors if one.tag == "CO2-A")
    board = Board(spec, {"CO2-A.reading": detector})
    wall = datetime(2026, 11, 25, 9, tzinfo=UTC)
    for stamp, told in (("T08:59:00Z", "bei der Ankunft 60 s alt"), ("T09:01:00Z", "60 s in der Zukunft")):
        payload = b'{"v": 1, "t": "2026-11-25' + stamp.encode() + b'"}'
        board.heard.clear()
        board.told_of.clear()
        board.take("a", payload, retained=False, arrived_s=0.0, wall=wall)
        (remark,) = board.polled(1.0).remarks
        assert left(remark) == []
        assert told in Teller("de")(remark)


def test_a_link_that_waits_says_so_in_german() -> None:
    patience = Patience("mqtt://a:1", OwnedClock())
    patience.failed()
    error = at_once(patience.check)
    assert left(error.message) == []
    assert Teller("de")(error.message) == "mqtt://a:1: unterbrochen, nächster Versuch in 1\xa0s"


async def test_a_rig_that_is_not_there_is_missed_in_german() -> None:
    with pytest.raises(LinkError) as caught:
        async with asyncio.timeout(20.0):
            await ControlClient(1, OwnedClock()).open()
    assert left(caught.value.message, caught.value.hint) == []


def test_the_check_sees_what_stayed_english() -> None:
    glued = f"{Sentence('never', {})} mind"
    assert left(glued) == ["neither name nor sentence: 'never mind'"]
    assert left(Sentence("{tag} naps", {"tag": "CO2-A"})) == ["no German for '{tag} naps'"]
    assert left(Sentence("{number} {unit}", {"number": "1,234", "unit": "ppm"})) == [
        "neither name nor sentence: '1,234'"
    ]
    assert left(Sentence("{number} {unit}", {"number": Figure("1,234"), "unit": "ppm"})) == []

"""BACnet objects as readings and states: units, flags, and what is said where a value is not to be used."""

from __future__ import annotations

import pytest

from gaswitness.errors import InputError
from gaswitness.links import objects
from gaswitness.links.bacnet import own_broadcasts, target_of
from gaswitness.links.objects import Refused, Value, unit_of
from gaswitness.run.ports import Polled
from gaswitness.site.wires import LinkSpec, ObjectEntry
from support.rigs import ravensmoor

NOT_SET = Value("flags")


def real(number: float) -> Value:
    return Value("real", number)


def flagged(*flags: str) -> Value:
    return Value("flags", flags=frozenset(flags))  # type: ignore[arg-type]


def spec_of(*rows: dict[str, object]) -> LinkSpec:
    return LinkSpec.model_validate({"url": "bacnet://192.0.2.10", "objects": rows})


def polled(
    row: dict[str, object], present: Value | Refused, flags: Value | Refused = NOT_SET, unit: str = "ppm"
) -> Polled:
    spec = spec_of(row)
    got = {(str(row["object"]), "present-value"): present, (str(row["object"]), "status-flags"): flags}
    units = {str(row["signal"]): unit}
    return objects.polled(spec, objects.detectors(spec, ravensmoor()), units, got)


AI = {"signal": "NH3-1.reading", "object": "analog-input:3"}
BI = {"signal": "NH3-1.low", "object": "binary-input:3"}
MSV = {"signal": "NH3-1.high", "object": "multi-state-value:1", "on_values": [3, 4]}
FLAG = {"signal": "NH3-1.fault", "object": "analog-input:3", "flag": "fault"}


def test_a_value_in_its_unit() -> None:
    assert polled(AI, real(12.5)).readings["NH3-1"].value_ppm == 12.5
    seen = polled({**AI, "signal": "CO2-1.reading"}, real(0.4), unit="%vol")
    assert seen.readings["CO2-1"].value_ppm == pytest.approx(4000.0)
    scaled = polled({**AI, "scale": 0.1, "offset": -5.0}, Value("unsigned", 175))
    assert scaled.readings["NH3-1"].value_ppm == 12.5


def test_a_mass_in_air_is_taken_at_25_degrees() -> None:
    # NIOSH Pocket Guide, ammonia: 1 ppm = 0.70 mg/m3 (at 25 degC, 1 atm; from memory)
    seen = polled(AI, real(0.70 * 25), unit="mg/m3").readings["NH3-1"]
    assert seen.value_ppm == pytest.approx(25.0, rel=0.01)


@pytest.mark.parametrize(
    ("flags", "quality", "words"),
    [
        (flagged(), "good", ""),
        (flagged("in-alarm"), "good", ""),
        (flagged("fault"), "bad", "shows a fault"),
        (flagged("overridden"), "bad", "is overridden: its value is not measured"),
        (flagged("out-of-service", "in-alarm"), "bad", "is out-of-service"),
    ],
)
def test_flags_of_a_reading(flags: Value, quality: str, words: str) -> None:
    seen = polled(AI, real(12.5), flags)
    assert seen.readings["NH3-1"].quality == quality
    assert (words in " ".join(seen.remarks)) if words else seen.remarks == ()


@pytest.mark.parametrize(
    "present", [Value("null"), Value("other"), Value("enumerated", 1), Refused("read-access-denied")]
)
def test_what_is_no_number_is_no_reading_and_said(present: Value | Refused) -> None:
    seen = polled(AI, present)
    assert (seen.readings["NH3-1"].value_ppm, seen.readings["NH3-1"].quality) == (None, "bad")
    assert "NH3-1.reading: analog-input:3" in seen.remarks[0]


def test_not_a_number_is_bad() -> None:
    assert polled(AI, real(float("nan"))).readings["NH3-1"].quality == "bad"


@pytest.mark.parametrize(
    ("row", "present", "on"),
    [
        (BI, Value("enumerated", 1), True),
        (BI, Value("enumerated", 0), False),
        ({**BI, "inverted": True}, Value("enumerated", 0), True),
        (MSV, Value("unsigned", 3), True),
        (MSV, Value("unsigned", 2), False),
    ],
)
def test_states(row: dict[str, object], present: Value, on: bool) -> None:
    assert polled(row, present).status == {str(row["signal"]): on}


@pytest.mark.parametrize(
    ("row", "present", "flags", "words"),
    [
        (BI, Value("enumerated", 7), NOT_SET, "expected inactive or active"),
        (BI, real(1.0), NOT_SET, "found real,"),
        (BI, Refused("unknown-object"), NOT_SET, "unknown-object"),
        (BI, Value("enumerated", 1), flagged("out-of-service"), "not to be believed"),
        (BI, Value("enumerated", 1), flagged("fault"), "not to be believed"),
        (MSV, Value("enumerated", 3), NOT_SET, "expected the number of a state"),
        (FLAG, real(0.0), Refused("unknown-property"), "state unknown"),
        (FLAG, real(0.0), flagged("out-of-service"), "not to be believed"),
    ],
)
def test_a_state_that_is_not_known_is_left_out_and_said(
    row: dict[str, object], present: Value | Refused, flags: Value | Refused, words: str
) -> None:
    seen = polled(row, present, flags)
    assert seen.status == {}
    assert words in seen.remarks[0]


def test_a_flag_may_be_the_signal() -> None:
    assert polled(FLAG, real(0.0), flagged("fault")).status == {"NH3-1.fault": True}
    assert polled(FLAG, real(0.0), flagged("in-alarm")).status == {"NH3-1.fault": False}
    oos = {**FLAG, "flag": "out-of-service"}
    assert polled(oos, real(0.0), flagged("out-of-service")).status == {"NH3-1.fault": True}


def test_a_fault_that_is_a_signal_is_not_said_twice() -> None:
    spec = spec_of(AI, FLAG)
    got = {("analog-input:3", "present-value"): real(5.0), ("analog-input:3", "status-flags"): flagged("fault")}
    seen = objects.polled(spec, objects.detectors(spec, ravensmoor()), {"NH3-1.reading": "ppm"}, got)
    assert seen.status == {"NH3-1.fault": True}
    assert seen.readings["NH3-1"].quality == "bad"
    assert seen.remarks == ()


def test_what_is_read_at_every_poll() -> None:
    assert objects.wanted(spec_of(FLAG, BI)) == {
        "analog-input:3": ("status-flags",),
        "binary-input:3": ("present-value", "status-flags"),
    }
    assert objects.wanted(spec_of(FLAG, AI))["analog-input:3"] == ("present-value", "status-flags")


def entry(**more: object) -> ObjectEntry:
    return ObjectEntry.model_validate({**AI, **more})


@pytest.mark.parametrize(("number", "unit"), [(96, "ppm"), (97, "ppb"), (2, "mA"), (218, "mg/m3"), (219, "ug/m3")])
def test_the_unit_that_the_object_states(number: int, unit: str) -> None:
    """Numbers of ASHRAE 135, clause 21, BACnetEngineeringUnits (from memory)."""
    assert unit_of(entry(), Value("enumerated", number), "link") == unit


def test_the_numbers_of_units_are_those_of_a_library() -> None:
    from bacpypes3.basetypes import EngineeringUnits

    for number, (name, _) in objects.UNITS.items():
        assert str(EngineeringUnits(number)) == name


def test_the_sites_word_where_the_object_says_nothing_or_the_same() -> None:
    assert unit_of(entry(unit="ppb"), Value("enumerated", 97), "link") == "ppb"
    assert unit_of(entry(unit="ppb"), Value("enumerated", 95), "link") == "ppb"
    assert unit_of(entry(unit="ppb"), Refused("unknown-property"), "link") == "ppb"
    assert unit_of(entry(unit="%vol"), Value("enumerated", 98), "link") == "%vol"
    assert unit_of(entry(unit="ppm", scale=1000.0), Value("enumerated", 97), "link") == "ppm"


@pytest.mark.parametrize(
    ("unit", "stated", "words"),
    [
        ("ppm", Value("enumerated", 97), "parts-per-billion in the device"),
        ("ppm", Value("enumerated", 98), "percent in the device"),
        ("ppm", Value("enumerated", 5), "unit number 5 in the device"),
        (None, Value("enumerated", 98), "expected unit: %vol or %LFL"),
        (None, Value("enumerated", 95), "nothing in the site"),
        (None, Refused("unknown-property"), "none in the device"),
        (None, Value("enumerated", 5), "unit number 5"),
    ],
)
def test_a_unit_that_cannot_be_settled_is_one_message(unit: str | None, stated: Value | Refused, words: str) -> None:
    with pytest.raises(InputError) as caught:
        unit_of(entry(unit=unit), stated, "link bacnet://192.0.2.10")
    assert words in str(caught.value)
    assert "link bacnet://192.0.2.10" in str(caught.value)


@pytest.mark.parametrize(
    "row", [{**AI, "object": "binary-input:3"}, {**AI, "flag": "fault"}, {**AI, "signal": "X.reading"}]
)
def test_a_map_that_cannot_be_is_refused(row: dict[str, object]) -> None:
    with pytest.raises(InputError, match=r"objects\[0\]"):
        objects.detectors(spec_of(row), ravensmoor())


def test_addresses() -> None:
    at = target_of("bacnet://192.0.2.10")
    assert (at.instance, at.host, at.port, at.local) == (None, "192.0.2.10", 47808, None)
    assert target_of("bacnet://192.0.2.10:47809/").port == 47809
    assert target_of("bacnet://gas-panel.example").host == "gas-panel.example"
    found = target_of("bacnet://1234?broadcast=192.0.2.255&local=192.0.2.20:47810")
    assert (found.instance, found.broadcast, found.local) == (1234, ("192.0.2.255", 47808), ("192.0.2.20", 47810))
    assert target_of("bacnet://0").instance == 0


def test_a_search_goes_to_every_network_of_this_machine() -> None:
    asked = own_broadcasts()
    assert asked[0] == ("255.255.255.255", 47808)
    assert ("127.255.255.255", 47808) in asked


@pytest.mark.parametrize(
    "url",
    [
        "bacnet://",
        "bacnet:",
        "bacnet://4194303",
        "bacnet://1234:47808",
        "bacnet://192.0.2",
        "bacnet://192.0.2.300",
        "bacnet://192.0.2.10:0",
        "bacnet://192.0.2.10:99999",
        "bacnet://192.0.2.10/analog-input,3",
        "bacnet://[2001:db8::1]",
        "bacnet://192.0.2.10?cov=1",
        "bacnet://192.0.2.10?local=here",
        "bacnet://192.0.2.10?local=192.0.2.20:99999",
        "bacnet://192.0.2.10?",
        "bacnet://192.0.2.10#x",
    ],
)
def test_an_address_that_cannot_be(url: str) -> None:
    if url.endswith("?"):
        assert target_of(url).host == "192.0.2.10"
        return
    with pytest.raises(InputError) as caught:
        target_of(url)
    assert repr(url) in str(caught.value)
    assert "expected bacnet://" in str(caught.value)

"""The sense-check of BACnet objects and MQTT topics: what cannot be, and what is more often a mistake."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import pytest

from gaswitness.errors import Fault
from gaswitness.site.sense import SenseReport, sense_check
from gaswitness.site.wires import LinkSpec
from support.rigs import cellar

TODAY = date(2026, 11, 25)
READ_A = {"signal": "CO2-A.reading", "object": "analog-input:1"}
LOW_A = {"signal": "CO2-A.low", "object": "binary-input:1"}
HEAR_A = {"signal": "CO2-A.reading", "topic": "cellar/a", "pointer": "/ppm", "time_pointer": "/t"}
HEAR_LOW = {"signal": "CO2-A.low", "topic": "cellar/a", "pointer": "/low"}


def checked(url: str, **lists: Sequence[dict[str, object]]) -> SenseReport:
    spec = LinkSpec.model_validate({"url": url, **lists})
    return sense_check(cellar().model_copy(update={"links": (spec,)}), TODAY)


def about(said: tuple[Fault, ...], words: str) -> list[str]:
    return [fault.path for fault in said if words in fault.message]


def test_a_map_that_holds_together_says_nothing() -> None:
    for report in (
        checked("bacnet://192.0.2.1", objects=[READ_A, LOW_A, {**READ_A, "signal": "CO2-A.fault", "flag": "fault"}]),
        checked("mqtts://192.0.2.1", topics=[HEAR_A, HEAR_LOW]),
    ):
        assert [fault for fault in report.faults if ".links" in fault.path] == []
        assert [fault for fault in report.doubts if ".links" in fault.path] == []


@pytest.mark.parametrize(
    ("row", "path", "words"),
    [
        ({**READ_A, "object": "binary-input:1"}, ".object", "to be the value of an analog object"),
        ({**READ_A, "flag": "fault"}, ".object", "the flag fault of analog-input:1"),
        ({**LOW_A, "object": "analog-input:2"}, ".object", "as a state"),
        ({**LOW_A, "object": "multi-state-input:2"}, ".on_values", "the states in which the signal is on"),
        ({**LOW_A, "on_values": [1]}, ".on_values", "which has none here"),
        ({**LOW_A, "unit": "ppm"}, "", "a unit, scale or offset on the state"),
        ({**READ_A, "scale": 0}, ".scale", "found 0"),
        ({**READ_A, "inverted": True}, ".inverted", "a reading inverted"),
    ],
)
def test_faults_of_an_object(row: dict[str, object], path: str, words: str) -> None:
    report = checked("bacnet://192.0.2.1", objects=[row])
    assert about(report.faults, words) == [f"$.links[0].objects[0]{path}"]


@pytest.mark.parametrize(
    ("row", "path", "words"),
    [
        ({**HEAR_A, "on_values": ["1"]}, ".on_values", "on a reading"),
        ({**HEAR_A, "scale": 0}, ".scale", "found 0"),
        ({**HEAR_LOW, "offset": 1}, "", "a unit, scale or offset on the state"),
    ],
)
def test_faults_of_a_topic(row: dict[str, object], path: str, words: str) -> None:
    report = checked("mqtt://192.0.2.1", topics=[row])
    assert about(report.faults, words) == [f"$.links[0].topics[0]{path}"]


def test_two_signals_from_one_place() -> None:
    high = {**LOW_A, "signal": "CO2-A.high"}
    words = "CO2-A.high read from where CO2-A.low is read"
    assert about(checked("bacnet://1", objects=[LOW_A, high]).faults, words) == ["$.links[0].objects[1]"]
    assert about(checked("bacnet://1", objects=[LOW_A, {**high, "inverted": True}]).faults, words) == []
    heard = {**HEAR_LOW, "signal": "CO2-A.high"}
    assert about(checked("mqtt://h", topics=[HEAR_LOW, heard]).faults, words) == ["$.links[0].topics[1]"]
    assert about(checked("mqtt://h", topics=[HEAR_LOW, {**heard, "on_values": ["2"]}]).faults, words) == []


def test_a_signal_twice_on_links_of_two_kinds() -> None:
    links = (
        LinkSpec.model_validate({"url": "bacnet://1", "objects": [READ_A]}),
        LinkSpec.model_validate({"url": "mqtt://h", "topics": [HEAR_A]}),
    )
    report = sense_check(cellar().model_copy(update={"links": links}), TODAY)
    assert about(report.faults, "a second time") == ["$.links[1].topics[0].signal"]


def test_lists_of_another_kind_of_link() -> None:
    assert about(checked("mqtt://h", objects=[READ_A]).faults, "expected `topics`") == ["$.links[0].objects"]
    assert about(checked("bacnet://1", topics=[HEAR_A]).faults, "expected `objects`") == ["$.links[0].topics"]
    report = checked("modbus-tcp://h", objects=[READ_A])
    assert about(report.faults, "expected `registers` and `bits`") == ["$.links[0].objects"]
    assert about(checked("mqtts://h").doubts, "nothing would be read") == ["$.links[0]"]


def test_a_reading_without_an_instant_is_a_doubt() -> None:
    bare = {key: value for key, value in HEAR_A.items() if key != "time_pointer"}
    assert about(checked("mqtt://h", topics=[bare]).doubts, "no `time_pointer` for CO2-A.reading") == [
        "$.links[0].topics"
    ]


def test_a_slow_poll_and_what_is_missing_are_seen_on_every_kind() -> None:
    spec = LinkSpec.model_validate({"url": "bacnet://1", "poll": "13 s", "objects": [READ_A, LOW_A]})
    report = sense_check(cellar().model_copy(update={"links": (spec,)}), TODAY)
    assert about(report.doubts, "fewer than 10 readings") == ["$.links[0].poll"]
    assert about(report.doubts, "no status bit of CO2-A.high, CO2-A.fault") == ["$.detectors[0]"]
    assert about(report.doubts, "no CO2-B.reading on any link") == ["$.detectors[1]"]

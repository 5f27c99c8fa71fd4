"""Every rule of the sense-check: one change that makes it speak, and one near by that leaves it silent."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from .conftest import MISSING, Change, Check

FAULT, DOUBT = "fault", "doubt"
NH3 = "$.detectors[0]"
CO2 = "$.detectors[2]"
O2 = "$.detectors[4]"
BITS = "$.links[0].bits"
REGISTERS = "$.links[0].registers"

RICH = {
    f"{O2}.alarms[1]": {"name": "rich", "direction": "rising", "set": "23.5 %vol", "deadband": "0.3 %vol"},
    "$.matrix[9].causes[4]": "O2-1.rich",
    "$.matrix[18].causes[0]": "O2-1.rich",
    f"{BITS}[9].signal": "O2-1.rich",
}
"""Oxygen enrichment beside deficiency: counted from the air's lowest, 20.7 %vol, the alarm is 2.8 %vol away."""


def oxygen_bottle(level: str) -> Change:
    """A second oxygen bottle, above air."""
    return RICH | {
        "$.cylinders[5]": {
            "tag": "BTL-RICH",
            "gas": "O2",
            "level": level,
            "expanded_uncertainty": "1 % of level",
            "balance": "nitrogen",
            "certificate": "RM-0416",
            "expires": "2029-10-31",
            "water_volume": "1.7 L",
            "pressure": "90 bar",
            "min_pressure": "5 bar",
            "flow": "0.5 L/min",
        }
    }


CASES: dict[str, tuple[str, str, str, Change, Change]] = {
    # name: kind, path, words, change that speaks, change that is silent
    "range upside down": (FAULT, f"{NH3}.range_high", "end above the beginning", {f"{NH3}.range_low": "300 ppm"}, {}),
    "no alarm point": (
        FAULT,
        f"{NH3}.alarms",
        "no alarm point",
        {f"{NH3}.alarms": [], "$.matrix[0].causes[0]": "NH3-1.fault", "$.matrix[8].causes[0]": "NH3-1.fault"}
        | {f"$.matrix[{n}].causes[0]": "NH3-1.fault" for n in (9, 10, 11, 12, 13)}
        | {
            f"{BITS}[0]": {"signal": "NH3-1.fault", "address": 30},
            f"{BITS}[1]": {"signal": "LAMP-1.on", "address": 31},
        },
        {},
    ),
    "dead time": (
        FAULT,
        f"{NH3}.dead_time",
        "less than the t90",
        {f"{NH3}.dead_time": "75 s"},
        {f"{NH3}.dead_time": "20 s"},
    ),
    "resolution": (FAULT, f"{NH3}.resolution", "far less than the range", {f"{NH3}.resolution": "300 ppm"}, {}),
    "low not before high": (
        FAULT,
        f"{NH3}.alarms[1].set",
        "expected high above low",
        {f"{NH3}.alarms[1].set": "24 ppm"},
        {f"{NH3}.alarms[1].set": "80 ppm"},
    ),
    "low equals high": (FAULT, f"{NH3}.alarms[1].set", "high above low", {f"{NH3}.alarms[1].set": "25 ppm"}, {}),
    "falling, low not before high": (
        FAULT,
        f"{O2}.alarms[1].set",
        "expected high below low",
        {f"{O2}.alarms[1].set": "19.6 %vol"},
        {f"{O2}.alarms[1].set": "19.0 %vol"},
    ),
    "set above range": (
        FAULT,
        f"{NH3}.alarms[1].set",
        "inside the range",
        {f"{NH3}.alarms[1].set": "301 ppm"},
        {f"{NH3}.alarms[1].set": "180 ppm"},
    ),
    "falling set at the top": (
        FAULT,
        f"{O2}.alarms[0].set",
        "inside the range",
        {f"{O2}.alarms[0].set": "25 %vol"},
        {},
    ),
    "set within ordinary air": (
        FAULT,
        f"{NH3}.alarms[0].set",
        "would stand in ordinary air",
        {f"{NH3}.alarms[0].set": "3 ppm"},
        {f"{NH3}.alarms[0].set": "20 ppm"},
    ),
    "falling set within ordinary air": (
        FAULT,
        f"{O2}.alarms[0].set",
        "would stand in ordinary air",
        {f"{O2}.alarms[0].set": "20.8 %vol"},
        {},
    ),
    "set within noise": (
        DOUBT,
        f"{NH3}.alarms[0].set",
        "noise and resolution alone",
        {f"{NH3}.alarms[0].set": "5.5 ppm"},
        {f"{NH3}.alarms[0].set": "22 ppm"},
    ),
    "clear at the end of the range": (
        FAULT,
        f"{NH3}.alarms[0].deadband",
        "where no reading can go",
        {f"{NH3}.alarms[0].deadband": "25 ppm"},
        {},
    ),
    "clear where the room never is": (
        FAULT,
        f"{CO2}.alarms[0].deadband",
        "never lies below",
        {f"{CO2}.alarms[0].deadband": "4600 ppm"},
        {},
    ),
    "clear where the room never is, falling": (
        FAULT,
        f"{O2}.alarms[0].deadband",
        "never lies above",
        {f"{O2}.alarms[0].deadband": "1.5 %vol"},
        {},
    ),
    "clear near ordinary air": (
        DOUBT,
        f"{CO2}.alarms[0].deadband",
        "could fail to clear in ordinary air",
        {f"{CO2}.alarms[0].deadband": "60 % of set"},  # clears at 2,000 of 900 to 5,000: 27 % of the way
        {f"{CO2}.alarms[0].deadband": "50 % of set"},  # 2,500: 39 %
    ),
    "clear near ordinary air, falling": (
        DOUBT,
        f"{O2}.alarms[0].deadband",
        "could fail to clear in ordinary air",
        {f"{O2}.alarms[0].deadband": "0.9 %vol"},  # clears at 20.4 of 20.7 to 19.5: 25 % of the way
        {f"{O2}.alarms[0].deadband": "0.7 %vol"},  # 20.2: 42 %
    ),
    "no deadband": (DOUBT, f"{NH3}.alarms[0].deadband", "no deadband", {f"{NH3}.alarms[0].deadband": "0 ppm"}, {}),
    "deadband finer than resolution": (
        DOUBT,
        f"{NH3}.alarms[0].deadband",
        "finer than the resolution",
        {f"{NH3}.alarms[0].deadband": "0.5 ppm"},
        {},
    ),
    "deadband within noise": (
        DOUBT,
        f"{NH3}.alarms[0].deadband",
        "three times the usual noise",
        {f"{NH3}.alarms[0].deadband": "1.7 ppm"},
        {f"{NH3}.alarms[0].deadband": "1.9 ppm"},
    ),
    "deadband of the gas level": (
        FAULT,
        f"{NH3}.alarms[0].deadband",
        "a share of the set level or of the range",
        {f"{NH3}.alarms[0].deadband": "5 % of level"},
        {f"{NH3}.alarms[0].deadband": "2 % of range"},
    ),
    "long on-delay": (
        DOUBT,
        f"{NH3}.alarms[0].on_delay",
        "added to every alarm",
        {f"{NH3}.alarms[0].on_delay": "31 s"},
        {f"{NH3}.alarms[0].on_delay": "30 s"},
    ),
    "two points at one level": (
        DOUBT,
        f"{NH3}.alarms[2].set",
        "same level as high",
        {
            f"{NH3}.alarms[2]": {"name": "trip", "set": "150 ppm", "deadband": "10 % of set"},
            "$.matrix[13].causes[0]": "NH3-1.trip",
            f"{BITS}[45]": {"signal": "NH3-1.trip", "address": 40},
        },
        {
            f"{NH3}.alarms[2]": {"name": "trip", "set": "160 ppm", "deadband": "10 % of set"},
            "$.matrix[13].causes[0]": "NH3-1.trip",
            f"{BITS}[45]": {"signal": "NH3-1.trip", "address": 40},
        },
    ),
    "background upside down": (
        FAULT,
        "$.areas[0].background[0].low",
        "no more than `high`",
        {"$.areas[0].background[0].low": "4 ppm"},
        {"$.areas[0].background[0].low": "3 ppm"},
    ),
    "background twice": (
        FAULT,
        "$.areas[0].background",
        "NH3 2 times",
        {"$.areas[0].background[1]": {"gas": "R-717", "low": "0 ppm", "high": "1 ppm"}},
        {"$.areas[0].background[1]": {"gas": "CO", "low": "0 ppm", "high": "1 ppm"}},
    ),
    "background of CO2 unknown": (
        DOUBT,
        "$.areas[1].background",
        "no usual level of CO2",
        {"$.areas[1].background": []},
        {},
    ),
    "charge that nothing sees": (
        DOUBT,
        "$.areas[3].charges",
        "expected a detector there",
        {"$.areas[3].charges": [{"gas": "R-290", "mass": "1 kg"}]},
        {"$.areas[3].charges": [{"gas": "CO", "mass": "1 kg"}]},
    ),
    "oxygen as guard against CO2": (
        DOUBT,
        "$.areas[2].charges",
        "no guard against CO2",
        {"$.areas[2].charges[0].gas": "R-744"},
        {"$.areas[2].charges[0].gas": "nitrogen"},
    ),
    "detector over the ceiling": (
        FAULT,
        f"{NH3}.height",
        "area of 4 m",
        {f"{NH3}.height": "4.1 m"},
        {f"{NH3}.height": "4 m"},
    ),
    "hangs high": (DOUBT, f"{CO2}.height", "CO2 sinks", {f"{CO2}.height": "2.1 m"}, {f"{CO2}.height": "2 m"}),
    "hangs low": (DOUBT, f"{NH3}.height", "NH3 rises", {f"{NH3}.height": "1.2 m"}, {f"{NH3}.height": "1.4 m"}),
    "bottle expired": (
        FAULT,
        "$.cylinders[0].expires",
        "which is past",
        {"$.cylinders[0].expires": "2026-11-24"},
        {"$.cylinders[0].expires": "2026-12-26"},
    ),
    "bottle expires today": (
        DOUBT,
        "$.cylinders[0].expires",
        "within 30 days",
        {"$.cylinders[0].expires": "2026-11-25"},
        {},
    ),
    "manifold for one": (
        DOUBT,
        "$.cylinders[0].manifold_flow",
        "does not feed two caps",
        {"$.cylinders[0].manifold_flow": "0.6 L/min"},
        {},
    ),
    "no certificate": (DOUBT, "$.cylinders[0].certificate", "hard to defend", {"$.cylinders[0].certificate": " "}, {}),
    "no uncertainty": (
        DOUBT,
        "$.cylinders[0].expanded_uncertainty",
        "without uncertainty",
        {"$.cylinders[0].expanded_uncertainty": "0 ppm"},
        {"$.cylinders[0].expanded_uncertainty": "5 ppm"},
    ),
    "uncertainty of the set level": (
        FAULT,
        "$.cylinders[0].expanded_uncertainty",
        "share of the level",
        {"$.cylinders[0].expanded_uncertainty": "2 % of set"},
        {},
    ),
    "surrogate of itself": (
        DOUBT,
        "$.cylinders[0].surrogate_for",
        "gas of the bottle itself",
        {"$.cylinders[0].surrogate_for": "ammonia"},
        {},
    ),
    "surrogate without factor": (
        DOUBT,
        "$.cylinders[0].surrogate_factor",
        "would read as the same level",
        {"$.cylinders[0].gas": "CO", "$.cylinders[0].surrogate_for": "NH3"},
        {"$.cylinders[0].gas": "CO", "$.cylinders[0].surrogate_for": "NH3", "$.cylinders[0].surrogate_factor": 0.9},
    ),
    "bottle at minimum pressure": (
        FAULT,
        "$.cylinders[0].pressure",
        "more than the minimum pressure",
        {"$.cylinders[0].pressure": "5 bar"},
        {"$.cylinders[0].pressure": "9 bar"},
    ),
    # 3 x (75 + 65) s x 0.5 L/min = 3.5 L; 1.7 L x 2 bar / 1.01325 bar = 3.36 L; x 3 bar = 5.0 L; x 4.2 bar = 7.05 L
    "too little gas": (FAULT, "$.cylinders[0].pressure", "at least 3.5 L", {"$.cylinders[0].pressure": "7 bar"}, {}),
    "gas for one try": (
        DOUBT,
        "$.cylinders[0].pressure",
        "second try",
        {"$.cylinders[0].pressure": "8 bar"},
        {"$.cylinders[0].pressure": "9.2 bar"},
    ),
    "no bottle": (DOUBT, "$.detectors[6].gas", "no cylinder of NO2", {"$.cylinders[4]": MISSING}, {}),
    "bottle outside the range": (
        FAULT,
        "$.cylinders[0].level",
        "outside the range",
        {"$.cylinders[0].level": "301 ppm"},
        {"$.cylinders[0].level": "290 ppm"},
    ),
    "bottle too weak": (
        FAULT,
        "$.cylinders[0].level",
        "never passes the rising alarm",
        {"$.cylinders[0].level": "150 ppm"},
        {},
    ),
    "bottle weak": (
        DOUBT,
        "$.cylinders[0].level",
        "only 1.19 times",
        {"$.cylinders[0].level": "179 ppm"},
        {"$.cylinders[0].level": "180 ppm"},
    ),
    # air 20.95, lowest set 18.0 %vol: 1.2 x 2.95 = 3.54 below air is 17.41 %vol
    "bottle weak, falling": (
        DOUBT,
        "$.cylinders[2].level",
        "times as far as the falling alarm",
        {"$.cylinders[2].level": "17.5 %vol"},
        {"$.cylinders[2].level": "17.4 %vol"},
    ),
    "bottle too weak, falling": (
        FAULT,
        "$.cylinders[2].level",
        "never passes the falling alarm",
        {"$.cylinders[2].level": "18.0 %vol"},
        {},
    ),
    "falling low equals high": (
        FAULT,
        f"{O2}.alarms[1].set",
        "expected high below low",
        {f"{O2}.alarms[1].set": "19.5 %vol"},
        {f"{O2}.alarms[1].set": "19.3 %vol"},
    ),
    "falling set at the bottom of the range": (
        FAULT,
        f"{O2}.alarms[1].set",
        "inside the range",
        {f"{O2}.range_low": "18.1 %vol"},
        {f"{O2}.range_low": "18 %vol"},
    ),
    "no bottle for enrichment": (
        FAULT,
        "$.cylinders[2].level",
        "never passes the rising alarm of O2-1",
        RICH,
        oxygen_bottle("24.2 %vol"),
    ),
    "bottle weak, enrichment": (
        DOUBT,
        "$.cylinders[5].level",
        "only 1.18 times as far as the rising alarm",
        oxygen_bottle("24.0 %vol"),
        oxygen_bottle("24.1 %vol"),
    ),
    "nitrogen that nothing sees": (
        DOUBT,
        "$.areas[3].charges",
        "found N2 in area GARAGE, expected a detector",
        {"$.areas[3].charges": [{"gas": "nitrogen", "mass": "1 kg"}]},
        {},
    ),
    "bottle at the top": (
        DOUBT,
        "$.cylinders[0].level",
        "top of the range",
        {"$.cylinders[0].level": "295 ppm"},
        {"$.cylinders[0].level": "285 ppm"},
    ),
    "alarm without effect": (
        FAULT,
        "$.detectors[5].alarms[0]",
        "no effect that CO-1.low causes",
        {
            "$.matrix[5].causes[0]": "CO-1.high",
            "$.matrix[8].causes[5]": "CO-1.high",
            "$.matrix[19].causes[0]": "CO-1.high",
        },
        {"$.matrix[5].causes[0]": "CO-1.high"},
    ),
    "alarm through an unused group": (
        FAULT,
        "$.detectors[3].alarms[1]",
        "no effect that CO2-2.high causes",
        {"$.matrix[16].causes[0]": "CO2-1.high", "$.matrix[9].causes[3]": "CO2-1.low"},
        {"$.matrix[9].causes[3]": "CO2-1.low"},
    ),
    "unused group": (
        DOUBT,
        "$.groups[0]",
        "causes nothing",
        {"$.matrix[16].causes[0]": "CO2-1.high"},
        {},
    ),
    "effect without cause": (
        FAULT,
        "$.effects[0]",
        "no cause of the effect LAMP-1",
        {"$.matrix[0].effect": "LAMP-2"},
        {},
    ),
    "fault that nobody sees": (
        DOUBT,
        "$.matrix",
        "a fault of NO2-1",
        {"$.matrix[7].causes[6]": MISSING},
        {},
    ),
    "vote of two": (DOUBT, "$.groups[0].need", "2 members alarm at once", {"$.groups[0].need": 2}, {}),
    "all of one": (DOUBT, "$.matrix[0].need", "`all` of a single cause", {"$.matrix[0].need": "all"}, {}),
    "all over two detectors": (
        DOUBT,
        "$.matrix[12].need",
        "over several detectors",
        {"$.matrix[12].need": "all"},
        {"$.matrix[12].need": "all", "$.matrix[12].causes": ["NH3-1.low", "NH3-1.high"]},
    ),
    "silencing a lamp": (DOUBT, "$.effects[0].silenceable", "for sounders", {"$.effects[0].silenceable": True}, {}),
    "relay that really acts": (
        DOUBT,
        "$.effects[13].inhibitable",
        "really work this relay",
        {"$.effects[13].inhibitable": False},
        {},
    ),
    "inhibit without bit": (
        DOUBT,
        "$.effects[13].inhibitable",
        "no status bit PLANT-STOP.inhibited",
        {f"{BITS}[42]": MISSING},
        {},
    ),
    "limit that cannot be met": (
        FAULT,
        "$.matrix[9].within",
        "more than the 2.5 s",
        {"$.matrix[9].within": "2.5 s"},
        {"$.matrix[9].within": "4.5 s"},
    ),
    "limit that cannot be judged": (
        DOUBT,
        "$.matrix[9].within",
        "blurs both edges",
        {"$.matrix[9].within": "4.4 s"},
        {},
    ),
    "two detectors on a channel": (
        FAULT,
        "$.detectors[1].channel",
        "one detector a channel",
        {"$.detectors[1].channel": "CH1"},
        {},
    ),
    "two effects on a channel": (
        DOUBT,
        "$.effects[1].channel",
        "cannot tell the two apart",
        {"$.effects[1].channel": "CH1"},
        {},
    ),
    "detector without channel": (DOUBT, "$.detectors[1]", "no panel channel", {"$.detectors[1].channel": MISSING}, {}),
    "nobody to warn": (DOUBT, "$.warn", "nobody to be warned", {"$.warn": []}, {}),
    "registers overlap": (
        FAULT,
        f"{REGISTERS}[1].address",
        "NH3-1.reading takes already",
        {f"{REGISTERS}[1].address": 1},
        {f"{REGISTERS}[1].address": 20},
    ),
    "bit twice": (
        FAULT,
        f"{BITS}[1].address",
        "NH3-1.low takes already",
        {f"{BITS}[1].address": 0},
        {f"{BITS}[1].address": 500},
    ),
    "bit of a register twice": (
        FAULT,
        f"{BITS}[22].address",
        "bit 0 of address 100",
        {f"{BITS}[22].bit": 0},
        {f"{BITS}[22].bit": 15},
    ),
    "bit within a reading": (
        FAULT,
        f"{BITS}[22].address",
        "NH3-1.reading takes already",
        {f"{BITS}[22].function": 4, f"{BITS}[22].address": 1},
        {f"{BITS}[22].function": 3, f"{BITS}[22].address": 1},
    ),
    "register past the end": (
        FAULT,
        f"{REGISTERS}[0].address",
        "65535 or less",
        {f"{REGISTERS}[0].address": 65535},
        {f"{REGISTERS}[0].address": 65534},
    ),
    "signal twice": (
        FAULT,
        f"{BITS}[45].signal",
        "a second time",
        {f"{BITS}[45]": {"signal": "NH3-1.low", "address": 99}},
        {},
    ),
    "no reading": (DOUBT, "$.detectors[6]", "found no NO2-1.reading", {f"{REGISTERS}[6]": MISSING}, {}),
    "no status bit": (DOUBT, "$.detectors[6]", "no status bit of NO2-1.high", {f"{BITS}[13]": MISSING}, {}),
    "scale zero": (FAULT, f"{REGISTERS}[2].scale", "found 0", {f"{REGISTERS}[2].scale": 0}, {}),
    "type too narrow": (  # 50,000 ppm / 1 ppm is beyond the 32,767 of int16
        FAULT,
        f"{REGISTERS}[2].type",
        "cannot hold 5 %vol",
        {f"{REGISTERS}[2].type": "int16", f"{REGISTERS}[2].scale": 1},
        {f"{REGISTERS}[2].type": "uint16", f"{REGISTERS}[2].scale": 1},
    ),
    "coarse scale": (
        DOUBT,
        f"{REGISTERS}[2].scale",
        "coarser than the resolution",
        {f"{REGISTERS}[2].scale": 100},
        {f"{REGISTERS}[2].scale": 5},
    ),
    "slow poll": (
        DOUBT,
        "$.links[0].poll",
        "fewer than 10 readings",
        {"$.links[0].poll": "2.9 s"} | {f"$.matrix[{n}].within": "15 s" for n in range(21)},
        {"$.links[0].poll": "2.8 s"} | {f"$.matrix[{n}].within": "15 s" for n in range(21)},
    ),
    "tolerance of the wrong kind": (
        FAULT,
        "$.tests.set_level.amount",
        "a share of the set",
        {"$.tests.set_level.amount": "5 % of level"},
        {"$.tests.set_level.amount": "5 % of set"},
    ),
    "set level that cannot fail": (  # 10 % of 19.5 %vol is 1.95, and air at 20.7 is only 1.2 away
        DOUBT,
        "$.tests.set_level.amount",
        "cannot fail",
        {"$.tests.set_level.amount": "10 % of set"},
        {"$.tests.set_level.amount": "6 % of set"},
    ),
    "span that cannot fail": (
        DOUBT,
        "$.tests.span.amount",
        "does not answer at all",
        {"$.tests.span.amount": "30 % of level"},  # 4.95 %vol of oxygen; air is 4.2 away
        {"$.tests.span.amount": "20 % of level"},
    ),
    "span that cannot pass": (
        DOUBT,
        "$.tests.span.amount",
        "nothing could pass",
        {"$.tests.span.amount": "2 % of level"},
        {"$.tests.span.amount": "5 % of level"},
    ),
}


@pytest.mark.parametrize("name", ["ravensmoor", "cellar"])
def test_the_examples_have_neither_faults_nor_doubts(check: Check, name: str) -> None:
    assert check(name, {}) == ([], [])


@pytest.mark.parametrize("name", CASES)
def test_speaks(check: Check, name: str) -> None:
    kind, path, words, speaks, _ = CASES[name]
    faults, doubts = check("ravensmoor", speaks)
    said = faults if kind == FAULT else doubts
    assert any(one.path == path and words in f"{one.message} {one.hint}" for one in said), (faults, doubts)


@pytest.mark.parametrize("name", CASES)
def test_is_silent(check: Check, name: str) -> None:
    kind, path, words, _, silent = CASES[name]
    faults, doubts = check("ravensmoor", silent)
    said = faults if kind == FAULT else doubts
    assert not any(one.path == path and words in f"{one.message} {one.hint}" for one in said)


def test_an_office_alarm_at_2000_ppm_clearing_at_1500_is_doubted(check: Check) -> None:
    """Common practice, no source: a closed, occupied office drifts to about 1,300 ppm CO2 over a day."""
    levels: Any = {
        "$.detectors[0].range_high": "5000 ppm",
        "$.detectors[0].alarms": [
            {"name": "low", "set": "2000 ppm", "deadband": "25 % of set"},
            {"name": "high", "set": "4000 ppm", "deadband": "20 % of set"},
        ],
    }
    _, doubts = check("cellar", levels)
    assert [doubt.path for doubt in doubts if "fail to clear" in doubt.message] == ["$.detectors[0].alarms[0].deadband"]
    levels["$.detectors[0].alarms"][0]["deadband"] = "20 % of set"
    _, doubts = check("cellar", levels)
    assert not [doubt for doubt in doubts if "fail to clear" in doubt.message]


def test_today_decides(check: Check, plain: dict[str, Any]) -> None:
    from gaswitness.site.load import site_of
    from gaswitness.site.sense import sense_check
    from gaswitness.site.tree import Tree

    site = site_of(Tree(plain["cellar"]), "cellar")
    assert not sense_check(site, date(2028, 5, 30)).faults
    assert [fault.path for fault in sense_check(site, date(2028, 7, 1)).faults] == ["$.cylinders[0].expires"]

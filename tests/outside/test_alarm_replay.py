"""Edges of recorded office carbon dioxide equal those of an independent script; and levels as standards state them.

Data: L. M. Candanedo, V. Feldheim, Energy and Buildings 112 (2016) 28-39, UCI Occupancy Detection, CC BY 4.0. The
edges beside the data were made by a plain script that shares no code with this project; its rule: sample and hold,
set at `y >= hi`, clear at `y <= lo`, a delay is over at the first sample with elapsed time >= delay, no latching.
Levels such as 1000.1 avoid the one case in which that rule and ours differ, a reading exactly on the clear level.
"""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.alarms import AlarmPoint, replay
from gaswitness.cli.main import app
from gaswitness.links.logfile import read_log

POINTS = {
    "hi1000.1_lo900.1": AlarmPoint("a", 1000.1, deadband=100.0),
    "hi1000.1_lo1000.1_nodeadband": AlarmPoint("b", 1000.1),
    "hi800.1_lo700.1_on300_off600": AlarmPoint("c", 800.1, deadband=100.0, on_delay_s=300.0, off_delay_s=600.0),
    "hi1500.1_lo1400.1": AlarmPoint("d", 1500.1, deadband=100.0),
}
OFFICE = """
gaswitness: gaswitness/site/1
name: Office
areas:
  - {tag: ROOM, name: Office, volume: 60 m3, height: 2.8 m, occupied: true}
detectors:
  - tag: CO2-1
    gas: CO2
    area: ROOM
    range_high: 5000 ppm
    resolution: 1 ppm
    t90: 60 s
    alarms:
      - {name: a, set: 1000.1 ppm, deadband: 100 ppm}
      - {name: b, set: 1000.1 ppm}
      - {name: c, set: 800.1 ppm, deadband: 100 ppm, on_delay: 300 s, off_delay: 600 s}
      - {name: d, set: 1500.1 ppm, deadband: 100 ppm}
"""


@pytest.fixture
def office(datasets: Path) -> Path:
    return datasets / "co2_office_occupancy"


@pytest.fixture
def told(office: Path) -> dict[str, list[list[object]]]:
    return json.loads((office / "expected.json").read_text())[0]


@pytest.mark.parametrize("rule", POINTS)
def test_edges_equal_an_independent_script(office: Path, told: dict[str, list[list[object]]], rule: str) -> None:
    log = read_log(office / "datatraining.txt")
    trace = log.trace("CO2")
    assert trace.start is not None
    edges = [
        [str(trace.start + timedelta(seconds=edge.t_s)), edge.kind.upper(), pytest.approx(edge.value, abs=1e-9)]
        for edge in replay(trace.t_s, trace.values, [POINTS[rule]])
    ]
    assert edges == told[rule]
    assert edges


def test_the_command_says_the_same(office: Path, told: dict[str, list[list[object]]], tmp_path: Path) -> None:
    site = tmp_path / "office.yaml"
    site.write_text(OFFICE, encoding="utf-8")
    command = [
        "replay",
        str(site),
        str(office / "datatraining.txt"),
        "--map",
        "CO2=CO2-1",
        "--shift",
        "08:00-16:00",
        "--json",
    ]
    result = CliRunner().invoke(app, command)
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    for rule, point in POINTS.items():
        edges = [
            [edge["t"].replace("T", " "), edge["edge"].upper(), pytest.approx(edge["value"], abs=1e-9)]
            for edge in found["edges"]
            if (edge["tag"], edge["point"]) == ("CO2-1", point.name)
        ]
        assert edges == told[rule]
    assert found["exposure"]["CO2-1"]["peak"] == 2028.5
    by_day = {shift["begin"][:10]: shift for shift in found["shifts"]}
    for shift in told["shift_08_16"]:
        mine = by_day[shift["day"]]
        assert mine["readings"] == shift["n"]
        assert mine["mean"] == pytest.approx(shift["mean_trapezoid_ppm"], abs=5e-5)
        assert mine["twa_8h"] == pytest.approx(shift["twa_8h_trapezoid_ppm"], abs=5e-5)
        assert mine["stel_15min_max"] == pytest.approx(shift["max_15min_trapezoid_ppm"], abs=5e-5)
        assert mine["stel_from"].replace("T", " ") == shift["max_15min_window_start"]
        assert mine["unmeasured_s"] == 28800.0 - shift["span_s"]


def test_deadband_in_percent_of_range() -> None:
    # Rising, set 500 with 2 % of a 0-1000 range: sets at >= 500, clears below 480 (deadband as ISA-18.2 has it, from
    # memory: check the current text); an oxygen alarm is its mirror image.
    point = AlarmPoint("high", 500.0, deadband=0.02 * 1000.0)
    edges = replay(range(5), [499.9, 500.0, 480.0, 479.9, 480.0], [point])
    assert [(edge.t_s, edge.kind) for edge in edges] == [(1.0, "set"), (3.0, "clear")]
    mirror = AlarmPoint("low", -500.0, "falling", deadband=20.0)
    assert [(e.t_s, e.kind) for e in replay(range(5), [-499.9, -500.0, -480.0, -479.9, -480.0], [mirror])] == [
        (1.0, "set"),
        (3.0, "clear"),
    ]


def test_box_steps_of_a_real_instrument(datasets: Path) -> None:
    """A set point between 448 and 791 ppm is passed after the release and cleared after the lid was opened.

    Data (c) 2021 Guillermo Barrios del Valle, UNAM, MIT. Seen with a plain script: ndir_a 448 -> 791 ppm, release seen
    from 13:27:52, half of the step 17 s later; lid open 13:44:47, fallen to a tenth within 50 s.
    """
    log = read_log(datasets / "co2_box_steps" / "cycle_2021-09-13_800.csv")
    trace = log.trace("ndir_a")
    halfway = (448.0 + 791.0) / 2
    edges = replay(trace.t_s, trace.values, [AlarmPoint("half", halfway, deadband=100.0)])
    assert [edge.kind for edge in edges] == ["set", "clear"]
    set_at, cleared_at = (str(log.instant(edge.t_s)) for edge in edges)
    assert "2021-09-13T13:28:04" <= set_at <= "2021-09-13T13:28:14"  # 17 s after 13:27:52, within a sample of 5 s
    assert "2021-09-13T13:44:47" <= cleared_at <= "2021-09-13T13:45:37"

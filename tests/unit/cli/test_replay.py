"""`gaswitness replay`: mapping of channels, units, resets, groups, what is shown, and plain messages."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.errors import GaswitnessError

SITE = """
gaswitness: gaswitness/site/1
name: Test rooms
areas:
  - {tag: ROOM, name: Room, volume: 60 m3, height: 2.8 m, occupied: true}
detectors:
  - tag: CO2-1
    gas: CO2
    area: ROOM
    range_high: 5000 ppm
    resolution: 1 ppm
    t90: 60 s
    alarms: &levels
      - {name: low, set: 2000 ppm, deadband: 20 % of set}
      - {name: high, set: 4000 ppm, deadband: 20 % of set, latching: true}
  - tag: CO2-2
    gas: CO2
    area: ROOM
    range_high: 5000 ppm
    resolution: 1 ppm
    t90: 60 s
    alarms: *levels
  - tag: O2-1
    gas: O2
    area: ROOM
    unit: "%vol"
    range_high: 25 %vol
    resolution: 0.1 %vol
    t90: 30 s
    alarms:
      - {name: low, direction: falling, set: 19.5 %vol, deadband: 0.3 %vol}
groups:
  - {tag: BOTH, members: [CO2-1.low, CO2-2.low], need: 2}
"""
LOG = """timestamp,CO2-1,b_ppm,O2-1
2026-01-01T00:00:00,400,500,20.9
2026-01-01T00:01:00,2500,600,20.0
2026-01-01T00:02:00,4500,2100,19.5
2026-01-01T00:03:00,1000,2200,19.7
2026-01-01T00:04:00,500,,19.9
2026-01-01T00:05:00,500,900,20.9
"""


@pytest.fixture
def run(tmp_path: Path):
    (tmp_path / "site.yaml").write_text(SITE, encoding="utf-8")

    def go(*options: str, log: str = LOG) -> tuple[int, str]:
        (tmp_path / "log.csv").write_text(log, encoding="utf-8")
        command = ["replay", str(tmp_path / "site.yaml"), str(tmp_path / "log.csv"), *options]
        result = CliRunner(env={"COLUMNS": "100"}).invoke(app, command)
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result.exit_code, result.stdout

    return go


def edges_of(found: dict, key: str = "edges") -> list[str]:
    return [f"{e['t'][14:19]} {e['tag']}.{e['point']} {e['edge']} {e['value']:g}" for e in found[key]]


def test_edges_latch_groups_and_exposure(run) -> None:
    code, out = run("--map", "b_ppm=CO2-2", "--json")
    found = json.loads(out)
    assert code == 0
    assert edges_of(found) == [
        "01:00 CO2-1.low set 2500",
        "02:00 CO2-1.high set 4500",
        "02:00 CO2-2.low set 2100",
        "02:00 O2-1.low set 195000",
        "03:00 CO2-1.low clear 1000",
        "04:00 O2-1.low clear 199000",
        "05:00 CO2-2.low clear 900",
    ]
    assert edges_of(found, "latch") == ["03:00 CO2-1.high returned 1000"]
    assert [(g["t"][14:19], g["tag"], g["edge"]) for g in found["groups"]] == [
        ("02:00", "BOTH", "set"),
        ("03:00", "BOTH", "clear"),
    ]
    assert found["notes"] == []
    first = found["exposure"]["CO2-1"]
    assert first["peak"] == 4500.0
    assert first["peak_at"] == "2026-01-01T00:02:00"
    # trapezoids over 300 s: 60 x (400/2 + 2500 + 4500 + 1000 + 500 + 500/2) = 60 x 8950
    assert first["twa_8h"] == pytest.approx(60 * 8950 / 28800)
    assert first["twa_unmeasured_s"] == 28800 - 300
    assert first["stel_15min_max"] is None  # a third of it was measured
    assert first["in_alarm_s"] == {"low": 120.0, "high": 180.0}
    assert found["exposure"]["O2-1"]["lowest"] == 195_000.0


@pytest.mark.parametrize(
    ("name", "factor"),
    [
        ("CO2 %", 1e-4), ("CO2 [Vol-%]", 1e-4), ("CO2 (% v/v)", 1e-4), ("co2_pct", 1e-4), ("CO2 %vol", 1e-4),
        ("CO2 ppmv", 1.0), ("co2_ppb", 1e3), ("CO2 in µmol/mol", 1.0), ("CO2", 1.0), ("CO2 damage", 1.0),
    ],
)  # fmt: skip
def test_a_unit_in_the_name_of_a_column_counts(run, name: str, factor: float) -> None:
    rows = "".join(f"{60 * i},{level * factor!r}\n" for i, level in enumerate((400, 2500, 4500, 1000)))
    _, out = run("--map", f"{name}=CO2-1", "--json", log=f"t_s,{name}\n{rows}")
    found = json.loads(out)
    assert [e["value"] for e in found["edges"]] == pytest.approx([2500.0, 4500.0, 1000.0])
    assert found["exposure"]["CO2-1"]["peak"] == pytest.approx(4500.0)
    assert not any("--unit" in note for note in found["notes"])


@pytest.mark.parametrize("name", ["co2_mg_m3", "CO2 mg/m3", "CO2 (µg/m³)", "co2 g/m^3"])
def test_mass_per_volume_is_not_taken_for_ppm(run, name: str) -> None:
    log = f"t_s,{name}\n0,700\n60,4600\n"
    with pytest.raises(GaswitnessError, match="mass per volume"):
        run("--map", f"{name}=CO2-1", log=log)
    assert run("--map", f"{name}=CO2-1", "--unit", "ppm", log=log)[0] == 0


def test_readings_far_below_the_range_are_told(run) -> None:
    _, out = run("--map", "x=CO2-1", "--json", log="t_s,x\n0,0.04\n60,0.25\n")
    (note,) = json.loads(out)["notes"][:1]
    assert "up to 0.25 were taken as ppm" in note
    assert "--unit" in note
    _, out = run("--map", "x=CO2-1", "--json", log="t_s,x\n0,0.04\n60,250\n")
    assert not any("--unit" in note for note in json.loads(out)["notes"])


def test_rows_that_come_twice_change_nothing(run) -> None:
    log = "t_s,CO2-1\n" + "".join(f"{61 * i},{1000 + i}\n" for i in range(600))
    twice = log.splitlines(keepends=True)
    twice = twice[:1] + [line for line in twice[1:] for _ in range(2)]
    once, again = (json.loads(run("--json", log=text)[1])["exposure"]["CO2-1"] for text in (log, "".join(twice)))
    for key in ("peak", "stel_15min_max", "twa_8h", "measured_s", "unmeasured_s"):
        assert again[key] == pytest.approx(once[key]), key


def test_a_reset_ends_a_latched_alarm(run) -> None:
    _, out = run("--reset", "2026-01-01T00:02:30", "--reset", "200", "--json")
    found = json.loads(out)
    assert found["notes"] == ["vote group BOTH was left out: no readings for CO2-2.low"]
    edges = edges_of(found)
    assert "04:00 CO2-1.high clear 500" in edges  # pressed at 200 s; the press at 150 s came at 180 s, too early
    assert not any("CO2-2" in edge for edge in edges)


def test_units(run) -> None:
    log = "t_s,CO2-1\n0,0.04\n60,0.25\n"
    _, out = run("--unit", "%vol", "--json", log=log)
    assert [e["value"] for e in json.loads(out)["edges"]] == [pytest.approx(2500.0)]
    assert json.loads(out)["edges"][0]["t"] == 60.0
    _, out = run("--map", "O2 %vol=CO2-1", "--json", log="t_s,O2 %vol\n0,0.04\n60,0.25\n")
    assert json.loads(out)["exposure"]["CO2-1"]["channel_unit"] == "%vol"
    _, out = run("--map", "a=O2-1", "--json", log="t_s,channel,o2_ppm\n0,a,209000\n60,a,190000\n")
    assert [e["value"] for e in json.loads(out)["edges"]] == [190_000.0]
    with pytest.raises(GaswitnessError, match="one of ppm, ppb, %vol, %LFL"):
        run("--unit", "mg/m3")
    with pytest.raises(GaswitnessError, match="no lower flammable limit"):
        run("--unit", "%LFL")


def test_more_than_all_the_air_is_not_taken_for_percent(run) -> None:
    _, out = run("--json", log="t_s,O2-1\n0,209000\n60,190000\n")
    found = json.loads(out)
    assert [e["value"] for e in found["edges"]] == [190_000.0]
    assert found["exposure"]["O2-1"]["channel_unit"] == "ppm"
    assert "cannot be %vol; taken as ppm" in found["notes"][0]


def test_shown_in_the_terminal(run) -> None:
    code, out = run("--map", "b_ppm=CO2-2")
    assert code == 0
    for words in ("CO2-1.high", "set", "clear", "returned", "at 19.5", "above 19.8", "BOTH", "15 min", "unmeasured"):
        assert words in out
    assert max(map(len, out.splitlines())) <= 100
    _, quiet = run(log="t_s,CO2-1\n0,1\n1,2\n")
    assert "no alarm set" in quiet
    _, none = run(log="t_s,CO2-1\n0,5\n")
    assert "CO2-1" in none


def test_many_edges_are_cut_short_with_a_word(run) -> None:
    rows = "".join(f"{i},{2500 if i % 2 else 0}\n" for i in range(200))
    _, out = run(log="t_s,CO2-1\n" + rows)
    assert "and 159 more" in out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--map", "b_ppm"], "COLUMN=TAG"),
        (["--map", "b_ppm=CO2-3"], "did you mean 'CO2-2'"),
        (["--map", "c=CO2-2"], "no such channel"),
        (["--map", "b_ppm=CO2-2", "--map", "O2-1=CO2-2"], "mapped twice"),
        (["--shift", "8-16"], "08:00-16:00"),
        (["--shift", "08:00-25:00"], "08:00-16:00"),
        (["--stale", "0"], "above 0"),
        (["--gap", "-1"], "above 0"),
        (["--reset", "noon"], "not a time"),
    ],
)
def test_wrong_use_gets_one_message(run, options: list[str], words: str) -> None:
    with pytest.raises(GaswitnessError) as caught:
        run(*options)
    assert caught.value.exit_code == 2
    assert words in str(caught.value)


def test_logs_that_fit_no_detector(run) -> None:
    with pytest.raises(GaswitnessError, match="--map x=CO2-1"):
        run(log="t_s,x,y\n0,1,2\n")
    with pytest.raises(GaswitnessError, match="needs a log with instants"):
        run("--shift", "08:00-16:00", log="t_s,CO2-1\n0,1\n")


def test_the_only_channel_of_a_gas_goes_to_its_only_detector(run) -> None:
    _, out = run("--json", log="t_s,co2_ppm,o2_pct,temp\n0,1,20.9,20\n60,2,19.0,21\n")
    found = json.loads(out)
    assert [(e["tag"], e["value"]) for e in found["edges"]] == [("O2-1", 190_000.0)]
    assert list(found["exposure"]) == ["O2-1"]  # there are two detectors of CO2: which is meant must be said
    assert found["notes"][0] == "channel 'o2_pct' taken for O2-1, the only detector of O2"


def test_a_shift_over_midnight(run) -> None:
    rows = "".join(f"2026-01-0{1 + h // 24}T{h % 24:02d}:00:00,{h}\n" for h in range(48))
    _, out = run("--shift", "22:00-06:00", "--gap", "4000", "--json", log="timestamp,CO2-1\n" + rows)
    shifts = json.loads(out)["shifts"]
    assert [(s["begin"], s["readings"]) for s in shifts] == [
        ("2025-12-31T22:00:00", 7),
        ("2026-01-01T22:00:00", 9),
        ("2026-01-02T22:00:00", 2),
    ]
    assert shifts[1]["mean"] == 26.0
    assert [s["unmeasured_s"] for s in shifts] == [7200.0, 0.0, 25200.0]


def test_stale_time_restarts_a_running_delay(run, tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text(
        SITE.replace("deadband: 20 % of set}", "deadband: 20 % of set, on_delay: 60 s}"), encoding="utf-8"
    )
    log = "t_s,CO2-1\n0,2500\n50,2500\n100,2500\n130,2500\n"
    _, out = run("--json", log=log)
    assert [e["t"] for e in json.loads(out)["edges"]] == [100.0]
    _, out = run("--json", "--stale", "40", log=log)
    assert json.loads(out)["edges"] == []

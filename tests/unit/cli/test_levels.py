"""`gaswitness levels`: the keys others rely on, marks of what was not read, and plain messages."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.errors import InputError
from gaswitness.gases import all_gases

RUN = CliRunner(env={"COLUMNS": "100"})


@pytest.mark.parametrize("key", all_gases())
def test_json_has_the_keys_others_rely_on(key: str) -> None:
    result = RUN.invoke(app, ["levels", key, "--json", "--room-m3", "100", "--charge-kg", "20", "--floor-m2", "40"])
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["gas"] == key
    assert {"cas", "limits", "rules", "advice"} <= set(found)
    for row in found["limits"]:
        assert {"name", "value", "unit", "source", "verified"} <= set(row)
        assert isinstance(row["value"], float) or row["value"] in ("unknown", "none")
    assert all(isinstance(line, str) for line in found["advice"])
    assert found["room"]["kg_m3"] == pytest.approx(0.2)


def test_the_terminal_says_what_was_not_read() -> None:
    result = RUN.invoke(app, ["levels", "R-717", "--charge-kg", "300", "--room-m3", "200"])
    assert result.exit_code == 0
    text = result.stdout
    assert "? = from memory: check the current text" in text
    assert "≥ 500 ?" in text
    assert "EN 378-3:2016 clause 9.3.3" in text
    assert "1.214" in text  # 100 sqrt(G) for 300 kg, m3/s
    assert "EXCEEDED" in text
    assert "licensed persons decide" in text
    assert max(map(len, text.splitlines())) <= 100


@pytest.mark.parametrize(
    ("key", "told", "verified"),
    [("NH3", "class B2L ?", "from memory"), ("R-134a", "class A1;", "read"), ("CO", None, "unknown")],
)
def test_a_safety_class_says_whether_it_was_read(key: str, told: str | None, verified: str) -> None:
    heading = " ".join(RUN.invoke(app, ["levels", key]).stdout.split())
    assert told in heading if told else "; class" not in heading
    found = json.loads(RUN.invoke(app, ["levels", key, "--json"]).stdout)
    assert found["safety_class_verified"] == verified


def test_a_site_is_shown_beside_the_rules(repo: Path) -> None:
    site = repo / "examples" / "ravensmoor.yaml"
    result = RUN.invoke(app, ["levels", "O2", "--site", str(site), "--json"])
    assert result.exit_code == 0
    (own,) = json.loads(result.stdout)["site"].values()
    assert {row["rule"] for row in own["met"]} == {"osha-cs-o2-low", "trade-o2-low"}
    assert "RAVENSMOOR" not in RUN.invoke(app, ["levels", "O2", "--site", str(site)]).stdout.upper()


def test_a_whole_site_beside_what_is_published(repo: Path) -> None:
    """100 sqrt(G) cfm for 400 kg of CO2 in the pump room is 1.401 m3/s (NYC MC 1105.6.3.2); the rink has 0.8 m3/s."""
    site = str(repo / "examples" / "ravensmoor.yaml")
    found = json.loads(RUN.invoke(app, ["levels", "--site", site, "--json"]).stdout)
    areas = {area["area"]: area for area in found["areas"]}
    assert list(areas) == ["PLANT", "PUMP", "STORE", "GARAGE"]
    nh3 = {(row["stage"], row["level_ppm"]): row for row in areas["PLANT"]["detectors"][0]["beside"]}
    assert nh3["low", 25.0]["verdict"] == "as proposed"
    assert (nh3["pre-alarm", 500.0]["verdict"], nh3["pre-alarm", 500.0]["own_point"]) == ("earlier", "high")
    assert all(row["reason"] and row["source"] and row["verified"] for row in nh3.values())
    emergency = areas["PUMP"]["charges"][0]["ventilation"][0]
    assert emergency["flow_m3_s"] == pytest.approx(1.4015, abs=1e-4)
    assert (emergency["own_m3_s"], emergency["enough"]) == (0.8, False)
    assert found["advice"][-1].startswith("Local codes")
    text = RUN.invoke(app, ["levels", "--site", site]).stdout
    assert "SHORT  machinery room, emergency, 100 sqrt(G) cfm" in text
    assert max(map(len, text.splitlines())) <= 100


def test_a_site_that_trusts_oxygen_with_carbon_dioxide_is_told(repo: Path, tmp_path: Path) -> None:
    text = (repo / "examples" / "ravensmoor.yaml").read_text(encoding="utf-8")
    site = tmp_path / "site.yaml"
    site.write_text(text.replace("{gas: N2, mass: 90 kg}", "{gas: CO2, mass: 90 kg}"), encoding="utf-8")
    shown = " ".join(RUN.invoke(app, ["levels", "--site", str(site)]).stdout.split())
    assert "NOT GUARDED An oxygen alarm at 19.5 %vol does not guard against CO2" in shown
    late = text.replace(
        "name: low, set: 25 ppm, deadband: 20 % of set", "name: low, set: 40 ppm, deadband: 20 % of set"
    )
    site.write_text(late, encoding="utf-8")
    shown = RUN.invoke(app, ["levels", "--site", str(site)]).stdout
    assert "low 40" in shown
    assert "LATER" in shown


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "neither a gas nor a site"),
        (["amonia"], "did you mean"),
        (["CO2", "--room-m3", "0"], "--room-m3 must be above zero"),
        (["CO2", "--charge-kg", "nan"], "--charge-kg must be above zero"),
        (["CO", "--place", "carpark"], "expected machinery room or"),
    ],
)
def test_bad_input_gets_one_clear_message(arguments: list[str], message: str) -> None:
    result = RUN.invoke(app, ["levels", *arguments])
    assert isinstance(result.exception, InputError)
    assert message in str(result.exception)


def test_a_kind_of_place_that_no_rule_speaks_of_is_a_fault(repo: Path, tmp_path: Path) -> None:
    text = (repo / "examples" / "ravensmoor.yaml").read_text(encoding="utf-8")
    site = tmp_path / "site.yaml"
    site.write_text(text.replace("place: car park", "place: attic"), encoding="utf-8")
    said = str(RUN.invoke(app, ["levels", "--site", str(site)]).exception)
    assert "$.areas[3].place" in said
    assert "expected a kind of place that published rules speak of: machinery room," in said

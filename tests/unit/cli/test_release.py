"""`gaswitness release`: the keys others rely on, the same numbers for the same seed, and the warning."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.errors import InputError

RUN = CliRunner(env={"COLUMNS": "100"})


@pytest.fixture(scope="module")
def rink(repo: Path) -> str:
    return str(repo / "examples" / "ravensmoor.yaml")


def test_json_has_the_keys_others_rely_on(rink: str) -> None:
    arguments = ["release", rink, "--scenarios", "500", "--seed", "3", "--choose", "2", "--json"]
    first, second = RUN.invoke(app, arguments), RUN.invoke(app, arguments)
    assert first.exit_code == 0, first.output
    assert first.stdout == second.stdout
    found = json.loads(first.stdout)
    assert (found["seed"], found["scenarios"]) == (3, 500)
    assert [area["area"] for area in found["areas"]] == ["PLANT", "PUMP", "STORE"]
    for area in found["areas"]:
        assert 0.0 <= area["p_detect"] <= 1.0
        assert set(area["time_to_alarm_s"]) == {"p50", "p95"}
        unseen = sum(row["share"] for row in area["undetected"])
        assert unseen == pytest.approx(1.0 - area["p_detect"], abs=1e-12)
        assert area["places"]["best"]["p_detect"] >= area["places"]["greedy"]["p_detect"] - 1e-12
    assert any("optimistic near the leak" in line for line in found["warnings"])


def test_the_terminal_shows_the_warning_and_what_was_assumed(rink: str) -> None:
    result = RUN.invoke(app, ["release", rink, "--scenarios", "200"])
    assert result.exit_code == 0
    text = " ".join(result.stdout.split())
    for words in ("optimistic near the leak", "common practice, no source", "licensed persons decide", "NH3-1.low"):
        assert words in text
    assert max(map(len, result.stdout.splitlines())) <= 100


def test_failed_detectors_are_named_as_the_reason(rink: str) -> None:
    result = RUN.invoke(app, ["release", rink, "--scenarios", "200", "--failing", "1", "--json"])
    for area in json.loads(result.stdout)["areas"]:
        assert area["p_detect"] == 0.0
        assert area["undetected"] == [{"why": "every detector that sees the gas has failed", "share": 1.0}]


def test_bad_input_gets_one_clear_message(rink: str) -> None:
    assert isinstance(RUN.invoke(app, ["release", rink, "--failing", "2"]).exception, InputError)
    cluster = RUN.invoke(app, ["release", rink, "--scenarios", "10", "--dask", "nonsense"])
    assert cluster.exit_code != 0
    assert "Traceback" not in cluster.output


def test_the_times_are_drawn(rink: str, output: Path) -> None:
    page = output / "release_times.pdf"
    result = RUN.invoke(app, ["release", rink, "--scenarios", "500", "--out", str(page), "--json"])
    assert result.exit_code == 0
    assert page.read_bytes().startswith(b"%PDF")


def test_one_leak_is_followed(rink: str, output: Path) -> None:
    """30 kg/h of carbon dioxide in the pump room: the low alarm, the fan, and the room below the high alarm."""
    page = output / "release_one.png"
    arguments = ["release", rink, "--leak-kg-h", "30", "--area", "PUMP", "--out", str(page)]
    result = RUN.invoke(app, [*arguments, "--json"])
    assert result.exit_code == 0, result.output
    (leak,) = json.loads(result.stdout)["leaks"]
    assert leak["area"] == "PUMP"
    assert leak["on_s"]["PUMP-FAN"] == min(leak["set_s"]["CO2-1.low"], leak["set_s"]["CO2-2.low"]) + 1.0
    assert leak["set_s"]["CO2-1.high"] is None
    assert leak["leak_closed_s"] is None
    assert leak["person"]["leaves_s"] == min(leak["set_s"]["CO2-1.low"], leak["set_s"]["CO2-2.low"]) + 60.0
    assert page.read_bytes().startswith(b"\x89PNG")
    shown = RUN.invoke(app, arguments[:-2]).stdout
    assert "PUMP-FAN is on" in shown
    assert "optimistic near the leak" in " ".join(shown.split())


def test_a_burst_shuts_the_valve(rink: str) -> None:
    arguments = ["release", rink, "--leak-kg-h", "100", "--burst-kg", "40", "--area", "PUMP", "--json"]
    (leak,) = json.loads(RUN.invoke(app, arguments).stdout)["leaks"]
    assert leak["leak_closed_s"] == leak["on_s"]["PUMP-VALVE"]
    assert leak["highest_ppm"]["PUMP:floor"] > 100_000.0


@pytest.mark.parametrize(
    "more", [["--leak-kg-h", "-1"], ["--leak-kg-h", "0"], ["--leak-kg-h", "nan"], ["--area", "ATTIC"]]
)
def test_leaks_and_areas_that_cannot_be(rink: str, more: list[str]) -> None:
    assert isinstance(RUN.invoke(app, ["release", rink, *more]).exception, InputError)


def test_the_page_needs_no_network(rink: str, output: Path) -> None:
    pytest.importorskip("bokeh")
    page = output / "release_times.html"
    result = RUN.invoke(app, ["release", rink, "--scenarios", "300", "--out", str(page), "--json"])
    assert result.exit_code == 0, result.output
    text = page.read_text(encoding="utf-8")
    assert "optimistic near the leak" in text
    assert "NH3-1.low" in text
    assert not re.search(r"<(script|link|img)[^>]*(src|href)=[\"']?https?:", text)

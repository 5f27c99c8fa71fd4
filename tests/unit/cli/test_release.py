"""`gaswitness release`: the keys others rely on, the same numbers for the same seed, and the warning."""

from __future__ import annotations

import json
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

"""The page on rooms: its worked numbers are right, its options are there, its campaign runs and goes on."""

from __future__ import annotations

import doctest
import json
import runpy
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app


def test_worked_numbers(repo: Path) -> None:
    failed, tried = doctest.testfile(str(repo / "docs" / "rooms.md"), module_relative=False)
    assert failed == 0
    assert tried >= 4


@pytest.mark.parametrize("command", ["release", "air-change", "heard"])
def test_every_option_is_told(command: str, repo: Path) -> None:
    page = (repo / "docs" / "rooms.md").read_text(encoding="utf-8")
    words = CliRunner(env={"COLUMNS": "200", "TERM": "dumb"}).invoke(app, [command, "--help"]).stdout.split()
    options = {word.strip(",:.") for word in words if word.startswith("--")} - {"--help", "--json"}
    assert [option for option in sorted(options) if f"{option}" not in page] == []


def test_the_campaign_runs_goes_on_and_says_its_cost(repo: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    script = runpy.run_path(str(repo / "scripts" / "campaign.py"))
    sites = [str(repo / "examples" / name) for name in ("ravensmoor.yaml", "cellar.yaml")]
    kept = tmp_path / "campaign.jsonl"
    for _ in range(2):
        script["main"]([*sites, "-o", str(kept), "--scenarios", "500"])
    (line,) = kept.read_text(encoding="utf-8").splitlines()  # the cellar holds no charge
    found = json.loads(line)
    assert (found["site"], found["scenarios"]) == ("ravensmoor.yaml", 500)
    alone = CliRunner().invoke(app, ["release", sites[0], "--scenarios", "500", "--json"]).stdout
    assert [one["p_detect"] for one in found["areas"]] == [one["p_detect"] for one in json.loads(alone)["areas"]]
    assert "no area of the site holds a charge" in capsys.readouterr().err
    script["main"]([*sites, "--scenarios", "1000"])
    assert "core hours" in capsys.readouterr().out

"""The judge command: JSON by contract, exit codes, and what people read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from support.ledgers import Scene, criterion
from support.scenes import answer, sound

ASKED = (
    criterion("span", lower=22500.0, upper=27500.0, rule="guarded"),
    criterion("effect", point="low", effect="LAMP-1", upper=5.0, unit="s"),
)
runner = CliRunner()


def written(scene: Scene) -> bytes:
    """A visit to detector A alone."""
    scene.plan = scene.plan.model_copy(update={"detectors": scene.plan.detectors[:1]})
    return scene.written()


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.jsonl"
    path.write_bytes(written(sound(*ASKED)))
    return path


@pytest.fixture
def weak(tmp_path: Path) -> Path:
    path = tmp_path / "weak.jsonl"
    path.write_bytes(written(sound(*ASKED, reading=lambda t: answer(t, bottle_ppm=17500.0))))
    return path


def test_json_has_the_agreed_keys(good: Path) -> None:
    result = runner.invoke(app, ["judge", str(good), "--json"])
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    verdict = document["verdicts"][0]
    assert {"tag", "outcome", "findings"} <= set(verdict)
    keys = {"criterion", "value", "u", "unit", "limits", "rule", "outcome", "margin", "p_conform", "why"}
    assert keys <= set(verdict["findings"][0])
    assert {"cause", "effect", "delay_s", "u_s", "outcome"} <= set(document["effects"][0])


def test_what_fell_short_ends_with_one_and_a_punch_list(weak: Path) -> None:
    result = runner.invoke(app, ["judge", str(weak)])
    assert result.exit_code == 1
    assert "■ fail" in result.stdout
    assert "Punch list" in result.stdout
    assert "lost gain" in result.stdout


def test_a_pass_is_short(good: Path) -> None:
    result = runner.invoke(app, ["judge", str(good)])
    assert result.exit_code == 0
    assert "Punch list" not in result.stdout
    every = runner.invoke(app, ["judge", str(good), "--every"])
    assert "25,000" in every.stdout


def test_a_broken_chain_ends_with_four(good: Path) -> None:
    from gaswitness.errors import ChainBroken

    good.write_bytes(good.read_bytes().replace(b'"by":"MK"', b'"by":"XX"', 1))
    result = runner.invoke(app, ["judge", str(good)])
    assert isinstance(result.exception, ChainBroken)
    assert result.exception.exit_code == 4


def test_nothing_hangs_on_colour(weak: Path) -> None:
    result = runner.invoke(app, ["judge", str(weak)], color=False)
    assert "\x1b[" not in result.stdout
    assert "fail" in result.stdout


def test_levels_stand_in_the_unit_of_their_detector(tmp_path: Path) -> None:
    """The same limits, 22,500 to 27,500 ppm in JSON, are 2.25 to 2.75 on a detector that shows %vol."""
    scene = sound(*ASKED)
    shown = tuple(one.model_copy(update={"unit": "%vol"}) for one in scene.plan.site.detectors)
    site = scene.plan.site.model_copy(update={"detectors": shown})
    scene.plan = scene.plan.model_copy(update={"site": site})
    path = tmp_path / "vol.jsonl"
    path.write_bytes(written(scene))
    found = json.loads(runner.invoke(app, ["judge", str(path), "--json"]).stdout)["verdicts"][0]["findings"][0]
    assert (found["unit"], found["limits"]) == ("ppm", [22500.0, 27500.0])
    text = " ".join(runner.invoke(app, ["judge", str(path), "--every"]).stdout.split())
    assert "2.25 to" in text
    assert "22,500" not in text

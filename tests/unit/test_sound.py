"""Sound at a distance, sums, and the published rules; and the posts of a site."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.errors import InputError, InputFaults, OutOfDomain
from gaswitness.release.heard import heard
from gaswitness.site import load_site
from gaswitness.sound import audible, level_at_dba, together_dba


@pytest.mark.parametrize(("metres", "dba"), [(1, 100.0), (2, 93.98), (3, 90.46), (5, 86.02), (10, 80.0), (20, 73.98)])
def test_level_over_distance_in_the_open(metres: float, dba: float) -> None:
    """20 log10 r: 100 dB at 1 m (acoustics of a point source)."""
    assert level_at_dba(100.0, metres) == pytest.approx(dba, abs=5e-3)
    assert level_at_dba(100.0, metres, 25.0) == pytest.approx(dba - 25.0, abs=5e-3)


def test_sums_by_power() -> None:
    assert together_dba([85.0, 85.0]) == pytest.approx(88.01, abs=5e-3)
    assert together_dba([85.0, 70.0]) == pytest.approx(85.14, abs=5e-3)
    assert together_dba([]) == -math.inf


@pytest.mark.parametrize(
    ("alarm", "average", "maximum", "sleeping", "short"),
    [
        (97.0, 82.0, None, False, []),
        (96.9, 82.0, None, False, ["15 dB above the average noise", "65 dB and 15 dB above the noise"]),
        (80.0, 60.0, 76.0, False, ["5 dB above noise that lasts a minute"]),
        (70.0, 40.0, None, True, ["wakes people, at the pillow"]),
        (112.0, 80.0, None, False, ["alarm and noise together"]),
        (60.0, 30.0, None, False, ["65 dB and 15 dB above the noise"]),
        (119.0, 80.0, None, False, ["alarm and noise together", "not so loud that it frightens"]),
    ],
)
def test_the_rules(alarm: float, average: float, maximum: float | None, sleeping: bool, short: list[str]) -> None:
    """An average noise of 82 dBA asks for an alarm of 97 dBA.

    NFPA 72 public mode: 15 dB above the average, 5 dB above a maximum of a minute, 75 dBA at the pillow, 110 dBA in
    all. ISO 7731, from memory: 65 dBA and 15 dB above, 118 dBA at most.
    """
    rows = audible(alarm, average, maximum, sleeping=sleeping)
    assert [row.rule for row in rows if not row.holds] == short


def test_distances_and_barriers_that_cannot_be() -> None:
    with pytest.raises(OutOfDomain):
        level_at_dba(100.0, 0.0)
    with pytest.raises(OutOfDomain):
        level_at_dba(100.0, 1.0, -3.0)


def test_posts_of_the_rink(repo: Path) -> None:
    """105 dBA at 1 m, heard 2 m away: 98.98; the panel's horn behind a wall adds nothing to speak of."""
    path = repo / "examples" / "ravensmoor.yaml"
    panel, door = heard(load_site(path.read_text(encoding="utf-8"), "rink.yaml"))
    assert panel.level_dba == pytest.approx(92.0 - 20.0 * math.log10(1.5), abs=1e-9)
    assert door.level_dba == pytest.approx(98.98, abs=5e-3)
    assert panel.holds
    assert door.holds
    result = CliRunner().invoke(app, ["heard", str(path), "--json"])
    assert result.exit_code == 0
    assert [place["post"] for place in json.loads(result.stdout)["posts"]] == ["AT-PANEL", "PLANT-DOOR"]
    assert "licensed persons decide" in " ".join(CliRunner().invoke(app, ["heard", str(path)]).stdout.split())


def test_an_unknown_is_not_a_pass(repo: Path, tmp_path: Path) -> None:
    text = (repo / "examples" / "ravensmoor.yaml").read_text(encoding="utf-8")
    path = tmp_path / "rink.yaml"
    path.write_text(text.replace(", sound_dBA: 92", ""), encoding="utf-8")
    panel, door = heard(load_site(path.read_text(encoding="utf-8"), "rink.yaml"))
    assert panel.unknown == ("level of PANEL-HORN at 1 m",)
    assert not panel.rules
    assert all(row.holds for row in door.rules)
    assert not panel.holds
    assert not door.holds
    assert CliRunner().invoke(app, ["heard", str(path)]).exit_code == 1


def test_a_site_that_says_nothing_of_sound(repo: Path) -> None:
    result = CliRunner().invoke(app, ["heard", str(repo / "examples" / "cellar.yaml")])
    assert isinstance(result.exception, InputError)
    assert "no post says what it hears" in str(result.exception)


def test_a_sounder_that_is_not_there(repo: Path) -> None:
    text = (repo / "examples" / "ravensmoor.yaml").read_text(encoding="utf-8")
    site = load_site(text.replace("effect: PANEL-HORN, distance: 12", "effect: LAMP-1, distance: 12"), "rink.yaml")
    with pytest.raises(InputFaults, match=r"hears\[1\]"):
        heard(site)

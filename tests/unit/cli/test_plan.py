"""`gaswitness plan`: the keys others rely on, files it writes, and plain refusals."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.errors import InputError
from gaswitness.plan import Plan
from gaswitness.telling import LANGUAGES
from support.papers import text_of
from support.rigs import EXAMPLES

RUN = CliRunner(env={"COLUMNS": "80"})
RINK = str(EXAMPLES / "ravensmoor.yaml")
CELLAR = str(EXAMPLES / "cellar.yaml")
DAY = ["--today", "2026-03-02"]


def test_json_has_the_keys_others_rely_on() -> None:
    result = RUN.invoke(app, ["plan", RINK, *DAY, "--json"])
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert {d["tag"] for d in found["detectors"]} == {"NH3-1", "NH3-2", "CO2-1", "CO2-2", "O2-1", "CO-1", "NO2-1"}
    for row in found["detectors"]:
        for key in ("low_s", "high_s", "clear_s"):
            low, high = row[key]
            assert 0 < low < high
        assert row["low_s"][0] < row["high_s"][0]
        assert row["gas_l"] > 0
        assert row["minutes"] > 1
        assert row["bottle"].startswith("BTL-")


def test_one_detector_is_planned_alone() -> None:
    result = RUN.invoke(app, ["plan", RINK, *DAY, "--detector", "CO-1", "--detector", "NO2-1", "--json"])
    assert [d["tag"] for d in json.loads(result.stdout)["detectors"]] == ["CO-1", "NO2-1"]


def test_plan_and_sheet_are_written(tmp_path: Path) -> None:
    plan, sheet = tmp_path / "plan.json", tmp_path / "sheet.pdf"
    result = RUN.invoke(app, ["plan", CELLAR, *DAY, "-o", str(plan), "--sheet", str(sheet)])
    assert result.exit_code == 0
    written = Plan.model_validate_json(plan.read_bytes())
    assert [d.tag for d in written.detectors] == ["CO2-A", "CO2-B"]
    assert sheet.read_bytes().startswith(b"%PDF")
    assert str(plan) in result.stderr
    assert str(plan) not in result.stdout


def test_the_sheet_speaks_german_where_it_is_asked_to(tmp_path: Path) -> None:
    english, german = tmp_path / "en.pdf", tmp_path / "de.pdf"
    for sheet, more in ((english, []), (german, ["--language", "de"])):
        assert RUN.invoke(app, ["plan", CELLAR, *DAY, "--sheet", str(sheet), *more]).exit_code == 0
    assert "Before anybody leaves" in text_of(english.read_bytes())
    assert "Bevor jemand geht" in text_of(german.read_bytes())


def test_a_language_that_is_not_spoken_is_told_before_anything_is_made(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.pdf"
    result = RUN.invoke(app, ["plan", CELLAR, *DAY, "--sheet", str(sheet), "--language", "tlh"])
    assert isinstance(result.exception, InputError)
    assert str(result.exception).startswith("--language: no such language; found 'tlh'; expected one of the languages")
    assert all(language in str(result.exception) for language in LANGUAGES)
    assert not sheet.exists()


def test_the_terminal_shows_cautions_first_and_fits_eighty_columns() -> None:
    result = RUN.invoke(app, ["plan", RINK, *DAY])
    assert result.exit_code == 0
    assert result.stdout.index("Cautions") < result.stdout.index("Order of the visit") < result.stdout.index("Gas,")
    assert "inhibited for the visit" in " ".join(result.stdout.split())
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "…" not in result.stdout


def refused(*arguments: str) -> str:
    """Message of a refused command, as a person gets it: own process, exit code 2, no traceback."""
    done = subprocess.run(
        [sys.executable, "-m", "gaswitness.cli.main", "plan", *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    return done.stderr


def test_expired_and_empty_bottles_are_refused_in_words(tmp_path: Path) -> None:
    text = Path(CELLAR).read_text(encoding="utf-8")
    weak = tmp_path / "weak.yaml"
    weak.write_text(text.replace("level: 2.5 %vol", "level: 1.2 %vol").replace("pressure: 60 bar", "pressure: 5 bar"))
    told = refused(str(weak), "--today", "2029-01-01", "-o", str(tmp_path / "plan.json"))
    for words in (
        "CO2-A: bottle BOTTLE",
        "expired on 2028-06-30",
        "not above its minimum pressure",
        "cannot surely",
        "hint:",
    ):
        assert words in told
    assert not (tmp_path / "plan.json").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((RINK, "--detector", "NH3-9"), "NH3-9"),
        ((RINK, "--live", "PLANT-FAN"), "inhibitable"),
        ((RINK, "--without", "NH3-1"), "TAG.point"),
        (("no-such-site.yaml",), "no-such-site.yaml"),
        ((RINK, "--retest", "no-such-ledger"), "no-such-ledger"),
    ],
    ids=lambda value: " ".join(value[1:]) if isinstance(value, tuple) else "",
)
def test_wrong_use_is_told_in_words(arguments: tuple[str, ...], words: str) -> None:
    assert words in refused(*arguments)

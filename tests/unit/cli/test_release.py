"""`gaswitness release`: the keys others rely on, the same numbers for the same seed, and the warning."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.cli.release_lines import MOST_LINES, drawn_of, left_out, lines_of
from gaswitness.cli.release_page import page_of
from gaswitness.cli.release_sheet import sheet_of_study
from gaswitness.errors import InputError
from gaswitness.release.montecarlo import Spread, study
from gaswitness.release.scene import scenes
from gaswitness.site import read_site
from support.papers import english_only, leaves, text_of
from support.papers import words as words_in

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
    areas = json.loads(result.stdout)["areas"]
    assert {area["area"] for area in areas} == {"PLANT", "PUMP", "STORE"}
    for area in areas:
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


def _follow(site: str, *more: str) -> dict:
    (leak,) = json.loads(RUN.invoke(app, ["release", site, "--leak-kg-h", "30", "--json", *more]).stdout)["leaks"]
    return leak


def test_what_has_failed_does_not_act(rink: str) -> None:
    whole = _follow(rink, "--area", "PUMP")
    no_fan = _follow(rink, "--area", "PUMP", "--failed", "PUMP-FAN")
    assert whole["on_s"]["PUMP-FAN"] is not None
    assert "PUMP-FAN" not in no_fan["on_s"]
    assert no_fan["highest_ppm"]["PUMP:floor"] > 2 * whole["highest_ppm"]["PUMP:floor"]
    one = _follow(rink, "--area", "PUMP", "--failed", "CO2-2")
    assert list(one["set_s"]) == ["CO2-1.low", "CO2-1.high"]
    assert one["on_s"]["PUMP-FAN"] == one["set_s"]["CO2-1.low"] + 1.0
    no_air = _follow(rink, "--area", "PUMP", "--failed", "ventilation")
    assert no_air["highest_ppm"]["PUMP:floor"] > no_fan["highest_ppm"]["PUMP:floor"]
    assert max(leak["lost"] for leak in (whole, no_fan, one, no_air)) < 1e-12


def test_a_door_that_opens_lets_gas_out_to_where_it_leads(rink: str) -> None:
    shut, opened = _follow(rink, "--area", "STORE"), _follow(rink, "--area", "STORE", "--door", "600-1200")
    assert opened["door"] == {"to": "GARAGE", "flow_m3_s": 0.5, "opens_s": 600.0, "shuts_s": 1200.0}
    assert opened["highest_ppm"]["GARAGE"] > 1.4 * shut["highest_ppm"]["GARAGE"]
    assert opened["highest_ppm"]["STORE:upper"] < shut["highest_ppm"]["STORE:upper"]
    assert opened["lost"] < 1e-12


def test_a_leak_that_dies_away_lets_out_no_more_than_there_is(rink: str) -> None:
    """Whether the room burns is said in words: the lowest LFL of ammonia is 15 %vol (IEC 60079-20-1)."""
    falling = _follow(rink, "--area", "PLANT", "--decay-min", "10")
    assert falling["highest_ppm"]["PLANT:upper"] < _follow(rink, "--area", "PLANT")["highest_ppm"]["PLANT:upper"]
    assert falling["burns"]
    assert falling["flammable_s"] is None
    assert falling["highest_share_of_lfl"] == pytest.approx(falling["highest_ppm"]["PLANT:upper"] / 150_000.0)
    burst = RUN.invoke(app, ["release", rink, "--area", "PLANT", "--leak-kg-h", "1", "--burst-kg", "200"]).stdout
    assert "FLAMMABLE: a zone reaches the lowest lower flammable limit" in burst


def test_ageing_comes_from_the_history_of_each_detector(rink: str, tmp_path: Path) -> None:
    """Without a store every detector is drawn as assumed; with one, as its own past tests say."""
    table, store = tmp_path / "years.csv", str(tmp_path / "store.sqlite")
    table.write_text(
        "site,date,tag,gas,outcome,t90 found,U t90,t90 expected\n"
        "Ravensmoor ice rink,2024-05-01,CO2-1,CO2,pass,156,4,130\n"
        "Ravensmoor ice rink,2025-05-01,CO2-1,CO2,pass,195,4,130\n",
        encoding="utf-8",
    )
    kept = RUN.invoke(app, ["import", str(table), "--store", store])
    assert kept.exit_code == 0, kept.output
    more = ["--scenarios", "2000", "--area", "PUMP", "--json"]
    before = json.loads(RUN.invoke(app, ["release", rink, *more]).stdout)
    after = json.loads(RUN.invoke(app, ["release", rink, *more, "--store", store]).stdout)
    assert {row["from"] for row in before["response"]} == {"assumed"}
    used = {row["detector"]: row for row in after["response"]}
    assert used["CO2-2"] == {"detector": "CO2-2", "t90_ratio": 1.0, "factor": 1.3, "from": "assumed"}
    assert (used["CO2-1"]["from"], used["CO2-1"]["tests"]) == ("history", 2)
    assert used["CO2-1"]["mean"] == pytest.approx(math.sqrt(1.2 * 1.5))
    assert used["CO2-1"]["t90_ratio"] == pytest.approx(1.5)  # the last test was slower than the mean
    assert used["CO2-1"]["factor"] > used["CO2-1"]["spread"] > 1.0
    slow, quick = after["areas"][0]["points"], before["areas"][0]["points"]
    assert slow["CO2-1.low"]["time_to_alarm_s"]["p50"] > quick["CO2-1.low"]["time_to_alarm_s"]["p50"]
    assert slow["CO2-2.low"]["time_to_alarm_s"]["p50"] == pytest.approx(
        quick["CO2-2.low"]["time_to_alarm_s"]["p50"], abs=3.0
    )
    words = RUN.invoke(app, ["release", rink, "--scenarios", "100", "--area", "PUMP", "--store", store]).stdout
    assert "CO2-1 answers in 1.5 times its t90" in " ".join(words.split())
    assert isinstance(RUN.invoke(app, ["release", rink, "--store", str(tmp_path / "no.sqlite")]).exception, InputError)


@pytest.mark.parametrize(
    "more",
    [
        ["--failed", "PUMP-FAN"],
        ["--leak-kg-h", "1", "--failed", "ATTIC-FAN"],
        ["--leak-kg-h", "1", "--door", "noon"],
        ["--leak-kg-h", "1", "--door", "600-60"],
        ["--leak-kg-h", "1", "--door", "1", "--door-m3-s", "0"],
        ["--leak-kg-h", "1", "--decay-min", "-1"],
        ["--leak-kg-h", "1", "--out", "one.html"],
        ["--store", "ftp://nowhere"],
    ],
)
def test_words_that_make_no_sense(rink: str, more: list[str]) -> None:
    assert isinstance(RUN.invoke(app, ["release", rink, "--scenarios", "10", *more]).exception, InputError)


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


ONE = ["--leak-kg-h", "30", "--decay-min", "10", "--door", "120-600", "--failed", "ventilation", "--failed", "CO2-1"]
SUDDEN = ["--leak-kg-h", "3000", "--burst-kg", "2", "--area", "PLANT", "--failed", "NH3-1"]


@pytest.mark.parametrize(
    ("ending", "more"),
    [(".pdf", ["--scenarios", "300"]), (".html", ["--scenarios", "300"]), (".pdf", ONE), (".pdf", SUDDEN)],
    ids=["paper", "page", "one leak", "sudden leak"],
)
def test_paper_and_page_in_german_hold_no_english(rink: str, output: Path, more: list[str], ending: str) -> None:
    if ending == ".html":
        pytest.importorskip("bokeh")
    out = output / f"release-de{ending}"
    result = RUN.invoke(app, ["release", rink, *more, "--out", str(out), "--language", "de", "--json"])
    assert result.exit_code == 0, result.output
    text = text_of(out.read_bytes()) if ending == ".pdf" else told_by(out.read_text(encoding="utf-8"))
    names = {*leaves(read_site(Path(rink)).model_dump(mode="json")), "gaswitness", "page"}
    assert words_in(text) & english_only(names) == set()
    assert not re.search(r"\d[.]\d", text), "a number in English"


def told_by(page: str) -> str:
    """All that people are told by a page: its text, and what is read out of pictures."""
    body = page.split("<body>")[1].split("</footer>")[0]
    spoken = re.findall(r'aria-label="([^"]*)"', body)
    tips = re.findall(r'"tooltips":"([^"]*)"', page)
    assert '<html lang="de">' in page
    assert tips
    return " ".join([re.sub(r"<[^>]*>", " ", body), *spoken, *(re.sub(r"@\w+\{[^}]*\}", " ", tip) for tip in tips)])


def test_of_many_alarms_some_are_drawn_and_all_are_told(repo: Path) -> None:
    scene = scenes(read_site(repo / "examples" / "ravensmoor.yaml"))[1]
    crowd = replace(scene, watches=tuple(replace(scene.watches[0], tag=f"D{i}") for i in range(20)), triggers=())
    result = study(crowd, scenarios=200, seed=1)
    lines = lines_of(result, Spread())
    drawn = drawn_of(lines)
    assert len(lines) == 41
    assert len(drawn) == MOST_LINES
    assert drawn[0].name == "any alarm"
    assert "12 of 41 alarms" in left_out(lines, drawn)
    assert left_out(lines[:3], drawn_of(lines[:3])) == ""
    pytest.importorskip("bokeh")
    page = page_of("Rink", [result], Spread(), 1).split("<main>")[1].split("</main>")[0]
    assert page.count("<tr>") == 42
    assert page.count("<svg") == MOST_LINES
    assert sheet_of_study("Rink", [result], Spread(), 1, datetime(2026, 1, 1, tzinfo=UTC), ".pdf").startswith(b"%PDF")

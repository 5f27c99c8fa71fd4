"""`release`, `levels`, `air-change` and `heard` with any words and numbers: an answer or one message, nothing else."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from gaswitness import site
from gaswitness.cli.main import app
from gaswitness.errors import GaswitnessError

RUN = CliRunner(env={"COLUMNS": "100"})
MANY = settings(
    max_examples=40,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # a run is too slow to be shrunk, and its words are short
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)

NUMBERS = st.one_of(
    st.sampled_from(["0", "-1", "1", "0.5", "1e-300", "1e300", "1e999", "nan", "inf", "-inf", "1_0", "1,5", "", "x"]),
    st.floats(0.0, 1000.0).map(str),
)
WORDS = st.one_of(
    st.sampled_from(["CO2", "R-410A", "PUMP", "NH3-1", "ventilation", "local", "", "é", "--", "-"]), NUMBERS
)
GASES = st.one_of(st.sampled_from(["CO2", "NH3", "R-32", "O2", "ch4", "ammonia"]), st.text(max_size=6))
PLACES = st.sampled_from(["machinery room", "car park", "any room", "attic", ""])


def options(**kinds: st.SearchStrategy[str]) -> st.SearchStrategy[list[str]]:
    """Some of these options with some value each."""
    names = sorted(kinds)
    return st.lists(st.sampled_from(names), max_size=3, unique=True).flatmap(
        lambda chosen: st.tuples(*(kinds[name] for name in chosen)).map(
            lambda values: [word for name, value in zip(chosen, values, strict=True) for word in (f"--{name}", value)]
        )
    )


def answered_or_told(result: Result) -> None:
    """0 and 1 are answers; bad input is an error of ours, or the command line's own."""
    if isinstance(result.exception, GaswitnessError):
        assert result.exception.message
        return
    assert result.exit_code in (0, 1, 2), (result.output, result.exception)
    assert result.exception is None or isinstance(result.exception, SystemExit), repr(result.exception)


def ask(words: list[str]) -> Result:
    result = RUN.invoke(app, words)
    answered_or_told(result)
    if result.exit_code == 0 and "--json" in words:
        json.loads(result.stdout)
    return result


@MANY
@given(
    GASES,
    options(**{"room-m3": NUMBERS, "charge-kg": NUMBERS, "floor-m2": NUMBERS, "persons": NUMBERS, "place": PLACES}),
    st.booleans(),
)
def test_levels(key: str, more: list[str], as_json: bool) -> None:
    ask(["levels", *more, *(["--json"] if as_json else []), "--", key])


@pytest.fixture
def rink(repo: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The rink, read once."""
    monkeypatch.setattr(site, "read_site", cache(site.read_site))
    return str(repo / "examples" / "ravensmoor.yaml")


STORES = st.sampled_from(["/nowhere/at/all.sqlite", "ftp://x", "postgresql://"])
PLACES_WANTED = st.sampled_from(["0", "1", "3", "99", "x"])


@MANY
@given(
    options(
        seed=NUMBERS,
        failing=NUMBERS,
        ageing=NUMBERS,
        within=NUMBERS,
        choose=PLACES_WANTED,
        area=WORDS,
        store=STORES,
    )
)
def test_many_releases(rink: str, more: list[str]) -> None:
    ask(["release", rink, "--scenarios", "20", *more, "--json"])


@MANY
@example("1e300", [])
@given(
    NUMBERS,
    options(
        **{
            "burst-kg": NUMBERS,
            "decay-min": NUMBERS,
            "failed": WORDS,
            "door": WORDS,
            "door-m3-s": NUMBERS,
            "area": WORDS,
        }
    ),
)
def test_one_release(rink: str, leak: str, more: list[str]) -> None:
    result = ask(["release", rink, "--area", "PUMP", "--leak-kg-h", leak, *more, "--json"])
    if result.exit_code == 0:
        for one in json.loads(result.stdout)["leaks"]:
            assert one["lost"] <= 1e-9
            assert all(0.0 <= ppm <= 1e6 * (1 + 1e-12) for ppm in one["highest_ppm"].values())


@MANY
@given(options(**{"from": WORDS, "to": WORDS, "background": NUMBERS, "outdoor": NUMBERS, "channel": WORDS}))
def test_air_change(tmp_path: Path, more: list[str]) -> None:
    log = tmp_path / "room.csv"
    if not log.exists():
        rows = (f"{t},{420 + 1580 * 0.5 ** (t / 832):.1f}" for t in range(0, 3600, 60))
        log.write_text("t_s,ppm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    ask(["air-change", str(log), *more, "--json"])


FIGURES = st.sampled_from(
    [
        *("volume: 90 m3", "emergency: 0.8 m3/s", "mass: 400 kg", "height: 0.3 m", "t90: 130 s", "sound_dBA: 105"),
        *("distance: 2 m", "barrier_dB: 30", "average_dBA: 70", "place: car park", "flow: 0.01 m3/s"),
    ]
)
ODD = st.sampled_from(["0", "-1", "1e-9", "1e9", "1e300", "nan", "x", "[]", "1e9 kg", "1e-9 m3", "1e9 m3/s", "1e9 s"])
ASKED = st.sampled_from(
    [["release", "--scenarios", "20"], ["release", "--leak-kg-h", "3"], ["heard"], ["levels", "--site"]]
)


@MANY
@given(FIGURES, ODD, ASKED)
def test_sites_with_one_odd_figure(repo: Path, tmp_path: Path, there: str, value: str, words: list[str]) -> None:
    text = (repo / "examples" / "ravensmoor.yaml").read_text(encoding="utf-8")
    assert there in text
    odd = tmp_path / "site.yaml"
    odd.write_text(text.replace(there, f"{there.split(':')[0]}: {value}", 1), encoding="utf-8")
    if words[0] == "levels":
        ask([*words, str(odd)])
    else:
        ask([words[0], str(odd), *words[1:]])

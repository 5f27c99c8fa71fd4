"""`gaswitness response`: documents, exit codes, and sentences in place of tracebacks."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.errors import GaswitnessError
from gaswitness.response import SensorPath, step_curve

T = np.arange(0.0, 400.0)


def write(path: Path, columns: dict[str, np.ndarray]) -> Path:
    lines = [",".join(columns)]
    lines += [",".join("" if math.isnan(v) else f"{v:.6g}" for v in row) for row in zip(*columns.values(), strict=True)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def clean(noise: float = 2.0, off: float | None = 250.0) -> np.ndarray:
    curve = step_curve(SensorPath(5.0, (20.0, 4.0)), T, gas_on_s=60.0, gas_off_s=off, room_ppm=400.0, bottle_ppm=1000.0)
    return curve + np.random.default_rng(4).normal(0.0, noise, T.size)


def run(*arguments: str) -> tuple[int, Any]:
    done = CliRunner().invoke(app, ["response", *arguments, "--json"])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, json.loads(done.stdout, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))


def test_given_instants_give_all_figures(tmp_path: Path) -> None:
    log = write(tmp_path / "log.csv", {"time": T, "co2": clean()})
    code, got = run(str(log), "--gas-on", "60", "--gas-off", "250", "--gas", "1000")
    assert code == 0
    truth = SensorPath(5.0, (20.0, 4.0)).time_to_fraction_s(0.9)
    for name, value in (("zero", 400.0), ("plateau", 1000.0), ("dead_time_s", 5.0), ("t90_s", truth), ("t10_s", truth)):
        assert abs(got[name]["value"] - value) < 4 * got[name]["u"], name
    assert got["t90_s"]["read"] == pytest.approx(truth, rel=0.05)
    assert got["plateau"]["settled"]
    assert got["gas_on"] == {"t": 60.0, "t_s": 60.0, "found": False}
    assert got["span"]["ratio"] == pytest.approx(1.0, abs=0.01)
    assert not {"span-error", "not-settled", "model-inadequate", "no-response"} & set(got["flags"])


def test_a_long_log_with_names_of_its_own(tmp_path: Path) -> None:
    rows = [f"{t / 60:.6f},{unit},{y:.6g}" for t, y in zip(T, clean(), strict=True) for unit in ("7", "8")]
    log = tmp_path / "log.csv"
    log.write_text("\n".join(["Zeit (min),Nr,Wert", *rows]) + "\n", encoding="utf-8")
    names = ("--time", "Zeit (min)", "--value", "Wert", "--channel", "Nr=8")
    code, got = run(str(log), *names, "--gas-on", "60", "--gas-off", "250")
    assert (code, got["channel"]) == (0, "8")
    truth = SensorPath(5.0, (20.0, 4.0)).time_to_fraction_s(0.9)
    assert got["t90_s"]["value"] == pytest.approx(truth, rel=0.05)
    assert "units of 60 s" in got["notes"][0]
    people = CliRunner().invoke(app, ["response", str(log), *names])
    assert "units of 60 s" in people.stdout.replace("\n", " ")
    air = CliRunner().invoke(app, ["air-change", str(log), *names, "--json"])
    assert "units of 60 s" in json.loads(air.stdout)["notes"][0]
    with pytest.raises(GaswitnessError, match="which channel"):
        run(str(log), *names[:-1], "Nr")


def test_a_grossly_wrong_span_falls_short(tmp_path: Path) -> None:
    log = write(tmp_path / "log.csv", {"time": T, "co2": clean()})
    code, got = run(str(log), "--gas-on", "60", "--gas-off", "250", "--gas", "142")
    assert "span-error" in got["flags"]
    assert code == 1


def test_instants_are_found_and_said_to_be(tmp_path: Path) -> None:
    log = write(tmp_path / "log.csv", {"time": T, "co2": clean()})
    code, got = run(str(log))
    assert code == 0
    assert got["gas_on"]["found"]
    assert got["gas_on"]["t_s"] == pytest.approx(65.0, abs=4.0)
    assert got["gas_off"]["t_s"] == pytest.approx(255.0, abs=4.0)
    assert got["dead_time_s"]["value"] is None


@pytest.mark.parametrize(("values", "flag"), [(np.full(T.size, 412.0), "stuck"), (clean(off=None) * 0 + 400, "stuck")])
def test_a_still_reading_ends_with_one(tmp_path: Path, values: np.ndarray, flag: str) -> None:
    code, got = run(str(write(tmp_path / "log.csv", {"time": T, "co2": values})), "--gas-on", "60")
    assert code == 1
    assert {flag, "no-response"} <= set(got["flags"])
    assert got["plateau"]["value"] == values[0]  # what it showed under gas
    assert got["t90_s"]["value"] is None


def test_noise_alone_ends_with_one(tmp_path: Path) -> None:
    noise = np.random.default_rng(2).normal(400.0, 2.0, T.size)
    code, got = run(str(write(tmp_path / "log.csv", {"time": T, "co2": noise})))
    assert code == 1
    assert "no-response" in got["flags"]
    assert got["plateau"]["value"] is None


def test_a_frozen_reading_is_stuck(tmp_path: Path) -> None:
    values = clean()
    values[120:320] = values[119]
    values[125] = values[119]
    _, got = run(str(write(tmp_path / "log.csv", {"time": T, "co2": values})), "--gas-on", "60")
    assert "stuck" in got["flags"]


def test_a_falling_oxygen_exposure_reads_alike(tmp_path: Path) -> None:
    values = 209_000.0 - (clean() - 400.0) * 100.0
    code, got = run(str(write(tmp_path / "log.csv", {"time": T, "o2": values})))
    assert code == 0
    assert got["plateau"]["value"] == pytest.approx(149_000.0, rel=0.002)
    assert got["t90_s"]["value"] > 0


def test_clipped_and_coarse_traces_say_so(tmp_path: Path) -> None:
    _, got = run(str(write(tmp_path / "a.csv", {"time": T, "co2": np.minimum(clean(), 900.0)})), "--gas-on", "60")
    assert "saturated" in got["flags"]
    assert got["plateau"]["extrapolated"]
    assert got["t90_s"]["value"] is None, "nobody saw of what it is 90 %"
    _, got = run(str(write(tmp_path / "b.csv", {"time": T, "co2": np.round(clean() / 20) * 20})), "--gas-on", "60")
    assert "quantised" in got["flags"]
    assert got["resolution"] == 20.0


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ((), "which channel"),
        (("--channel", "c02"), "no such channel"),
        (("--channel", "co2", "--gas-on", "9999"), "outside the record"),
        (("--channel", "co2", "--gas-on", "soon"), "not a time"),
        (("--channel", "co2", "--gas", "-5"), "above 0"),
        (("--channel", "co2", "--gas-on", "100", "--gas-off", "50"), "after gas on"),
        (("--channel", "co2", "--picture", "here.nothing"), "not a picture"),
    ],
)
def test_wrong_use_is_a_sentence(tmp_path: Path, more: tuple[str, ...], words: str) -> None:
    log = write(tmp_path / "log.csv", {"time": T, "co2": clean(), "temp": T * 0 + 20})
    done = CliRunner().invoke(app, ["response", str(log), *more])
    assert isinstance(done.exception, GaswitnessError)
    assert done.exception.exit_code == 2
    assert words in str(done.exception)


def test_people_get_a_page_and_a_picture(tmp_path: Path) -> None:
    log = write(tmp_path / "log.csv", {"time": T, "co2": clean()})
    done = CliRunner().invoke(app, ["response", str(log), "--picture", str(tmp_path / "it.png")])
    assert done.exit_code == 0
    assert "t90, s" in done.stdout
    assert "found on the trace" in done.stdout
    assert (tmp_path / "it.png").stat().st_size > 10_000


_CELL = st.floats(-1e9, 1e9, allow_nan=False).map(lambda v: f"{v:.5g}") | st.sampled_from(
    ["", "NaN", "0", "400", "401"]
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cells=st.lists(_CELL, max_size=60), on=st.none() | st.floats(-10, 100), gas=st.none() | st.floats(0.1, 1e6))
def test_any_log_gives_figures_or_a_sentence(
    tmp_path: Path, cells: list[str], on: float | None, gas: float | None
) -> None:
    log = tmp_path / "log.csv"
    log.write_text("t,co2\n" + "".join(f"{k},{cell}\n" for k, cell in enumerate(cells)), encoding="utf-8")
    more = [*(["--gas-on", str(on)] if on is not None else []), *(["--gas", str(gas)] if gas is not None else [])]
    done = CliRunner().invoke(app, ["response", str(log), *more, "--json"])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        assert isinstance(done.exception, GaswitnessError), repr(done.exception)
    else:
        json.loads(done.stdout, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))

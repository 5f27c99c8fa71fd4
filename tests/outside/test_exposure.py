"""Exposure figures against a regulation's own examples, an independent script on recorded data, and hand arithmetic."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from gaswitness.exposure import SHIFT_S, STEL_S, Measured, exposure, mixture, time_weighted
from gaswitness.links.logfile import parse_instant, read_log


def steps(durations_s: list[float], levels: list[float]) -> tuple[list[float], list[float]]:
    """Readings of levels held for stated times; the last one is read again at the end."""
    return [0.0, *np.cumsum(durations_s).tolist()], [*levels, levels[-1]]


def test_eight_hour_average_of_the_regulation() -> None:
    # 29 CFR 1910.1000(d)(1)(ii): 2 h at 150 ppm, 2 h at 75 ppm, 4 h at 50 ppm -> 81.25 ppm
    assert time_weighted([150, 75, 50], [7200, 7200, 14400]) == 81.25
    t_s, values = steps([7200.0, 7200.0, 14400.0], [150.0, 75.0, 50.0])
    day = exposure(t_s, values, gap_s=1e6, between="hold")
    assert day.twa is not None
    assert (day.twa.average, day.twa.unmeasured_s) == (81.25, 0.0)


def test_mixture_of_the_regulation() -> None:
    # 29 CFR 1910.1000(d)(2)(ii): 500/1000 + 45/200 + 40/200 = 0.925, below 1
    assert mixture([500, 45, 40], [1000, 200, 200]) == pytest.approx(0.925, abs=1e-15)


def test_examples_of_the_oracle_file(datasets: Path) -> None:
    told = json.loads((datasets / "oracles" / "exposure_examples.json").read_text())
    for case in told["osha"]["twa"]:
        hours, ppm = zip(*case["steps"], strict=True)
        assert time_weighted(ppm, np.multiply(hours, 3600.0)) == pytest.approx(case["expected_8h_twa_ppm"], abs=1e-12)
    for case in told["osha"]["mixture"]:
        levels, limits = zip(*case["conc_limit"], strict=True)
        assert mixture(levels, limits) == pytest.approx(case["expected_Em"], abs=1e-12)
    short, almost_whole, long = told["definition_cases"]["cases"]
    minutes, ppm = zip(*short["segments_min_ppm"], strict=True)
    t_s, values = steps([60.0 * m for m in minutes], list(ppm))
    window = Measured(t_s, values, gap_s=1e6, between="hold").highest(STEL_S)
    assert window is not None
    assert window.average == pytest.approx(short["expected_15min_mean_ppm"], abs=1e-12)
    minutes, levels = zip(*almost_whole["segments_min"], strict=True)
    assert time_weighted(levels, np.multiply(minutes, 60.0)) == pytest.approx(
        almost_whole["expected_8h_twa"], abs=1e-12
    )
    minutes, ppm = zip(*long["segments_min_ppm"], strict=True)
    assert time_weighted(ppm, np.multiply(minutes, 60.0)) == pytest.approx(
        long["expected_8h_equivalent_ppm"], abs=1e-12
    )


def test_worst_quarter_of_an_hour_by_hand() -> None:
    # 10 min at 20, 10 at 60, 10 at 40, 30 at 10 ppm: the worst window is 10 to 25 min, (10 x 60 + 5 x 40) / 15 = 53.33;
    # over eight hours: (200 + 600 + 400 + 300) ppm min / 480 min = 3.125
    t_s, values = steps([600.0, 600.0, 600.0, 1800.0], [20.0, 60.0, 40.0, 10.0])
    figures = exposure(t_s, values, gap_s=1e6, between="hold")
    assert figures.stel is not None
    assert figures.twa is not None
    assert figures.stel.average == pytest.approx(160 / 3, abs=1e-12)
    assert figures.stel.begin_s == 600.0
    assert figures.twa.average == pytest.approx(3.125, abs=1e-12)
    assert figures.twa.unmeasured_s == 7 * 3600.0


def test_office_shifts_equal_an_independent_script(datasets: Path) -> None:
    """Figures made by a plain script that shares no code with this project, from recorded office carbon dioxide.

    L. M. Candanedo, V. Feldheim, Energy and Buildings 112 (2016) 28-39, UCI Occupancy Detection, CC BY 4.0.
    """
    folder = datasets / "co2_office_occupancy"
    log = read_log(folder / "datatraining.txt")
    trace = log.trace("CO2")
    shifts = json.loads((folder / "expected.json").read_text())[0]["shift_08_16"]
    assert len(shifts) == 3
    for told in shifts:
        within = (trace.t_s >= parse_instant(told["first"], log)) & (trace.t_s <= parse_instant(told["last"], log))
        t_s, values = trace.t_s[within], trace.values[within]
        assert len(t_s) == told["n"]
        figures = exposure(t_s, values)
        assert figures.measured_s == told["span_s"]
        assert figures.mean == pytest.approx(told["mean_trapezoid_ppm"], abs=5e-5)
        assert exposure(t_s, values, between="hold").mean == pytest.approx(told["mean_hold_ppm"], abs=5e-5)
        assert figures.twa is not None
        assert figures.stel is not None
        assert figures.twa.average == pytest.approx(told["twa_8h_trapezoid_ppm"], abs=5e-5)
        assert figures.twa.unmeasured_s == SHIFT_S - told["span_s"]
        assert figures.stel.average == pytest.approx(told["max_15min_trapezoid_ppm"], abs=5e-5)
        assert figures.stel.begin_s == parse_instant(told["max_15min_window_start"], log)

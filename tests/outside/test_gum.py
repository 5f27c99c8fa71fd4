"""Budgets against the worked examples of JCGM 100:2008 (GUM), annex H, and against simulation (JCGM 101:2008)."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gaswitness.judge.budget import Budget, Input, Term, covariance, evaluate, mean_budget, propagate, simulate


@pytest.fixture(scope="module")
def oracle(datasets: Path) -> Any:
    return json.loads((datasets / "oracles" / "gum_h1_h2_h3.json").read_text())


def _gauge(
    l_s: float, d0: float, d1: float, d2: float, d_alpha: float, bar: float, cycle: float, alpha: float, d_theta: float
) -> float:
    return l_s + d0 + d1 + d2 - l_s * (d_alpha * (bar + cycle) + alpha * d_theta)


def test_h1_end_gauge(oracle: Any) -> None:
    """GUM H.1: u 32 nm, effective degrees of freedom 16 (16.75 before rounding down), components as printed."""
    uniform = math.sqrt(3.0)
    inputs = [
        Input("standard", 50000623.0, 25.0, dof=18),
        Input("repeat", 215.0, 5.8, dof=24),
        Input("comparator, random", 0.0, 3.9, dof=5),
        Input("comparator, systematic", 0.0, 6.7, dof=8),
        Input("difference of expansion", 0.0, 1e-6 / uniform, dof=50),
        Input("mean temperature", -0.1, 0.2),
        Input("cycle of temperature", 0.0, 0.5 / math.sqrt(2.0)),
        Input("expansion", 11.5e-6, 2e-6 / uniform),
        Input("difference of temperature", 0.0, 0.05 / uniform, dof=2),
    ]
    length, budget = evaluate(_gauge, inputs)
    assert round(length) == oracle["H1"]["l_nm"]
    assert round(budget.u) == oracle["H1"]["u_nm"]
    assert budget.u == pytest.approx(31.664, abs=5e-3)
    assert budget.dof == pytest.approx(16.75, abs=0.05)
    parts = {term.name: abs(term.amount) for term in budget.merged}
    assert parts["difference of expansion"] == pytest.approx(2.89, abs=0.01)
    assert parts["difference of temperature"] == pytest.approx(16.60, abs=0.01)


def test_h2_correlated_resistance_and_reactance(oracle: Any) -> None:
    """GUM H.2, as rounded by the oracle and, more loosely, as the GUM prints it."""
    given = oracle["H2"]["inputs"]
    values = [given[name][0] for name in ("V", "I", "phi")]
    u = np.diag([given[name][1] for name in ("V", "I", "phi")])
    r = np.array(
        [
            [1.0, given["r(V,I)"], given["r(V,phi)"]],
            [given["r(V,I)"], 1.0, given["r(I,phi)"]],
            [given["r(V,phi)"], given["r(I,phi)"], 1.0],
        ]
    )
    result, covariances = propagate(
        lambda v, i, phi: np.array([v / i * math.cos(phi), v / i * math.sin(phi), v / i]), values, u @ r @ u
    )
    spread = np.sqrt(np.diag(covariances))
    for number, name in enumerate(("R", "X", "Z")):
        assert result[number] == pytest.approx(oracle["H2"][name][0], abs=6e-3)
        assert spread[number] == pytest.approx(oracle["H2"][name][1], abs=6e-3)
    correlation = covariances / np.outer(spread, spread)
    assert correlation[0, 1] == pytest.approx(oracle["H2"]["r(R,X)"], abs=0.006)
    assert correlation[0, 2] == pytest.approx(oracle["H2"]["r(R,Z)"], abs=0.006)
    assert correlation[1, 2] == pytest.approx(oracle["H2"]["r(X,Z)"], abs=0.006)


def test_h3_straight_line_and_its_extrapolation(oracle: Any) -> None:
    """GUM H.3: intercept, slope, their correlation, and the correction at 30 degrees with its uncertainty."""
    t = np.array(oracle["H3"]["t_c"]) - oracle["H3"]["t0"]
    b = np.array(oracle["H3"]["b_c"])

    def line(*observed: float) -> Any:
        slope, intercept = np.polyfit(t, np.array(observed), 1)
        return np.array([intercept, slope])

    fitted = line(*b)
    s = math.sqrt(float(np.sum((b - fitted[0] - fitted[1] * t) ** 2)) / (len(t) - 2))
    y, covariances = propagate(line, b, s**2 * np.eye(len(t)))
    assert s == pytest.approx(0.0035, abs=5e-5)
    assert y[0] == pytest.approx(oracle["H3"]["y1"], abs=5e-5)
    assert y[1] == pytest.approx(oracle["H3"]["y2"], abs=5e-6)
    assert math.sqrt(covariances[0, 0]) == pytest.approx(oracle["H3"]["u_y1"], abs=5e-5)
    assert math.sqrt(covariances[1, 1]) == pytest.approx(oracle["H3"]["u_y2"], abs=5e-6)
    r = covariances[0, 1] / math.sqrt(covariances[0, 0] * covariances[1, 1])
    assert r == pytest.approx(oracle["H3"]["r"], abs=5e-4)
    at_30, spread = propagate(lambda y1, y2: y1 + y2 * 10.0, y, covariances)
    assert at_30[0] == pytest.approx(oracle["H3"]["b_at_30"], abs=5e-5)
    assert math.sqrt(spread[0, 0]) == pytest.approx(oracle["H3"]["u_b_at_30"], abs=5e-5)


def test_functional_test_example() -> None:
    """Certificate 2 % (k = 2) of 50 ppm, 1 ppm display, repeat 0.6 of five: u 0.637, U 1.27 ppm (arithmetic)."""
    budget = Budget(
        (
            Term("certificate", 0.02 * 50.0 / 2.0),
            Term("display", 1.0 / math.sqrt(12.0)),
            Term("repeat", 0.6 / math.sqrt(5.0)),
        )
    )
    assert budget.u == pytest.approx(0.637, abs=5e-4)


def test_simulation_agrees_on_the_span_error() -> None:
    """JCGM 101: the error on certified gas, (reading - zero) - level x pressure ratio, within 1 %."""
    inputs = [
        Input("reading", 24650.0, 60.0),
        Input("display", 0.0, 10.0 / math.sqrt(12.0), shape="uniform"),
        Input("zero", 430.0, 45.0),
        Input("certificate", 25000.0, 250.0, shared="cylinder:B"),
        Input("pressure", 0.985, 0.004),
    ]

    def error(reading: Any, display: Any, zero: Any, level: Any, pressure: Any) -> Any:
        return (reading + display - zero) - level * pressure

    value, budget = evaluate(error, inputs)
    drawn = simulate(error, inputs, trials=400_000, seed=8)
    assert float(np.std(drawn)) == pytest.approx(budget.u, rel=0.01)
    assert float(np.mean(drawn)) == pytest.approx(value, abs=0.01 * budget.u)


def test_simulation_agrees_on_the_level_at_an_edge() -> None:
    """JCGM 101: level = reading + slope x time, where poll and scan are uniform, within 1 %."""
    inputs = [
        Input("reading", 4990.0, 20.0),
        Input("display", 0.0, 10.0 / math.sqrt(12.0), shape="uniform"),
        Input("slope", 180.0, 6.0),
        Input("poll", 0.0, 1.0 / math.sqrt(12.0), shape="uniform"),
        Input("scan", -0.25, 0.5 / math.sqrt(12.0), shape="uniform"),
    ]

    def level(reading: Any, display: Any, slope: Any, poll: Any, scan: Any) -> Any:
        return reading + display + slope * (poll + scan)

    value, budget = evaluate(level, inputs)
    drawn = simulate(level, inputs, trials=400_000, seed=8)
    assert float(np.std(drawn)) == pytest.approx(budget.u, rel=0.01)
    assert float(np.mean(drawn)) == pytest.approx(value, abs=0.01 * budget.u)


def test_one_bottle_on_ten_detectors_does_not_average_out() -> None:
    """Ten results share the bottle: u of their mean is that of the bottle and a tenth of the rest (squared)."""
    one = [Budget((Term("bottle", 2.0, "cylinder:B"), Term("noise", 3.0))) for _ in range(10)]
    assert mean_budget(one).u == pytest.approx(math.sqrt(4.0 + 9.0 / 10.0))
    assert covariance(one[0], one[1]) == pytest.approx(4.0)
    assert (one[0] - one[1]).u == pytest.approx(math.sqrt(18.0))

    noise = np.random.default_rng(3)
    bottle = noise.normal(0.0, 2.0, 100_000)
    mean = bottle + noise.normal(0.0, 3.0, (10, 100_000)).mean(axis=0)
    assert float(np.std(mean)) == pytest.approx(mean_budget(one).u, rel=0.01)


def test_an_arcsine_input_is_drawn_as_one() -> None:
    """Half-width a gives u = a / sqrt(2) (JCGM 101, 6.4.6.1)."""
    drawn = simulate(lambda x: x, [Input("cycle", 0.0, 0.5 / math.sqrt(2.0), shape="arcsine")], trials=200_000, seed=1)
    assert float(np.std(drawn)) == pytest.approx(0.5 / math.sqrt(2.0), rel=0.01)
    assert float(np.max(np.abs(drawn))) <= 0.5 + 1e-12

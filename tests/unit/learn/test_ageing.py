"""Response ageing for whoever simulates with it."""

from __future__ import annotations

import math

import pytest

from gaswitness.learn.ageing import ageing
from gaswitness.learn.records import DetectorTest, Figure


def slow(year, t90_s, u=1.0, **more):
    return DetectorTest(
        visit=str(year), source="paper", site="S", tag="A", gas="CO", at=f"{year}-06-01", outcome="pass",
        as_found="pass", found=(Figure(kind="t90", value=t90_s, u=u),), **more,
    )  # fmt: skip


def test_the_prediction_under_the_cap_comes_before_the_data_sheet():
    one = ageing([slow(2024, 60.0, expected_t90_s=50.0), slow(2025, 60.0, expected_t90_s=50.0)], {"A": 40.0})["A"]
    assert (one.ratio, one.against) == (pytest.approx(1.2), "expected")


def test_where_one_prediction_is_missing_all_compare_with_the_same():
    one = ageing([slow(2024, 60.0, expected_t90_s=50.0), slow(2025, 60.0)], {"A": 40.0})["A"]
    assert (one.ratio, one.against) == (pytest.approx(1.5), "stated")


def test_without_either_the_first_test_is_the_measure():
    one = ageing([slow(2024, 50.0), slow(2025, 60.0)])["A"]
    assert (one.last, one.against) == (pytest.approx(1.2), "first")


def test_a_new_sensor_has_not_aged():
    tests = [slow(2022, 80.0), slow(2023, 90.0, sensor_exchanged=True), slow(2024, 52.0)]
    one = ageing(tests, {"A": 50.0})["A"]
    assert (one.tests, one.ratio) == (1, pytest.approx(1.04))


def test_one_test_has_its_own_uncertainty_and_no_spread():
    one = ageing([slow(2024, 50.0, u=2.0)], {"A": 40.0})["A"]
    assert one.spread is None
    assert one.u == pytest.approx(1.25 * 2.0 / 50.0)
    assert math.isnan(ageing([slow(2024, 50.0, u=None)], {"A": 40.0})["A"].u)


def test_the_mean_is_never_surer_than_its_tests():
    alike = ageing([slow(2020 + n, 50.0, u=5.0) for n in range(4)], {"A": 50.0})["A"]
    assert alike.u == pytest.approx(0.1 / 2)
    apart = ageing([slow(2020 + n, 50.0 * 1.5**n, u=0.1) for n in range(4)], {"A": 50.0})["A"]
    assert apart.u > 0.2


def test_a_detector_without_a_t90_is_left_out():
    silent = slow(2024, 50.0).model_copy(update={"found": ()})
    assert ageing([silent], {"A": 50.0}) == {}

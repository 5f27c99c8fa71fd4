"""What counts as a failure, since when time counts, and what is told where nothing can be."""

from __future__ import annotations

import math

import pytest

from gaswitness.errors import OutOfDomain
from gaswitness.learn.records import DetectorTest
from gaswitness.learn.reliability import (
    Interval,
    clopper_pearson,
    failed,
    pfd_average,
    rate_bounds_per_hour,
    rate_per_hour,
    reliability,
)


def look(year, alarmed=True, tag="A", outcome="pass", as_found="pass", **more):
    fields = {"visit": f"{tag}{year}", "source": "paper", "site": "S", "tag": tag, "gas": "CO", "at": f"{year}-06-01"}
    return DetectorTest.model_validate({**fields, "outcome": outcome, "as_found": as_found, "alarmed": alarmed, **more})


def test_the_two_ways_of_counting():
    out_of_tolerance = look(2024, alarmed=True, as_found="fail")
    dead = look(2024, alarmed=False, as_found="fail")
    assert [failed(out_of_tolerance, way) for way in ("no-alarm", "any")] == [False, True]
    assert [failed(dead, way) for way in ("no-alarm", "any")] == [True, True]
    assert failed(look(2024, alarmed=None), "no-alarm") is None
    assert [failed(look(2024, as_found=one), "any") for one in ("not tested", "inconclusive", "error")] == [None] * 3


def test_the_first_test_counts_on_demand_and_not_per_hour():
    [one] = reliability([look(2024, alarmed=False)])
    assert (one.tests, one.failures, one.per_hour, one.hours) == (1, 1, None, 0)
    assert one.on_demand.value == 1.0


def test_a_failure_happened_some_time_before_it_was_found():
    [one] = reliability([look(2023), look(2024, alarmed=False), look(2025)])
    year_h = 365 * 24.0
    assert one.hours == pytest.approx((366 * 24) / 2 + year_h)
    assert (one.timed_failures, one.failures, one.tests) == (1, 1, 3)
    assert one.per_hour.low < one.per_hour.value < one.per_hour.high
    assert one.pfd_avg.value == pytest.approx(pfd_average(one.per_hour.value, one.mean_interval_h))


def test_time_stands_still_for_what_was_left_failed():
    tests = [look(2022), look(2023, alarmed=False, outcome="fail"), look(2024, alarmed=False), look(2025)]
    [one] = reliability(tests)
    assert one.timed_failures == 1, "found a second time it is still the same failure"
    assert one.hours == pytest.approx(365 * 24 / 2 + 365 * 24)


def test_a_test_that_showed_nothing_leaves_the_stretch_going_on():
    [one] = reliability([look(2022), look(2023, alarmed=None), look(2024)])
    assert one.unclear == 1
    assert one.hours == pytest.approx((365 + 366) * 24)


def test_groups():
    tests = [look(2022, gas="CO"), look(2022, tag="B", gas="NH3", sensor="infrared"), look(2023, tag="B", gas="NH3")]
    assert [one.group for one in reliability(tests, by="gas")] == ["CO", "NH3"]
    assert [one.group for one in reliability(tests, by="sensor")] == ["infrared", "not stated"]
    assert [one.group for one in reliability(tests, by="tag")] == ["S A", "S B"]
    assert [one.detectors for one in reliability(tests)] == [2]
    assert reliability([]) == []


def test_longer_between_tests_means_more_often_failed():
    [one] = reliability([look(2016 + n, alarmed=n != 4) for n in range(10)])
    values = [pfd.value for _, pfd in one.by_months]
    assert values == sorted(values)
    assert all(pfd.low <= pfd.value <= pfd.high for _, pfd in one.by_months)


def test_without_a_failure_there_is_only_an_upper_end():
    [one] = reliability([look(2016 + n) for n in range(10)])
    assert (one.per_hour.value, one.per_hour.low) == (0.0, 0.0)
    assert one.per_hour.high > 0
    assert one.per_hour_bounds[0] == 0.0


def test_with_nothing_but_failures_there_is_no_upper_end():
    one = rate_per_hour([Interval(8766.0, True)] * 3)
    assert math.isinf(one.value)
    assert math.isinf(one.high)
    assert 0 < one.low < math.inf
    assert pfd_average(math.inf, 8766.0) == 1.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: clopper_pearson(3, 2),
        lambda: clopper_pearson(0, 0),
        lambda: rate_bounds_per_hour(1, 0.0),
        lambda: rate_bounds_per_hour(-1, 10.0),
        lambda: rate_per_hour([]),
        lambda: rate_per_hour([Interval(0.0, True)]),
    ],
)
def test_numbers_that_make_no_sense_are_refused(call):
    with pytest.raises(OutOfDomain):
        call()

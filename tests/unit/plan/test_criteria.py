"""Limits of criteria, worked by hand from a site's tolerances."""

from __future__ import annotations

from typing import Any

import pytest

from gaswitness.plan import Criterion
from support.planned import LOW, bottle, detector, planned, site

TESTS = {
    "zero": {"amount": "2 % of range", "rule": "guarded"},
    "span": {"amount": "10 % of level", "rule": "shared-risk"},
    "set_level": {"amount": "5 % of set", "rule": "simple"},
    "clear_level": {"amount": "50 ppm", "rule": "guarded"},
}


def _near(limit: float | None) -> Any:
    return None if limit is None else pytest.approx(limit, abs=0.05)


def criteria(**changes: Any) -> dict[str, Criterion]:
    return {c.id: c for c in planned(site(**{"tests": TESTS, **changes})).criteria}


@pytest.mark.parametrize(
    ("name", "lower", "target", "upper", "unit", "rule"),
    [
        ("D-1/zero", 900, 1150, 1400, "ppm", "guarded"),  # 1,000 to 1,300 ppm of room air, 100 ppm either way
        ("D-1/span", 4410, 4900, 5390, "ppm", "shared-risk"),
        ("D-1/set-level/low", 1900, 2000, 2100, "ppm", "simple"),
        ("D-1/clear-level/low", 1550, 1600, 1650, "ppm", "guarded"),
        ("D-1/deadband/low", 288.2, 400, 511.8, "ppm", "guarded"),  # sqrt(100^2 + 50^2), the tolerances of both levels
        ("D-1/set-level/high", 3800, 4000, 4200, "ppm", "simple"),
        ("D-1/latched/low", 1, 1, None, "yes", "simple"),
        ("D-1/no-stray", None, 0, 0, "count", "simple"),
    ],
)
def test_limits(name: str, lower: float | None, target: float, upper: float | None, unit: str, rule: str) -> None:
    found = criteria()[name]
    assert (found.lower, found.target, found.upper) == (
        _near(lower), pytest.approx(target), _near(upper),
    )  # fmt: skip
    assert (found.unit, found.rule) == (unit, rule)


def test_t90_without_a_limit_of_the_site_is_one_and_a_half_of_the_stated_and_the_flush() -> None:
    # 50 mL at 0.5 L/min: 6 s, of which ln 10 pass until 90 %
    assert criteria()["D-1/t90"].upper == pytest.approx(1.5 * 148.155 + 2.302585 * 6)
    slow = criteria(cylinders=[bottle(flow="0.25 L/min")])
    assert slow["D-1/t90"].upper == pytest.approx(1.5 * 148.155 + 2.302585 * 12)


def test_limits_of_the_site_on_response_and_recovery() -> None:
    limits = {**TESTS, "response": {"limit": "99 s", "rule": "simple"}, "recovery": {"limit": "88 s"}}
    found = criteria(tests=limits)
    assert (found["D-1/t90"].upper, found["D-1/t90"].rule) == (99, "simple")
    assert (found["D-1/t10"].upper, found["D-1/t10"].rule) == (88, "guarded")
    assert "D-1/t10" not in criteria()


def test_set_time_is_the_prediction() -> None:
    plan = planned(site())
    found = {c.id: c for c in plan.criteria}
    for point in plan.detector("D-1").points:
        limits = found[f"D-1/set-time/{point.point}"]
        assert (limits.lower, limits.upper) == point.set_s


def test_a_point_without_deadband_has_no_criterion_on_it() -> None:
    plain = detector(alarms=[{**LOW, "deadband": "0 ppm"}])
    assert "D-1/deadband/low" not in criteria(detectors=[plain])


def test_an_open_signal_is_given_the_time_of_the_matrix() -> None:
    lamp = {"tag": "LAMP", "name": "Lamp", "kind": "lamp", "post": "DOOR"}
    matrix = [{"causes": ["D-1.fault"], "effect": "LAMP", "within": "12 s"}]
    assert criteria(effects=[lamp], matrix=matrix)["D-1/fault"].upper == 12
    link = {"url": "modbus-tcp://192.0.2.1:502", "bits": [{"signal": "D-1.fault", "address": 0}]}
    assert criteria(links=[link])["D-1/fault"].upper == 30
    assert "D-1/fault" not in criteria()


def test_words_use_the_detectors_own_unit() -> None:
    percent = criteria(detectors=[detector(unit="%vol")])
    assert "0.2 %vol" in percent["D-1/set-level/low"].text
    assert "ppm" not in percent["D-1/set-level/low"].text


def test_a_sensor_that_counts_molecules_shows_less_on_a_mountain() -> None:
    # 89,875 Pa is about 1,000 m above the sea: 0.887 of what is there (ISO 2533 standard atmosphere, from memory)
    up = {"conditions": {"pressure": "89875 Pa", "temperature": "20 degC"}, "detectors": [detector(alarms=[LOW])]}
    found = criteria(**up)
    assert found["D-1/span"].target == pytest.approx(0.887 * 4900, rel=1e-3)
    assert found["D-1/zero"].upper == pytest.approx(0.887 * 1300 + 100, rel=1e-3)
    corrected = criteria(**{**up, "detectors": [detector(alarms=[LOW], corrects_pressure=True)]})
    assert corrected["D-1/span"].target == 4900

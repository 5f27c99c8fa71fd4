"""When gas may be shut off: what it waits for, what a late part means, and what the rule costs and saves."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from gaswitness.response import LiveFit, SensorPath, Wanted, enough, step_curve
from gaswitness.response.enough_study import KINDS, compare
from gaswitness.response.late import LATE_SD, Late
from gaswitness.response.live import LiveEstimate

PATH = SensorPath(6.0, (30.0, 8.0))
SLOW = SensorPath(6.0, (150.0,))
T = np.arange(-60.0, 300.0)


def run(until: float, *, late: float = 0.0, noise: float = 3.0) -> LiveEstimate:
    """The estimate at a time, of a detector of which a part answers five times as slowly."""
    fast, slow = (step_curve(path, T, room_ppm=400.0, bottle_ppm=1000.0) for path in (PATH, SLOW))
    y = (1 - late) * fast + late * slow + np.random.default_rng(1).normal(0.0, noise, T.size)
    live = LiveFit(0.0)
    return [live.add(float(t), float(value)) for t, value in zip(T[until >= T], y[until >= T], strict=True)][-1]


def test_it_waits_for_share_set_point_and_clear_limits() -> None:
    wanted = Wanted(900.0, 1100.0, 120.0, levels=(850.0,))
    assert "no response" in enough(run(5.0), wanted).why
    assert "covered" in enough(run(45.0), wanted).why
    late = run(199.0)
    assert enough(late, wanted).enough
    assert "set point" in enough(late, Wanted(900.0, 1100.0, 120.0, levels=(1050.0,))).why
    assert "plateau" in enough(late, Wanted(late.plateau, 1100.0, 120.0)).why
    assert "t90" in enough(late, Wanted(900.0, 1100.0, late.t90_s)).why
    assert enough(late, Wanted(1100.0, 1200.0, 120.0)).enough, "a clear failure is shown, too"


def test_it_waits_while_readings_contradict_the_model() -> None:
    now = run(199.0)
    wanted = Wanted(900.0, 1100.0, 120.0)
    for doubt in (replace(now, neighbours_z=3.0), replace(now, wander=4.0), replace(now, wander=math.nan)):
        assert "do not follow" in enough(doubt, wanted).why


def test_a_late_part_can_only_make_it_slower_and_higher() -> None:
    """A pass near the limit of t90 has to wait for the late part; what lies beyond the limit already has not."""
    now = run(85.0)
    assert now.late is not None
    likely = now.late.likely(Wanted(0, 0, 0).late)
    assert 0.0 < likely < 3 * LATE_SD
    later = now.late.at(likely)[1]
    assert later > now.t90_s + 3 * now.u_t90_s
    between = 0.5 * (now.t90_s + later)
    assert "comes late" in enough(now, Wanted(900.0, 1200.0, between)).why
    assert enough(now, Wanted(900.0, 1200.0, now.t90_s - 5 * now.u_t90_s - 5.0)).enough
    assert "comes late" in enough(replace(now, late=None), Wanted(900.0, 1200.0, 200.0)).why


def test_once_the_readings_speak_of_a_late_part_they_are_believed() -> None:
    """At 85 s nothing is known; at 299 s a late part of 15 % shows beside one of none by many of its uncertainties."""
    young, without, with_it = run(85.0).late, run(299.0).late, run(299.0, late=0.15).late
    assert young is not None
    assert without is not None
    assert with_it is not None
    assert young.u_share > LATE_SD
    assert abs(without.share) < 3 * without.u_share
    assert with_it.share > 5 * with_it.u_share
    assert with_it.likely(0.5) == pytest.approx(with_it.share, rel=0.1)


def test_what_is_expected_of_the_share_is_half_a_normal() -> None:
    """Percentiles of |z| of a unit normal: 1.2816 at 80 %, 1.9600 at 95 % (normal table)."""
    unknown = Late(0.0, 1e9, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    assert unknown.likely(0.80) == pytest.approx(1.2816 * LATE_SD, rel=1e-4)
    assert unknown.likely(0.95) == pytest.approx(1.9600 * LATE_SD, rel=1e-4)
    assert replace(unknown, share=-1.0, u_share=0.01).likely(0.9) == 0.0


def test_operating_characteristics_on_detectors_that_creep() -> None:
    """A small study of the worst kind; docs/response.md carries the whole."""
    found = compare(KINDS[3], 60, seed=99)
    assert found.gas_saved > 0.25
    assert found.more_wrong <= 2 * found.u_more_wrong
    assert found.stopped_early > 0.5


def test_a_coarse_display_is_followed_to_the_end() -> None:
    """Its figures come from another fit than its curve: 60 readings of a display step of 2 % of the gas, no error."""
    found = compare(KINDS[7], 6, seed=5)
    assert 0.0 <= found.gas_saved < 1.0

"""Drift by period, with shared bottles kept shared, and predictions that do not promise too much."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest

from gaswitness.errors import OutOfDomain
from gaswitness.learn.drift import drifts
from gaswitness.learn.intervals import staircase
from gaswitness.learn.records import DetectorTest, Figure, SharedTerm
from gaswitness.learn.regression import fit_linear

TARGET = 200.0


def span(value, *, u=1.0, bottle=None, shared=0.0, target=TARGET):
    terms = (SharedTerm(name=f"cylinder:{bottle}", u=shared),) if bottle else ()
    return Figure(kind="span", value=value, u=u, shared=terms, target=target, lower=target * 0.9, upper=target * 1.1)


def visit(year, value, *, left=None, **more):
    bottle = {key: more.pop(key) for key in ("u", "bottle", "shared", "target") if key in more}
    return DetectorTest(
        visit=f"{year}", source="paper", site="S", tag="A", gas="NH3", at=f"{year}-06-01", outcome="pass",
        as_found="pass", found=(span(value, **bottle),), left=() if left is None else (span(left, **bottle),), **more,
    )  # fmt: skip


def one(*tests, kind="span"):
    [found] = drifts(tests, [kind])
    return found


def test_a_straight_drift_is_found_with_its_uncertainty():
    found = one(*(visit(2018 + n, TARGET - 2.0 * n) for n in range(6))).now
    assert found.per_year == pytest.approx(-0.01, rel=1e-3)
    spread = math.sqrt(sum((n - 2.5) ** 2 for n in range(6)))
    assert found.u_per_year == pytest.approx(1.0 / TARGET / spread, rel=2e-3), "by hand: u / sqrt(sum (t - mean)^2)"
    assert found.says == "drifts"


def test_the_day_of_the_limit_and_its_interval():
    """By hand: -1 % a year from 0 in June 2018 is at -10 % in June 2028."""
    reaches = one(*(visit(2018 + n, TARGET - 2.0 * n) for n in range(6))).now.reaches
    assert abs((reaches.likely - date(2028, 6, 1)).days) <= 2
    assert reaches.guarded < reaches.likely < reaches.latest
    assert reaches.limit == pytest.approx(-0.1)


def test_no_drift_makes_no_promise():
    found = one(*(visit(2018 + n, TARGET + (-1) ** n) for n in range(6))).now
    assert found.says == "no drift shown"
    assert found.reaches.likely is None
    assert found.reaches.latest is None


@pytest.mark.parametrize("count", [1, 2])
def test_two_points_are_no_evidence(count):
    found = one(*(visit(2018 + n, TARGET - 2.0 * n) for n in range(count))).now
    assert (found.says, found.per_year, found.reaches) == ("cannot say", None, None)
    assert "a drift needs 3" in found.why


def test_two_values_of_one_day_are_one_point_in_time():
    found = one(visit(2018, 200.0), visit(2019, 195.0, left=200.0, adjusted_span=True), visit(2020, 198.0)).now
    assert found.says == "cannot say"
    assert [point.as_left for point in found.points] == [True, False]


def test_an_adjustment_begins_a_new_period():
    tests = [visit(2014 + n, TARGET - 3.0 * n) for n in range(5)]
    tests += [visit(2019, TARGET - 15.0, left=TARGET, adjusted_span=True)]
    tests += [visit(2020 + n, TARGET - 3.0 * (n + 1)) for n in range(4)]
    before, after = one(*tests).periods
    assert (before.ended, after.ended) == ("adjusted", "open")
    assert before.per_year == pytest.approx(-0.015, rel=1e-3)
    assert after.per_year == pytest.approx(-0.015, rel=1e-3), "the jump between them is no drift"
    assert after.points[0].as_left


def test_what_is_reset_by_what():
    adjusted = {"adjusted_span": True, "left": 200.0}
    figures = (Figure(kind="zero", value=1.0, u=0.1, target=0.0), Figure(kind="t90", value=60.0, u=1.0, upper=90.0))
    tests = []
    for n in range(6):
        made = visit(2018 + n, 200.0, **(adjusted if n == 2 else {}))
        tests.append(made.model_copy(update={"found": made.found + figures, "sensor_exchanged": n == 4}))
    ends = {found.kind: [period.ended for period in found.periods] for found in drifts(tests)}
    assert ends == {
        "span": ["adjusted", "sensor exchanged", "open"],
        "zero": ["sensor exchanged", "open"],
        "t90": ["sensor exchanged", "open"],
    }


def test_bottles_of_other_levels_stand_in_one_line():
    """Bottles of 200, 150 and 180 ppm, a detector that reads 1 % less each year."""
    levels = [200.0, 150.0, 180.0, 200.0, 150.0]
    tests = [visit(2018 + n, level * (1 - 0.01 * n), target=level) for n, level in enumerate(levels)]
    assert one(*tests).now.per_year == pytest.approx(-0.01, rel=1e-3)


def test_one_bottle_for_all_is_not_averaged_away():
    own, shared = 1.0, 3.0
    u = math.hypot(own, shared)
    many = [visit(2012 + n, TARGET - 1.0 * n, u=u, bottle="X", shared=shared) for n in range(12)]
    fit = one(*many).now.fit
    middle = 5.5
    _, u_middle = fit.at((1.0, middle))
    assert u_middle * TARGET == pytest.approx(math.sqrt(shared**2 + own**2 / 12), rel=1e-3)
    assert one(*many).now.u_per_year * TARGET == pytest.approx(own / math.sqrt(143.0), rel=1e-2), (
        "the slope is free of it"
    )


def test_a_new_bottle_that_explains_a_jump_is_no_drift():
    """Two bottles 4 % apart within their certificates; each shows a detector that does not move."""
    tests = [
        visit(2014 + n, 200.0 if n < 4 else 208.0, u=6.1, bottle="X" if n < 4 else "Y", shared=6.0) for n in range(8)
    ]
    assert one(*tests).now.says == "no drift shown"
    alone = [visit(2014 + n, 200.0 if n < 4 else 208.0, u=1.1) for n in range(8)]
    assert one(*alone).now.says == "drifts"


def test_values_without_uncertainty_take_it_from_their_scatter():
    stream = np.random.default_rng(1)
    tests = [visit(2012 + n, TARGET - 2.0 * n + stream.normal(0, 1.0), u=None) for n in range(10)]
    found = one(*tests).now
    assert "uncertainty-from-scatter" in found.flags
    assert found.u_per_year * TARGET == pytest.approx(1.0 / math.sqrt(82.5), rel=0.6)
    assert found.fit.k == pytest.approx(2.306, abs=1e-3), "Student's t with 8 degrees of freedom"


def test_scatter_that_the_uncertainties_do_not_explain_widens_and_is_said():
    tests = [visit(2012 + n, TARGET + 6.0 * (-1) ** n, u=1.0) for n in range(10)]
    found = one(*tests).now
    assert "scatters" in found.flags
    assert found.u_per_year * TARGET > 3 / math.sqrt(82.5)


def test_one_wild_point_is_told_by_the_robust_slope():
    tests = [visit(2012 + n, TARGET - 1.0 * n + (60.0 if n == 8 else 0.0), u=1.0) for n in range(9)]
    found = one(*tests).now
    assert found.robust_per_year == pytest.approx(-0.005, abs=0.001)
    assert "scatters" in found.flags


def test_a_dead_detector_is_a_failure_and_no_drift():
    tests = [visit(2014 + n, TARGET - 1.0 * n) for n in range(5)]
    tests.append(visit(2019, 20.0, alarmed=False))
    found = one(*tests).now
    assert found.per_year == pytest.approx(-0.005, rel=1e-2)
    assert found.points[-1].failed
    assert "failed-left-out" in found.flags


def test_outside_now_is_said():
    found = one(*(visit(2014 + n, TARGET - 5.0 * n) for n in range(6))).now
    assert found.points[-1].outside
    assert "already-outside" in found.flags
    assert found.reaches.guarded == found.points[-1].day


def test_without_limits_no_day_is_named():
    tests = [visit(2014 + n, TARGET - 5.0 * n) for n in range(4)]
    bare = [
        t.model_copy(update={"found": (t.found[0].model_copy(update={"lower": None, "upper": None}),)}) for t in tests
    ]
    found = one(*bare).now
    assert found.reaches is None
    assert "tolerance-unknown" in found.flags


def test_a_line_through_two_years_does_not_tell_of_ten():
    found = one(*(visit(2018 + n, TARGET - 0.5 * n, u=0.05) for n in range(3))).now
    assert abs((found.reaches.until - date(2024, 6, 1)).days) <= 3
    assert found.reaches.likely is None


def test_bands_hold_the_truth():
    """95 % of 300 invented histories with a shared bottle: the slope's interval holds the true one."""
    stream, held = np.random.default_rng(4), 0
    for _ in range(300):
        bottle = stream.normal(0, 3.0)
        tests = [
            visit(
                2016 + n,
                TARGET * (1 - 0.01 * n) + bottle + stream.normal(0, 1.0),
                u=math.hypot(1, 3),
                bottle="X",
                shared=3.0,
            )
            for n in range(8)
        ]
        now = drifts(tests, ["span"])[0].now
        held += abs(now.per_year + 0.01) <= now.fit.k * now.u_per_year
    assert 0.92 <= held / 300 <= 0.99


def test_what_cannot_be_fitted_is_refused():
    with pytest.raises(OutOfDomain, match="fewer points"):
        fit_linear([[1, 0]], [1.0], [[1.0]])
    with pytest.raises(OutOfDomain, match="no covariance matrix"):
        fit_linear([[1, 0], [1, 1]], [1.0, 2.0], [[1.0, 2.0], [2.0, 1.0]])
    with pytest.raises(OutOfDomain, match="do not tell"):
        fit_linear([[1, 2], [1, 2]], [1.0, 2.0], np.eye(2))


@pytest.mark.parametrize(
    ("last", "advice"),
    [(TARGET * 0.93, "may be longer"), (TARGET * 0.91, "stays"), (TARGET * 0.88, "should be shorter")],
)
def test_the_staircase_looks_at_the_last_test_as_found(last, advice):
    """Limits at 10 %: within 8 % it may be longer, outside 10 % it should be shorter (ILAC-G24, 6.2, from memory)."""
    assert staircase([one(visit(2018, 200.0), visit(2019, last))]) == advice

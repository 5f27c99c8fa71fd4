"""What is due when, from the last accepted test and what the site says."""

from __future__ import annotations

from datetime import date

import pytest

from gaswitness.learn.due import due_list
from gaswitness.learn.records import DetectorTest, GroupTest, Standing, only_real
from gaswitness.site.records import VoteGroup
from support.ledgers import small_site

TODAY = date(2026, 11, 25)
SITE = small_site()


def done(tag: str = "A", day: str = "2026-03-02", outcome: str = "pass", **more: object) -> DetectorTest:
    fields = {"visit": day, "source": "paper", "site": SITE.name, "tag": tag, "gas": "CO2", "at": day}
    return DetectorTest.model_validate({**fields, "outcome": outcome, "as_found": outcome, **more})


def dues(*tests, site=SITE, standing=(), today=TODAY):
    return {(one.kind, one.what): one for one in due_list(tests, {site.name: site}, today, standing)}


def test_a_pass_is_good_for_the_sites_interval():
    one = dues(done(day="2026-03-02"))["test", "A"]
    assert (one.due, one.state, one.days, one.last) == (date(2027, 3, 2), "later", 97, date(2026, 3, 2))
    assert "12 months" in one.why


@pytest.mark.parametrize(
    ("day", "state"),
    [("2025-11-24", "overdue"), ("2025-11-25", "soon"), ("2025-12-25", "soon"), ("2025-12-26", "later")],
)
def test_overdue_begins_the_day_after(day, state):
    assert dues(done(day=day))["test", "A"].state == state


@pytest.mark.parametrize("outcome", ["fail", "inconclusive", "error", "aborted"])
def test_whatever_is_no_pass_is_due_again_at_once(outcome):
    one = dues(done(day="2026-03-02"), done(day="2026-09-01", outcome=outcome))["retest", "A"]
    assert (one.due, one.state) == (date(2026, 9, 1), "overdue")
    assert outcome in one.why


def test_not_tested_changes_nothing():
    one = dues(done(day="2026-03-02"), done(day="2026-09-01", outcome="not tested"))["test", "A"]
    assert one.due == date(2027, 3, 2)


def test_a_retest_that_passed_counts_from_its_own_day():
    one = dues(done(day="2026-03-02", outcome="fail"), done(day="2026-03-20"))["test", "A"]
    assert one.due == date(2027, 3, 20)


def test_a_detector_that_was_never_tested_is_overdue():
    one = dues(done())["test", "B"]
    assert (one.due, one.state, one.days) == (None, "overdue", None)
    assert "never tested" in one.why


def test_tests_after_today_have_not_happened_yet():
    assert dues(done(day="2026-03-02"), today=date(2026, 1, 1))["test", "A"].due is None


def test_a_detector_that_the_site_no_longer_has_is_left_out():
    assert ("test", "GONE") not in dues(done("GONE"), done("A"))


def test_without_a_description_twelve_months_are_taken_and_said_to_be():
    [one] = due_list([done()], {}, TODAY)
    assert one.due == date(2027, 3, 2)
    assert "no site file is kept" in one.why


def test_bottles_are_due_when_their_certificate_ends():
    one = dues(done())["cylinder", "BOTTLE"]
    assert (one.due, one.state) == (date(2028, 1, 1), "later")


def test_a_sensor_is_due_from_when_it_was_fitted_last():
    detectors = tuple(
        one.model_copy(
            update={"sensor_life_months": 24, "sensor_fitted": date(2023, 1, 31) if one.tag == "A" else None}
        )
        for one in SITE.detectors
    )
    site = small_site(detectors=detectors)
    found = dues(done(), site=site)
    assert (found["sensor", "A"].due, found["sensor", "A"].state) == (date(2025, 1, 31), "overdue")
    assert (found["sensor", "B"].due, found["sensor", "B"].state) == (None, "unknown")
    later = dues(done(day="2025-06-30", sensor_exchanged=True), site=site)["sensor", "A"]
    assert later.due == date(2027, 6, 30)


def test_inhibits_that_stand_are_overdue_with_who_answers():
    standing = Standing(
        site=SITE.name, effect="FAN", state="handed-over", since="2026-03-02T10:00:00Z", by="MK", to="J. Doe"
    )
    one = dues(done(), standing=[standing])["inhibit", "FAN"]
    assert one.state == "overdue"
    assert "J. Doe answers for it" in one.why


def test_overdue_comes_first():
    states = [one.state for one in due_list([done(), done("B", "2024-01-01")], {SITE.name: SITE}, TODAY)]
    assert states == sorted(states, key=["overdue", "unknown", "soon", "later"].index)
    assert states[0] == "overdue"


def tried(outcome: str, day: str = "2026-03-02") -> GroupTest:
    return GroupTest.model_validate({"site": SITE.name, "tag": "VOTE", "at": day, "outcome": outcome})


def votes(*groups: GroupTest):
    grouped = SITE.model_copy(update={"groups": (VoteGroup(tag="VOTE", members=("A.low",), need=1),)})
    found = due_list([done()], {SITE.name: grouped}, TODAY, groups=groups)
    return [(one.kind, one.due, one.state) for one in found if one.what == "VOTE"]


def test_a_vote_that_failed_is_due_again_although_its_detectors_passed():
    assert votes(tried("pass", "2025-11-01"), tried("fail")) == [("retest", date(2026, 3, 2), "overdue")]
    assert votes(tried("fail"), tried("pass", "2026-03-20")) == [("test", date(2027, 3, 20), "later")]


def test_a_vote_that_was_never_tried_is_no_entry():
    assert votes() == []


def test_rehearsals_do_not_count_beside_real_visits():
    real, rehearsed = done(day="2025-03-02"), done(day="2026-03-02", simulated=True)
    assert only_real([real, rehearsed]) == ([real], 1)
    assert only_real([rehearsed]) == ([rehearsed], 0)
    assert dues(rehearsed)["test", "A"].simulated

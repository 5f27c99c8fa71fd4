"""Which lines of the matrix one detector's test shows: hand-worked tables."""

from __future__ import annotations

from typing import Any

import pytest

from gaswitness.plan.lines import Reach, in_order, reach
from gaswitness.site.records import Site
from support.planned import detector, site

LAMP = {"tag": "LAMP", "name": "Lamp", "kind": "lamp", "post": "DOOR"}
FAN = {"tag": "FAN", "name": "Fan", "kind": "fan", "post": "DOOR"}


def sorted_out(matrix: list[dict[str, Any]], *, live: frozenset[str] = frozenset(), **changes: Any) -> Reach:
    made_of: Site = site(
        detectors=[detector("D-1"), detector("D-2")], **{"effects": [LAMP, FAN], **changes}, matrix=matrix
    )
    first = made_of.detectors[0]
    return reach(made_of, first, first.alarms, live)


def shown(found: Reach) -> list[tuple[str, str, bool]]:
    return [(line.point, line.effect.tag, line.delay_shown) for line in found.lines]


def test_each_own_cause_shows_its_effect() -> None:
    found = sorted_out(
        [
            {"causes": ["D-1.low", "D-2.low"], "effect": "LAMP", "within": "5 s"},
            {"causes": ["D-1.high"], "effect": "FAN", "within": "9 s"},
        ]
    )
    assert shown(found) == [("low", "LAMP", True), ("high", "FAN", True)]
    assert found.not_shown == ()
    assert found.at("high") == ("FAN",)


def test_what_another_detector_brings_is_none_of_this_test() -> None:
    found = sorted_out([{"causes": ["D-2.low"], "effect": "LAMP", "within": "5 s"}])
    assert found == Reach((), (), ())


def test_a_later_point_cannot_show_what_an_earlier_one_has_brought() -> None:
    found = sorted_out([{"causes": ["D-1.high", "D-1.low"], "effect": "LAMP", "within": "5 s"}])
    assert shown(found) == [("low", "LAMP", True)]
    assert [(n.cause, n.effect) for n in found.not_shown] == [("D-1.high", "LAMP")]
    assert "D-1.low" in found.not_shown[0].why


def test_a_later_point_that_changes_the_pattern_shows_the_pattern_only() -> None:
    found = sorted_out(
        [
            {"causes": ["D-1.low"], "effect": "LAMP", "within": "5 s", "pattern": "flashing"},
            {"causes": ["D-1.high"], "effect": "LAMP", "within": "5 s", "pattern": "steady"},
        ]
    )
    assert shown(found) == [("low", "LAMP", True), ("high", "LAMP", False)]
    assert [line.pattern for line in found.lines] == ["flashing", "steady"]


def test_a_fault_is_made_after_the_alarms_and_shows_the_same_effect_again() -> None:
    found = sorted_out([{"causes": ["D-1.low", "D-1.fault"], "effect": "LAMP", "within": "5 s"}])
    assert shown(found) == [("low", "LAMP", True), ("fault", "LAMP", True)]


@pytest.mark.parametrize(("need", "lines"), [(1, [("low", "FAN", True)]), (2, [])])
def test_a_vote_is_shown_only_if_one_detector_is_enough(need: int, lines: list[tuple[str, str, bool]]) -> None:
    found = sorted_out(
        [{"causes": ["VOTE"], "effect": "FAN", "within": "5 s"}],
        groups=[{"tag": "VOTE", "members": ["D-1.low", "D-2.low"], "need": need}],
    )
    assert shown(found) == lines
    assert len(found.not_shown) == (need > 1)
    if found.not_shown:
        assert "2 of 2 must agree" in found.not_shown[0].why


def test_two_points_of_one_detector_may_make_a_vote() -> None:
    found = sorted_out(
        [{"causes": ["VOTE"], "effect": "FAN", "within": "5 s"}],
        groups=[{"tag": "VOTE", "members": ["D-1.low", "D-1.high", "D-2.low"], "need": 2}],
    )
    assert shown(found) == [("high", "FAN", True)]


def test_all_causes_at_once_only_if_all_are_its_own() -> None:
    own = sorted_out([{"causes": ["D-1.low", "D-1.high"], "need": "all", "effect": "FAN", "within": "5 s"}])
    assert shown(own) == [("high", "FAN", True)]
    mixed = sorted_out([{"causes": ["D-1.low", "D-2.low"], "need": "all", "effect": "FAN", "within": "5 s"}])
    assert shown(mixed) == []
    assert [n.cause for n in mixed.not_shown] == ["D-1.low"]
    fault = sorted_out([{"causes": ["D-1.low", "D-1.fault"], "need": "all", "effect": "FAN", "within": "5 s"}])
    assert shown(fault) == []


def test_an_inhibited_effect_is_not_shown_unless_it_may_act() -> None:
    matrix = [{"causes": ["D-1.high"], "effect": "FAN", "within": "5 s"}]
    stop = {**FAN, "inhibitable": True}
    held = sorted_out(matrix, effects=[stop])
    assert shown(held) == []
    assert [e.tag for e in held.driven] == ["FAN"]
    assert "inhibited" in held.not_shown[0].why
    assert shown(sorted_out(matrix, effects=[stop], live=frozenset({"FAN"}))) == [("high", "FAN", True)]


def test_gas_passes_falling_points_from_above() -> None:
    falling = detector(
        alarms=[
            {"name": "high", "direction": "falling", "set": "1000 ppm"},
            {"name": "low", "direction": "falling", "set": "1200 ppm"},
        ]
    )
    assert [p.name for p in in_order(site(detectors=[falling]).detectors[0].alarms)] == ["low", "high"]

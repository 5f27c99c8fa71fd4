"""What concerns the whole visit: inhibits and people told."""

from __future__ import annotations

from typing import Any

import pytest

from gaswitness.judge import judge
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Step
from gaswitness.run.events import InhibitHandedOver, InhibitMoved, RoleTold, StatusSeen, StepMoved
from support.ledgers import WALL, Scene, criterion, small_plan

LIFTED = criterion("inhibit-lifted", tag=None, lower=1.0, unit="yes")
WARNED = criterion("warned", tag=None, lower=1.0, unit="yes")


def step(kind: str, **about: str) -> Step:
    name = "/".join(("visit", kind, *about.values()))
    return Step.model_validate({"id": name, "kind": kind, "text": kind, "ends": "confirm", "at_most_s": 60.0, **about})


STEPS = (
    step("warn", role="Keeper"),
    step("lift", effect="FAN"),
    step("prove", effect="FAN"),
    step("all-clear", role="Keeper"),
)


def scene() -> Scene:
    return Scene(small_plan((LIFTED, WARNED), steps=STEPS)).readings(lambda t: 600.0, 0.0, 200.0)


def inhibit(scene: Scene, *moves: tuple[float, Any]) -> Scene:
    for t_s, state in moves:
        scene.add(InhibitMoved(t_s=t_s, wall=WALL, effect="FAN", state=state, by="MK"))
    return scene


def told(scene: Scene, *what: tuple[float, Any]) -> Scene:
    for t_s, words in what:
        scene.add(RoleTold(t_s=t_s, wall=WALL, role="Keeper", what=words, by="MK"))
    return scene


def found(scene: Scene, kind: str) -> Finding:
    return next(f for f in judge(scene.series()).visit if f.kind == kind)


def test_lifted_and_proven_with_a_witness_passes() -> None:
    whole = inhibit(scene(), (10.0, "placed"), (100.0, "lifted"), (103.0, "proven"))
    whole.step("visit/prove/FAN", 101.0, 103.0).status("FAN.on", 102.0, 107.0).mark("FAN.on", 103.0)
    assert found(whole, "inhibit-lifted").outcome == "pass"


def test_driven_but_not_seen_at_a_manned_post_is_stuck() -> None:
    whole = inhibit(scene(), (10.0, "placed"), (100.0, "lifted"), (103.0, "proven"))
    whole.step("visit/prove/FAN", 101.0, 103.0).status("FAN.on", 102.0, 107.0).mark("LAMP-1.on", 50.0)
    stuck = found(whole, "inhibit-lifted")
    assert (stuck.outcome, stuck.causes) == ("fail", ("stuck: FAN is driven but nothing happens",))


def test_a_long_way_to_where_it_is_proven_changes_nothing() -> None:
    whole = inhibit(scene(), (10.0, "placed"), (100.0, "lifted"), (180.0, "proven"))
    whole.step("visit/prove/FAN", 101.0, 180.0).status("FAN.on", 178.0, 183.0).mark("FAN.on", 179.0)
    assert found(whole, "inhibit-lifted").outcome == "pass"


def test_why_it_was_not_proven_is_told_by_whom() -> None:
    whole = inhibit(scene(), (10.0, "placed"), (100.0, "lifted"))
    whole.add(
        StepMoved(t_s=110.0, wall=WALL, step="visit/prove/FAN", state="skipped", by="MK", note="fan is away for repair")
    )
    left = found(whole, "inhibit-lifted")
    assert left.outcome == "not tested"
    assert left.why == "Lifted, but not proven live: FAN (MK: fan is away for repair)."


def test_said_to_be_proven_but_shown_by_nobody_is_inconclusive() -> None:
    whole = inhibit(scene(), (10.0, "placed"), (100.0, "lifted"), (103.0, "proven"))
    whole.step("visit/prove/FAN", 101.0, 103.0).status("FAN.on")
    assert found(whole, "inhibit-lifted").outcome == "inconclusive"


@pytest.mark.parametrize(
    ("moves", "outcome"),
    [
        ([(10.0, "placed")], "fail"),
        ([(10.0, "placed"), (100.0, "lifted")], "not tested"),
        ([(10.0, "placed"), (100.0, "lifted"), (103.0, "proven"), (110.0, "placed")], "fail"),
        ([], "not tested"),
    ],
)
def test_an_inhibit_left_standing_or_unproven_is_never_a_pass(moves: list[tuple[float, Any]], outcome: str) -> None:
    assert found(inhibit(scene(), *moves), "inhibit-lifted").outcome == outcome


def test_who_answers_for_an_inhibit_that_stays_is_named_and_it_is_no_pass() -> None:
    whole = inhibit(scene(), (10.0, "placed"))
    whole.add(InhibitHandedOver(t_s=100.0, wall=WALL, effect="FAN", to="R. Oduya", by="MK"))
    stays = found(whole, "inhibit-lifted")
    assert (stays.outcome, stays.why) == ("fail", "Inhibits still stand: FAN (MK handed it over to R. Oduya).")


def test_what_the_panel_shows_of_an_inhibit_outweighs_words() -> None:
    whole = inhibit(scene(), (10.0, "placed"), (100.0, "lifted"), (103.0, "proven"))
    whole.step("visit/prove/FAN", 101.0, 103.0).status("FAN.on", 102.0, 107.0).mark("FAN.on", 103.0)
    whole.add(StatusSeen(t_s=11.0, wall=WALL, signal="FAN.inhibited", on=True, after_t_s=None))
    still = found(whole, "inhibit-lifted")
    assert (still.outcome, still.why) == ("fail", "Inhibits still stand: FAN.")


@pytest.mark.parametrize(
    ("what", "outcome"),
    [
        ([(1.0, "begins"), (190.0, "over")], "pass"),
        ([(1.0, "begins")], "fail"),
        ([(190.0, "over")], "fail"),
        ([], "not tested"),
    ],
)
def test_everybody_told_before_is_told_after(what: list[tuple[float, Any]], outcome: str) -> None:
    assert found(told(scene(), *what), "warned").outcome == outcome


def test_a_visit_that_leaves_an_inhibit_is_no_pass_even_when_all_else_is() -> None:
    assert judge(told(inhibit(scene(), (10.0, "placed")), (1.0, "begins"), (9.0, "over")).series()).outcome == "fail"

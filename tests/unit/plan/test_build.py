"""Whole plans: order of steps, choice of bottles, refusals with every reason, retests."""

from __future__ import annotations

from typing import Any

import pytest

from gaswitness.errors import PlanRefused
from gaswitness.plan import Plan, dry_run
from gaswitness.plan.records import StepKind
from support.planned import HIGH, LOW, bottle, detector, planned, site
from support.rigs import cellar, ravensmoor

LATCHED = {**HIGH, "latching": True}
HORN = {"tag": "HORN", "name": "Horn", "kind": "sounder", "post": "DOOR", "silenceable": True, "pattern": "pulsed"}
STOP = {"tag": "STOP", "name": "Stop", "kind": "relay", "post": "DOOR", "needs_reset": True, "inhibitable": True}
MATRIX = [
    {"causes": ["D-1.low"], "effect": "HORN", "within": "5 s"},
    {"causes": ["D-1.high"], "effect": "STOP", "within": "8 s"},
    {"causes": ["D-1.fault"], "effect": "HORN", "within": "6 s"},
]


def full(**changes: Any) -> Plan:
    choices = {name: changes.pop(name) for name in ("live", "without", "only", "tags") if name in changes}
    return planned(
        site(detectors=[detector(alarms=[LOW, LATCHED])], effects=[HORN, STOP], matrix=MATRIX, **changes), **choices
    )


def kinds(plan: Plan, *, optional: bool = False) -> list[StepKind]:
    return [step.kind for step in plan.steps if step.optional is optional]


def names(plan: Plan) -> set[str]:
    return {criterion.id for criterion in plan.criteria}


def refusal(made_of: Any, **choices: Any) -> str:
    with pytest.raises(PlanRefused) as told:
        planned(made_of, **choices)
    return str(told.value)


def test_the_order_of_a_whole_visit() -> None:
    assert kinds(full()) == [
        "caution", "warn", "inhibit", "zero", "gas-on", "await-set", "await-set", "await-plateau", "acknowledge",
        "silence", "gas-off", "await-clear", "recover", "reset", "fault", "mend", "lift", "prove", "all-clear",
    ]  # fmt: skip
    assert kinds(full(), optional=True) == [
        "air", "bottle", "adjust", "adjust", "zero", "gas-on", "await-set", "await-set", "await-plateau",
        "acknowledge", "silence", "gas-off", "await-clear", "recover", "reset", "bottle",
    ]  # fmt: skip


def test_the_criteria_of_a_whole_visit() -> None:
    assert names(full()) == {
        "D-1/zero", "D-1/span", "D-1/t90", "D-1/set-level/low", "D-1/set-time/low", "D-1/clear-level/low",
        "D-1/deadband/low", "D-1/latched/low", "D-1/set-level/high", "D-1/set-time/high", "D-1/latched/high",
        "D-1/effect/low/HORN", "D-1/effect-pattern/low/HORN", "D-1/silenced/HORN", "D-1/reset/high", "D-1/fault",
        "D-1/effect/fault/HORN", "D-1/effect-pattern/fault/HORN", "D-1/no-stray", "D-1/as-left/zero",
        "D-1/as-left/span", "D-1/as-left/t90", "D-1/as-left/set-level/low", "D-1/as-left/set-time/low",
        "D-1/as-left/set-level/high", "D-1/as-left/set-time/high", "visit/inhibit-lifted", "visit/warned",
    }  # fmt: skip


def test_an_effect_that_may_act_is_shown_reset_and_not_inhibited() -> None:
    plan = full(live=["STOP"])
    assert "inhibit" not in kinds(plan)
    assert {"D-1/effect/high/STOP", "D-1/reset/STOP"} <= names(plan)
    assert "visit/inhibit-lifted" not in names(plan)
    assert plan.not_shown == ()


def test_an_inhibited_line_is_named_as_not_shown() -> None:
    assert [(n.cause, n.effect) for n in full().not_shown] == [("D-1.high", "STOP")]


def test_a_latched_point_has_passed_its_clear_level_before_reset() -> None:
    plan = full()
    steps = {step.id: step for step in plan.steps}
    low_s = plan.detector("D-1").points[0].clear_s
    assert low_s is not None
    # high clears at 3,800 ppm, long before low at 1,600 ppm: waiting for low is waiting for both
    assert steps["D-1/recover"].at_least_s == 0
    only_high = full(without=["D-1.low"])
    wait = next(step for step in only_high.steps if step.id == "D-1/recover")
    assert wait.at_least_s > 10
    assert "must stay" in wait.text


def test_leaving_a_point_out_is_said() -> None:
    plan = full(without=["D-1.low"])
    assert "D-1/set-level/low" not in names(plan)
    assert ("D-1.low", None) in [(n.cause, n.effect) for n in plan.not_shown]


def test_an_effect_that_holds_is_waited_for() -> None:
    long = {"tag": "FAN", "name": "Fan", "kind": "fan", "post": "DOOR", "hold": "1000 s"}
    plan = planned(site(effects=[long], matrix=[{"causes": ["D-1.low"], "effect": "FAN", "within": "5 s"}]))
    steps = [step for step in plan.steps if step.tag and not step.optional]
    begin = next(i for i, step in enumerate(steps) if step.kind == "await-plateau")
    assert sum(max(step.expected_s, step.at_least_s) for step in steps[begin:]) >= 900


def test_waits_end_later_than_the_prediction_and_not_for_ever() -> None:
    for step in full().steps:
        if step.kind in ("await-set", "await-clear", "await-plateau", "recover"):
            assert step.expected_s < step.at_most_s < 1200
            assert step.at_least_s <= step.at_most_s


def test_bottles_are_changed_as_seldom_as_can_be() -> None:
    plan = planned(
        site(
            detectors=[
                detector("D-1"), detector("D-2", gas="CO", alarms=[]),
                detector("D-3"), detector("D-4", gas="CO", alarms=[]),
            ],
            cylinders=[bottle(), bottle("CO", gas="CO", level="100 ppm")],
        )
    )  # fmt: skip
    assert [d.tag for d in plan.detectors] == ["D-1", "D-3", "D-2", "D-4"]
    first, second = plan.detectors[:2]
    assert first.duration_s - second.duration_s == pytest.approx(120)  # fetching the bottle


def test_the_weakest_bottle_that_is_good_enough_is_taken() -> None:
    bottles = [bottle("STRONG"), bottle("FIT", level="4850 ppm"), bottle("WEAK", level="4300 ppm")]
    assert planned(site(cylinders=bottles)).detector("D-1").cylinder == "FIT"


def test_a_surrogate_counts_as_what_it_shows() -> None:
    surrogate = bottle(gas="CH4", level="2450 ppm", surrogate_for="CO2", surrogate_factor=2.0)
    plan = planned(site(cylinders=[surrogate]))
    assert plan.detector("D-1").bottle_ppm == pytest.approx(4900)


def test_gas_is_counted_over_all_detectors_of_a_bottle() -> None:
    plan = planned(site(detectors=[detector("D-1"), detector("D-2")]))
    need = plan.gas[0]
    assert need.needed_m3 == pytest.approx(sum(d.gas_m3 for d in plan.detectors))
    one = plan.detectors[0]
    assert one.gas_m3 == pytest.approx(0.5e-3 / 60 * (one.gas_s + 10))
    assert need.available_m3 == pytest.approx(1e-3 * 55e5 / 101325)


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"cylinders": []}, "no bottle of CO2"),
        ({"cylinders": [bottle(expires="2026-03-01")]}, "expired on 2026-03-01"),
        ({"cylinders": [bottle(level="4000 ppm")]}, "cannot surely bring the rising high"),
        ({"cylinders": [bottle(level="4150 ppm")]}, "may settle short of high"),
        ({"cylinders": [bottle(level="6000 ppm")]}, "outside the range"),
        ({"cylinders": [bottle(pressure="5 bar")]}, "not above its minimum pressure"),
        ({"cylinders": [bottle(pressure="6 bar")]}, "are needed for D-1"),
        ({"background": [{"gas": "CO2", "low": "400 ppm", "high": "2100 ppm"}]}, "may stand before gas"),
        ({"background": [{"gas": "CO2", "low": "400 ppm", "high": "1700 ppm"}]}, "room's own air may not reach"),
        ({"detectors": [detector(alarms=[LOW, {"name": "lack", "direction": "falling", "set": "300 ppm"}])]}, "apart"),
    ],
)
def test_what_cannot_be_proven_is_refused(changes: dict[str, Any], reason: str) -> None:
    assert reason in refusal(site(**changes))


def test_the_last_day_of_a_bottle_is_good() -> None:
    assert planned(site(cylinders=[bottle(expires="2026-03-02")])).detectors


def test_all_reasons_come_at_once() -> None:
    told = refusal(
        site(
            detectors=[detector("D-1"), detector("D-2", gas="CO"), detector("D-3", gas="NH3")],
            cylinders=[bottle(level="3000 ppm"), bottle("CO", gas="CO", expires="2020-01-01")],
        )
    )
    assert "for 3 reasons" in told
    for expected in ("D-1: bottle BTL", "D-2: bottle CO", "D-3: no bottle of NH3"):
        assert expected in told


@pytest.mark.parametrize(
    "choices", [{"tags": ["D-9"]}, {"live": ["D-1"]}, {"live": ["HORN"]}, {"without": ["D-1.no"]}], ids=str
)
def test_unknown_names_are_refused(choices: dict[str, Any]) -> None:
    with pytest.raises(PlanRefused, match="expected"):
        full(**choices)


def test_one_detector_of_many() -> None:
    plan = planned(ravensmoor(), tags=["O2-1"])
    assert [d.tag for d in plan.detectors] == ["O2-1"]
    assert {step.tag for step in plan.steps} == {None, "O2-1"}
    assert [step.effect for step in plan.steps if step.kind == "inhibit"] == ["STORE-VALVE"]


@pytest.mark.parametrize("made_of", [ravensmoor(), cellar()], ids=["rink", "cellar"])
def test_the_examples_can_be_planned_and_walked(made_of: Any) -> None:
    plan = planned(made_of)
    assert dry_run(plan).faults == ()
    assert Plan.model_validate_json(plan.model_dump_json()) == plan
    assert planned(made_of) == plan
    assert plan.cautions


def test_a_retest_holds_what_fell_short_and_no_more() -> None:
    plan = full(only=["D-1/set-level/high", "D-1/reset/high"])
    assert names(plan) == {
        "D-1/set-level/high", "D-1/reset/high", "D-1/no-stray", "visit/inhibit-lifted", "visit/warned",
    }  # fmt: skip
    assert "fault" not in kinds(plan)


def test_a_retest_of_a_fault_needs_no_gas() -> None:
    plan = full(only=["D-1/fault"])
    assert "gas-on" not in kinds(plan)
    assert "fault" in kinds(plan)
    assert plan.detector("D-1").gas_m3 == 0
    assert dry_run(plan).faults == ()


def test_a_retest_after_a_wrong_span_is_ready_for_an_adjustment() -> None:
    assert {"D-1/span", "D-1/as-left/span"} <= names(full(only=["D-1/span"]))


def test_an_inhibit_that_was_never_proven_is_proven_in_the_retest() -> None:
    plan = full(only=["visit/inhibit-lifted"])
    assert plan.detectors == ()
    assert kinds(plan) == ["caution", "warn", "inhibit", "lift", "prove", "all-clear"]


def test_a_whole_detector_may_be_tested_again() -> None:
    assert names(full(only=["D-1"])) == names(full())


def test_nothing_to_test_is_refused() -> None:
    with pytest.raises(PlanRefused, match="nothing is left"):
        full(only=["visit/warned"], live=["STOP"])

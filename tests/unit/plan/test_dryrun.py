"""The dry run must find what is wrong in a plan that somebody has tampered with."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from gaswitness.plan import Plan, Step, dry_run
from support.planned import planned
from support.rigs import ravensmoor

PLAN = planned(ravensmoor())


def without(kind: str) -> Plan:
    return PLAN.model_copy(update={"steps": tuple(s for s in PLAN.steps if s.kind != kind)})


def moved(kind: str, to: int) -> Plan:
    taken = [s for s in PLAN.steps if s.kind == kind]
    rest = [s for s in PLAN.steps if s.kind != kind]
    return PLAN.model_copy(update={"steps": (*rest[:to], *taken, *rest[to:])})


def changed(step_id: str, change: Callable[[Step], Step]) -> Plan:
    return PLAN.model_copy(update={"steps": tuple(change(s) if s.id == step_id else s for s in PLAN.steps)})


def test_the_plan_as_made_has_no_fault() -> None:
    assert dry_run(PLAN).faults == ()


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (without("caution"), "before cautions are read"),
        (without("warn"), "everybody is warned"),
        (without("gas-off"), "still on at"),
        (without("lift"), "proven before its inhibit is lifted"),
        (without("prove"), "never proven live"),
        (without("all-clear"), "never told that it is over"),
        (without("mend"), "never closed again"),
        (moved("lift", 14), "gas while an inhibit has been lifted"),
        (moved("all-clear", 20), "before the installation is back"),
        (PLAN.model_copy(update={"steps": (*PLAN.steps, PLAN.steps[-1])}), "stands twice"),
        (PLAN.model_copy(update={"criteria": (*PLAN.criteria, PLAN.criteria[0])}), "criterion stands twice"),
        (changed("CO-1/zero", lambda s: s.model_copy(update={"at_most_s": 1.0})), "but at most 1 s"),
        (
            PLAN.model_copy(update={"gas": (PLAN.gas[0].model_copy(update={"needed_m3": 9.0}),)}),
            "BTL-NH3: 9000.0 L needed",
        ),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_plan_gone_wrong_is_found_out(plan: Plan, said: str) -> None:
    assert any(said in fault for fault in dry_run(plan).faults)


def test_time_line_runs_on_and_covers_what_the_detectors_take() -> None:
    walked = dry_run(PLAN)
    at = [moment.at_s for moment in walked.moments]
    assert at == sorted(at)
    visit_s = sum(s.expected_s for s in PLAN.steps if s.tag is None and not s.optional)
    assert walked.total_s == pytest.approx(visit_s + sum(d.duration_s for d in PLAN.detectors), abs=15 * 7)
    assert walked.total_s >= visit_s + sum(d.duration_s for d in PLAN.detectors) - 1


def test_somebody_stands_where_each_effect_can_be_seen() -> None:
    walked = dry_run(PLAN)
    seen = {(w.tag, effect) for w in walked.watches for effect in w.effects}
    for criterion in PLAN.criteria:
        if criterion.kind == "effect":
            assert (criterion.tag, criterion.effect) in seen
    for watch in walked.watches:
        assert {PLAN.site.effect(tag).post for tag in watch.effects} == {watch.post}
        assert watch.from_s < watch.to_s


def longest_gas_m3(plan: Plan) -> dict[str, float]:
    """Gas taken from each bottle if every wait under gas runs to its end."""
    gas: dict[str, float] = {}
    flowing: dict[str | None, str] = {}
    for step in plan.steps:
        if step.optional:
            continue
        if step.kind == "gas-on":
            flowing[step.tag] = step.cylinder or ""
        elif step.kind == "gas-off":
            flowing.pop(step.tag, None)
        else:
            longest_s = step.at_most_s if step.ends != "confirm" else step.expected_s
            for bottle in flowing.values():
                gas[bottle] = gas.get(bottle, 0.0) + longest_s * plan.site.cylinder(bottle).flow_m3_s
    return gas


def test_gas_of_the_longest_waits_is_more_than_usual_and_still_held() -> None:
    longest = longest_gas_m3(PLAN)
    for need in PLAN.gas:
        assert need.needed_m3 < longest[need.cylinder] < need.available_m3

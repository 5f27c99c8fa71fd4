"""Whatever a site looks like, its plan is refused in words or can be carried out safely."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from gaswitness.errors import PlanRefused
from gaswitness.plan import Plan, dry_run
from gaswitness.plan.bottles import carries
from gaswitness.plan.votes import Votes
from gaswitness.site.records import Site
from support.planned import bottle, detector, planned, site

TAGS = ("D-1", "D-2", "D-3")
EFFECTS = ("E-1", "E-2", "E-3")


def ppm(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False).map(lambda v: round(v, 1))


@st.composite
def alarms(draw: st.DrawFn) -> list[dict[str, Any]]:
    levels = draw(st.lists(ppm(1100, 4400), max_size=3, unique=True))
    falling = draw(st.booleans()) and draw(st.booleans())
    return [
        {
            "name": name,
            "direction": "falling" if falling else "rising",
            "set": f"{level} ppm",
            "deadband": draw(st.sampled_from(["0 ppm", "5 % of set", "20 % of set", "3 % of range"])),
            "on_delay": f"{draw(st.integers(0, 20))} s",
            "off_delay": f"{draw(st.integers(0, 20))} s",
            "latching": draw(st.booleans()),
        }
        for name, level in zip(("low", "high", "third"), sorted(levels), strict=False)
    ]


@st.composite
def sites(draw: st.DrawFn) -> Site:
    low = draw(ppm(0, 900))
    detectors = []
    for tag in TAGS[: draw(st.integers(1, 3))]:
        t90 = draw(st.integers(15, 400))
        own = {"t90": f"{t90} s", "dead_time": f"{draw(st.integers(0, t90 // 3))} s", "alarms": draw(alarms())}
        detectors.append(detector(tag, noise=f"{draw(st.sampled_from([0, 5, 60]))} ppm", **own))
    causes = [f"{d['tag']}.{a['name']}" for d in detectors for a in d["alarms"]] + [f"{detectors[0]['tag']}.fault"]
    groups = []
    points = [cause for cause in causes if not cause.endswith("fault")]
    if len(points) > 1 and draw(st.booleans()):
        rule = draw(st.sampled_from(["votes", "ignored", "reduces"]))
        groups.append({"tag": "VOTE", "members": points, "need": draw(st.integers(1, len(points))), "faulty": rule})
        causes.append("VOTE")
    effects = [
        {
            "tag": tag,
            "name": f"Effect {tag}",
            "kind": draw(st.sampled_from(["lamp", "sounder", "relay", "fan"])),
            "post": "DOOR",
            "hold": f"{draw(st.sampled_from([0, 30, 900]))} s",
            "silenceable": draw(st.booleans()),
            "needs_reset": draw(st.booleans()),
            "inhibitable": draw(st.booleans()),
        }
        for tag in EFFECTS[: draw(st.integers(0, 3))]
    ]
    matrix = [
        {
            "causes": draw(st.lists(st.sampled_from(causes), min_size=1, max_size=3, unique=True)),
            "effect": draw(st.sampled_from(effects))["tag"],
            "within": f"{draw(st.integers(1, 60))} s",
            "need": draw(st.sampled_from(["any", "any", "all"])),
        }
        for _ in range(draw(st.integers(0, 4)) if effects else 0)
    ]
    bottles = [
        bottle(
            f"B-{i}",
            level=f"{draw(st.one_of(ppm(4500, 5000), ppm(200, 5200)))} ppm",
            pressure=f"{draw(st.sampled_from([5, 8, 60, 150]))} bar",
            **draw(st.sampled_from([{}, {"manifold_flow": "1 L/min"}, {"manifold_flow": "2 L/min"}])),
        )
        for i in range(draw(st.integers(1, 3)))
    ]
    return site(
        background=[{"gas": "CO2", "low": f"{low} ppm", "high": f"{low + draw(ppm(0, 600))} ppm"}],
        detectors=detectors,
        groups=groups,
        effects=effects,
        matrix=matrix,
        cylinders=bottles,
        warn=[{"role": f"Role {i}"} for i in range(draw(st.integers(0, 2)))],
    )


def plan_of(made_of: Site, **choices: Any) -> Plan:
    try:
        return planned(made_of, **choices)
    except PlanRefused:
        assume(False)
        raise


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sites())
def test_a_plan_is_refused_or_safe(made_of: Site) -> None:
    plan = plan_of(made_of)
    assert dry_run(plan).faults == ()
    kinds = [step.kind for step in plan.steps if step.kind != "bottle"]  # gauges are read when inhibits are off
    gas = [i for i, kind in enumerate(kinds) if kind == "gas-on"]
    assert gas
    before = ("caution", "warn", "inhibit")
    assert all(i < gas[0] for i, kind in enumerate(kinds) if kind in before)
    closing = [i for i, kind in enumerate(kinds) if kind in ("lift", "prove", "all-clear")]
    assert closing == list(range(len(kinds) - len(closing), len(kinds)))
    assert kinds.count("inhibit") == kinds.count("lift") == kinds.count("prove")
    assert kinds.count("warn") == kinds.count("all-clear") == len(made_of.warn)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sites())
def test_every_point_and_every_line_is_claimed_or_named_as_not_shown(made_of: Site) -> None:
    plan = plan_of(made_of)
    claimed = {criterion.id for criterion in plan.criteria}
    inhibited = {step.effect for step in plan.steps if step.kind == "inhibit"}
    for own in made_of.detectors:
        for point in own.alarms:
            assert f"{own.tag}/set-level/{point.name}" in claimed
            assert (f"{own.tag}/reset/{point.name}" in claimed) is point.latching
    brought = {(c.tag, c.point, c.effect) for c in plan.criteria if c.kind == "effect"}
    assert not {effect for _, _, effect in brought} & inhibited
    silent = {(n.cause, n.effect) for n in plan.not_shown}
    for line in made_of.matrix:
        if line.need == "all":
            continue
        for cause in line.causes:
            owner, _, point = cause.partition(".")
            shown = (owner, point, line.effect) in brought
            if cause == "VOTE":
                voted = {c.effect for c in plan.criteria if c.kind == "vote-acts"}
                shown = any(effect == line.effect for _, _, effect in brought) or line.effect in voted
            assert shown or (cause, line.effect) in silent


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sites())
def test_figures_of_a_plan_hang_together(made_of: Site) -> None:
    plan = plan_of(made_of)
    for own in plan.detectors:
        assert own.gas_m3 > 0
        for point in own.points:
            assert 0 <= point.set_s[0] <= point.set_s[1]
            assert point.clear_s is None or 0 <= point.clear_s[0] <= point.clear_s[1]
            assert point.set_s[1] <= own.gas_s + 60 or point.set_s[1] <= 2 * own.gas_s
    for need in plan.gas:
        assert need.needed_m3 <= need.available_m3
    for criterion in plan.criteria:
        if criterion.lower is not None and criterion.upper is not None:
            assert criterion.lower <= criterion.upper
    assert Plan.model_validate_json(plan.model_dump_json()) == plan


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sites(), st.sampled_from([None, "first", "all"]))
def test_a_plan_with_all_at_once_is_refused_or_safe(made_of: Site, votes: Votes | None) -> None:
    tags = [own.tag for own in made_of.detectors]
    plan = plan_of(made_of, together=[tags] if len(tags) > 1 else [], votes=votes)
    assert dry_run(plan).faults == ()
    named = {bout.bout: bout for bout in plan.bouts}
    assert {step.bout for step in plan.steps if step.bout} == set(named)
    for bout in plan.bouts:
        assert all(carries(made_of.cylinder(load.cylinder), load.caps) for load in bout.loads)
        kinds = [step.kind for step in plan.steps if step.bout == bout.bout]
        assert kinds.count("gas-on") == kinds.count("gas-off") == len(bout.tags)
        assert kinds.count("fault") == kinds.count("mend")
    for group in plan.groups:
        assert {c.kind for c in plan.criteria if c.group == group.tag} >= {"vote-acts", "vote-clears", "no-stray"}
        assert not set(group.effects) & {step.effect for step in plan.steps if step.kind == "inhibit"}

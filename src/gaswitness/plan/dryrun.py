"""Walk a plan with nothing connected: when each step comes, who stands where, what is amiss."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from gaswitness.plan.bottles import carries
from gaswitness.plan.records import Plan, Step


@dataclass(frozen=True, slots=True)
class Moment:
    """One step on the time line of a visit that goes as usual."""

    at_s: float
    step: Step


@dataclass(frozen=True, slots=True)
class Watch:
    """Somebody is needed at a post to see these effects of one detector's test."""

    post: str
    tag: str
    from_s: float
    to_s: float
    effects: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DryRun:
    """A visit as it should go, and everything in the plan that would go wrong."""

    moments: tuple[Moment, ...]
    total_s: float
    """Usual length of the whole visit, with walking and changes of bottle."""
    watches: tuple[Watch, ...]
    faults: tuple[str, ...]


@dataclass
class _Walk:
    faults: list[str] = field(default_factory=list)
    caution: bool = False
    told: dict[str, bool] = field(default_factory=dict)
    inhibits: dict[str, str] = field(default_factory=dict)
    open_at: dict[str, str | None] = field(default_factory=dict)
    """Bout in which gas was put on, by detector; none for one that is tested alone."""
    opened: set[str] = field(default_factory=set)


def dry_run(plan: Plan) -> DryRun:
    """Go through every step in order, taking each as long as usual. Steps for an adjustment are left out of the time
    and of the gas, and are checked like all others."""
    moments: list[Moment] = []
    at_s = 0.0
    set_up_s = dict(_set_up(plan))
    watches: dict[tuple[str, str], Watch] = {}
    for step in plan.steps:
        at_s += set_up_s.pop(step.bout if step.group and step.bout else step.tag or "", 0.0)
        moments.append(Moment(at_s, step))
        if step.optional:
            continue
        end_s = at_s + max(step.expected_s, step.at_least_s)
        for effect in step.watch:
            post, key = plan.site.effect(effect).post, step.group or step.tag or "visit"
            seen = watches.get((post, key))
            effects = (*seen.effects, effect) if seen else (effect,)
            from_s = seen.from_s if seen else at_s
            watches[post, key] = Watch(post, key, from_s, end_s, tuple(dict.fromkeys(effects)))
        at_s = end_s
    return DryRun(
        moments=tuple(moments),
        total_s=at_s,
        watches=tuple(sorted(watches.values(), key=lambda w: w.from_s)),
        faults=tuple(_faults(plan)),
    )


def _set_up(plan: Plan) -> Iterator[tuple[str, float]]:
    """Time before the first step at each detector, and of each round of a group trial, that no step accounts for."""
    for detector in plan.detectors:
        own = [s for s in plan.steps if s.tag == detector.tag and s.group is None and not s.optional]
        yield detector.tag, max(0.0, detector.duration_s - sum(max(s.expected_s, s.at_least_s) for s in own))
    for bout in plan.bouts:
        if bout.group is not None:
            within = [s for s in plan.steps if s.bout == bout.bout]
            yield bout.bout, max(0.0, bout.duration_s - sum(max(s.expected_s, s.at_least_s) for s in within))


def _faults(plan: Plan) -> list[str]:
    walk = _Walk()
    seen: set[str] = set()
    for step in plan.steps:
        if step.id in seen:
            walk.faults.append(f"{step.id}: stands twice in the plan")
        seen.add(step.id)
        if step.at_least_s > step.at_most_s:
            walk.faults.append(f"{step.id}: at least {step.at_least_s:g} s, but at most {step.at_most_s:g} s")
        _check(plan, walk, step)
    ids = [criterion.id for criterion in plan.criteria]
    walk.faults += [f"{name}: criterion stands twice" for name in sorted({i for i in ids if ids.count(i) > 1})]
    walk.faults += [f"gas at {tag} is never shut" for tag in walk.open_at]
    walk.faults += [f"the signal of {tag} is never closed again" for tag in sorted(walk.opened)]
    walk.faults += [f"{e} is {how} and never proven live" for e, how in walk.inhibits.items() if how != "proven"]
    walk.faults += [f"{role} is never told that it is over" for role, waiting in walk.told.items() if waiting]
    for need in plan.gas:
        if need.needed_m3 > need.available_m3:
            walk.faults.append(
                f"{need.cylinder}: {need.needed_m3 * 1e3:.1f} L needed, {need.available_m3 * 1e3:.1f} L held"
            )
    return walk.faults


def _check(plan: Plan, walk: _Walk, step: Step) -> None:
    match step.kind:
        case "caution":
            walk.caution = True
        case "warn":
            walk.told[step.role or ""] = True
        case "inhibit":
            walk.inhibits[step.effect or ""] = "inhibited"
        case "lift":
            walk.inhibits[step.effect or ""] = "lifted"
        case "prove":
            if walk.inhibits.get(step.effect or "") != "lifted":
                walk.faults.append(f"{step.id}: proven before its inhibit is lifted")
            walk.inhibits[step.effect or ""] = "proven"
        case "all-clear":
            if walk.open_at or walk.opened or any(how != "proven" for how in walk.inhibits.values()):
                walk.faults.append(f"{step.id}: told before the installation is back as it was")
            walk.told[step.role or ""] = False
        case "gas-on":
            missing = [r.role for r in plan.site.warn if not walk.told.get(r.role)]
            if not walk.caution or missing:
                walk.faults.append(f"{step.id}: gas before cautions are read and everybody is warned")
            if any(how != "inhibited" for how in walk.inhibits.values()):
                walk.faults.append(f"{step.id}: gas while an inhibit has been lifted")
            strange = [tag for tag, bout in walk.open_at.items() if step.bout is None or bout != step.bout]
            walk.faults += [f"{step.id}: gas is still on at {tag}" for tag in strange]
            walk.open_at[step.tag or ""] = step.bout
            walk.faults += _overdrawn(plan, walk, step)
        case "gas-off":
            if walk.open_at.pop(step.tag or "", "") == "":
                walk.faults.append(f"{step.id}: gas is not on there")
        case "fault":
            walk.opened.add(step.tag or "")
        case "mend":
            walk.opened.discard(step.tag or "")


def _overdrawn(plan: Plan, walk: _Walk, opened: Step) -> list[str]:
    """Bottles that cannot feed all the caps that hang on them in this bout."""
    if len(walk.open_at) == 1:
        return []
    loads = [load for bout in plan.bouts if bout.bout == opened.bout for load in bout.loads]
    if not loads:
        return [f"{opened.id}: several caps, and the plan names no bout"]
    return [
        f"{opened.id}: {load.cylinder} cannot feed {load.caps} caps at once"
        for load in loads
        if not carries(plan.site.cylinder(load.cylinder), load.caps)
    ]

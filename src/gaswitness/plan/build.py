"""Make a plan out of a site: which bottle, which order, which steps, which criteria; or say why it cannot be done."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from gaswitness.errors import Fault, PlanRefused
from gaswitness.gases import cautions
from gaswitness.plan.bottles import choose_bottle, gas_needs
from gaswitness.plan.criteria import detector_criteria, visit_criteria
from gaswitness.plan.forecast import Forecast, Spread, air_shows, forecast, room_reads, shown_on
from gaswitness.plan.lines import FAULT, Reach, has_fault_signal, in_order, reach
from gaswitness.plan.records import Criterion, DetectorPlan, GasNeed, NotShown, Plan, Step
from gaswitness.plan.sounds import AUDIBLE, Listening, listenings
from gaswitness.plan.steps import BOTTLE_CHANGE_S, SETUP_S, detector_steps, listen_s, visit_closing, visit_opening
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector, Effect, Site
from gaswitness.wording import level, number

PURGE_S = 10.0
"""Gas let through regulator and tube before each use: assumed, no source."""

GENERAL_CAUTIONS = (
    "This plan gives no leave to work: permits, site rules and local codes come first.",
    "A detector under test guards nobody: agree who watches the place meanwhile.",
    "Whatever is inhibited does not act in a real leak: if one is suspected, stop and lift the inhibits at once.",
)


@dataclass(frozen=True, slots=True)
class _Job:
    """One detector with all that was found out about its test."""

    detector: Detector
    cylinder: Cylinder
    points: tuple[AlarmPointSpec, ...]
    reach: Reach
    expected: Forecast
    gas: bool
    fault: bool


def build_plan(
    site: Site,
    *,
    tags: Collection[str] | None = None,
    made: datetime,
    today: date,
    live: Collection[str] = (),
    without: Collection[str] = (),
    retest_of: str | None = None,
    only: Collection[str] | None = None,
    spread: Spread | None = None,
) -> Plan:
    """Plan a visit. Deterministic: the same site, choices and instant give the same plan.

    `tags`: detectors to be tested, all by default. `live`: inhibitable effects that may really act, hence are not
    inhibited. `without`: alarm points (`TAG.point`) deliberately left out. `retest_of` and `only`: the ledger whose
    shortfalls are tested again, and the criteria or detectors that fell short; all else is left out.

    Raises `PlanRefused` with every reason at once if the plan could not prove what it claims.
    """
    spread = spread or Spread()
    reasons = _unknown_names(site, tags, live, without)
    if reasons:
        raise PlanRefused(_told(reasons), hint="names are case-sensitive; `gaswitness check` lists the site")
    if only is not None:
        only = {*only, *_sounding(site, only, frozenset(live))}
        from_only = {name.partition("/")[0] for name in only}
        tags = [d.tag for d in site.detectors if d.tag in from_only and (tags is None or d.tag in tags)]
    wanted = [d for d in site.detectors if tags is None or d.tag in tags]
    jobs: list[_Job] = []
    for detector in wanted:
        points = in_order([p for p in detector.alarms if f"{detector.tag}.{p.name}" not in without])
        job = _plan_detector(site, detector, points, today, frozenset(live), only, spread)
        if isinstance(job, _Job):
            jobs.append(job)
        else:
            reasons += job
    jobs = _ordered(site, jobs)
    heard = listenings(site, [(job.detector.tag, job.reach) for job in jobs if job.gas])
    heard = tuple(one for one in heard if only is None or f"{AUDIBLE}/{one.post.tag}" in only)
    plans = _detector_plans(site, jobs, heard)
    needs = gas_needs(site, plans)
    reasons += _short_of_gas(site, plans, needs)
    inhibited = _inhibited(site, jobs, frozenset(live), only)
    if not reasons and not jobs and not inhibited:
        reasons.append(Fault(path="$.detectors", message="nothing is left to be tested"))
    if reasons:
        raise PlanRefused(
            _told(reasons),
            hint="mend the site or the bottles, or leave a point out by name and it will stand as not tested",
        )

    bottles = [need.cylinder for need in needs if need.needed_m3 > 0]
    steps: list[Step] = [*visit_opening(site, inhibited, site.warn, bottles)]
    criteria: list[Criterion] = []
    not_shown: list[NotShown] = []
    for job in jobs:
        steps += _steps(site, job, heard)
        own = detector_criteria(site, job.detector, job.cylinder, job.points, job.reach, job.expected, fault=job.fault)
        criteria += _kept(own, job, only)
        not_shown += job.reach.not_shown
    steps += visit_closing(site, inhibited, site.warn, bottles)
    criteria += visit_criteria([e.tag for e in inhibited], [r.role for r in site.warn], heard)
    left_out = [NotShown(cause=name, why="left out of this plan by choice") for name in sorted(without)]
    return Plan(
        made=made.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        site=site,
        detectors=tuple(plans),
        steps=tuple(steps),
        criteria=tuple(criteria),
        cautions=_cautions(site, jobs),
        retest_of=retest_of,
        not_shown=tuple(dict.fromkeys([*left_out, *not_shown])),
        gas=needs,
        assumptions=_assumptions(spread),
    )


def _told(reasons: Sequence[Fault]) -> str:
    count = f"{len(reasons)} reason" + ("s" if len(reasons) != 1 else "")
    return "\n".join([f"this plan cannot be made, for {count}", *(f"{r.path}: {r.message}" for r in reasons)])


def _unknown_names(
    site: Site, tags: Collection[str] | None, live: Collection[str], without: Collection[str]
) -> list[Fault]:
    detectors = {d.tag for d in site.detectors}
    effects = {e.tag: e for e in site.effects}
    points = {f"{d.tag}.{p.name}" for d in site.detectors for p in d.alarms}
    known = ", ".join(sorted(detectors))
    faults = [
        Fault(path=tag, message=f"found {tag!r}, expected a detector of this site ({known})")
        for tag in tags or ()
        if tag not in detectors
    ]
    faults += [
        Fault(path=tag, message=f"found {tag!r}, expected an inhibitable effect of this site")
        for tag in live
        if tag not in effects or not effects[tag].inhibitable
    ]
    faults += [
        Fault(path=name, message=f"found {name!r}, expected an alarm point written TAG.point")
        for name in without
        if name not in points
    ]
    return faults


def _plan_detector(
    site: Site,
    detector: Detector,
    points: tuple[AlarmPointSpec, ...],
    today: date,
    live: frozenset[str],
    only: Collection[str] | None,
    spread: Spread,
) -> _Job | list[Fault]:
    tag = detector.tag
    faults = _impossible(site, detector, points)
    cylinder, why_not = choose_bottle(site, detector, points, today)
    if cylinder is None:
        faults += [Fault(path=tag, message=reason) for reason in why_not]
    if cylinder is None or faults:
        return faults
    expected = forecast(site, detector, cylinder, points, spread=spread)
    for point, times in zip(points, expected.points, strict=True):
        if not math.isfinite(times.set_s[1]):
            message = (
                f"on bottle {cylinder.tag} the reading may settle short of {point.name}, set at "
                f"{level(detector, point.set_ppm)}"
            )
            faults.append(Fault(path=f"{tag}.{point.name}", message=message))
    if faults:
        return faults
    gas, fault = True, has_fault_signal(site, tag)
    if only is not None and tag not in only:
        own = [name.partition("/")[2] for name in only if name.startswith(f"{tag}/")]
        about_fault = [name for name in own if name == FAULT or name.split("/")[1:2] == [FAULT]]
        gas = len(about_fault) < len(own)
        fault = fault and bool(about_fault)
    return _Job(detector, cylinder, points, reach(site, detector, points, live), expected, gas, fault)


def _impossible(site: Site, detector: Detector, points: Sequence[AlarmPointSpec]) -> list[Fault]:
    """What no bottle could mend."""
    low_ppm, high_ppm = room_reads(site, detector)
    faults: list[Fault] = []
    if len({p.direction for p in points}) > 1:
        faults.append(
            Fault(
                path=detector.tag,
                message="has rising and falling alarms, which one bottle cannot show; plan each side apart",
            )
        )
    for point in points:
        stands = point.set_ppm <= high_ppm if point.direction == "rising" else point.set_ppm >= low_ppm
        if stands:
            message = (
                f"{point.direction} {point.name} is set at {level(detector, point.set_ppm)}, which the room's own air "
                "may hold: it may stand before gas is given"
            )
            faults.append(Fault(path=f"{detector.tag}.{point.name}", message=message))
            continue
        clear_ppm = point.clear_ppm(detector.range_ppm)
        stuck = clear_ppm <= high_ppm if point.direction == "rising" else clear_ppm >= low_ppm
        if stuck:
            message = f"{point.name} clears beyond {level(detector, clear_ppm)}, which the room's own air may not reach"
            faults.append(Fault(path=f"{detector.tag}.{point.name}", message=message))
    if faults and abs(air_shows(site, detector) - 1.0) > 0.01:
        message = (
            f"in the site's usual air it shows {air_shows(site, detector):.3g} times what is there; state "
            "corrects_pressure where it corrects for that, or was adjusted at the site"
        )
        faults.append(Fault(path=detector.tag, message=message))
    return faults


def _ordered(site: Site, jobs: Sequence[_Job]) -> list[_Job]:
    """By bottle, so that each is fetched once; bottles by the first area they are used in, areas as the site lists
    them."""
    area = {a.tag: i for i, a in enumerate(site.areas)}
    place = {d.tag: i for i, d in enumerate(site.detectors)}
    first: dict[str, int] = {}
    for job in jobs:
        at = area.get(job.detector.area, len(area))
        first[job.cylinder.tag] = min(at, first.get(job.cylinder.tag, at))
    return sorted(
        jobs,
        key=lambda j: (
            first[j.cylinder.tag],
            j.cylinder.tag,
            area.get(j.detector.area, len(area)),
            place[j.detector.tag],
        ),
    )


def _sounding(site: Site, only: Collection[str], live: frozenset[str]) -> set[str]:
    """Detectors that must be tested again so that sounders sound at the posts that fell short."""
    tests = [(d.tag, reach(site, d, in_order(d.alarms), live)) for d in site.detectors]
    return {one.tag for one in listenings(site, tests) if f"{AUDIBLE}/{one.post.tag}" in only}


def _steps(site: Site, job: _Job, heard: Sequence[Listening]) -> tuple[Step, ...]:
    return detector_steps(
        site,
        job.detector,
        job.cylinder,
        job.points,
        job.reach,
        job.expected,
        gas=job.gas,
        fault=job.fault,
        listenings=[one for one in heard if one.tag == job.detector.tag],
    )


def _detector_plans(site: Site, jobs: Sequence[_Job], heard: Sequence[Listening]) -> list[DetectorPlan]:
    plans: list[DetectorPlan] = []
    before: str | None = None
    for job in jobs:
        steps = _steps(site, job, heard)
        listening_s = sum(listen_s(one) for one in heard if one.tag == job.detector.tag)
        duration_s = SETUP_S + sum(step.expected_s for step in steps if not step.optional)
        duration_s += BOTTLE_CHANGE_S if job.gas and job.cylinder.tag != before else 0.0
        before = job.cylinder.tag if job.gas else before
        plans.append(
            DetectorPlan(
                tag=job.detector.tag,
                cylinder=job.cylinder.tag,
                bottle_ppm=shown_on(site, job.detector, job.cylinder),
                background_ppm=room_reads(site, job.detector),
                gas_s=job.expected.gas_s if job.gas else 0.0,
                gas_m3=job.cylinder.flow_m3_s * (job.expected.gas_s + listening_s + PURGE_S) if job.gas else 0.0,
                duration_s=round(duration_s, 1),
                curve=job.expected.curve,
                points=job.expected.points,
            )
        )
    return plans


def _short_of_gas(site: Site, plans: Sequence[DetectorPlan], needs: Sequence[GasNeed]) -> list[Fault]:
    faults: list[Fault] = []
    for need in needs:
        if need.needed_m3 > need.available_m3:
            users = ", ".join(p.tag for p in plans if p.cylinder == need.cylinder)
            bottle = site.cylinder(need.cylinder)
            faults.append(
                Fault(
                    path=need.cylinder,
                    message=f"holds {number(need.available_m3 * 1e3)} L above its minimum pressure of "
                    f"{number(bottle.min_pressure_pa / 1e5)} bar, and {number(need.needed_m3 * 1e3)} L are needed for "
                    f"{users}",
                )
            )
    return faults


def _inhibited(
    site: Site, jobs: Sequence[_Job], live: frozenset[str], only: Collection[str] | None
) -> tuple[Effect, ...]:
    driven = {effect.tag for job in jobs for effect in job.reach.driven}
    if only is not None and "visit/inhibit-lifted" in only:
        driven |= {effect.tag for effect in site.effects}
    return tuple(e for e in site.effects if e.inhibitable and e.tag in driven and e.tag not in live)


def _kept(criteria: Sequence[Criterion], job: _Job, only: Collection[str] | None) -> list[Criterion]:
    tag = job.detector.tag
    if only is None or tag in only:
        return list(criteria)
    always = {"no-stray"} | ({"as-left"} if f"{tag}/zero" in only or f"{tag}/span" in only else set())
    return [c for c in criteria if c.id in only or c.id.split("/")[1] in always]


def _cautions(site: Site, jobs: Sequence[_Job]) -> tuple[str, ...]:
    told: list[str] = []
    for cylinder in dict.fromkeys(job.cylinder.tag for job in jobs):
        bottle = site.cylinder(cylinder)
        told += [f"{cylinder}: {text}" for text in cautions(bottle.gas, bottle.level_ppm, bottle.balance)]
    if not site.warn:
        told.append("The site names nobody to be warned: find out who must be told before an alarm is made.")
    return tuple(dict.fromkeys([*told, *GENERAL_CAUTIONS]))


def _assumptions(spread: Spread) -> tuple[str, ...]:
    return (
        *spread.sentences(),
        f"{SETUP_S / 60:g} min a detector for walking and setting up, {BOTTLE_CHANGE_S / 60:g} min a change of bottle, "
        f"{PURGE_S:g} s of gas to purge regulator and tube (assumed).",
        "Gas needed is counted for as found only; an adjustment takes about as much again.",
    )

"""Make a plan out of a site: which bottle, which order, which steps, which criteria; or say why it cannot be done."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

from gaswitness.errors import Fault, PlanRefused
from gaswitness.gases import cautions
from gaswitness.plan.bottles import PURGE_S, choose_bottle, gas_needs
from gaswitness.plan.bouts import Member, bout_name, bout_record, bout_steps, claims_of, fed_at_once, gas_s_of, short_of
from gaswitness.plan.criteria import detector_criteria, visit_criteria
from gaswitness.plan.forecast import Forecast, Spread, forecast, room_reads, shown_on
from gaswitness.plan.lines import FAULT, Reach, has_fault_signal, in_order, reach
from gaswitness.plan.records import Bout, Criterion, DetectorPlan, NotShown, Plan, Step
from gaswitness.plan.refusals import impossible, short_of_gas, told_together, unfit_together, unknown_names
from gaswitness.plan.sounds import AUDIBLE, Listening, listenings
from gaswitness.plan.steps import BOTTLE_CHANGE_S, SETUP_S, detector_steps, listen_s
from gaswitness.plan.visits import visit_closing, visit_opening
from gaswitness.plan.votes import Votes, group_trials, still_not_shown, votes_brought
from gaswitness.sentence import Sentence, figure, said
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector, Effect, Site

GENERAL_CAUTIONS = (
    said("This plan gives no leave to work: permits, site rules and local codes come first."),
    said("A detector under test guards nobody: agree who watches the place meanwhile."),
    said("Whatever is inhibited does not act in a real leak: if one is suspected, stop and lift the inhibits at once."),
)

AT_ONCE_CAUTIONS = (
    said(
        "Several detectors stand under gas at once and guard nobody. Whatever alarms elsewhere "
        "is real: shut all gas, act."
    ),
    said("More gas runs out of several caps than out of one: air the room, and watch the air where people work."),
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

    @property
    def tag(self) -> str:
        """Tag of the detector."""
        return self.detector.tag

    @property
    def member(self) -> Member:
        """What a bout or a group trial needs to know of it."""
        return Member(self.detector, self.cylinder, self.points, self.reach, self.expected, self.fault)


@dataclass(frozen=True, slots=True)
class _Turn:
    """One detector tested by itself, or several in one bout."""

    jobs: tuple[_Job, ...]
    apart: tuple[bool, ...] = ()
    """Of each whether a later one brings effects of it too."""

    @property
    def members(self) -> list[Member]:
        """Those of a bout; none where one is tested by itself."""
        return [job.member for job in self.jobs] if len(self.jobs) > 1 else []

    @property
    def bout(self) -> str | None:
        """Name of the bout, where it is one."""
        return bout_name([job.tag for job in self.jobs]) if len(self.jobs) > 1 else None


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
    together: Sequence[Sequence[str]] = (),
    votes: Votes | None = None,
) -> Plan:
    """Plan a visit. Deterministic: the same site, choices and instant give the same plan.

    `tags`: detectors to be tested, all by default. `live`: inhibitable effects that may really act, hence are not
    inhibited. `without`: alarm points (`TAG.point`) deliberately left out. `retest_of` and `only`: the ledger whose
    shortfalls are tested again, and the criteria or detectors that fell short; all else is left out. `together`:
    detectors that get gas at once, one bout each. `votes`: how far vote groups are shown that no detector alone can
    show; left open, as far as caps and bottles allow it.

    Raises `PlanRefused` with every reason at once if the plan could not prove what it claims.
    """
    spread = spread or Spread()
    reasons = unknown_names(site, tags, live, without) + unfit_together(site, tags, together)
    if reasons:
        raise PlanRefused(
            told_together(reasons), hint=said("names are case-sensitive; `gaswitness check` lists the site")
        )
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
    turns, at_once = _turns(site, _ordered(site, jobs), together, today, spread)
    reasons += at_once
    jobs = [job for turn in turns for job in turn.jobs]
    heard = listenings(site, [(job.detector.tag, job.reach) for job in jobs if job.gas])
    heard = tuple(one for one in heard if only is None or f"{AUDIBLE}/{one.post.tag}" in only)
    plans = _detector_plans(site, turns, heard)
    members = [job.member for job in jobs if job.gas]
    if only is not None:
        members = _voters(site, only, without, today, frozenset(live), spread)
    trials, refused, unvoted = group_trials(
        site, members, live=frozenset(live), votes=votes, only=only, today=today, spread=spread, used=plans
    )
    reasons += refused
    needs = gas_needs(site, [*plans, *(part for trial in trials for part in trial.plan.parts)])
    reasons += short_of_gas(site, plans, needs)
    inhibited = _inhibited(
        site, [*(job.reach for job in jobs), *(m.reach for m in members if trials)], frozenset(live), only
    )
    if not reasons and not jobs and not inhibited and not trials:
        reasons.append(Fault(path="$.detectors", message=said("nothing is left to be tested")))
    if reasons:
        raise PlanRefused(
            told_together(reasons),
            hint=said("mend the site or the bottles, or leave a point out by name and it will stand as not tested"),
        )

    bottles = [need.cylinder for need in needs if need.needed_m3 > 0]
    steps: list[Step] = [*visit_opening(site, inhibited, site.warn, bottles)]
    criteria: list[Criterion] = []
    not_shown: list[NotShown] = []
    bouts: list[Bout] = []
    for turn in turns:
        steps += (own_steps := _steps(site, turn, heard))
        if turn.bout is not None:
            minutes_s = sum(plan.duration_s for plan in plans if plan.tag in {job.tag for job in turn.jobs})
            tags_of = [job.tag for job in turn.jobs]
            bottles_of = [job.cylinder for job in turn.jobs]
            bouts.append(bout_record(site, turn.bout, tags_of, bottles_of, [s for s in own_steps if s.bout], minutes_s))
    for job in jobs:
        own = detector_criteria(site, job.detector, job.cylinder, job.points, job.reach, job.expected, fault=job.fault)
        criteria += _kept(own, job, only)
        not_shown += job.reach.not_shown
    for trial in trials:
        steps += trial.steps
        criteria += [c for c in trial.criteria if only is None or _wanted_again(c, only)]
        bouts += trial.bouts
    steps += visit_closing(site, inhibited, site.warn, bottles)
    criteria += visit_criteria([e.tag for e in inhibited], [r.role for r in site.warn], heard)
    left_out = [NotShown(cause=name, why=said("left out of this plan by choice")) for name in sorted(without)]
    plan = Plan(
        made=made.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        site=site,
        detectors=tuple(plans),
        steps=tuple(steps),
        criteria=tuple(criteria),
        cautions=_cautions(
            site,
            [need.cylinder for need in needs],
            at_once=bool(bouts),
            votes=[text for turn in turns for text in votes_brought(site, turn.members, frozenset(live))],
        ),
        retest_of=retest_of,
        not_shown=tuple(dict.fromkeys([*left_out, *still_not_shown(not_shown, trials, unvoted)])),
        gas=needs,
        assumptions=_assumptions(spread),
        bouts=tuple(bouts),
        groups=tuple(trial.plan for trial in trials),
    )
    return plan.model_copy(update={"wording": _wording(plan)})


def _wording(plan: Plan) -> tuple[Sentence, ...]:
    texts = [*plan.cautions, *(step.text for step in plan.steps), *(one.text for one in plan.criteria)]
    texts += [*(one.why for one in plan.not_shown), *plan.assumptions]
    return tuple(text for text in dict.fromkeys(texts) if isinstance(text, Sentence))


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
    faults = impossible(site, detector, points)
    cylinder, why_not = choose_bottle(site, detector, points, today)
    if cylinder is None:
        faults += [Fault(path=tag, message=reason) for reason in why_not]
    if cylinder is None or faults:
        return faults
    expected = forecast(site, detector, cylinder, points, spread=spread)
    short = short_of(detector, cylinder, points, expected)
    if short:
        return [Fault(path=f"{tag}.{point}", message=message) for point, message in short.items()]
    gas, fault = True, has_fault_signal(site, tag)
    if only is not None and tag not in only:
        own = [name.partition("/")[2] for name in only if name.startswith(f"{tag}/")]
        about_fault = [name for name in own if name == FAULT or name.split("/")[1:2] == [FAULT]]
        gas = len(about_fault) < len(own)
        fault = fault and bool(about_fault)
    return _Job(detector, cylinder, points, reach(site, detector, points, live), expected, gas, fault)


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


def _steps(site: Site, turn: _Turn, heard: Sequence[Listening]) -> tuple[Step, ...]:
    if turn.bout is not None:
        return bout_steps(site, [job.member for job in turn.jobs], turn.apart, heard)
    job = turn.jobs[0]
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


def _turns(
    site: Site, jobs: Sequence[_Job], together: Sequence[Sequence[str]], today: date, spread: Spread
) -> tuple[list[_Turn], list[Fault]]:
    """Detectors in order of the visit; those of a bout where the first of them stands."""
    by_tag = {job.tag: job for job in jobs}
    bouts = [[by_tag[tag] for tag in tags if tag in by_tag and by_tag[tag].gas] for tags in together]
    bouts = [bout for bout in bouts if len(bout) > 1]
    faults: list[Fault] = []
    turns: list[_Turn] = []
    for job in jobs:
        bout = next((bout for bout in bouts if any(one.tag == job.tag for one in bout)), None)
        if bout is None:
            turns.append(_Turn((job,)))
        elif bout[0].tag == job.tag or all(one.tag != bout[0].tag for turn in turns for one in turn.jobs):
            if any(one.tag == job.tag for turn in turns for one in turn.jobs):
                continue
            turn = _bout(site, bout, today, spread)
            if isinstance(turn, _Turn):
                turns.append(turn)
            else:
                faults += turn
    return turns, list(dict.fromkeys(faults))


def _bout(site: Site, jobs: Sequence[_Job], today: date, spread: Spread) -> _Turn | list[Fault]:
    """These detectors with bottles that feed them at once, and with what each of them can claim to show."""
    found = fed_at_once(site, [job.member for job in jobs], today, spread)
    if isinstance(found, tuple):
        return [Fault(path=bout_name([job.tag for job in jobs]), message=reason) for reason in found]
    fed = list(found.values())
    apart = tuple(any(later.brings & one.brings for later in fed[place + 1 :]) for place, one in enumerate(fed))
    claimed = claims_of(fed)
    new = tuple(
        replace(job, cylinder=m.cylinder, reach=m.reach, expected=m.expected)
        for job, m in zip(jobs, claimed, strict=True)
    )
    return _Turn(new, apart)


def _voters(
    site: Site, only: Collection[str], without: Collection[str], today: date, live: frozenset[str], spread: Spread
) -> list[Member]:
    """All members of the groups whose trial is made again, whatever their own tests said."""
    again = {name.partition("/")[0] for name in only}
    tags = {m.partition(".")[0] for group in site.groups if group.tag in again for m in group.members}
    found: list[Member] = []
    for detector in site.detectors:
        if detector.tag in tags:
            points = in_order([p for p in detector.alarms if f"{detector.tag}.{p.name}" not in without])
            job = _plan_detector(site, detector, points, today, live, None, spread)
            if isinstance(job, _Job):
                found.append(job.member)
    return found


def _wanted_again(criterion: Criterion, only: Collection[str]) -> bool:
    """All of a round in which something fell short, and that nothing strange happens in it."""
    return criterion.kind == "no-stray" or any(name.startswith(f"{criterion.group}/") for name in only)


def _detector_plans(site: Site, turns: Sequence[_Turn], heard: Sequence[Listening]) -> list[DetectorPlan]:
    plans: list[DetectorPlan] = []
    bottle: str | None = None
    for turn in turns:
        plans += _parts(site, turn, bottle, heard)
        bottle = next((job.cylinder.tag for job in reversed(turn.jobs) if job.gas), bottle)
    return plans


def _parts(site: Site, turn: _Turn, bottle: str | None, heard: Sequence[Listening]) -> list[DetectorPlan]:
    steps = _steps(site, turn, heard)
    flows: dict[str, float] = {}
    if turn.bout is not None:
        listening_s = sum(listen_s(one) for one in heard if one.tag in {job.tag for job in turn.jobs})
        flows = gas_s_of([job.member for job in turn.jobs], turn.apart, listening_s)
    plans: list[DetectorPlan] = []
    for job in turn.jobs:
        listening_s = sum(listen_s(one) for one in heard if one.tag == job.tag)
        duration_s = SETUP_S + sum(step.expected_s for step in steps if not step.optional and step.tag == job.tag)
        duration_s += BOTTLE_CHANGE_S if job.gas and job.cylinder.tag != bottle else 0.0
        bottle = job.cylinder.tag if job.gas else bottle
        flow_s = flows.get(job.tag, job.expected.gas_s + listening_s)
        plans.append(
            DetectorPlan(
                tag=job.tag,
                cylinder=job.cylinder.tag,
                bottle_ppm=shown_on(site, job.detector, job.cylinder),
                background_ppm=room_reads(site, job.detector),
                gas_s=flows.get(job.tag, job.expected.gas_s) if job.gas else 0.0,
                gas_m3=job.cylinder.flow_m3_s * (flow_s + PURGE_S) if job.gas else 0.0,
                duration_s=round(duration_s, 1),
                curve=job.expected.curve,
                points=job.expected.points,
            )
        )
    return plans


def _inhibited(
    site: Site, reaches: Sequence[Reach], live: frozenset[str], only: Collection[str] | None
) -> tuple[Effect, ...]:
    driven = {effect.tag for reached in reaches for effect in reached.driven}
    if only is not None and "visit/inhibit-lifted" in only:
        driven |= {effect.tag for effect in site.effects}
    return tuple(e for e in site.effects if e.inhibitable and e.tag in driven and e.tag not in live)


def _kept(criteria: Sequence[Criterion], job: _Job, only: Collection[str] | None) -> list[Criterion]:
    tag = job.detector.tag
    if only is None or tag in only:
        return list(criteria)
    always = {"no-stray"} | ({"as-left"} if f"{tag}/zero" in only or f"{tag}/span" in only else set())
    return [c for c in criteria if c.id in only or c.id.split("/")[1] in always]


def _cautions(site: Site, bottles: Sequence[str], *, at_once: bool, votes: Sequence[str]) -> tuple[str, ...]:
    told: list[str] = []
    for cylinder in bottles:
        bottle = site.cylinder(cylinder)
        told += [
            said("{bottle}: {caution}", bottle=cylinder, caution=text)
            for text in cautions(bottle.gas, bottle.level_ppm, bottle.balance)
        ]
    if not site.warn:
        told.append(said("The site names nobody to be warned: find out who must be told before an alarm is made."))
    return tuple(dict.fromkeys([*told, *votes, *(AT_ONCE_CAUTIONS if at_once else ()), *GENERAL_CAUTIONS]))


def _assumptions(spread: Spread) -> tuple[str, ...]:
    return (
        *spread.sentences(),
        said(
            "{setup} min a detector for walking and setting up, {bottle_change} min a change of "
            "bottle, {purge} s of gas to purge regulator and tube (assumed).",
            setup=figure(SETUP_S / 60, "g"),
            bottle_change=figure(BOTTLE_CHANGE_S / 60, "g"),
            purge=figure(PURGE_S, "g"),
        ),
        said("Gas needed is counted for as found only; an adjustment takes about as much again."),
    )

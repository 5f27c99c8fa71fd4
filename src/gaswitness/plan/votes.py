"""The trial of a vote group: with fewer members in alarm than are needed nothing may act, with enough it must.

Each round puts members into alarm one after the other. As long as the vote is not reached, the round holds still for
as long as the group's effects may take, and nothing may act; once it is reached, they must act in time; then all are
cleared. Every member goes first in one round and completes the vote in another, so that a vote which needs one too
few, one too many, or does not count one of its members, cannot pass. One more round opens the signal of one member
first, to see what the site says of a faulty vote.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from gaswitness.alarms.voting import vote
from gaswitness.errors import Fault
from gaswitness.plan.bottles import PURGE_S, gas_needs
from gaswitness.plan.bouts import Member, bout_record, fed_at_once, shared_bottles
from gaswitness.plan.forecast import Spread, room_reads, shown_on
from gaswitness.plan.lines import FAULT
from gaswitness.plan.records import Bout, Criterion, DetectorPlan, GroupPlan, NotShown, Step
from gaswitness.plan.rounds import Act, Round, look, of_round, round_criteria
from gaswitness.plan.steps import HANDS_S, LATE_S, PRESS_S, detector_steps
from gaswitness.plan.words import panel_post
from gaswitness.sentence import listed, said
from gaswitness.site.records import MatrixLine, Site, VoteGroup
from gaswitness.wording import number

Votes = Literal["all", "first", "none"]
"""Every member goes first once and completes the vote once; one round only; or no group trial."""

QUIET_EXTRA_S = 3.0
"""On top of the time that an effect may take: poll, scan and the reaction of a witness. Assumed, no source."""
FOLLOW_EXTRA_S = 5.0
"""The same where it must act: whoever stands there also has to press."""


@dataclass(frozen=True, slots=True)
class Trial:
    """The trial of one group as it stands in a plan."""

    plan: GroupPlan
    bouts: tuple[Bout, ...]
    steps: tuple[Step, ...]
    criteria: tuple[Criterion, ...]


@dataclass(frozen=True, slots=True)
class Refused:
    """A group whose trial cannot be made, and why."""

    group: str
    faults: tuple[Fault, ...]


def group_trials(
    site: Site,
    members: Sequence[Member],
    *,
    live: frozenset[str],
    votes: Votes | None,
    only: Collection[str] | None,
    today: date,
    spread: Spread,
    used: Sequence[DetectorPlan],
) -> tuple[list[Trial], list[Fault], list[NotShown]]:
    """Trials of all groups that need more than one of these detectors; reasons against the plan; what is not shown.

    Where nobody asked for them (`votes` is none), a trial that caps and bottles do not allow is left out with its
    reason, and the plan stands; asked for by name, it is a reason against the plan. `used` is what the bottles feed
    anyway.
    """
    by_tag = {member.tag: member for member in members}
    trials: list[Trial] = []
    refused: list[Fault] = []
    unvoted: list[NotShown] = []
    for group in site.groups:
        if votes == "none" or (only is not None and all(name.partition("/")[0] != group.tag for name in only)):
            continue
        if not wants_trial(site, group, by_tag):
            continue
        lines, masked = shown_and_masked(site, group, by_tag, live)
        unvoted += masked
        if not lines:
            continue
        trial = group_trial(site, group, by_tag, lines, votes or "all", today, spread)
        if isinstance(trial, Trial) and votes is None:
            short = [n for n in gas_needs(site, [*used, *_parts_of([*trials, trial])]) if n.needed_m3 > n.available_m3]
            if short:
                texts = tuple(
                    Fault(
                        path=group.tag,
                        message=said(
                            "bottle {bottle} holds {available} L, and with the group trial {needed} L are needed",
                            bottle=need.cylinder,
                            available=number(need.available_m3 * 1e3),
                            needed=number(need.needed_m3 * 1e3),
                        ),
                    )
                    for need in short
                )
                trial = Refused(group.tag, texts)
        if isinstance(trial, Trial):
            trials.append(trial)
        elif votes is None:
            why = said("{reasons}", reasons=listed([fault.message for fault in trial.faults], "; "))
            unvoted += [NotShown(cause=group.tag, effect=line.effect, why=why) for line in lines]
        else:
            refused += trial.faults
    return trials, refused, unvoted


def _parts_of(trials: Sequence[Trial]) -> list[DetectorPlan]:
    return [part for trial in trials for part in trial.plan.parts]


def still_not_shown(found: Sequence[NotShown], trials: Sequence[Trial], unvoted: Sequence[NotShown]) -> list[NotShown]:
    """What remains when group trials show some of it, with the better reason where there is one."""
    shown = {(trial.plan.tag, effect) for trial in trials for effect in trial.plan.effects}
    better = {(one.cause, one.effect): one for one in unvoted}
    kept = [better.get((one.cause, one.effect), one) for one in found if (one.cause, one.effect) not in shown]
    return [*kept, *unvoted]


def lines_of(site: Site, group: VoteGroup) -> tuple[MatrixLine, ...]:
    """Lines of the matrix that this group alone can bring."""
    return tuple(
        line for line in site.matrix if group.tag in line.causes and (line.need == "any" or len(line.causes) == 1)
    )


def votes_brought(site: Site, members: Sequence[Member], live: frozenset[str]) -> tuple[str, ...]:
    """Cautions for a bout whose detectors reach a vote together, so that what it brings really acts."""
    by_tag = {member.tag: member for member in members}
    told: list[str] = []
    for group in site.groups:
        if not wants_trial(site, group, by_tag):
            continue
        effects = [site.effect(line.effect) for line in lines_of(site, group)]
        acting = [effect.tag for effect in effects if not effect.inhibitable or effect.tag in live]
        if acting:
            told.append(
                said(
                    "{tags} together reach the vote {group}: {effects} will act.",
                    tags=listed([member.tag for member in members]),
                    group=group.tag,
                    effects=listed(dict.fromkeys(acting)),
                )
            )
    return tuple(told)


def members_of(group: VoteGroup, members: Mapping[str, Member]) -> dict[str, tuple[str, ...]]:
    """Per detector of the plan its alarm points in this group, as far as they are under test, in order of the gas."""
    found: dict[str, tuple[str, ...]] = {}
    for tag in dict.fromkeys(name.partition(".")[0] for name in group.members):
        if tag in members:
            points = tuple(p.name for p in members[tag].points if f"{tag}.{p.name}" in group.members)
            if points:
                found[tag] = points
    return found


def wants_trial(site: Site, group: VoteGroup, members: Mapping[str, Member]) -> bool:
    """Whether the detectors of this plan can bring the vote together, and none of them alone."""
    own = members_of(group, members)
    alone = any(_stands(group, {tag: True}, own) for tag in own)
    return bool(lines_of(site, group)) and not alone and _stands(group, dict.fromkeys(own, True), own)


def _stands(group: VoteGroup, states: Mapping[str, bool | None], own: Mapping[str, tuple[str, ...]]) -> bool:
    """What the group says with each of these detectors in alarm (true) or faulty (none), and the others at rest."""
    known: dict[str, bool | None] = {}
    for name in group.members:
        tag, _, point = name.partition(".")
        state = states.get(tag, False)
        known[name] = state if state is None else state and point in own.get(tag, ())
    return vote(known, group.need, group.faulty).on


def shown_and_masked(
    site: Site, group: VoteGroup, members: Mapping[str, Member], live: frozenset[str]
) -> tuple[tuple[MatrixLine, ...], tuple[NotShown, ...]]:
    """Lines that the trial of this group can show, one an effect, and the others with the reason."""
    own = members_of(group, members)
    single = {line.effect.tag: line.cause for tag in own for line in members[tag].reach.lines if line.point != FAULT}
    shown: list[MatrixLine] = []
    masked: list[NotShown] = []
    for line in lines_of(site, group):
        effect = site.effect(line.effect)
        if effect.inhibitable and effect.tag not in live:
            masked.append(
                NotShown(
                    cause=group.tag, effect=effect.tag, why=said("inhibited for the visit; only its release is proven")
                )
            )
        elif effect.tag in single:
            why = said("{cause}, which stands before the vote, brings it already", cause=single[effect.tag])
            masked.append(NotShown(cause=group.tag, effect=effect.tag, why=why))
        elif all(line.effect != other.effect for other in shown):
            shown.append(line)
    return tuple(shown), tuple(masked)


def group_trial(
    site: Site,
    group: VoteGroup,
    members: Mapping[str, Member],
    lines: Sequence[MatrixLine],
    votes: Votes,
    today: date,
    spread: Spread,
) -> Trial | Refused:
    """The trial of one group: rounds, steps, criteria, gas and times; or why caps and bottles do not allow it."""
    own = members_of(group, members)
    rounds = _rounds(group, members, own, lines, votes)
    fed: dict[str, dict[str, Member]] = {}
    for one in rounds:
        able = fed_at_once(site, [members[tag] for tag in one.alarms], today, spread)
        if isinstance(able, tuple):
            faults = tuple(Fault(path=group.tag, message=reason) for reason in able)
            return Refused(group.tag, faults)
        fed[one.name] = able
    steps: list[Step] = []
    bouts: list[Bout] = []
    gas_s: dict[str, list[float]] = {}
    for one in rounds:
        made, flowed_s, acts_s = _round_steps(site, group, one, fed[one.name], members, own)
        steps += made
        for tag, flow_s in flowed_s.items():
            gas_s.setdefault(tag, []).append(flow_s)
        bottles = [fed[one.name][tag].cylinder for tag in one.alarms]
        bouts.append(
            bout_record(
                site,
                one.name,
                one.alarms,
                bottles,
                made,
                HANDS_S * len(one.acts) + sum(max(step.expected_s, step.at_least_s) for step in made),
                group=group.tag,
                faulty=one.faulty,
                acts_s=acts_s if one.reached else None,
            )
        )
    parts = [_part(site, _first_fed(fed, tag), flows_s) for tag, flows_s in gas_s.items()]
    effects = tuple(dict.fromkeys(line.effect for line in lines))
    plan = GroupPlan(
        tag=group.tag,
        need=group.need,
        of=len(group.members),
        effects=effects,
        rounds=tuple(one.name for one in rounds),
        parts=tuple(parts),
    )
    return Trial(plan, tuple(bouts), tuple(steps), tuple(round_criteria(site, group, rounds)))


def _first_fed(fed: Mapping[str, Mapping[str, Member]], tag: str) -> Member:
    return next(round_[tag] for round_ in fed.values() if tag in round_)


def _rounds(
    group: VoteGroup,
    members: Mapping[str, Member],
    own: Mapping[str, tuple[str, ...]],
    lines: Sequence[MatrixLine],
    votes: Votes,
) -> list[Round]:
    tags = list(own)
    found: list[tuple[tuple[Act, ...], tuple[MatrixLine, ...]]] = []
    for first in range(len(tags) if votes == "all" else 1):
        order = tags[first:] + tags[:first]
        found.append((_acts(group, own, (), order), tuple(lines)))
    fault = next((tag for tag in reversed(tags) if members[tag].fault), None)
    if votes == "all" and fault is not None:
        by_fault = {line.effect.tag for line in members[fault].reach.lines if line.point == FAULT}
        left = tuple(line for line in lines if line.effect not in by_fault)
        if left:
            found.append((_acts(group, own, (fault,), [tag for tag in tags if tag != fault]), left))
    return [Round(f"{group.tag}/{place}", acts, left) for place, (acts, left) in enumerate(found, start=1)]


def _acts(
    group: VoteGroup, own: Mapping[str, tuple[str, ...]], faulty: Sequence[str], order: Sequence[str]
) -> tuple[Act, ...]:
    states: dict[str, bool | None] = {}
    acts: list[Act] = []
    for tag in (*faulty, *order):
        states[tag] = None if tag in faulty else True
        acts.append(Act(tag, tag in faulty, _stands(group, states, own)))
        if acts[-1].on:
            break
    return tuple(acts)


def _round_steps(
    site: Site,
    group: VoteGroup,
    one: Round,
    fed: Mapping[str, Member],
    members: Mapping[str, Member],
    own: Mapping[str, tuple[str, ...]],
) -> tuple[list[Step], dict[str, float], tuple[float, float]]:
    """Steps of a round; how long gas flows on each member [s]; when the vote should stand after the first gas on."""
    lines = one.lines
    effects = tuple(dict.fromkeys(line.effect for line in lines))
    quiet_s = math.ceil(max(line.within_s for line in lines) + QUIET_EXTRA_S)
    follow_s = math.ceil(max(line.within_s for line in lines) + FOLLOW_EXTRA_S)
    sources = {tag: _named_steps(site, fed.get(tag, members[tag])) for tag in {act.tag for act in one.acts}}
    steps: list[Step] = []
    on_s: dict[str, float] = {}
    early_s, late_s, at_s = 0.0, 0.0, 0.0
    for place, act in enumerate(one.acts):
        named = sources[act.tag]
        if act.faulty:
            steps.append(named["fault"].model_copy(update={"watch": (), "at_least_s": 0.0}))
        else:
            point = own[act.tag][-1]
            index = [p.name for p in fed[act.tag].points].index(point)
            times, nominal_s = fed[act.tag].expected.points[index].set_s, fed[act.tag].expected.set_s[index]
            steps.append(named["gas-on"])
            on_s[act.tag] = late_s + HANDS_S
            steps.append(
                named[f"await-set/{point}"].model_copy(
                    update={
                        "at_most_s": math.ceil(times[1] + LATE_S),
                        "expected_s": round(nominal_s, 1),
                        "watch": effects,
                    }
                )
            )
            early_s, late_s = early_s + HANDS_S + times[0], late_s + HANDS_S + times[1]
        wait_s = follow_s if act.on else quiet_s
        steps.append(look(group, one, place, effects, wait_s))
        if not act.on:
            early_s += quiet_s
        late_s += wait_s
        if act.on:
            at_s = late_s - wait_s
    end_s = late_s
    steps += _cleared(site, one, fed, sources, effects)
    woven = shared_bottles([fed[tag] for tag in one.alarms], steps)
    named_steps = [of_round(group, one, step) for step in woven]
    flows = {tag: end_s - since_s + place * HANDS_S + PURGE_S for place, (tag, since_s) in enumerate(on_s.items())}
    first_on_s = min(on_s.values(), default=0.0)
    return named_steps, flows, (round(max(0.0, early_s - first_on_s), 1), round(max(0.0, at_s - first_on_s), 1))


def _named_steps(site: Site, member: Member) -> dict[str, Step]:
    """Steps of its own test by name; those of a group trial are told in the same words."""
    made = detector_steps(
        site,
        member.detector,
        member.cylinder,
        member.points,
        member.reach,
        member.expected,
        gas=True,
        fault=member.fault,
    )
    return {step.id.partition("/")[2]: step for step in made if not step.optional}


def _cleared(
    site: Site,
    one: Round,
    fed: Mapping[str, Member],
    sources: Mapping[str, Mapping[str, Step]],
    effects: tuple[str, ...],
) -> list[Step]:
    """All of it undone: acknowledged, gas shut, signals closed, cleared, reset."""
    steps: list[Step] = []
    if one.alarms:
        text = said("Acknowledge the alarms of {alarms} at the panel.", alarms=listed(one.alarms))
        first = sources[one.alarms[0]]
        steps += [s.model_copy(update={"text": text}) for name, s in first.items() if name == "acknowledge"]
    steps += [sources[tag]["gas-off"] for tag in one.alarms]
    steps += [sources[tag]["mend"].model_copy(update={"watch": ()}) for tag in one.faulty]
    latching: list[tuple[str, str]] = []
    for tag in one.alarms:
        member = fed[tag]
        latching += [(tag, point.name) for point in member.points if point.latching]
        free = [i for i, point in enumerate(member.points) if not point.latching]
        if free:
            lowest = free[0]
            times = member.expected.points[lowest].clear_s or (0.0, member.expected.clear_late_s[lowest])
            wait = sources[tag][f"await-clear/{member.points[lowest].name}"]
            late_s = math.ceil(times[1] + LATE_S)
            steps.append(
                wait.model_copy(
                    update={
                        "at_most_s": late_s,
                        "watch": effects,
                        "expected_s": round(member.expected.clear_s[lowest], 1),
                    }
                )
            )
    hold_s = max((site.effect(effect).hold_s for effect in effects), default=0.0)
    for place, tag in enumerate(one.alarms):
        back = sources[tag]["recover"]
        last = place == len(one.alarms) - 1
        least_s = math.ceil(max(back.at_least_s, hold_s if last else 0.0))
        steps.append(
            back.model_copy(
                update={"at_least_s": least_s, "at_most_s": max(back.at_most_s, least_s + LATE_S), "watch": ()}
            )
        )
    stuck = [effect for effect in effects if site.effect(effect).needs_reset]
    if latching or stuck:
        what = listed([*(f"{tag}.{point}" for tag, point in latching), *stuck])
        tag, point = latching[-1] if latching else (one.alarms[0], None)
        steps.append(
            Step(
                id="reset",
                kind="reset",
                tag=tag,
                point=point,
                effect=stuck[0] if stuck else None,
                post=panel_post(site),
                text=said("Press reset at the panel: {what} must clear.", what=what),
                ends="signal",
                at_most_s=120.0,
                watch=effects,
                expected_s=2 * PRESS_S,
            )
        )
    return steps


def _part(site: Site, member: Member, flows_s: Sequence[float]) -> DetectorPlan:
    return DetectorPlan(
        tag=member.tag,
        cylinder=member.cylinder.tag,
        bottle_ppm=shown_on(site, member.detector, member.cylinder),
        background_ppm=room_reads(site, member.detector),
        gas_s=round(max(flows_s), 1),
        gas_m3=member.cylinder.flow_m3_s * sum(flows_s),
        duration_s=round(sum(flows_s), 1),
        curve=member.expected.curve,
        points=member.expected.points,
    )

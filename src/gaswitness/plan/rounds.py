"""One round of the trial of a vote group: who votes in it, what is looked at after each vote, and what must be met."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gaswitness.plan.records import Criterion, Step
from gaswitness.sentence import listed, said
from gaswitness.site.records import MatrixLine, Site, VoteGroup
from gaswitness.wording import number

COUNTS_AS = {
    "votes": said("which counts as an alarm"),
    "ignored": said("which counts as none"),
    "reduces": said("which leaves the group"),
}


@dataclass(frozen=True, slots=True)
class Act:
    """One member that is brought to vote, and what the group says after it."""

    tag: str
    faulty: bool
    on: bool
    """Enough members stand now."""


@dataclass(frozen=True, slots=True)
class Round:
    """Members brought to vote one after the other, until the vote stands or all of these have voted."""

    name: str
    acts: tuple[Act, ...]
    lines: tuple[MatrixLine, ...]
    """What the vote brings; without what the fault of a member brings by itself."""

    @property
    def alarms(self) -> tuple[str, ...]:
        """Members that get gas, in order."""
        return tuple(act.tag for act in self.acts if not act.faulty)

    @property
    def faulty(self) -> tuple[str, ...]:
        """Members whose signal is opened."""
        return tuple(act.tag for act in self.acts if act.faulty)

    @property
    def reached(self) -> bool:
        """The round ends with the vote."""
        return self.acts[-1].on


def look(group: VoteGroup, one: Round, place: int, effects: tuple[str, ...], wait_s: float) -> Step:
    """What is waited for after this vote: the effects where it stands now, else that nothing acts."""
    acts = one.acts[: place + 1]
    act, who = acts[-1], who_votes(group, acts)
    what = listed(effects)
    if act.on:
        within_s = max(line.within_s for line in one.lines)
        text = said(
            "{who}: the vote {tag} stands. {what} must act within {within} s.",
            who=who,
            tag=group.tag,
            what=what,
            within=number(within_s),
        )
    else:
        text = said(
            "{who}: {need} of {members} are needed. For {wait} s {what} must not act.",
            who=who,
            need=group.need,
            members=len(group.members),
            wait=number(wait_s),
            what=what,
        )
    return Step(
        id="follow" if act.on else f"quiet/{act.tag}",
        kind="follow" if act.on else "quiet",
        tag=act.tag,
        text=text,
        ends="elapsed",
        at_least_s=wait_s,
        at_most_s=wait_s + 60.0,
        watch=effects,
        expected_s=wait_s,
    )


def who_votes(group: VoteGroup, acts: Sequence[Act]) -> str:
    """`CS-1 and CS-2 in alarm`, `CS-3 faulty (which counts as an alarm), CS-1 in alarm`."""
    faulty = [act.tag for act in acts if act.faulty]
    alarms = [act.tag for act in acts if not act.faulty]
    parts = (
        [said("{faulty} faulty ({counts_as})", faulty=listed(faulty), counts_as=COUNTS_AS[group.faulty])]
        if faulty
        else []
    )
    parts += [said("{alarms} in alarm", alarms=listed(alarms, " and "))] if alarms else []
    return listed(parts)


def of_round(group: VoteGroup, one: Round, step: Step) -> Step:
    """`TRIP/1/gas-on/CS-1`: told apart from the same step of the detector's own test."""
    owner, slash, name = step.id.partition("/")
    own = step.tag is not None and owner == step.tag and slash
    identity = f"{one.name}/{name}/{owner}" if own else f"{one.name}/{step.id}"
    return step.model_copy(update={"id": identity, "bout": one.name, "group": group.tag})


def round_criteria(site: Site, group: VoteGroup, rounds: Sequence[Round]) -> list[Criterion]:
    """What every round must show, and that nothing strange happens in any of them."""
    need = said("{need} of {members}", need=group.need, members=len(group.members))
    made: list[Criterion] = []
    for one in rounds:
        names = listed([line.effect for line in one.lines])
        quiet = [act for act in one.acts if not act.on]
        more = {"group": group.tag, "bout": one.name, "rule": "simple"}
        if quiet:
            who = who_votes(group, quiet)
            made.append(
                Criterion.model_validate(
                    {
                        "id": f"{one.name}/quiet",
                        "kind": "vote-quiet",
                        "target": 0.0,
                        "upper": 0.0,
                        "unit": "count",
                        "text": said(
                            "With {who}, and {need} needed, nothing of {names} acts.", who=who, need=need, names=names
                        ),
                        **more,
                    }
                )
            )
        if not one.reached:
            continue
        who = who_votes(group, one.acts)
        for line in one.lines:
            effect = site.effect(line.effect)
            made.append(
                Criterion.model_validate(
                    {
                        "id": f"{one.name}/acts/{effect.tag}",
                        "kind": "vote-acts",
                        "effect": effect.tag,
                        "target": effect.delay_s,
                        "upper": line.within_s,
                        "unit": "s",
                        "text": said(
                            "{who} ({need} needed) bring {effect} ({name}) within {within} s.",
                            who=who,
                            need=need,
                            effect=effect.tag,
                            name=effect.name,
                            within=number(line.within_s),
                        ),
                        **more,
                        "rule": site.tests.effect_rule,
                    }
                )
            )
        made.append(
            Criterion.model_validate(
                {
                    "id": f"{one.name}/clears",
                    "kind": "vote-clears",
                    "target": 1.0,
                    "lower": 1.0,
                    "unit": "yes",
                    "text": _clears(names, one),
                    **more,
                }
            )
        )
    made.append(
        Criterion(
            id=f"{group.tag}/no-stray",
            kind="no-stray",
            group=group.tag,
            target=0.0,
            upper=0.0,
            unit="count",
            rule="simple",
            text=said("While {tag} is under test nothing happens that no cause explains.", tag=group.tag),
        )
    )
    return made


def _clears(names: str, one: Round) -> str:
    who = listed(one.alarms, " and ")
    match len(one.lines) > 1, len(one.alarms) > 1:
        case True, True:
            return said("{effects} stop when {who} have cleared.", effects=names, who=who)
        case True, False:
            return said("{effects} stop when {who} has cleared.", effects=names, who=who)
        case False, True:
            return said("{effects} stops when {who} have cleared.", effects=names, who=who)
        case _:
            return said("{effects} stops when {who} has cleared.", effects=names, who=who)

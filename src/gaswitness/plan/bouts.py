"""A bout: several detectors tested with gas on them at once, their steps woven into one order.

Everybody looks at the room's air first; then caps go on one after the other, each when the alarms of the one before
have come, so that one sees which channel answers to which cap. All else runs side by side. Where an earlier detector
of the bout brings an effect that a later one would bring too, the later cap also waits until it has had the time to
act, so that nobody has to guess which of the two it was; the later one does not claim it. Gas is shut on all before
anybody waits for clearing, and faults are made one at a time, with no gas on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from gaswitness.plan.bottles import bottles_at_once, fitting_bottles
from gaswitness.plan.forecast import Forecast, Spread, forecast
from gaswitness.plan.lines import FAULT, Reach
from gaswitness.plan.records import MEASURED, BottleLoad, Bout, NotShown, Step
from gaswitness.plan.sounds import Listening
from gaswitness.plan.steps import HANDS_S, detector_steps
from gaswitness.plan.words import panel_post
from gaswitness.sentence import listed, said
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector, Site
from gaswitness.wording import level, mixture, number


@dataclass(frozen=True, slots=True)
class Member:
    """One detector of a bout, with all that its own test would need."""

    detector: Detector
    cylinder: Cylinder
    points: tuple[AlarmPointSpec, ...]
    reach: Reach
    expected: Forecast
    fault: bool

    @property
    def tag(self) -> str:
        """Tag of the detector."""
        return self.detector.tag

    @property
    def brings(self) -> frozenset[str]:
        """Effects that its alarms bring under gas."""
        return frozenset(line.effect.tag for line in self.reach.lines if line.point != FAULT)


def fed_at_once(
    site: Site, members: Sequence[Member], today: date, spread: Spread
) -> dict[str, Member] | tuple[str, ...]:
    """The same, by tag, with bottles that feed them all at once and what is then expected of them, or why none do.

    Each has the bottle of its own test before all others, and no other on which an alarm may never come.
    """
    choices = {member.tag: _own_first(site, member, today) for member in members}
    too_weak: list[str] = []
    while True:
        bottles, reasons = bottles_at_once(site, choices)
        if reasons:
            return (*reasons, *too_weak)
        fed = {member.tag: _refed(site, member, bottles[member.tag], spread) for member in members}
        weak = {tag: short_of(one.detector, one.cylinder, one.points, one.expected) for tag, one in fed.items()}
        if not any(weak.values()):
            return fed
        for tag, short in weak.items():
            too_weak += [said("{tag}: {reason}", tag=tag, reason=reason) for reason in short.values()]
            if short:
                choices[tag] = [c for c in choices[tag] if c.tag != fed[tag].cylinder.tag]


def short_of(
    detector: Detector, bottle: Cylinder, points: Sequence[AlarmPointSpec], expected: Forecast
) -> dict[str, str]:
    """Alarm points that may never come on this bottle, and that in words."""
    return {
        point.name: said(
            "on bottle {bottle} the reading may settle short of {point}, set at {level}",
            bottle=bottle.tag,
            point=point.name,
            level=level(detector, point.set_ppm),
        )
        for point, times in zip(points, expected.points, strict=True)
        if not math.isfinite(times.set_s[1])
    }


def _own_first(site: Site, member: Member, today: date) -> list[Cylinder]:
    others, _ = fitting_bottles(site, member.detector, member.points, today)
    return [member.cylinder, *(c for c in others if c.tag != member.cylinder.tag)]


def _refed(site: Site, member: Member, bottle: Cylinder, spread: Spread) -> Member:
    if bottle.tag == member.cylinder.tag:
        return member
    expected = forecast(site, member.detector, bottle, member.points, spread=spread)
    return replace(member, cylinder=bottle, expected=expected)


def bout_name(tags: Sequence[str]) -> str:
    """How a bout is called.

    >>> bout_name(["CS-1", "CS-2"])
    'CS-1+CS-2'
    """
    return "+".join(tags)


def claims_of(members: Sequence[Member]) -> tuple[Member, ...]:
    """The same detectors, each without the lines that an earlier one of the bout has brought already."""
    kept: list[Member] = []
    brought: dict[str, str] = {}
    for member in members:
        lines = tuple(line for line in member.reach.lines if line.point == FAULT or line.effect.tag not in brought)
        masked = tuple(
            NotShown(
                cause=line.cause,
                effect=line.effect.tag,
                why=said(
                    "{cause}, which has gas at the same time, has brought it already",
                    cause=brought[line.effect.tag],
                ),
            )
            for line in member.reach.lines
            if line not in lines
        )
        lean = replace(member.reach, lines=lines, not_shown=(*member.reach.not_shown, *masked))
        kept.append(replace(member, reach=lean))
        for line in member.reach.lines:
            if line.point != FAULT:
                brought.setdefault(line.effect.tag, line.cause)
    return tuple(kept)


def bout_steps(
    site: Site, members: Sequence[Member], apart: Sequence[bool], listenings: Sequence[Listening] = ()
) -> tuple[Step, ...]:
    """Every step of a bout in order, and after it, one detector after the other, the steps for an adjustment.

    `members` as `claims_of` gives them; `apart` says of each whether a later one would bring effects of it too.
    """
    name = bout_name([member.tag for member in members])
    own = {
        m.tag: detector_steps(
            site,
            m.detector,
            m.cylinder,
            m.points,
            m.reach,
            m.expected,
            gas=True,
            fault=m.fault,
            listenings=[one for one in listenings if one.tag == m.tag],
        )
        for m in members
    }
    as_found = {tag: [s for s in steps if not s.optional or s.kind in MEASURED] for tag, steps in own.items()}

    def of(member: Member, *kinds: str) -> list[Step]:
        return [s for s in as_found[member.tag] if s.kind in kinds and s.point != FAULT and not _about_fault(s)]

    woven: list[Step] = [step for m in members for step in of(m, "zero")]
    for member, waited_for in zip(members, apart, strict=True):
        woven += [*of(member, "gas-on"), *of(member, "await-set"), *([_follow(member)] if waited_for else [])]
    woven += [step for m in members for step in of(m, "sound")]
    woven += [step for m in members for step in of(m, "await-plateau")]
    woven += _acknowledge(site, members, [step for m in members for step in of(m, "acknowledge")])
    woven += [step for kind in ("silence", "gas-off") for m in members for step in of(m, kind)]
    for kinds in (("await-clear",), ("recover",), ("reset",)):
        woven += [step for m in members for step in of(m, *kinds)]
    woven += [step for m in members for step in as_found[m.tag] if step.point == FAULT or _about_fault(step)]
    timed = _timed(members, own, woven)
    left = [step for steps in own.values() for step in steps if step not in as_found[step.tag or ""]]
    return (*(step.model_copy(update={"bout": name}) for step in shared_bottles(members, timed)), *left)


def _about_fault(step: Step) -> bool:
    return step.kind in ("fault", "mend") or step.id.endswith("/reset-fault")


def _follow(member: Member) -> Step:
    """Time for what this detector brings, before gas goes on the next one."""
    lines = [line for line in member.reach.lines if line.point != FAULT]
    effects = tuple(dict.fromkeys(line.effect.tag for line in lines))
    wait_s = math.ceil(max((line.within_s for line in lines), default=0.0))
    return Step(
        id=f"{member.tag}/follow",
        kind="follow",
        tag=member.tag,
        text=said(
            "Wait {wait} s with {tag} in alarm: {effects} must come of it before the next gas.",
            wait=wait_s,
            tag=member.tag,
            effects=listed(effects),
        ),
        ends="elapsed",
        at_least_s=wait_s,
        at_most_s=wait_s + 60.0,
        watch=effects,
        expected_s=wait_s,
    )


def _acknowledge(site: Site, members: Sequence[Member], steps: Sequence[Step]) -> list[Step]:
    """Pressed once for all of them."""
    if len(steps) < 2:
        return list(steps)
    tags = listed([member.tag for member in members if member.points])
    text = said("Acknowledge the alarms of {tags} at the panel.", tags=tags)
    return [steps[0].model_copy(update={"text": text, "post": panel_post(site)})]


def _timed(members: Sequence[Member], own: dict[str, tuple[Step, ...]], woven: Sequence[Step]) -> list[Step]:
    """The same steps with the waits shortened by what has gone by already while others were waited for."""
    expected = {m.tag: m.expected for m in members}
    names = {m.tag: [p.name for p in m.points] for m in members}
    on_s: dict[str, float] = {}
    off_s: dict[str, float] = {}
    at_s, looked_s = 0.0, 0.0
    timed: list[Step] = []
    for step in woven:
        tag = step.tag or ""
        update: dict[str, float] = {}
        due_s: float | None = None
        if step.kind == "zero":
            least_s = max(0.0, step.at_least_s - looked_s)
            looked_s += least_s
            update = {"at_least_s": least_s, "expected_s": least_s}
        elif step.kind == "await-set":
            due_s = on_s[tag] + expected[tag].set_s[names[tag].index(step.point or "")]
            late_s = expected[tag].points[names[tag].index(step.point or "")].set_s[1]
            update = {"at_most_s": math.ceil(max(step.at_most_s, late_s))}
        elif step.kind == "await-plateau":
            due_s = on_s[tag] + expected[tag].settle_s[0]
            ready_s = on_s[tag] + max(expected[tag].set_s, default=0.0) + step.at_least_s
            update = {"at_least_s": max(0.0, math.ceil(ready_s - at_s))}
        elif step.kind == "await-clear":
            due_s = off_s[tag] + expected[tag].clear_s[names[tag].index(step.point or "")]
        elif step.kind == "recover":
            due_s = off_s[tag] + expected[tag].recover_s[0]
            since_s = _last_clear_s(own[tag], expected[tag], names[tag])
            update = {"at_least_s": max(0.0, math.ceil(off_s[tag] + since_s + step.at_least_s - at_s))}
        if due_s is not None:
            update["expected_s"] = max(0.0, round(due_s - at_s, 1), update.get("at_least_s", 0.0))
        timed.append(step.model_copy(update=update))
        if not step.optional or step.kind in MEASURED:
            at_s += max(timed[-1].expected_s, timed[-1].at_least_s)
        if step.kind == "gas-on":
            on_s[tag] = at_s
        elif step.kind == "gas-off":
            off_s[tag] = at_s
    return timed


def _last_clear_s(steps: Sequence[Step], expected: Forecast, names: Sequence[str]) -> float:
    waited = [names.index(s.point) for s in steps if s.kind == "await-clear" and not s.optional and s.point in names]
    return max((expected.clear_s[i] for i in waited), default=0.0)


def shared_bottles(members: Sequence[Member], steps: Sequence[Step]) -> list[Step]:
    """The same steps, told for a manifold where several caps hang on one bottle; the last one shuts the bottle."""
    bottles = {m.tag: m.cylinder for m in members}
    tags = [m.cylinder.tag for m in members]
    told: list[Step] = []
    on: set[str] = set()
    for step in steps:
        bottle = bottles.get(step.tag or "")
        if bottle is None or tags.count(bottle.tag) < 2 or step.kind not in ("gas-on", "gas-off"):
            told.append(step)
            continue
        others = {tag for tag in on if bottles[tag].tag == bottle.tag and tag != step.tag}
        text = step.text
        if step.kind == "gas-on":
            on.add(step.tag or "")
            if others:
                flow = number(bottle.flow_m3_s * 60e3)
                text = said(
                    "Cap on {tag}, open its outlet on the manifold of bottle {bottle} at {flow} L/min: {level}.",
                    tag=step.tag or "",
                    bottle=bottle.tag,
                    flow=flow,
                    level=mixture(bottle.level_ppm),
                )
        else:
            on.discard(step.tag or "")
            if others:
                text = said(
                    "Shut the outlet for {tag} on the manifold of bottle {bottle} and take the cap off.",
                    tag=step.tag or "",
                    bottle=bottle.tag,
                )
        told.append(step.model_copy(update={"text": text}))
    return told


def gas_s_of(members: Sequence[Member], apart: Sequence[bool], listening_s: float) -> dict[str, float]:
    """How long gas is planned to flow on each if every alarm comes late [s]: all are shut once the slowest settled."""
    at_s = 0.0
    on_s: dict[str, float] = {}
    for member, waited_for in zip(members, apart, strict=True):
        at_s += HANDS_S
        on_s[member.tag] = at_s
        at_s += max((times.set_s[1] for times in member.expected.points), default=0.0)
        at_s += _follow(member).at_least_s if waited_for else 0.0
    end_s = max(on_s[m.tag] + m.expected.gas_s for m in members) + listening_s
    return {m.tag: end_s + place * HANDS_S - on_s[m.tag] for place, m in enumerate(members)}


def bout_record(
    site: Site,
    name: str,
    tags: Sequence[str],
    bottles: Sequence[Cylinder],
    steps: Sequence[Step],
    duration_s: float,
    **more: object,
) -> Bout:
    """What a bout asks for: caps on each bottle, people at which posts, and time."""
    loads = [
        BottleLoad(cylinder=c.tag, caps=caps, flow_m3_s=caps * c.flow_m3_s)
        for c, caps in ((c, sum(b.tag == c.tag for b in bottles)) for c in {b.tag: b for b in bottles}.values())
    ]
    posts = [step.post for step in steps if step.post] + [site.effect(e).post for step in steps for e in step.watch]
    return Bout.model_validate(
        {
            "bout": name,
            "tags": tuple(tags),
            "loads": tuple(loads),
            "posts": tuple(dict.fromkeys(posts)),
            "duration_s": round(duration_s, 1),
            **more,
        }
    )

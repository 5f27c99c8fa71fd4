"""The steps at one detector: air before gas, gas on, every alarm, gas off, back again, the fault of its signal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from gaswitness.plan.criteria import FAULT_LIMIT_S, FLUSH_E_FOLDS, reset_limit_s
from gaswitness.plan.forecast import Forecast, cap_tau_s, shown_on
from gaswitness.plan.lines import FAULT, Reach, poll_s
from gaswitness.plan.records import Step
from gaswitness.plan.sounds import Listening
from gaswitness.plan.words import detector_post, panel_post
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector, Site
from gaswitness.wording import level, mixture, number, seconds

SETUP_S = 120.0
"""Walking there, setting up and noting down, a detector: assumed, no source."""
BOTTLE_CHANGE_S = 120.0
"""Changing bottle and regulator: assumed, no source."""
TELL_S = 60.0
PRESS_S = 10.0
HANDS_S = 15.0
"""Usual time to tell somebody, to press at the panel, and to put a cap on or take it off: assumed, no source."""
LISTEN_S = 15.0
"""For a sound level meter to be read: assumed, no source."""
LISTEN_LATE_S = 60.0
"""Gas flows meanwhile: after so long on top, nobody is waited for."""
PEOPLE_AT_MOST_S = 3600.0
AT_DETECTOR_AT_MOST_S = 900.0
LATE_S = 45.0
"""On top of the upper end of a prediction before a wait is given up: the look at a settled reading takes 20 s."""
ZERO_S = (30.0, 300.0)
"""Shortest and longest look at the reading before gas."""
ZERO_SHARE = 0.1
"""Wanted standard uncertainty of the mean before gas, as a part of the zero tolerance."""


def zero_s(site: Site, detector: Detector) -> float:
    """How long to look at the reading before gas, for a mean known to a tenth of the zero tolerance [s].

    n = (noise / (share x tolerance))^2 readings, one a poll; never under 30 s nor over 300 s.
    """
    tolerance_ppm = site.tests.zero.amount.resolve(
        set_ppm=detector.alarms[0].set_ppm if detector.alarms else detector.range_ppm,
        range_ppm=detector.range_ppm,
        level_ppm=detector.range_ppm,
    )
    noise_ppm = math.hypot(detector.noise_ppm, detector.resolution_ppm / math.sqrt(12.0))
    readings = (noise_ppm / (ZERO_SHARE * tolerance_ppm)) ** 2 if tolerance_ppm > 0 else math.inf
    wanted_s = readings * poll_s(site, f"{detector.tag}.reading")
    return float(math.ceil(min(ZERO_S[1], max(ZERO_S[0], wanted_s))))


def detector_steps(
    site: Site,
    detector: Detector,
    cylinder: Cylinder,
    points: Sequence[AlarmPointSpec],
    reach: Reach,
    expected: Forecast,
    *,
    gas: bool,
    fault: bool,
    listenings: Sequence[Listening] = (),
) -> tuple[Step, ...]:
    """Every step at one detector; `points` in the order in which gas passes them."""
    here = _At(site, detector, cylinder)
    steps: list[Step] = []
    if gas:
        steps += _under_gas(here, points, reach, expected, listenings)
        steps += _after_gas(here, points, reach, expected)
    if fault:
        steps += _fault(here, reach)
    if gas:
        steps += _as_left(here, points, reach, expected)
    return tuple(steps)


class _At:
    """Where and with what a detector's steps are done."""

    def __init__(self, site: Site, detector: Detector, cylinder: Cylinder) -> None:
        self.site, self.detector, self.cylinder = site, detector, cylinder
        self.tag = detector.tag
        self.shown_ppm = shown_on(site, detector, cylinder)
        self.post = detector_post(site, detector)
        self.panel = panel_post(site)

    def step(self, name: str, kind: str, text: str, **more: Any) -> Step:
        more = {"post": self.post, "at_most_s": AT_DETECTOR_AT_MOST_S, **more}
        return made_step(f"{self.tag}/{name}", kind, text, tag=self.tag, **more)

    def gas_on(self, name: str, **more: Any) -> Step:
        flow = number(self.cylinder.flow_m3_s * 60e3)
        text = said(
            "Cap on {tag}, open bottle {bottle} at {flow} L/min: {level}.",
            tag=self.tag,
            bottle=self.cylinder.tag,
            flow=flow,
            level=mixture(self.cylinder.level_ppm),
        )
        return self.step(name, "gas-on", text, cylinder=self.cylinder.tag, expected_s=HANDS_S, **more)

    def gas_off(self, name: str, **more: Any) -> Step:
        text = said("Shut bottle {bottle} and take the cap off {tag}.", bottle=self.cylinder.tag, tag=self.tag)
        return self.step(name, "gas-off", text, cylinder=self.cylinder.tag, expected_s=HANDS_S, **more)

    def zero(self, name: str, **more: Any) -> Step:
        wait_s = zero_s(self.site, self.detector)
        text = said(
            "Leave {tag} in the room's own air for {wait}; note what else may be in the air.",
            tag=self.tag,
            wait=seconds(wait_s),
        )
        return self.step(
            name, "zero", text, ends="elapsed", at_least_s=wait_s, at_most_s=wait_s + 60, expected_s=wait_s, **more
        )


def listen_s(one: Listening) -> float:
    """Until all sounders sound, and then for the meter to come to rest [s]."""
    return LISTEN_S + one.within_s


def _listen(at: _At, one: Listening) -> Step:
    """While the reading settles the sounders sound anyway."""
    return at.step(
        f"sound/{one.post.tag}",
        "sound",
        said(
            "Measure the sound level at {post} ({name}), at ear height, while {sounders} can be "
            "heard; without a sound level meter leave it out.",
            post=one.post.tag,
            name=one.post.name,
            sounders=listed(one.sounders),
        ),
        effect=one.sounders[0],
        post=one.post.tag,
        at_most_s=listen_s(one) + LISTEN_LATE_S,
        optional=True,
        expected_s=listen_s(one),
    )


def _await_sets(at: _At, points: Sequence[AlarmPointSpec], reach: Reach, expected: Forecast) -> list[Step]:
    """One wait an alarm, in the order in which gas passes them."""
    steps: list[Step] = []
    since_s, early_s = 0.0, 0.0
    for point, nominal_s, times in zip(points, expected.set_s, expected.points, strict=True):
        lower_s, upper_s = times.set_s
        steps.append(
            at.step(
                f"await-set/{point.name}",
                "await-set",
                said(
                    "Wait for {tag}.{point} at {level}, expected {lower} to {upper} s after gas on.",
                    tag=at.tag,
                    point=point.name,
                    level=level(at.detector, point.set_ppm),
                    lower=figure(lower_s),
                    upper=figure(upper_s),
                ),
                point=point.name,
                ends="signal",
                at_most_s=math.ceil(upper_s - early_s + LATE_S),
                watch=reach.at(point.name),
                expected_s=max(0.0, round(nominal_s - since_s, 1)),
            )
        )
        since_s, early_s = max(since_s, nominal_s), lower_s
    return steps


def _under_gas(
    at: _At,
    points: Sequence[AlarmPointSpec],
    reach: Reach,
    expected: Forecast,
    listenings: Sequence[Listening] = (),
) -> list[Step]:
    tag, detector = at.tag, at.detector
    steps = [at.zero("zero"), at.gas_on("gas-on"), *_await_sets(at, points, reach, expected)]
    steps += [_listen(at, one) for one in listenings]
    since_s = max(expected.set_s, default=0.0)
    early_s = expected.points[-1].set_s[0] if expected.points else 0.0
    settle_s, settle_late_s = expected.settle_s
    t90_s = detector.t90_s + FLUSH_E_FOLDS * cap_tau_s(detector, at.cylinder)
    acting_s = max((line.within_s for line in reach.lines if line.point != FAULT), default=0.0)
    steps.append(
        at.step(
            "await-plateau",
            "await-plateau",
            said(
                "Wait until the reading has settled near {level}, usually within {settle} of gas on.",
                level=level(detector, at.shown_ppm),
                settle=seconds(settle_s),
            ),
            ends="settled",
            at_least_s=math.ceil(max(t90_s - since_s, acting_s)),
            at_most_s=math.ceil(max(settle_late_s - early_s, acting_s) + LATE_S),
            watch=tuple(dict.fromkeys(line.effect.tag for line in reach.lines if line.point != FAULT)),
            expected_s=max(round(settle_s - since_s, 1), acting_s),
        )
    )
    if points:
        text = said("Acknowledge the alarm of {tag} at the panel.", tag=tag)
        steps.append(at.step("acknowledge", "acknowledge", text, post=at.panel, expected_s=PRESS_S))
    sounding = [line.effect for line in reach.lines if line.effect.silenceable and line.point != FAULT]
    if sounding:
        tags = tuple(dict.fromkeys(effect.tag for effect in sounding))
        steps.append(
            at.step(
                "silence",
                "silence",
                said("Press silence at the panel: {tags} must stop while the alarm stands.", tags=listed(tags)),
                effect=tags[0],
                post=at.panel,
                ends="signal",
                at_most_s=120.0,
                watch=tags,
                expected_s=PRESS_S,
            )
        )
    steps.append(at.gas_off("gas-off"))
    return steps


def _after_gas(at: _At, points: Sequence[AlarmPointSpec], reach: Reach, expected: Forecast) -> list[Step]:
    tag, detector = at.tag, at.detector
    steps: list[Step] = []
    since_s, early_s, latched_s = 0.0, 0.0, 0.0
    falling = zip(points, expected.clear_s, expected.clear_late_s, expected.points, strict=True)
    for point, nominal_s, late_s, times in reversed(list(falling)):
        if times.clear_s is None:
            latched_s = max(latched_s, late_s)
            continue
        lower_s, upper_s = times.clear_s
        steps.append(
            at.step(
                f"await-clear/{point.name}",
                "await-clear",
                said(
                    "Wait for {tag}.{point} to clear beyond {level}, expected {lower} to {upper} s after gas off.",
                    tag=tag,
                    point=point.name,
                    level=level(detector, point.clear_ppm(detector.range_ppm)),
                    lower=figure(lower_s),
                    upper=figure(upper_s),
                ),
                point=point.name,
                ends="signal",
                at_most_s=math.ceil(upper_s - early_s + LATE_S),
                watch=reach.at(point.name),
                expected_s=max(0.0, round(nominal_s - since_s, 1)),
            )
        )
        since_s, early_s = max(since_s, nominal_s), lower_s
    recover_s, recover_late_s = expected.recover_s
    gas_on_early_s = min((times.set_s[0] for times in expected.points), default=0.0)
    hold_s = max((line.effect.hold_s for line in reach.lines if line.point != FAULT), default=0.0)
    held_s = max(0.0, hold_s - (expected.settle_s[0] - gas_on_early_s) - since_s)
    latching = [p.name for p in points if p.latching]
    at_least_s = math.ceil(max(latched_s - since_s, held_s, 0.0))
    text = (
        said(
            "Leave {tag} in the room's air until the reading is back; {points} must stay. Do not reset yet.",
            tag=tag,
            points=listed([f"{tag}.{name}" for name in latching]),
        )
        if latching
        else said("Leave {tag} in the room's air until the reading is back.", tag=tag)
    )
    steps.append(
        at.step(
            "recover",
            "recover",
            text,
            ends="settled",
            at_least_s=at_least_s,
            at_most_s=math.ceil(max(recover_late_s - early_s, at_least_s) + LATE_S),
            watch=tuple(dict.fromkeys(line.effect.tag for line in reach.lines if line.point != FAULT)),
            expected_s=max(round(recover_s - since_s, 1), float(at_least_s)),
        )
    )
    stuck = [line.effect.tag for line in reach.lines if line.effect.needs_reset and line.point != FAULT]
    if latching or stuck:
        steps.append(_reset(at, "reset", latching, stuck))
    return steps


def _reset(at: _At, name: str, points: Sequence[str], effects: Sequence[str]) -> Step:
    tags = tuple(dict.fromkeys(effects))
    what = listed([*(f"{at.tag}.{p}" for p in points), *tags])
    limit_s = reset_limit_s(at.site, at.detector)
    return at.step(
        name,
        "reset",
        said("Press reset at the panel: {what} must clear.", what=what),
        point=points[-1] if points else None,
        effect=tags[0] if tags else None,
        post=at.panel,
        ends="signal",
        at_most_s=120.0,
        watch=tags,
        expected_s=PRESS_S + limit_s / 2,
    )


def _fault(at: _At, reach: Reach) -> list[Step]:
    tag = at.tag
    watch = reach.at(FAULT)
    wait_s = max((line.within_s for line in reach.lines if line.point == FAULT), default=FAULT_LIMIT_S)
    steps = [
        at.step(
            "fault",
            "fault",
            said("Open the signal of {tag} at its terminals: the fault must show.", tag=tag),
            point=FAULT,
            ends="signal",
            at_least_s=math.ceil(wait_s) if watch else 0.0,
            at_most_s=math.ceil(wait_s + 120.0),
            watch=watch,
            expected_s=HANDS_S + (wait_s if watch else wait_s / 2),
        ),
        at.step(
            "mend",
            "mend",
            said("Close the signal of {tag} again: the fault must go.", tag=tag),
            point=FAULT,
            ends="signal",
            at_most_s=math.ceil(wait_s + 120.0),
            watch=watch,
            expected_s=2 * HANDS_S,
        ),
    ]
    stuck = [line.effect.tag for line in reach.lines if line.effect.needs_reset and line.point == FAULT]
    if stuck:
        steps.append(_reset(at, "reset-fault", (), stuck))
    return steps


def _as_left(at: _At, points: Sequence[AlarmPointSpec], reach: Reach, expected: Forecast) -> list[Step]:
    """Only where as found fell short: adjust what did, then zero, gas and alarms once more."""
    tag, cylinder = at.tag, at.cylinder
    again = [*_under_gas(at, points, reach, expected), *_after_gas(at, points, reach, expected)]
    return [
        at.step(
            "adjust/zero",
            "adjust",
            said(
                "Only if the zero of {tag} fell short: adjust it as its manual says, in air known to be clean.", tag=tag
            ),
            point="zero",
            optional=True,
        ),
        at.step(
            "adjust/span",
            "adjust",
            said(
                "Only if the span of {tag} fell short: adjust it as its manual says, on bottle {bottle}.",
                tag=tag,
                bottle=cylinder.tag,
            ),
            point="span",
            cylinder=cylinder.tag,
            optional=True,
        ),
        *(_left(step) for step in again),
    ]


def _left(step: Step) -> Step:
    """The same step after an adjustment."""
    tag, _, name = step.id.partition("/")
    return step.model_copy(update={"id": f"{tag}/as-left/{name}", "optional": True})


def made_step(identity: str, kind: str, text: str, **more: Any) -> Step:
    """A step that people end, unless said otherwise."""
    filled = {"ends": "confirm", "at_most_s": PEOPLE_AT_MOST_S, **more}
    return Step.model_validate({"id": identity, "kind": kind, "text": text, **filled})

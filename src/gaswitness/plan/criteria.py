"""What will be measured and against what: limits and words of every criterion, fixed before gas flows."""

from __future__ import annotations

import math
from collections.abc import Sequence

from gaswitness.plan.forecast import Forecast, cap_tau_s, room_reads, shown_on
from gaswitness.plan.lines import FAULT, Line, Reach, poll_s
from gaswitness.plan.records import Criterion, CriterionKind
from gaswitness.plan.sounds import Listening, audible_criterion
from gaswitness.sentence import figure, listed, said
from gaswitness.site.amounts import Amount
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector, Site
from gaswitness.wording import between, level, mixture, number, word

T90_FACTOR = 1.5
"""Limit on t90 where the site states none: so many times the stated t90, and the cap's flush."""
FLUSH_E_FOLDS = math.log(10.0)
FAULT_LIMIT_S = 30.0
"""Limit on seeing an open signal where no line of the matrix states one: our own default, no published figure."""
RESET_ALLOWANCE_S = 5.0
"""On top of two panel scans and two polls, after which what needs a reset must have cleared."""
AS_LEFT: tuple[CriterionKind, ...] = ("zero", "span", "t90", "set-level", "set-time")
"""What an adjustment may change, and what is therefore judged again after it."""
SEEN_PATTERNS = ("lamp", "sounder")
"""Kinds of effect that have a pattern to be seen or heard."""


def reset_limit_s(site: Site, detector: Detector) -> float:
    """Time after reset within which what needs a reset must clear [s]."""
    return 2 * site.panel.scan_s + 2 * poll_s(site, f"{detector.tag}.reading") + RESET_ALLOWANCE_S


def detector_criteria(
    site: Site,
    detector: Detector,
    cylinder: Cylinder,
    points: Sequence[AlarmPointSpec],
    reach: Reach,
    expected: Forecast,
    *,
    fault: bool,
) -> tuple[Criterion, ...]:
    """Every criterion of one detector, in the order in which they are met."""
    made = [_zero(site, detector), _span(site, detector, cylinder), *_response(site, detector, cylinder)]
    for point, times in zip(points, expected.points, strict=True):
        made += _point(site, detector, point, times.set_s)
    for line in reach.lines:
        made += _line(site, detector, line)
    made += _panel_actions(site, detector, points, reach)
    if fault:
        made.append(_fault(site, detector))
    tag = detector.tag
    made.append(
        Criterion(
            id=f"{tag}/no-stray",
            kind="no-stray",
            tag=tag,
            target=0.0,
            upper=0.0,
            unit="count",
            rule="simple",
            text=said("While {tag} is under test nothing happens that no cause explains.", tag=tag),
        )
    )
    made += [_as_left(found) for found in made if found.kind in AS_LEFT]
    return tuple(made)


def _as_left(found: Criterion) -> Criterion:
    """The same, to be met after an adjustment."""
    tag, _, name = found.id.partition("/")
    return found.model_copy(
        update={
            "id": f"{tag}/as-left/{name}",
            "text": said("As left, where {tag} was adjusted: {text}", tag=tag, text=found.text),
            "optional": True,
        }
    )


def visit_criteria(
    inhibited: Sequence[str], roles: Sequence[str], listenings: Sequence[Listening] = ()
) -> tuple[Criterion, ...]:
    """What concerns the whole visit."""
    made: list[Criterion] = []
    if inhibited:
        made.append(
            _yes(
                "visit/inhibit-lifted",
                "inhibit-lifted",
                said("Inhibits lifted and proven live: {inhibited}.", inhibited=listed(inhibited)),
            )
        )
    if roles:
        made.append(
            _yes(
                "visit/warned",
                "warned",
                said("Told before the test and again when it is over: {roles}.", roles=listed(roles)),
            )
        )
    made += [audible_criterion(one) for one in listenings]
    return tuple(made)


def _yes(identity: str, kind: str, text: str, **more: str | None) -> Criterion:
    return Criterion.model_validate(
        {
            "id": identity,
            "kind": kind,
            "text": text,
            "target": 1.0,
            "lower": 1.0,
            "unit": "yes",
            "rule": "simple",
            **more,
        }
    )


def _resolve(amount: Amount, detector: Detector, level_ppm: float, set_ppm: float | None = None) -> float:
    return amount.resolve(
        set_ppm=level_ppm if set_ppm is None else set_ppm, range_ppm=detector.range_ppm, level_ppm=level_ppm
    )


def _zero(site: Site, detector: Detector) -> Criterion:
    low_ppm, high_ppm = room_reads(site, detector)
    off_ppm = _resolve(site.tests.zero.amount, detector, high_ppm)
    lower, upper = low_ppm - off_ppm, high_ppm + off_ppm
    air = level(detector, low_ppm) if low_ppm == high_ppm else between(detector, low_ppm, high_ppm)
    return Criterion(
        id=f"{detector.tag}/zero",
        kind="zero",
        tag=detector.tag,
        target=(low_ppm + high_ppm) / 2,
        lower=lower,
        upper=upper,
        unit="ppm",
        rule=site.tests.zero.rule,
        text=said(
            "Before gas {tag} reads {levels}; the room usually holds {air}.",
            tag=detector.tag,
            levels=between(detector, lower, upper),
            air=air,
        ),
    )


def _span(site: Site, detector: Detector, cylinder: Cylinder) -> Criterion:
    shown_ppm = shown_on(site, detector, cylinder)
    off_ppm = _resolve(site.tests.span.amount, detector, shown_ppm)
    return Criterion(
        id=f"{detector.tag}/span",
        kind="span",
        tag=detector.tag,
        target=shown_ppm,
        lower=shown_ppm - off_ppm,
        upper=shown_ppm + off_ppm,
        unit="ppm",
        rule=site.tests.span.rule,
        text=said(
            "On bottle {bottle} ({level}) the settled reading is {levels}.",
            bottle=cylinder.tag,
            level=mixture(cylinder.level_ppm),
            levels=between(detector, shown_ppm - off_ppm, shown_ppm + off_ppm),
        ),
    )


def _response(site: Site, detector: Detector, cylinder: Cylinder) -> list[Criterion]:
    tag = detector.tag
    stated = site.tests.response
    flush_s = FLUSH_E_FOLDS * cap_tau_s(detector, cylinder)
    limit_s = stated.limit_s if stated else T90_FACTOR * detector.t90_s + flush_s
    basis = (
        said("the site's limit")
        if stated
        else said("{times} x {t90} s and the cap's flush", times=figure(T90_FACTOR, "g"), t90=number(detector.t90_s))
    )
    made = [
        Criterion(
            id=f"{tag}/t90",
            kind="t90",
            tag=tag,
            target=detector.t90_s,
            upper=limit_s,
            unit="s",
            rule=stated.rule if stated else "guarded",
            text=said(
                "{tag} makes 90 % of the change within {limit} s of gas on ({basis}).",
                tag=tag,
                limit=number(limit_s),
                basis=basis,
            ),
        )
    ]
    if recovery := site.tests.recovery:
        made.append(
            Criterion(
                id=f"{tag}/t10",
                kind="t10",
                tag=tag,
                upper=recovery.limit_s,
                unit="s",
                rule=recovery.rule,
                text=said(
                    "{tag} has 10 % of the change left within {limit} s of gas off.",
                    tag=tag,
                    limit=number(recovery.limit_s),
                ),
            )
        )
    return made


def _point(site: Site, detector: Detector, point: AlarmPointSpec, set_s: tuple[float, float]) -> list[Criterion]:
    tag, name, set_ppm = detector.tag, point.name, point.set_ppm
    off_ppm = _resolve(site.tests.set_level.amount, detector, set_ppm)
    made = [
        Criterion(
            id=f"{tag}/set-level/{name}",
            kind="set-level",
            tag=tag,
            point=name,
            target=set_ppm,
            lower=set_ppm - off_ppm,
            upper=set_ppm + off_ppm,
            unit="ppm",
            rule=site.tests.set_level.rule,
            text=said(
                "{tag}.{point} ({direction}) sets at {level}, within {levels}.",
                tag=tag,
                point=name,
                direction=word(point.direction),
                level=level(detector, set_ppm),
                levels=between(detector, set_ppm - off_ppm, set_ppm + off_ppm),
            ),
        ),
        Criterion(
            id=f"{tag}/set-time/{name}",
            kind="set-time",
            tag=tag,
            point=name,
            lower=set_s[0],
            upper=set_s[1],
            unit="s",
            rule="simple",
            text=said(
                "{tag}.{point} sets {early} to {late} s after gas on, as predicted (95 %).",
                tag=tag,
                point=name,
                early=figure(set_s[0]),
                late=figure(set_s[1]),
            ),
        ),
    ]
    if not point.latching:
        clear_ppm = point.clear_ppm(detector.range_ppm)
        off_ppm = _resolve(site.tests.clear_level.amount, detector, set_ppm)
        made.append(
            Criterion(
                id=f"{tag}/clear-level/{name}",
                kind="clear-level",
                tag=tag,
                point=name,
                target=clear_ppm,
                lower=clear_ppm - off_ppm,
                upper=clear_ppm + off_ppm,
                unit="ppm",
                rule=site.tests.clear_level.rule,
                text=said(
                    "{tag}.{point} clears beyond {level}, within {levels}.",
                    tag=tag,
                    point=name,
                    level=level(detector, clear_ppm),
                    levels=between(detector, clear_ppm - off_ppm, clear_ppm + off_ppm),
                ),
            )
        )
        band_ppm = abs(set_ppm - clear_ppm)
        if band_ppm > 0:
            # a difference of two levels, each with its own tolerance
            off_ppm = math.hypot(off_ppm, _resolve(site.tests.set_level.amount, detector, set_ppm))
            lower = max(0.0, band_ppm - off_ppm)
            made.append(
                Criterion(
                    id=f"{tag}/deadband/{name}",
                    kind="deadband",
                    tag=tag,
                    point=name,
                    target=band_ppm,
                    lower=lower,
                    upper=band_ppm + off_ppm,
                    unit="ppm",
                    rule=site.tests.clear_level.rule,
                    text=said(
                        "The deadband of {tag}.{point} is {level}, within {levels}.",
                        tag=tag,
                        point=name,
                        level=level(detector, band_ppm),
                        levels=between(detector, lower, band_ppm + off_ppm),
                    ),
                )
            )
    text = (
        said("{tag}.{point} stays until reset although the reading has cleared.", tag=tag, point=name)
        if point.latching
        else said("{tag}.{point} clears by itself, without reset.", tag=tag, point=name)
    )
    made.append(_yes(f"{tag}/latched/{name}", "latched", text, tag=tag, point=name))
    return made


def _line(site: Site, detector: Detector, line: Line) -> list[Criterion]:
    tag, effect = detector.tag, line.effect
    made: list[Criterion] = []
    if line.delay_shown:
        made.append(
            Criterion(
                id=f"{tag}/effect/{line.point}/{effect.tag}",
                kind="effect",
                tag=tag,
                point=line.point,
                effect=effect.tag,
                target=effect.delay_s,
                upper=line.within_s,
                unit="s",
                rule=site.tests.effect_rule,
                text=said(
                    "{cause} brings {effect} ({name}) within {within} s.",
                    cause=line.cause,
                    effect=effect.tag,
                    name=effect.name,
                    within=number(line.within_s),
                ),
            )
        )
    if effect.kind in SEEN_PATTERNS:
        made.append(
            _yes(
                f"{tag}/effect-pattern/{line.point}/{effect.tag}",
                "effect-pattern",
                said(
                    "{effect} is {pattern} on {cause}.", effect=effect.tag, pattern=word(line.pattern), cause=line.cause
                ),
                tag=tag,
                point=line.point,
                effect=effect.tag,
            )
        )
    return made


def _panel_actions(site: Site, detector: Detector, points: Sequence[AlarmPointSpec], reach: Reach) -> list[Criterion]:
    tag = detector.tag
    made: list[Criterion] = []
    acting = {line.effect.tag: line.effect for line in reach.lines if line.point != FAULT}
    for effect in acting.values():
        if effect.silenceable:
            text = said("{effect} stops on silence while the alarm of {tag} stands.", effect=effect.tag, tag=tag)
            made.append(_yes(f"{tag}/silenced/{effect.tag}", "silenced", text, tag=tag, effect=effect.tag))
    limit_s = reset_limit_s(site, detector)
    waiting: list[tuple[str, str | None, str | None]] = [(p.name, p.name, None) for p in points if p.latching]
    waiting += [(e.tag, None, e.tag) for e in acting.values() if e.needs_reset]
    for name, point, effect_tag in waiting:
        made.append(
            Criterion(
                id=f"{tag}/reset/{name}",
                kind="reset",
                tag=tag,
                point=point,
                effect=effect_tag,
                upper=limit_s,
                unit="s",
                rule="simple",
                text=said(
                    "{signal} clears within {limit} s of reset.",
                    signal=f"{tag}.{point}" if point else name,
                    limit=number(limit_s),
                ),
            )
        )
    return made


def _fault(site: Site, detector: Detector) -> Criterion:
    stated = [line.within_s for line in site.matrix if f"{detector.tag}.{FAULT}" in line.causes]
    limit_s = max(stated, default=FAULT_LIMIT_S)
    return Criterion(
        id=f"{detector.tag}/fault",
        kind="fault",
        tag=detector.tag,
        point=FAULT,
        upper=limit_s,
        unit="s",
        rule=site.tests.effect_rule,
        text=said(
            "An open signal of {tag} is seen as a fault within {limit} s.", tag=detector.tag, limit=number(limit_s)
        ),
    )

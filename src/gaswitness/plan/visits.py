"""The steps that open and close a visit: nothing flows before everybody is warned and what could do harm is inhibited,
and the visit ends with every inhibit lifted and proven and everybody told."""

from __future__ import annotations

from collections.abc import Sequence

from gaswitness.plan.records import Step
from gaswitness.plan.steps import HANDS_S, TELL_S, made_step
from gaswitness.plan.words import panel_post, slug
from gaswitness.sentence import said
from gaswitness.site.records import Effect, Role, Site
from gaswitness.wording import number


def visit_opening(
    site: Site, inhibited: Sequence[Effect], roles: Sequence[Role], bottles: Sequence[str] = ()
) -> tuple[Step, ...]:
    """Cautions, air and gauges read, people warned, inhibits placed."""
    panel = panel_post(site)
    steps = [
        made_step(
            "visit/caution",
            "caution",
            said(
                "Read the cautions aloud to everybody who takes part; go on only if local rules and the "
                "permit allow it."
            ),
            expected_s=TELL_S,
        ),
        made_step(
            "visit/air",
            "air",
            said(
                "Read barometer and thermometer at the site, where you have them; without them the usual air is taken."
            ),
            optional=True,
            expected_s=TELL_S,
        ),
        *(_gauge(site, tag, "before") for tag in bottles),
    ]
    steps += [
        made_step(
            f"visit/warn/{slug(role.role)}",
            "warn",
            said(
                "Tell {who} that gas alarms will be tested and that alarms are not real until you call again "
                "({reach}).",
                who=role.role,
                reach=role.reach,
            )
            if role.reach
            else said(
                "Tell {who} that gas alarms will be tested and that alarms are not real until you call again.",
                who=role.role,
            ),
            role=role.role,
            expected_s=TELL_S,
        )
        for role in roles
    ]
    steps += [
        made_step(
            f"visit/inhibit/{effect.tag}",
            "inhibit",
            said(
                "Inhibit {effect} ({name}) at the panel; note who, why and until when.",
                effect=effect.tag,
                name=effect.name,
            ),
            effect=effect.tag,
            post=panel,
            expected_s=TELL_S,
        )
        for effect in inhibited
    ]
    return tuple(steps)


def visit_closing(
    site: Site, inhibited: Sequence[Effect], roles: Sequence[Role], bottles: Sequence[str] = ()
) -> tuple[Step, ...]:
    """Inhibits lifted and proven, one after the other; gauges read; everybody told that it is over."""
    panel = panel_post(site)
    steps: list[Step] = []
    for effect in inhibited:
        steps.append(
            made_step(
                f"visit/lift/{effect.tag}",
                "lift",
                said("Lift the inhibit of {effect} at the panel.", effect=effect.tag),
                effect=effect.tag,
                post=panel,
                expected_s=TELL_S,
            )
        )
        steps.append(
            made_step(
                f"visit/prove/{effect.tag}",
                "prove",
                said(
                    "With leave of the operator have the panel drive {effect} ({name}) once and see it act; "
                    "then put it back in service.",
                    effect=effect.tag,
                    name=effect.name,
                ),
                effect=effect.tag,
                post=effect.post,
                ends="signal" if _on_a_link(site, effect) else "confirm",
                watch=(effect.tag,),
                expected_s=2 * TELL_S,
            )
        )
    steps += [_gauge(site, tag, "after") for tag in bottles]
    steps += [
        made_step(
            f"visit/all-clear/{slug(role.role)}",
            "all-clear",
            said(
                "Tell {who} that the test is over and alarms are real again ({reach}).", who=role.role, reach=role.reach
            )
            if role.reach
            else said("Tell {who} that the test is over and alarms are real again.", who=role.role),
            role=role.role,
            expected_s=TELL_S,
        )
        for role in roles
    ]
    return tuple(steps)


def _gauge(site: Site, bottle: str, when: str) -> Step:
    least = number(site.cylinder(bottle).min_pressure_pa / 1e5)
    text = (
        said(
            "Read the gauge of bottle {bottle} before the test, where it has one; below {least} bar its certificate no "
            "longer holds.",
            bottle=bottle,
            least=least,
        )
        if when == "before"
        else said("Read the gauge of bottle {bottle} after the test, where it has one.", bottle=bottle)
    )
    return made_step(
        f"visit/bottle-{when}/{bottle}", "bottle", text, cylinder=bottle, optional=True, expected_s=HANDS_S
    )


def _on_a_link(site: Site, effect: Effect) -> bool:
    return any(f"{effect.tag}.on" in link.signals for link in site.links)

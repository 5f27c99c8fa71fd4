"""Does every alarm lead somewhere, does every effect come from somewhere, and can the time limits be met?"""

from __future__ import annotations

from collections import defaultdict

from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import Site
from gaswitness.site.rules.remark import Remarks, doubt, fault
from gaswitness.wording import word


def chain(site: Site) -> Remarks:
    """The matrix, the vote groups, the effects and the channels."""
    yield from _causes(site)
    yield from _groups(site)
    yield from _effects(site)
    yield from _limits(site)
    yield from _channels(site)
    if not site.warn:
        yield doubt(
            "$.warn",
            said("found nobody to be warned before a test"),
            said("add the roles who must know: {example}", example="warn: [{role: ...}]"),
        )


def _causes(site: Site) -> Remarks:
    """Every alarm point and every fault drives something."""
    direct = {cause for line in site.matrix for cause in line.causes}
    through = {member for group in site.groups if group.tag in direct for member in group.members}
    for index, detector in enumerate(site.detectors):
        for number, point in enumerate(detector.alarms):
            name = f"{detector.tag}.{point.name}"
            if name not in direct | through:
                yield fault(
                    f"$.detectors[{index}].alarms[{number}]",
                    said("found no effect that {name} causes, expected at least one line of the matrix", name=name),
                    said("add to matrix: {example}", example=f"{{causes: [{name}], effect: ..., within: ...}}"),
                )
    silent = [detector.tag for detector in site.detectors if f"{detector.tag}.fault" not in direct]
    if silent:
        yield doubt(
            "$.matrix",
            said("found no effect that a fault of {silent} causes", silent=listed(silent)),
            said("a fault that nobody sees leaves a room unwatched; add a line with the causes TAG.fault"),
        )


def _groups(site: Site) -> Remarks:
    direct = {cause for line in site.matrix for cause in line.causes}
    for index, group in enumerate(site.groups):
        if group.tag not in direct:
            yield doubt(f"$.groups[{index}]", said("found the group {tag}, which causes nothing", tag=group.tag))
        if group.need > 1:
            yield doubt(
                f"$.groups[{index}].need",
                said(
                    "found {need}: {tag} votes only when {need} members alarm at once", need=group.need, tag=group.tag
                ),
                said(
                    "showing it takes gas on as many detectors at once: a bottle each, or one with a "
                    "manifold_flow that carries them"
                ),
            )
    for index, line in enumerate(site.matrix):
        if line.need == "all" and len(line.causes) == 1:
            yield doubt(f"$.matrix[{index}].need", said("found `all` of a single cause"))
        elif line.need == "all" and len({cause.partition(".")[0] for cause in line.causes}) > 1:
            yield doubt(
                f"$.matrix[{index}].need",
                said("found `all` over several detectors"),
                said(
                    "showing it takes gas on as many detectors at once: a bottle each, or one with a "
                    "manifold_flow that carries them"
                ),
            )


def _effects(site: Site) -> Remarks:
    """Every effect has a cause; what a test would really stop may be inhibited, and then seen to be live again."""
    driven = {line.effect for line in site.matrix}
    inhibit_bits = {signal for link in site.links for signal in link.signals}
    for index, effect in enumerate(site.effects):
        path = f"$.effects[{index}]"
        if effect.tag not in driven:
            yield fault(
                path,
                said("found no cause of the effect {tag}, expected at least one line of the matrix", tag=effect.tag),
                said(
                    "add to matrix: {example}, or take the effect out",
                    example=f"{{causes: [...], effect: {effect.tag}, within: ...}}",
                ),
            )
        if effect.silenceable and effect.kind != "sounder":
            yield doubt(
                f"{path}.silenceable", said("found true on a {kind}; silencing is for sounders", kind=word(effect.kind))
            )
        if effect.kind in ("relay", "valve") and not effect.inhibitable:
            yield doubt(
                f"{path}.inhibitable",
                said(
                    "found that {tag} cannot be inhibited: every test will really work this {kind}",
                    tag=effect.tag,
                    kind=word(effect.kind),
                ),
                said("make sure that this is wanted, and that whoever runs the plant knows"),
            )
        if effect.inhibitable and site.links and f"{effect.tag}.inhibited" not in inhibit_bits:
            yield doubt(
                f"{path}.inhibitable",
                said("found no status bit {tag}.inhibited on any link", tag=effect.tag),
                said("without it only a person can tell that the inhibit was lifted after the test"),
            )


def _limits(site: Site) -> Remarks:
    """A limit below what scan and delay take can never be met; one below two polls more can hardly be judged."""
    delays_s = {effect.tag: effect.delay_s for effect in site.effects}
    poll_s = max((link.poll_s for link in site.links), default=0.0)
    for index, line in enumerate(site.matrix):
        least_s = site.panel.scan_s + delays_s[line.effect]
        if line.within_s <= least_s:
            yield fault(
                f"$.matrix[{index}].within",
                said(
                    "found {within} s, expected more than the {least} s that panel scan and delay of {effect} take",
                    within=figure(line.within_s, "g"),
                    least=figure(least_s, "g"),
                    effect=line.effect,
                ),
                said("lengthen the limit, or shorten the delay"),
            )
        elif line.within_s < least_s + 2.0 * poll_s:
            yield doubt(
                f"$.matrix[{index}].within",
                said(
                    "found {within} s; scan and delay take up to {least} s, and a poll every {poll} s blurs both edges",
                    within=figure(line.within_s, "g"),
                    least=figure(least_s, "g"),
                    poll=figure(poll_s, "g"),
                ),
                said("poll faster, or allow more time"),
            )


def _channels(site: Site) -> Remarks:
    """Two detectors on one channel are a fault; two effects on one cannot be told apart."""
    detectors: dict[str, list[int]] = defaultdict(list)
    effects: dict[str, list[int]] = defaultdict(list)
    for index, detector in enumerate(site.detectors):
        if detector.channel is not None:
            detectors[detector.channel].append(index)
        elif site.channels:
            yield doubt(
                f"$.detectors[{index}]",
                said("found no panel channel for {tag}", tag=detector.tag),
                said("add channel: ..."),
            )
    for index, effect in enumerate(site.effects):
        if effect.channel is not None:
            effects[effect.channel].append(index)
    for channel, indices in detectors.items():
        for index in indices[1:]:
            first = site.detectors[indices[0]].tag
            yield fault(
                f"$.detectors[{index}].channel",
                said("found {channel} a second time, expected one detector a channel", channel=channel),
                said("{other} is on it already", other=first),
            )
    for channel, indices in effects.items():
        for index in indices[1:]:
            first = site.effects[indices[0]].tag
            yield doubt(
                f"$.effects[{index}].channel",
                said(
                    "found {channel}, on which {other} is too; the panel cannot tell the two apart",
                    channel=channel,
                    other=first,
                ),
            )

"""Does every alarm lead somewhere, does every effect come from somewhere, and can the time limits be met?"""

from __future__ import annotations

from collections import defaultdict

from gaswitness.site.records import Site
from gaswitness.site.rules.remark import Remarks, doubt, fault


def chain(site: Site) -> Remarks:
    """The matrix, the vote groups, the effects and the channels."""
    yield from _causes(site)
    yield from _groups(site)
    yield from _effects(site)
    yield from _limits(site)
    yield from _channels(site)
    if not site.warn:
        yield doubt(
            "$.warn", "found nobody to be warned before a test", "add the roles who must know: warn: [{role: ...}]"
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
                    f"found no effect that {name} causes, expected at least one line of the matrix",
                    f"add to matrix: {{causes: [{name}], effect: ..., within: ...}}",
                )
    silent = [detector.tag for detector in site.detectors if f"{detector.tag}.fault" not in direct]
    if silent:
        yield doubt(
            "$.matrix",
            f"found no effect that a fault of {', '.join(silent)} causes",
            "a fault that nobody sees leaves a room unwatched; add a line with the causes TAG.fault",
        )


def _groups(site: Site) -> Remarks:
    direct = {cause for line in site.matrix for cause in line.causes}
    for index, group in enumerate(site.groups):
        if group.tag not in direct:
            yield doubt(f"$.groups[{index}]", f"found the group {group.tag}, which causes nothing")
        if group.need > 1:
            yield doubt(
                f"$.groups[{index}].need",
                f"found {group.need}: {group.tag} votes only when {group.need} members alarm at once",
                "showing it takes gas on as many detectors at once: a bottle each, or one with a manifold_flow that "
                "carries them",
            )
    for index, line in enumerate(site.matrix):
        if line.need == "all" and len(line.causes) == 1:
            yield doubt(f"$.matrix[{index}].need", "found `all` of a single cause")
        elif line.need == "all" and len({cause.partition(".")[0] for cause in line.causes}) > 1:
            yield doubt(
                f"$.matrix[{index}].need",
                "found `all` over several detectors",
                "showing it takes gas on as many detectors at once: a bottle each, or one with a manifold_flow that "
                "carries them",
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
                f"found no cause of the effect {effect.tag}, expected at least one line of the matrix",
                f"add to matrix: {{causes: [...], effect: {effect.tag}, within: ...}}, or take the effect out",
            )
        if effect.silenceable and effect.kind != "sounder":
            yield doubt(f"{path}.silenceable", f"found true on a {effect.kind}; silencing is for sounders")
        if effect.kind in ("relay", "valve") and not effect.inhibitable:
            yield doubt(
                f"{path}.inhibitable",
                f"found that {effect.tag} cannot be inhibited: every test will really work this {effect.kind}",
                "make sure that this is wanted, and that whoever runs the plant knows",
            )
        if effect.inhibitable and site.links and f"{effect.tag}.inhibited" not in inhibit_bits:
            yield doubt(
                f"{path}.inhibitable",
                f"found no status bit {effect.tag}.inhibited on any link",
                "without it only a person can tell that the inhibit was lifted after the test",
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
                f"found {line.within_s:g} s, expected more than the {least_s:g} s that panel scan and delay of "
                f"{line.effect} take",
                "lengthen the limit, or shorten the delay",
            )
        elif line.within_s < least_s + 2.0 * poll_s:
            yield doubt(
                f"$.matrix[{index}].within",
                f"found {line.within_s:g} s; scan and delay take up to {least_s:g} s, "
                f"and a poll every {poll_s:g} s blurs both edges",
                "poll faster, or allow more time",
            )


def _channels(site: Site) -> Remarks:
    """Two detectors on one channel are a fault; two effects on one cannot be told apart."""
    detectors: dict[str, list[int]] = defaultdict(list)
    effects: dict[str, list[int]] = defaultdict(list)
    for index, detector in enumerate(site.detectors):
        if detector.channel is not None:
            detectors[detector.channel].append(index)
        elif site.channels:
            yield doubt(f"$.detectors[{index}]", f"found no panel channel for {detector.tag}", "add channel: ...")
    for index, effect in enumerate(site.effects):
        if effect.channel is not None:
            effects[effect.channel].append(index)
    for channel, indices in detectors.items():
        for index in indices[1:]:
            first = site.detectors[indices[0]].tag
            yield fault(
                f"$.detectors[{index}].channel",
                f"found {channel} a second time, expected one detector a channel",
                f"{first} is on it already",
            )
    for channel, indices in effects.items():
        for index in indices[1:]:
            first = site.effects[indices[0]].tag
            yield doubt(
                f"$.effects[{index}].channel",
                f"found {channel}, on which {first} is too; the panel cannot tell the two apart",
            )

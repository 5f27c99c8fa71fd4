"""Why a plan cannot be made: what was asked for that there is not, and what no bottle could show."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from gaswitness.errors import Fault
from gaswitness.plan.forecast import air_shows, room_reads
from gaswitness.plan.records import DetectorPlan, GasNeed
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import AlarmPointSpec, Detector, Site
from gaswitness.wording import level, number, word


def told_together(reasons: Sequence[Fault]) -> str:
    """All reasons at once, a line each."""
    head = (
        said("this plan cannot be made, for {count} reason", count=1)
        if len(reasons) == 1
        else said("this plan cannot be made, for {count} reasons", count=len(reasons))
    )
    return listed([head, *(said("{path}: {message}", path=r.path, message=r.message) for r in reasons)], "\n")


def unknown_names(
    site: Site, tags: Collection[str] | None, live: Collection[str], without: Collection[str]
) -> list[Fault]:
    """Names given on the command that the site does not have."""
    detectors = {d.tag for d in site.detectors}
    effects = {e.tag: e for e in site.effects}
    points = {f"{d.tag}.{p.name}" for d in site.detectors for p in d.alarms}
    known = listed(sorted(detectors))
    faults = [
        Fault(
            path=tag,
            message=said("found {found}, expected a detector of this site ({known})", found=repr(tag), known=known),
        )
        for tag in tags or ()
        if tag not in detectors
    ]
    faults += [
        Fault(path=tag, message=said("found {found}, expected an inhibitable effect of this site", found=repr(tag)))
        for tag in live
        if tag not in effects or not effects[tag].inhibitable
    ]
    faults += [
        Fault(path=name, message=said("found {found}, expected an alarm point written TAG.point", found=repr(name)))
        for name in without
        if name not in points
    ]
    return faults


def unfit_together(site: Site, tags: Collection[str] | None, together: Sequence[Sequence[str]]) -> list[Fault]:
    """Bouts that name what there is not, or name it twice."""
    known = [detector.tag for detector in site.detectors]
    faults: list[Fault] = []
    seen: set[str] = set()
    for names in together:
        path = f"--together {','.join(names)}"
        faults += [
            Fault(
                path=path,
                message=said(
                    "found {found}, expected a detector of this site ({known})",
                    found=repr(tag),
                    known=listed(sorted(known)),
                ),
            )
            for tag in names
            if tag not in known
        ]
        if len(set(names)) < 2:
            faults.append(Fault(path=path, message=said("found fewer than two detectors, expected TAG,TAG[,TAG]")))
        faults += [
            Fault(path=path, message=said("found {tag} a second time", tag=tag))
            for tag in names
            if names.count(tag) > 1
        ]
        faults += [
            Fault(path=path, message=said("found {tag}, which stands in another bout", tag=tag))
            for tag in names
            if tag in seen
        ]
        if tags is not None:
            faults += [
                Fault(path=path, message=said("found {tag}, which is not among the detectors chosen", tag=tag))
                for tag in names
                if tag in known and tag not in tags
            ]
        seen |= set(names)
    return list(dict.fromkeys(faults))


def impossible(site: Site, detector: Detector, points: Sequence[AlarmPointSpec]) -> list[Fault]:
    """What no bottle could mend."""
    low_ppm, high_ppm = room_reads(site, detector)
    faults: list[Fault] = []
    if len({p.direction for p in points}) > 1:
        faults.append(
            Fault(
                path=detector.tag,
                message=said("has rising and falling alarms, which one bottle cannot show; plan each side apart"),
            )
        )
    for point in points:
        stands = point.set_ppm <= high_ppm if point.direction == "rising" else point.set_ppm >= low_ppm
        if stands:
            message = said(
                "{direction} {point} is set at {level}, which the room's own air may hold: it may stand "
                "before gas is given",
                direction=word(point.direction),
                point=point.name,
                level=level(detector, point.set_ppm),
            )
            faults.append(Fault(path=f"{detector.tag}.{point.name}", message=message))
            continue
        clear_ppm = point.clear_ppm(detector.range_ppm)
        stuck = clear_ppm <= high_ppm if point.direction == "rising" else clear_ppm >= low_ppm
        if stuck:
            message = said(
                "{point} clears beyond {level}, which the room's own air may not reach",
                point=point.name,
                level=level(detector, clear_ppm),
            )
            faults.append(Fault(path=f"{detector.tag}.{point.name}", message=message))
    if faults and abs(air_shows(site, detector) - 1.0) > 0.01:
        message = said(
            "in the site's usual air it shows {times} times what is there; state "
            "corrects_pressure where it corrects for that, or was adjusted at the site",
            times=figure(air_shows(site, detector), ".3g"),
        )
        faults.append(Fault(path=detector.tag, message=message))
    return faults


def short_of_gas(site: Site, plans: Sequence[DetectorPlan], needs: Sequence[GasNeed]) -> list[Fault]:
    """Bottles that hold less than the visit takes out of them."""
    faults: list[Fault] = []
    for need in needs:
        if need.needed_m3 > need.available_m3:
            users = listed([p.tag for p in plans if p.cylinder == need.cylinder])
            bottle = site.cylinder(need.cylinder)
            faults.append(
                Fault(
                    path=need.cylinder,
                    message=said(
                        "holds {available} L above its minimum pressure of {min_pressure} bar, and {needed} L "
                        "are needed for {users}",
                        available=number(need.available_m3 * 1e3),
                        min_pressure=number(bottle.min_pressure_pa / 1e5),
                        needed=number(need.needed_m3 * 1e3),
                        users=users,
                    ),
                )
            )
    return faults

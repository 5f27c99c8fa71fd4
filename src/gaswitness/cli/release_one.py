"""One leak followed: when each alarm comes, what starts and shuts, what a person breathes, whether it can burn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from gaswitness.cli.output import print_json
from gaswitness.cli.release_history import Responses
from gaswitness.cli.release_view import responding, zone_word
from gaswitness.errors import InputError, OutOfDomain
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.history.files import write_whole
from gaswitness.release.loop import Breathed, Door, Outcome, Person, run_release
from gaswitness.release.rooms import NEAR_THE_LEAK, OUTSIDE, Leak, without
from gaswitness.release.scene import Scene, reactions_of
from gaswitness.sentence import listed, said
from gaswitness.site import Site
from gaswitness.telling import Teller
from gaswitness.wording import amount, number

VENTILATION = "ventilation"
"""The name under which all fans of an area fail, those that always run too."""


@dataclass(frozen=True, slots=True)
class Asked:
    """The leak that is followed, and what does not work meanwhile."""

    leak_kg_h: float
    burst_kg: float
    decay_s: float
    failed: tuple[str, ...]
    door: tuple[float, float] | None
    door_m3_s: float


@dataclass(frozen=True, slots=True)
class Told:
    """What came of it in one area."""

    scene: Scene
    outcome: Outcome
    breathed: Breathed
    door: Door | None

    @property
    def highest_of_lfl(self) -> float | None:
        """Highest level of any zone over the lowest lower flammable limit; None for a gas that does not burn."""
        if not math.isfinite(self.scene.flammable_ppm):
            return None
        return float(self.outcome.ppm.max()) / self.scene.flammable_ppm

    @property
    def burns_s(self) -> float | None:
        """When a zone first reaches that limit; None when it does not, or when the gas does not burn."""
        return self.outcome.reaches_s(self.scene.flammable_ppm) if math.isfinite(self.scene.flammable_ppm) else None


def asked_of(
    leak_kg_h: float,
    burst_kg: float,
    decay_min: float | None,
    failed: tuple[str, ...],
    door: str | None,
    door_m3_s: float,
) -> Asked:
    """What the options say; raises InputError for what cannot be."""
    if not (math.isfinite(leak_kg_h) and leak_kg_h >= 0.0):
        raise OutOfDomain("a leak lets gas out", where="--leak-kg-h", found=leak_kg_h, expected="0 kg/h or more")
    if not (math.isfinite(burst_kg) and burst_kg >= 0.0):
        raise OutOfDomain("a burst lets gas out", where="--burst-kg", found=burst_kg, expected="0 kg or more")
    if leak_kg_h + burst_kg == 0.0:
        raise OutOfDomain("nothing leaks", where="--leak-kg-h", found=0.0, expected="above 0 kg/h, or a --burst-kg")
    if decay_min is not None and not (math.isfinite(decay_min) and decay_min * 60.0 >= 1.0):
        raise OutOfDomain(
            "a leak falls over some time",
            where="--decay-min",
            found=decay_min,
            expected="1 s or more, in minutes",
            hint="--burst-kg comes at once",
        )
    if not (math.isfinite(door_m3_s) and door_m3_s > 0.0):
        raise OutOfDomain(
            "an open door lets air through", where="--door-m3-s", found=door_m3_s, expected="above 0 m3/s"
        )
    decay_s = math.inf if decay_min is None else decay_min * 60.0
    return Asked(leak_kg_h, burst_kg, decay_s, failed, None if door is None else _door(door), door_m3_s)


def _door(text: str) -> tuple[float, float]:
    opens, _, shuts = text.partition("-")
    try:
        opens_s, shuts_s = float(opens), float(shuts) if shuts else math.inf
    except ValueError:
        opens_s, shuts_s = math.nan, math.nan
    if not (math.isfinite(opens_s) and 0.0 <= opens_s < shuts_s):
        raise InputError(
            "not a time at which a door opens", where="--door", found=text, expected="120, or 120-600, in seconds"
        )
    return opens_s, shuts_s


def follow(
    site: Site,
    scenes: Sequence[Scene],
    asked: Asked,
    known: Responses,
    out: Path | None,
    tell: Teller,
    *,
    as_json: bool,
) -> None:
    """Let the gas out in each scene and tell what follows."""
    for tag in asked.failed:
        names = sorted({name for scene in scenes for name in _can_fail(scene)})
        if tag not in names:
            raise InputError(
                "nothing of that name can fail here", where="--failed", found=tag, expected=" or ".join(names)
            )
    told = [_one(site, _without(scene, asked.failed), asked, known) for scene in scenes]
    if out is not None:
        _draw(site, told, asked, out, tell)
    if as_json:
        print_json(
            {
                "leaks": [_document(one, asked) for one in told],
                "response": known.document(),
                "warnings": [NEAR_THE_LEAK, DEFERRAL],
            }
        )
    else:
        _show(site, told, asked, known)


def _can_fail(scene: Scene) -> tuple[str, ...]:
    return (*(w.tag for w in scene.watches), *(t.effect for t in scene.triggers), VENTILATION)


def _without(scene: Scene, failed: Sequence[str]) -> Scene:
    """The scene without what has failed."""
    gone = set(failed)
    watches = tuple(watch for watch in scene.watches if watch.tag not in gone)
    left = {f"{watch.tag}.{point.name}" for watch in watches for point in watch.points}
    triggers = tuple(
        replace(trigger, members=members)
        for trigger in scene.triggers
        if trigger.effect not in gone
        and not (VENTILATION in gone and trigger.kind == "fan")
        and len(members := tuple(name for name in trigger.members if name in left)) >= trigger.need
    )
    if VENTILATION not in gone:
        return replace(scene, watches=watches, triggers=triggers)
    network = replace(scene.network, flows=without(scene.network.flows, scene.normal))
    return replace(scene, network=network, normal=(), emergency=(), watches=watches, triggers=triggers)


def _one(site: Site, scene: Scene, asked: Asked, known: Responses) -> Told:
    kg_m3 = scene.charge_kg / scene.charge_m3
    burst_kg = min(asked.burst_kg, scene.charge_kg)
    rate_kg_s = asked.leak_kg_h / 3600.0
    end_s = _lasts_s(scene.charge_kg - burst_kg, rate_kg_s, asked.decay_s)
    if 0.0 < end_s < known.spread.step_s:
        raise OutOfDomain(
            "the whole charge would be out within a second",
            where="--leak-kg-h",
            found=asked.leak_kg_h,
            hint=f"{scene.area} holds {number(scene.charge_kg)} kg; --burst-kg says that it comes at once",
        )
    leak = Leak(scene.leak_zones[0], rate_kg_s / kg_m3, 0.0, end_s, asked.decay_s, burst_kg / kg_m3)
    door = None
    if asked.door is not None:
        beyond = next((b if a == scene.area else a for a, b in _ways(site) if scene.area in (a, b)), OUTSIDE)
        door = Door(scene.person_zone, beyond, asked.door_m3_s, *asked.door)
    outcome = run_release(
        scene.network,
        [leak],
        watches=[watch.slowed(known.spread.ageing_of(watch.tag).ageing) for watch in scene.watches],
        reactions=reactions_of(scene),
        doors=[] if door is None else [door],
        duration_s=known.spread.duration_s,
        step_s=known.spread.step_s,
    )
    person = Person(scene.person_zone, tuple(outcome.set_s), known.spread.reaction_s)
    return Told(scene, outcome, outcome.breathed(person, above_ppm=scene.idlh_ppm), door)


def _ways(site: Site) -> list[tuple[str, str]]:
    return [(opening.a, opening.b) for opening in site.openings]


def _lasts_s(left_kg: float, rate_kg_s: float, decay_s: float) -> float:
    """How long until the charge is used up; for ever when the leak dies away before."""
    if rate_kg_s == 0.0 or left_kg <= 0.0:
        return 0.0
    if math.isinf(decay_s):
        return left_kg / rate_kg_s
    share = left_kg / (rate_kg_s * decay_s)
    return math.inf if share >= 1.0 else -decay_s * math.log1p(-share)


def _document(told: Told, asked: Asked) -> dict[str, Any]:
    scene, outcome, breathed = told.scene, told.outcome, told.breathed
    highest = outcome.ppm.max(axis=0)
    return {
        "area": scene.area,
        "gas": scene.gas.key,
        "failed": list(asked.failed),
        "door": None
        if told.door is None
        else {
            "to": told.door.b,
            "flow_m3_s": told.door.flow_m3_s,
            "opens_s": told.door.opens_s,
            "shuts_s": told.door.shuts_s if math.isfinite(told.door.shuts_s) else None,
        },
        "set_s": outcome.set_s,
        "on_s": outcome.on_s,
        "leak_closed_s": outcome.leak_closed_s,
        "burns": told.highest_of_lfl is not None,
        "flammable_s": told.burns_s,
        "highest_share_of_lfl": told.highest_of_lfl,
        "highest_ppm": {zone.name: float(ppm) for zone, ppm in zip(scene.network.zones, highest, strict=True)},
        "person": {
            "leaves_s": breathed.leaves_s,
            "peak_ppm": breathed.peak_ppm,
            "dose_ppm_s": breathed.dose_ppm_s,
            "stel_15min_ppm": breathed.stel_ppm,
            "twa_8h_ppm": breathed.twa_ppm,
            "above_idlh_s": breathed.above_s if math.isfinite(scene.idlh_ppm) else None,
        },
        "lost": outcome.lost,
    }


def leak_in_words(asked: Asked, scene: Scene) -> str:
    """What leaks.

    >>> from types import SimpleNamespace as Some
    >>> leak_in_words(Asked(30.0, 5.0, 600.0, (), None, 0.5), Some(area="PUMP", gas=Some(key="CO2")))
    'PUMP: 30 kg/h CO2, falling to 37 % in 10 min, after 5 kg at once'
    """
    rate = amount(number(asked.leak_kg_h), "kg/h")
    parts = [said("{area}: {rate} {gas}", area=scene.area, rate=rate, gas=scene.gas.key)]
    if math.isfinite(asked.decay_s):
        parts.append(said("falling to 37 % in {minutes} min", minutes=number(asked.decay_s / 60.0)))
    if asked.burst_kg:
        parts.append(said("after {burst} kg at once", burst=number(asked.burst_kg)))
    return listed(parts)


def events_of(told: Told) -> list[tuple[float, str]]:
    """What happened, in order."""
    outcome = told.outcome
    events = [(time, said("{name} sets", name=name)) for name, time in outcome.set_s.items() if time is not None]
    events += [(time, said("{name} is on", name=name)) for name, time in outcome.on_s.items() if time is not None]
    if outcome.leak_closed_s is not None:
        events.append((outcome.leak_closed_s, said("the leak is shut")))
    if told.door is not None:
        events.append(
            (
                told.door.opens_s,
                said(
                    "a door to {room} opens", room=said("outside") if told.door.b == OUTSIDE else zone_word(told.door.b)
                ),
            )
        )
        if math.isfinite(told.door.shuts_s):
            events.append((told.door.shuts_s, said("the door shuts")))
    if told.burns_s is not None:
        limit = amount(number(told.scene.flammable_ppm / 1e4), "%vol")
        reached = said("a zone reaches the lowest lower flammable limit, {limit}", limit=limit)
        events.append((told.burns_s, reached))
    if told.breathed.leaves_s is not None:
        events.append((told.breathed.leaves_s, said("people have left")))
    return sorted(events, key=lambda event: event[0])


def remarks_of(told: Told, duration_s: float) -> list[str]:
    """What did not happen, how high it went, whether it can burn, and what a person breathed."""
    scene, outcome, breathed = told.scene, told.outcome, told.breathed
    never = [name for name, time in outcome.set_s.items() if time is None]
    lines = []
    if never or not outcome.set_s:
        names = listed(never) if never else said("no detector sees it")
        lines.append(said("within {minutes} min never set: {names}", minutes=number(duration_s / 60), names=names))
    for zone, level in zip(scene.network.zones, outcome.ppm.max(axis=0), strict=True):
        peak = amount(number(float(level)), "ppm")
        lines.append(said("highest in {zone}: {peak}", zone=zone_word(zone.name), peak=peak))
    share = told.highest_of_lfl
    if share is None:
        lines.append(said("{gas} does not burn in air", gas=scene.gas.key))
    elif share < 1.0:
        lines.append(
            said(
                "no zone becomes flammable: {share} of the lowest lower flammable limit at most",
                share=amount(number(round(100 * share, 1)), "%"),
            )
        )
    else:
        lines.append(said("FLAMMABLE: a zone reaches the lowest lower flammable limit"))
    person = said(
        "a person in {zone} ({stays}): peak {peak}, 15 min mean {short}, 8 h mean {day}",
        zone=zone_word(scene.person_zone),
        stays=said("stays: no alarm comes") if breathed.leaves_s is None else said("until then"),
        peak=amount(number(breathed.peak_ppm), "ppm"),
        short=amount(number(breathed.stel_ppm), "ppm"),
        day=amount(number(breathed.twa_ppm), "ppm"),
    )
    if math.isfinite(scene.idlh_ppm):
        person = said("{person}, {seconds} s above the IDLH", person=person, seconds=number(breathed.above_s))
    return [*lines, person]


def works(asked: Asked) -> str:
    """What works and what does not."""
    if not asked.failed:
        return said("everything works as described")
    names = listed((said("ventilation") if name == VENTILATION else name for name in asked.failed), " and ")
    if len(asked.failed) == 1:
        return said("{names} has failed, all else works", names=names)
    return said("{names} have failed, all else works", names=names)


def _show(site: Site, told: Sequence[Told], asked: Asked, known: Responses) -> None:
    console = Console(highlight=False, markup=False)
    for one in told:
        console.print(Text(leak_in_words(asked, one.scene), style="bold"))
        grid = Table.grid(padding=(0, 2))
        grid.add_column(justify="right")
        grid.add_column()
        for time, what in events_of(one):
            grid.add_row(f"{number(round(time))} s", what)
        console.print(grid)
        for line in remarks_of(one, known.spread.duration_s):
            console.print(f"  {line}", style="bold" if line.startswith("FLAMMABLE") else None)
        console.print()
    console.print(f"{site.name}; {works(asked)}.", style="dim")
    for line in responding(known):
        console.print(line, style="dim")
    console.print(NEAR_THE_LEAK)
    console.print(DEFERRAL)


def _draw(site: Site, told: Sequence[Told], asked: Asked, out: Path, tell: Teller) -> None:
    from gaswitness.cli.release_sheet import sheet_of_leaks

    if out.suffix == ".html":
        raise InputError("one leak is drawn on paper", where="--out", found=out.name, expected=".pdf, .png or .svg")
    out.parent.mkdir(parents=True, exist_ok=True)
    write_whole(out, sheet_of_leaks(site.name, told, asked, datetime.now(UTC), out.suffix, tell))

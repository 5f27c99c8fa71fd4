"""What a site says about one possible release: the rooms, the gas, the detectors that see it, what their alarms start.

Each area is two layers (floor and upper) that exchange air; every area that it has an opening to is one more zone, and
the openings lead air both ways. Effects of kind `fan` whose causes lie in the area start its emergency ventilation;
effects of kind `valve` shut the leak. What the site does not say is taken as stated in `Assumed`, and shown.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

from gaswitness.alarms.effects import CauseLine, EffectLogic
from gaswitness.errors import InputError
from gaswitness.gases import Gas, gas
from gaswitness.gases.table import lower_flammable_limits
from gaswitness.release.loop import Reaction, Sight, Watch
from gaswitness.release.rooms import Flow, Network, Zone, exchange, exhaust
from gaswitness.response import SensorPath
from gaswitness.site import Site, alarm_points
from gaswitness.site.records import Area, Charge, Detector
from gaswitness.units import convert

FLOOR, UPPER = "floor", "upper"


@dataclass(frozen=True, slots=True)
class Assumed:
    """What a site file does not say. Common practice, no source; every one can be set."""

    floor_layer_m: float = 1.0
    """Height of the layer that heavy gas fills first."""
    mixing_per_hour: float = 6.0
    """Air that the two layers exchange, in volumes of the smaller one."""
    stirring_per_hour: float = 60.0
    """What comes on top of it while emergency ventilation runs."""


@dataclass(frozen=True, slots=True)
class Trigger:
    """So many of these alarm points start the area's emergency ventilation, or shut the leak, after a delay."""

    effect: str
    kind: Literal["fan", "valve"]
    members: tuple[str, ...]
    need: int
    delay_s: float


@dataclass(frozen=True, slots=True)
class Scene:
    """One charge in one area."""

    area: str
    gas: Gas
    charge_m3: float
    """The whole charge as gas at the site's temperature and pressure."""
    charge_kg: float
    network: Network
    """With normal ventilation."""
    normal: tuple[Flow, ...]
    """The part of the flows that is normal ventilation."""
    emergency: tuple[Flow, ...]
    """What takes its place."""
    layers: tuple[Flow, ...]
    """The exchange between floor and upper layer."""
    leak_zones: tuple[str, ...]
    """Where the gas comes out: first where it gathers, then the other layer."""
    person_zone: str
    """Where people breathe: the upper layer."""
    occupied: bool
    watches: tuple[Watch, ...]
    """Detectors that see this gas in these rooms, and no others."""
    triggers: tuple[Trigger, ...]
    flammable_ppm: float
    """Lowest lower flammable limit; infinite for a gas that does not burn."""
    idlh_ppm: float
    """Infinite where the table has none."""
    blind: tuple[str, ...]
    """Detectors in the area that do not see this gas."""


def scenes(site: Site, assumed: Assumed | None = None) -> tuple[Scene, ...]:
    """Every charge of a site; raises InputError when there is none."""
    assumed = assumed or Assumed()
    found = tuple(_scene(site, area, charge, assumed) for area in site.areas for charge in area.charges)
    if not found:
        raise InputError(
            "no area of the site holds a charge, so nothing can leak",
            where=site.name,
            expected="charges: [{gas: ..., mass: ...}] in an area",
            hint="add the charge of the largest system to each area",
        )
    return found


def _scene(site: Site, area: Area, charge: Charge, assumed: Assumed) -> Scene:
    found = gas(charge.gas)
    floor, upper = f"{area.tag}:{FLOOR}", f"{area.tag}:{UPPER}"
    floor_m = min(assumed.floor_layer_m, 0.5 * area.height_m)
    floor_m3 = area.volume_m3 * floor_m / area.height_m
    sinks = not found.moves.startswith("rises")
    low, high = (floor, upper) if sinks else (upper, floor)
    relief = {low: high, high: "outside"}
    zones = [Zone(floor, floor_m3, relief[floor]), Zone(upper, area.volume_m3 - floor_m3, relief[upper])]
    flows: list[Flow] = []
    for opening in site.openings:
        other = opening.b if opening.a == area.tag else opening.a if opening.b == area.tag else None
        if other is None or not opening.flow_m3_s:
            continue
        if other != "outside" and other not in [zone.name for zone in zones]:
            neighbour = site.area(other)
            zones.append(Zone(other, neighbour.volume_m3))
            if neighbour.ventilation.normal_m3_s:
                flows += exhaust(other, neighbour.ventilation.normal_m3_s)
        flows += exchange(upper, other, opening.flow_m3_s)
    mix_m3_s = min(floor_m3, area.volume_m3 - floor_m3) / 3600.0
    layers = exchange(floor, upper, assumed.mixing_per_hour * mix_m3_s)
    normal = _through(low, high, area.ventilation.normal_m3_s)
    rushing = area.ventilation.emergency_m3_s
    stirred = exchange(floor, upper, assumed.stirring_per_hour * mix_m3_s)
    emergency = (*_through(low, high, rushing), *stirred) if rushing else normal
    network = Network(tuple(zones), (*flows, *layers, *normal))
    tags = {zone.name for zone in zones} | {area.tag}
    here = [d for d in site.detectors if d.area in tags]
    watches = tuple(w for d in here if (w := _watch(site, d, found, area, floor_m)) is not None)
    conditions = site.conditions
    kg_m3 = convert(
        1e6, "ppm", "kg/m3", gas=found.key, temperature_k=conditions.temperature_k, pressure_pa=conditions.pressure_pa
    )
    burning = lower_flammable_limits(found)
    return Scene(
        area=area.tag,
        gas=found,
        charge_m3=charge.mass_kg / kg_m3,
        charge_kg=charge.mass_kg,
        network=network,
        normal=normal,
        emergency=emergency,
        layers=layers,
        leak_zones=(low, high),
        person_zone=upper,
        occupied=area.occupied,
        watches=watches,
        triggers=_triggers(site, area, watches, has_rush=bool(rushing)),
        flammable_ppm=burning[0][0] if burning else math.inf,
        idlh_ppm=found.limit_value("NIOSH IDLH") or math.inf,
        blind=tuple(d.tag for d in here if d.area == area.tag and d.tag not in {w.tag for w in watches}),
    )


def _through(low: str, high: str, flow_m3_s: float | None) -> tuple[Flow, ...]:
    """Exhaust where the gas gathers, with air that comes in at the other layer and crosses over.

    Published rules put the exhaust near the floor for heavy gas and near the ceiling for light gas.
    """
    if not flow_m3_s:
        return ()
    return Flow("outside", high, flow_m3_s), Flow(high, low, flow_m3_s), Flow(low, "outside", flow_m3_s)


def _watch(site: Site, detector: Detector, leaking: Gas, area: Area, floor_m: float) -> Watch | None:
    low_ppm, high_ppm = site.background_ppm(detector)
    background_ppm = low_ppm if detector.gas == "O2" else 0.5 * (low_ppm + high_ppm)
    sight = Sight.of(leaking.key, detector.gas, background_ppm)
    if sight is None:
        return None
    points = tuple(p for p in alarm_points(detector) if (p.direction == "rising") == (sight.slope > 0.0))
    if not points:
        return None
    zone = detector.area
    if zone == area.tag:
        sinks = not leaking.moves.startswith("rises")
        low_down = sinks if detector.height_m is None else detector.height_m <= floor_m
        zone = f"{area.tag}:{FLOOR if low_down else UPPER}"
    return Watch(detector.tag, zone, SensorPath.from_t90(detector.t90_s, detector.dead_time_s), points, sight)


def _triggers(site: Site, area: Area, watches: tuple[Watch, ...], *, has_rush: bool) -> tuple[Trigger, ...]:
    """Lines of the matrix by which alarms of this area start its fan or shut a valve; vote groups are resolved."""
    here = {detector.tag for detector in site.detectors if detector.area == area.tag}
    known = {f"{watch.tag}.{point.name}" for watch in watches for point in watch.points if watch.tag in here}
    groups = {group.tag: group for group in site.groups}
    found = []
    for effect in site.effects:
        if effect.kind not in ("fan", "valve") or (effect.kind == "fan" and not has_rush):
            continue
        for line in site.matrix:
            if line.effect != effect.tag:
                continue
            plain = tuple(cause for cause in line.causes if cause in known)
            voted = [groups[cause] for cause in line.causes if cause in groups]
            if line.need == "all":
                if plain and len(plain) == len(line.causes):
                    found.append(Trigger(effect.tag, effect.kind, plain, len(plain), effect.delay_s))
                continue
            if plain:
                found.append(Trigger(effect.tag, effect.kind, plain, 1, effect.delay_s))
            for group in voted:
                members = tuple(member for member in group.members if member in known)
                if len(members) >= group.need:
                    found.append(Trigger(effect.tag, effect.kind, members, group.need, effect.delay_s))
    return tuple(found)


def reactions_of(scene: Scene) -> tuple[Reaction, ...]:
    """What the triggers of a scene do to its air and its leak, as effect logic; a vote is every way to reach it."""
    found = []
    for effect in dict.fromkeys(trigger.effect for trigger in scene.triggers):
        own = [trigger for trigger in scene.triggers if trigger.effect == effect]
        lines = tuple(
            CauseLine(members, "all")
            for trigger in own
            for members in itertools.combinations(trigger.members, trigger.need)
        )
        logic = EffectLogic(effect, lines, delay_s=own[0].delay_s)
        if own[0].kind == "fan":
            found.append(Reaction(logic, replaces=scene.normal, starts=scene.emergency))
        else:
            found.append(Reaction(logic, closes_leak=True))
    return tuple(found)

"""BACnet objects as readings and states: units, status flags, and what is said where a value is not to be used. Pure.

Sources: ANSI/ASHRAE 135, clause 12 (an object out of service or overridden no longer follows its physical input),
clause 21 (status flags, engineering units), from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from gaswitness.errors import InputError
from gaswitness.links.scaled import detector_of, reading, without_faulty
from gaswitness.run.ports import Polled, PolledReading
from gaswitness.sentence import listed, said
from gaswitness.site.records import Detector, Site
from gaswitness.site.wires import LinkSpec, ObjectEntry, StatusFlag

Property = Literal["present-value", "status-flags", "units"]
Key = tuple[str, str]
"""One property of one object: `("analog-input:3", "present-value")`."""

FLAGS: tuple[StatusFlag, ...] = ("in-alarm", "fault", "overridden", "out-of-service")
"""Status flags by the number of their bit."""
UNITS = {
    2: ("milliamperes", ("mA",)),
    95: ("no-units", ()),
    96: ("parts-per-million", ("ppm",)),
    97: ("parts-per-billion", ("ppb",)),
    98: ("percent", ("%vol", "%LFL")),
    218: ("milligrams-per-cubic-meter", ("mg/m3",)),
    219: ("micrograms-per-cubic-meter", ("ug/m3",)),
}
"""Engineering units by number: name, and what they may mean here."""
USUAL_UNITS = listed([listed(["ppm", "ppb", "%vol", "%LFL"]), "mA"], " or ")
"""As a site writes them."""

Kind = Literal["real", "unsigned", "signed", "enumerated", "boolean", "flags", "null", "other"]


@dataclass(frozen=True, slots=True)
class Value:
    """A property as the device gave it."""

    kind: Kind
    number: float = 0.0
    flags: frozenset[StatusFlag] = frozenset()

    def __str__(self) -> str:
        return f"{self.kind} {self.number:g}" if self.kind in ("unsigned", "enumerated") else self.kind


@dataclass(frozen=True, slots=True)
class Refused:
    """What the device said in place of a property."""

    why: str

    def __str__(self) -> str:
        return self.why


Got = Mapping[Key, Value | Refused]


def wanted(spec: LinkSpec) -> dict[str, tuple[Property, ...]]:
    """What to read at every poll, by object, in the order of the site."""
    made: dict[str, tuple[Property, ...]] = {}
    for entry in spec.objects:
        if entry.flag is None:
            made[entry.object] = ("present-value", "status-flags")
        else:
            made.setdefault(entry.object, ("status-flags",))
    return made


def detectors(spec: LinkSpec, site: Site) -> dict[str, Detector]:
    """Detector of every reading, by signal; raises InputError where an object cannot be one."""
    made: dict[str, Detector] = {}
    for at, entry in enumerate(spec.objects):
        if is_reading(entry):
            where = said("link {url}, {entry}", url=spec.url, entry=f"objects[{at}]")
            if not entry.object.startswith("analog") or entry.flag is not None:
                found = entry.object if entry.flag is None else said("the flag {flag}", flag=entry.flag)
                raise InputError(
                    said("a reading must be the present value of an analog object"), where=where, found=found
                )
            made[entry.signal] = detector_of(entry.signal, entry.unit, site, where)
    return made


def is_reading(entry: ObjectEntry) -> bool:
    """Whether this is a number, and not a state."""
    return entry.signal.endswith(".reading")


def unit_of(entry: ObjectEntry, stated: Value | Refused, where: str) -> str:
    """Unit of a reading: the site's word and the object's must not disagree, and one of them must say it.

    Where the site scales the number, its word stands alone: what the object says is then not what comes out.
    """
    number = int(stated.number) if isinstance(stated, Value) and stated.kind == "enumerated" else None
    name = said("none")
    meanings: tuple[str, ...] = ()
    if number is not None:
        name, meanings = UNITS.get(number, (said("unit number {number}", number=str(number)), ("",)))
    if entry.unit is not None:
        if meanings and entry.unit not in meanings and entry.scale == 1.0 and entry.offset == 0.0:
            raise InputError(
                said("the site and the device name different units"),
                where=where,
                found=said("{unit} in the device", unit=name),
                expected=said("{unit}, as the site says", unit=entry.unit),
                hint=said("find out which is right; where the device names a wrong one, give `scale` beside `unit`"),
            )
        return entry.unit
    if len(meanings) != 1 or not meanings[0]:
        raise InputError(
            said("the unit of a reading must be known"),
            where=where,
            found=said("{unit} in the device, nothing in the site", unit=name),
            expected=said("unit: {units}", units=listed(meanings, " or ") if len(meanings) > 1 else USUAL_UNITS),
        )
    return meanings[0]


def polled(spec: LinkSpec, by_signal: Mapping[str, Detector], units: Mapping[str, str], got: Got) -> Polled:
    """Properties to readings and states; what is not to be believed is bad or left out, and said."""
    readings: dict[str, PolledReading] = {}
    status: dict[str, bool] = {}
    remarks: list[str] = []
    with_fault = {entry.signal for entry in spec.objects}
    for entry in spec.objects:
        if is_reading(entry):
            detector = by_signal[entry.signal]
            seen, doubt = _reading(entry, units[entry.signal], detector, got, f"{detector.tag}.fault" in with_fault)
            readings[detector.tag] = seen
        else:
            on, doubt = _state(entry, got)
            if on is not None:
                status[entry.signal] = on
        if doubt:
            remarks.append(said("{signal}: {object} {doubt}", signal=entry.signal, object=entry.object, doubt=doubt))
    return Polled(without_faulty(readings, status), status, tuple(dict.fromkeys(remarks)))


def _reading(
    entry: ObjectEntry, unit: str, detector: Detector, got: Got, fault_is_seen: bool
) -> tuple[PolledReading, str]:
    value = got[entry.object, "present-value"]
    if isinstance(value, Refused):
        return PolledReading(None, "bad"), said("is not readable ({why}): reading unknown", why=value.why)
    if value.kind not in ("real", "unsigned", "signed"):
        return PolledReading(None, "bad"), said("found {found}, expected a number: reading unknown", found=str(value))
    seen = reading(value.number, entry, unit, detector)
    flags = _flags(entry, got)
    unreal = flags & {"out-of-service", "overridden"}
    if unreal:
        return replace(seen, quality="bad"), said(
            "is {flags}: its value is not measured", flags=listed(sorted(unreal), " and ")
        )
    if "fault" in flags:
        return replace(seen, quality="bad"), "" if fault_is_seen else said("shows a fault")
    return seen, ""


def _state(entry: ObjectEntry, got: Got) -> tuple[bool | None, str]:
    """On, off or unknown, and what is to be said."""
    flags = _flags(entry, got)
    unreal = flags & {"out-of-service", "overridden", *(() if entry.flag else ("fault",))} - {entry.flag or ""}
    if unreal:
        return None, said("is {flags}: its state is not to be believed", flags=listed(sorted(unreal), " and "))
    value = got[entry.object, "status-flags" if entry.flag else "present-value"]
    if isinstance(value, Refused):
        return None, said("is not readable ({why}): state unknown", why=value.why)
    if entry.flag is not None:
        if value.kind != "flags":
            return None, said("found {found}, expected status flags: state unknown", found=str(value))
        return (entry.flag in value.flags) != entry.inverted, ""
    if entry.object.startswith("multi-state"):
        if value.kind != "unsigned":
            return None, said("found {found}, expected the number of a state: state unknown", found=str(value))
        return (int(value.number) in entry.on_values) != entry.inverted, ""
    if value.kind != "enumerated" or value.number not in (0, 1):
        return None, said("found {found}, expected inactive or active: state unknown", found=str(value))
    return bool(value.number) != entry.inverted, ""


def _flags(entry: ObjectEntry, got: Got) -> frozenset[str]:
    value = got[entry.object, "status-flags"]
    return frozenset(value.flags) if isinstance(value, Value) else frozenset()

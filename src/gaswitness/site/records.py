"""The site: what is installed where, what must follow from what, and with which gas it will be proven."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from gaswitness.gases.rules import places
from gaswitness.records import (
    CubicMetres,
    CubicMetresPerSecond,
    Kelvins,
    Kilograms,
    Metres,
    Pascals,
    Ppm,
    Record,
    Seconds,
)
from gaswitness.site.amounts import Amount

SITE_FORMAT: Literal["gaswitness/site/1"] = "gaswitness/site/1"

CLEAN_AIR_PPM = {"O2": 209_500.0, "CO2": 420.0}
"""What clean air holds, where it holds anything of a gas."""

Tag = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]*$", max_length=40, examples=["NH3-1"])]
"""A name on the site's drawings; letters, digits, `-` and `_`, so that `TAG.low` can be told apart."""

Direction = Literal["rising", "falling"]
Pattern = Literal["steady", "flashing", "pulsed"]
EffectKind = Literal["lamp", "sounder", "relay", "fan", "valve", "message"]
Rule = Literal["simple", "guarded", "shared-risk"]
FaultyVote = Literal["votes", "ignored", "reduces"]
WordOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
RegisterType = Literal["uint16", "int16", "uint32", "int32", "float32"]
ReadingUnit = Literal["ppm", "ppb", "%vol", "%LFL", "mA", "mg/m3", "ug/m3"]
"""Units of a reading on a link; a mass in a volume of air is taken at 25 degC and 101.325 kPa."""
StatusFlag = Literal["in-alarm", "fault", "overridden", "out-of-service"]
LAST_INSTANCE = 4_194_302
"""Highest instance number of a BACnet object: 22 bits, the last one being kept for `no object`."""


def _above_zero(value: float) -> float:
    if not value > 0:
        raise ValueError(f"found {value:g}, expected more than 0")
    return value


def _not_below_zero(value: float) -> float:
    if value < 0:
        raise ValueError(f"found {value:g}, expected 0 or more")
    return value


def _place(name: str) -> str:
    if name not in places():
        known = ", ".join(places())
        raise ValueError(f"found {name!r}, expected a kind of place that published rules speak of: {known}")
    return name


def _fraction(value: float) -> float:
    if not 0 <= value <= 1e6:
        raise ValueError(f"found {value:g} ppm, expected 0 to 1,000,000 ppm (100 %vol)")
    return value


def _object_name(text: str) -> str:
    match = re.fullmatch(r"(analog|binary|multi-state)-(input|output|value):([0-9]{1,7})", text, re.ASCII)
    if match is None:
        raise ValueError(
            f"found {text[:60]!r}, expected an analog, binary or multi-state input, output or value with its instance"
        )
    if int(match[3]) > LAST_INSTANCE:
        raise ValueError(f"found {text}, expected an instance of {LAST_INSTANCE} or less")
    return text


def _topic(text: str) -> str:
    if not text or any(sign in text for sign in "+#\0") or len(text.encode("utf-8", "replace")) > 65_535:
        raise ValueError(f"found {text[:60]!r}, expected the name of one topic, without the wildcards + and #")
    return text


def _json_pointer(text: str) -> str:
    if (text and not text.startswith("/")) or re.search("~(?![01])", text):
        raise ValueError(f"found {text[:60]!r}, expected a JSON pointer such as /gas/ppm (RFC 6901)")
    return text


def without_secrets(url: str) -> str:
    """Raises ValueError for an address that holds a name or a password: addresses are kept in plans and ledgers.

    >>> without_secrets("mqtts://192.0.2.10")
    'mqtts://192.0.2.10'
    """
    scheme, slashes, rest = url.partition("://")
    if slashes and "@" in re.split("[/?#]", rest)[0]:
        raise ValueError(
            f"found a user or a password in the {scheme} address, expected none: it would be kept in plans and ledgers"
        )
    return url


ABOVE_ZERO = AfterValidator(_above_zero)
Level = Annotated[Ppm, AfterValidator(_fraction)]
Delay = Annotated[Seconds, AfterValidator(_not_below_zero)]
Flow = Annotated[CubicMetresPerSecond, AfterValidator(_not_below_zero)]


class Conditions(Record):
    """Air at the site; a sensor that counts molecules reads by it."""

    pressure_pa: Annotated[Pascals, ABOVE_ZERO] = Field(101325.0, alias="pressure")
    """Usual air pressure at the site."""
    temperature_k: Annotated[Kelvins, ABOVE_ZERO] = Field(293.15, alias="temperature")
    """Usual air temperature at the site."""


class Background(Record):
    """What the air of an area usually holds of one gas, lowest to highest."""

    gas: str
    low_ppm: Level = Field(alias="low")
    high_ppm: Level = Field(alias="high")


class Ventilation(Record):
    """Air drawn out of an area; unknown flows are left out, never zero."""

    normal_m3_s: Flow | None = Field(None, alias="normal")
    """Always running."""
    emergency_m3_s: Flow | None = Field(None, alias="emergency")
    """With the emergency fans."""


class Charge(Record):
    """Gas held in plant within an area."""

    gas: str
    mass_kg: Annotated[Kilograms, ABOVE_ZERO] = Field(alias="mass")


class Area(Record):
    """A room or a part of one."""

    tag: Tag
    name: str
    volume_m3: Annotated[CubicMetres, ABOVE_ZERO] = Field(alias="volume")
    """Free volume of air."""
    height_m: Annotated[Metres, ABOVE_ZERO] = Field(alias="height")
    occupied: bool
    """People stay here; their breath raises carbon dioxide."""
    place: Annotated[str, AfterValidator(_place)] | None = None
    """Kind of place, by which published alarm levels are chosen, such as `machinery room`; else they are not."""
    ventilation: Ventilation = Ventilation()
    background: tuple[Background, ...] = ()
    """Usual air; left out, clean air is taken."""
    charges: tuple[Charge, ...] = ()
    """Gas in the plant of this area, which may escape."""


class Opening(Record):
    """An air path between two areas, or an area and `outside`."""

    a: str
    b: str
    flow_m3_s: Annotated[CubicMetresPerSecond, ABOVE_ZERO] = Field(alias="flow")
    """Air exchanged either way."""


class AlarmPointSpec(Record):
    """One alarm of one detector, as configured."""

    name: Tag
    direction: Direction = "rising"
    """Which way the reading goes when it alarms."""
    set_ppm: Level = Field(alias="set")
    """Sets at this level, and beyond it."""
    deadband: Amount = Amount(value=0.0, of="ppm")
    """How far the reading must come back beyond the set level before the alarm clears."""
    on_delay_s: Delay = Field(0.0, alias="on_delay")
    """The level must stand this long before the alarm sets."""
    off_delay_s: Delay = Field(0.0, alias="off_delay")
    """The reading must be back this long before the alarm clears."""
    latching: bool = False
    """Stays until reset, although the gas is gone."""

    def clear_ppm(self, range_ppm: float) -> float:
        """Level beyond which the alarm may clear; `range_ppm` is the width of the detector's range."""
        band_ppm = self.deadband.resolve(set_ppm=self.set_ppm, range_ppm=range_ppm)
        return self.set_ppm - band_ppm if self.direction == "rising" else self.set_ppm + band_ppm


class LowerFlammableLimit(Record):
    """The limit that `%LFL` means on this detector, with the standard it comes from."""

    ppm: Annotated[Level, ABOVE_ZERO] = Field(alias="level")
    source: str


class Detector(Record):
    """A remote detector and how it is expected to answer."""

    tag: Tag
    name: str = ""
    gas: str
    """The gas it is meant for."""
    area: Tag
    unit: Literal["ppm", "ppb", "%vol", "%LFL"] = "ppm"
    """How this detector's readings are shown to people; inside all is ppm."""
    range_low_ppm: Level = Field(0.0, alias="range_low")
    range_high_ppm: Level = Field(alias="range_high")
    """End of the measuring range."""
    resolution_ppm: Level = Field(alias="resolution")
    """Smallest step of the reading."""
    noise_ppm: Level = Field(0.0, alias="noise")
    """Usual standard deviation of the reading in still air."""
    t90_s: Annotated[Seconds, ABOVE_ZERO] = Field(alias="t90")
    """From gas at the inlet to 90 % of the change, dead time included, as the data sheet or the last good test says."""
    dead_time_s: Delay = Field(0.0, alias="dead_time")
    """Time from gas on to first movement, under the cap."""
    cap_volume_m3: Annotated[CubicMetres, ABOVE_ZERO] = Field(5e-5, alias="cap_volume")
    """Volume under the test cap, which the gas must flush first."""
    height_m: Annotated[Metres, ABOVE_ZERO] | None = Field(None, alias="height")
    """Mounting height over the floor."""
    corrects_pressure: bool = False
    """It corrects its reading for air pressure by itself."""
    lfl: LowerFlammableLimit | None = None
    """Needed wherever `%LFL` is written for this detector."""
    alarms: tuple[AlarmPointSpec, ...]
    channel: Tag | None = None
    """The panel channel that this detector is wired to."""
    sensor: str = Field("", examples=["electrochemical"])
    """What kind of sensor it has, in your own words; failures are counted by it over the years."""
    sensor_fitted: date | None = None
    """Day on which the present sensor was fitted, where no kept visit says a later one."""
    sensor_life_months: int | None = Field(None, ge=1, le=600)
    """How long a sensor is good for, as its data sheet says; then its exchange is due."""

    @property
    def range_ppm(self) -> float:
        """Width of the range."""
        return self.range_high_ppm - self.range_low_ppm

    def alarm(self, name: str) -> AlarmPointSpec:
        """The alarm point of this name; raises KeyError."""
        for point in self.alarms:
            if point.name == name:
                return point
        raise KeyError(name)


class Panel(Record):
    """The central panel."""

    name: str = "panel"
    area: Tag | None = None
    scan_s: Delay = Field(1.0, alias="scan")
    """How often the panel looks at its inputs; part of every delay."""


class Noise(Record):
    """Sound that is there without any alarm, A-weighted."""

    average_dba: float = Field(ge=0, le=140, alias="average_dBA")
    """Mean level."""
    maximum_dba: float | None = Field(None, ge=0, le=140, alias="maximum_dBA")
    """Highest level that lasts a minute or longer."""


class Hearing(Record):
    """How far a sounder is from a place, and what stands in between."""

    effect: Tag
    """A sounder."""
    distance_m: Metres = Field(alias="distance")
    """From the sounder to people's ears."""
    barrier_db: float = Field(0.0, ge=0, le=100, alias="barrier_dB")
    """Loss through doors and walls on the way."""


class Post(Record):
    """A place where a witness stands."""

    tag: Tag
    name: str
    area: Tag | None = None
    noise: Noise | None = None
    """Noise of the place, which an alarm must be heard above."""
    sleeping: bool = False
    """People sleep here, so the alarm must wake them."""
    hears: tuple[Hearing, ...] = ()
    """Sounders that are meant to be heard here."""


class Effect(Record):
    """Something that must happen somewhere when alarms set."""

    tag: Tag
    name: str
    kind: EffectKind
    post: Tag
    """Where it can be witnessed."""
    channel: Tag | None = None
    pattern: Pattern = "steady"
    """How it acts, unless a matrix line says otherwise."""
    sound_dba: float | None = Field(None, ge=0, le=150, alias="sound_dBA")
    """A-weighted level of a sounder at 1 m, from its data sheet."""
    delay_s: Delay = Field(0.0, alias="delay")
    """Time that the panel or the device waits by design."""
    hold_s: Delay = Field(0.0, alias="hold")
    """Goes on at least this long once started."""
    silenceable: bool = False
    """Stops when somebody presses silence, while the alarm stands."""
    needs_reset: bool = False
    """Stays until somebody presses reset, although its causes are gone."""
    inhibitable: bool = False
    """May be inhibited for a test, and then must be proven live again."""


class VoteGroup(Record):
    """N of M alarm points that must agree; its tag is a cause like any alarm point."""

    tag: Tag
    members: tuple[str, ...]
    """Alarm points as `TAG.point`."""
    need: int = Field(ge=1)
    """How many of the members must alarm."""
    faulty: FaultyVote = "votes"
    """A faulty member counts as an alarm (`votes`), as none (`ignored`), or leaves the group (`reduces`)."""


class MatrixLine(Record):
    """One line of the cause-and-effect matrix: any of the causes brings the effect within the limit.

    A cause is `TAG.point` (`NH3-1.low`), `TAG.fault`, or the tag of a vote group.
    `need: all` asks for all causes at once.
    """

    causes: tuple[str, ...]
    effect: Tag
    need: Literal["any", "all"] = "any"
    within_s: Annotated[Seconds, ABOVE_ZERO] = Field(alias="within")
    """Longest time from cause to effect."""
    pattern: Pattern | None = None
    """Pattern that this cause brings, where it differs from the effect's own."""


class Cylinder(Record):
    """A bottle of test gas and its certificate."""

    tag: Tag
    gas: str
    """The gas in the bottle."""
    level_ppm: Level = Field(alias="level")
    """Certified level."""
    expanded_uncertainty: Amount
    """U of the certificate; `2 % of level` or an absolute value."""
    k: float = Field(2.0, gt=0)
    """Coverage factor of that U."""
    balance: str
    """What the rest is: `air`, or a gas."""
    certificate: str
    """Number of the certificate."""
    expires: date
    """Last day on which the certificate holds."""
    water_volume_m3: Annotated[CubicMetres, ABOVE_ZERO] = Field(alias="water_volume")
    """Volume of the empty bottle."""
    pressure_pa: Annotated[Pascals, ABOVE_ZERO] = Field(alias="pressure")
    """Pressure now."""
    min_pressure_pa: Pascals = Field(alias="min_pressure")
    """Pressure below which the certificate no longer holds."""
    flow_m3_s: Annotated[CubicMetresPerSecond, ABOVE_ZERO] = Field(alias="flow")
    """Flow of the regulator, at atmospheric pressure."""
    manifold_flow_m3_s: Annotated[CubicMetresPerSecond, ABOVE_ZERO] | None = Field(None, alias="manifold_flow")
    """Most that bottle and manifold give to several caps at once; left out, the bottle feeds one cap at a time."""
    surrogate_for: str | None = None
    """The gas whose detectors it proves, where that is another one."""
    surrogate_factor: float = Field(1.0, gt=0)
    """Reading of the target gas = level x factor, where the bottle holds another gas."""

    @property
    def u_ppm(self) -> float:
        """Standard uncertainty (k = 1) of the certified level."""
        return self.expanded_uncertainty.resolve(level_ppm=self.level_ppm) / self.k

    @property
    def shown_ppm(self) -> float:
        """What a detector of the target gas should show on this bottle."""
        return self.level_ppm * self.surrogate_factor

    @property
    def target_gas(self) -> str:
        """The gas whose detectors this bottle can prove."""
        return self.surrogate_for or self.gas


class Tolerance(Record):
    """How far a result may be off, and by which rule it is decided."""

    amount: Amount
    rule: Rule = "guarded"


class TimeLimit(Record):
    """How long a thing may take, and by which rule it is decided."""

    limit_s: Annotated[Seconds, ABOVE_ZERO] = Field(alias="limit")
    rule: Rule = "guarded"


class Tests(Record):
    """Tolerances and decision rules, fixed before gas flows."""

    zero: Tolerance = Tolerance(amount=Amount(value=2.0, of="range"))
    """Reading before gas, against the usual air."""
    span: Tolerance = Tolerance(amount=Amount(value=10.0, of="level"))
    """Settled reading, against the bottle."""
    response: TimeLimit | None = None
    """Limit on t90; by default 1.5 times the t90 that the site states per detector."""
    recovery: TimeLimit | None = None
    """Limit on the time back to a tenth of the change."""
    set_level: Tolerance = Tolerance(amount=Amount(value=10.0, of="set"), rule="simple")
    """Reading at which an alarm set, against its set level."""
    clear_level: Tolerance = Tolerance(amount=Amount(value=10.0, of="set"), rule="simple")
    """Reading at which it cleared, against its clear level."""
    effect_rule: Rule = "simple"
    """Decision rule for the time limits of the matrix."""
    interval_months: int = Field(12, ge=1, le=60)
    """How long a pass is good for before the next test is due."""


class RegisterEntry(Record):
    """A number on a Modbus link."""

    signal: str
    """`TAG.reading`."""
    function: Literal[3, 4] = 4
    """3 reads holding registers, 4 input registers."""
    address: int = Field(ge=0, le=65535)
    """Zero-based, as on the wire."""
    type: RegisterType = "float32"
    words: WordOrder = "ABCD"
    """Order of the four bytes of a 32-bit value; most significant is A."""
    scale: float = 1.0
    offset: float = 0.0
    unit: Literal["ppm", "ppb", "%vol", "%LFL", "mA"] = "ppm"
    """Unit of `raw * scale + offset`."""


class BitEntry(Record):
    """A status bit on a Modbus link: a coil or discrete input, or one bit of a register."""

    signal: str
    """`TAG.point`, `TAG.fault`, `EFFECT.on`, `EFFECT.inhibited`."""
    function: Literal[1, 2, 3, 4] = 2
    """1 coils, 2 discrete inputs, 3 and 4 one bit of a register."""
    address: int = Field(ge=0, le=65535)
    bit: int | None = Field(None, ge=0, le=15)
    """Bit of the register, least significant is 0; only with function 3 or 4."""
    inverted: bool = False
    """The bit is 0 where the signal is on."""


class ObjectEntry(Record):
    """A reading or a state on a BACnet link: the present value of an object, or one of its status flags."""

    signal: str
    """`TAG.reading` of an analog object; `TAG.point`, `TAG.fault`, `EFFECT.on` or `EFFECT.inhibited` of any other."""
    object: Annotated[
        str,
        Field(examples=["analog-input:3"]),
        AfterValidator(_object_name),
    ]
    """Type and instance."""
    flag: StatusFlag | None = None
    """The status flag that is the signal, in place of the present value."""
    on_values: tuple[int, ...] = ()
    """States of a multi-state object in which the signal is on."""
    inverted: bool = False
    """The object is inactive, or the flag not set, where the signal is on."""
    scale: float = 1.0
    offset: float = 0.0
    unit: ReadingUnit | None = None
    """Unit of `present value * scale + offset`; left out, the one that the object states."""


class TopicEntry(Record):
    """A reading or a state on an MQTT link: one value in the messages of a topic."""

    signal: str
    """`TAG.reading`, `TAG.point`, `TAG.fault`, `EFFECT.on` or `EFFECT.inhibited`."""
    topic: Annotated[str, Field(examples=["plant/nh3-1"]), AfterValidator(_topic)]
    pointer: Annotated[str, AfterValidator(_json_pointer)] = ""
    """Where the value stands in a JSON message, `/gas/ppm` (RFC 6901); left out, the message itself is the value."""
    time_pointer: Annotated[str, AfterValidator(_json_pointer)] | None = None
    """Where the instant of the value stands: ISO 8601 with its zone, or time since 1970 in UTC."""
    time_unit: Literal["s", "ms"] = "s"
    """Unit of time since 1970."""
    on_values: tuple[str, ...] = ()
    """Values in which the signal is on, all others being off; left out: true, 1, on."""
    inverted: bool = False
    """The value is off where the signal is on."""
    scale: float = 1.0
    offset: float = 0.0
    unit: ReadingUnit = "ppm"
    """Unit of `value * scale + offset`."""


class LinkSpec(Record):
    """Where readings and status come from: Modbus by `registers` and `bits`, BACnet by `objects`, MQTT by `topics`."""

    url: Annotated[str, AfterValidator(without_secrets)] = Field(examples=["modbus-tcp://192.0.2.10:502"])
    """`modbus-tcp://HOST:PORT`, `bacnet://HOST`, `mqtts://HOST`, or another link."""
    unit_id: int = Field(1, ge=0, le=255)
    """Modbus unit."""
    poll_s: Annotated[Seconds, ABOVE_ZERO] = Field(1.0, alias="poll")
    """How often everything is read; over MQTT, how often messages come."""
    registers: tuple[RegisterEntry, ...] = ()
    bits: tuple[BitEntry, ...] = ()
    objects: tuple[ObjectEntry, ...] = ()
    topics: tuple[TopicEntry, ...] = ()

    @property
    def signals(self) -> tuple[str, ...]:
        """Every signal of the link, in the order of the lists."""
        return tuple(entry.signal for part in (self.registers, self.bits, self.objects, self.topics) for entry in part)


class Role(Record):
    """Somebody who must be told before the test and after it."""

    role: str
    reach: str = ""
    """How they are reached."""


class Site(Record):
    """The whole description of one installation."""

    format: Literal["gaswitness/site/1"] = Field(alias="gaswitness")
    name: str
    note: str = ""
    """Anything a reader should know."""
    conditions: Conditions = Conditions()
    areas: tuple[Area, ...]
    openings: tuple[Opening, ...] = ()
    panel: Panel = Panel()
    channels: tuple[Tag, ...] = ()
    """Inputs and outputs of the panel, by name."""
    detectors: tuple[Detector, ...] = Field(min_length=1)
    groups: tuple[VoteGroup, ...] = ()
    posts: tuple[Post, ...] = ()
    effects: tuple[Effect, ...] = ()
    matrix: tuple[MatrixLine, ...] = ()
    cylinders: tuple[Cylinder, ...] = ()
    tests: Tests = Tests()
    links: tuple[LinkSpec, ...] = ()
    warn: tuple[Role, ...] = ()
    """Who must be told before a test and after it."""

    def detector(self, tag: str) -> Detector:
        """The detector of this tag; raises KeyError."""
        for detector in self.detectors:
            if detector.tag == tag:
                return detector
        raise KeyError(tag)

    def effect(self, tag: str) -> Effect:
        """The effect of this tag; raises KeyError."""
        for effect in self.effects:
            if effect.tag == tag:
                return effect
        raise KeyError(tag)

    def area(self, tag: str) -> Area:
        """The area of this tag; raises KeyError."""
        for area in self.areas:
            if area.tag == tag:
                return area
        raise KeyError(tag)

    def cylinder(self, tag: str) -> Cylinder:
        """The cylinder of this tag; raises KeyError."""
        for cylinder in self.cylinders:
            if cylinder.tag == tag:
                return cylinder
        raise KeyError(tag)

    def background_ppm(self, detector: Detector) -> tuple[float, float]:
        """Lowest and highest usual level of the detector's gas in its area.

        Where the site says nothing, clean air is taken: 20.95 %vol oxygen, 420 ppm carbon dioxide (common practice,
        no source), none of anything else.
        """
        for entry in self.area(detector.area).background:
            if entry.gas == detector.gas:
                return entry.low_ppm, entry.high_ppm
        clean_ppm = CLEAN_AIR_PPM.get(detector.gas, 0.0)
        return clean_ppm, clean_ppm

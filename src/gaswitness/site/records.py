"""The site: what is installed where, what must follow from what, and with which gas it will be proven."""

from __future__ import annotations

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
from gaswitness.sentence import listed, said
from gaswitness.site.amounts import Amount
from gaswitness.site.bounds import ABOVE_ZERO, fraction, not_below_zero
from gaswitness.site.wires import LinkSpec

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


def _place(name: str) -> str:
    if name not in places():
        text = said(
            "found {found}, expected a kind of place that published rules speak of: {known}",
            found=repr(name),
            known=listed(places()),
        )
        raise ValueError(text)
    return name


Level = Annotated[Ppm, AfterValidator(fraction)]
Delay = Annotated[Seconds, AfterValidator(not_below_zero)]
Flow = Annotated[CubicMetresPerSecond, AfterValidator(not_below_zero)]


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

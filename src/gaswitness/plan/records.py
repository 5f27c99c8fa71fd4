"""The plan: frozen steps and the criteria they must meet, fixed before gas flows.

A plan is data. It can be listed, priced in gas and minutes, printed, hashed and resumed with nothing connected.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from gaswitness.records import Kept, Record, Told
from gaswitness.site.records import Rule, Site

PLAN_FORMAT: Literal["gaswitness/plan/1"] = "gaswitness/plan/1"

StepKind = Literal[
    "caution",  # read aloud and accepted before anything else
    "warn",  # one role is told that a test begins
    "inhibit",  # one effect is inhibited, with who, why and until
    "zero",  # as found: reading in the room's own air, or in zero gas
    "gas-on",  # bottle open, cap on
    "await-set",  # an alarm point must set
    "await-plateau",  # the reading must settle at the gas value
    "acknowledge",  # pressed at the panel
    "silence",  # pressed at the panel
    "gas-off",  # bottle shut, cap away
    "await-clear",  # an alarm point must clear by itself
    "recover",  # cap away, reading settles back in the room's air; a latched point must stay meanwhile
    "reset",  # pressed at the panel; a latched point or effect must then clear
    "fault",  # the signal is opened at the detector; the fault must show
    "mend",  # the signal is closed again; the fault must go (a run makes this step up where a plan does not list it)
    "adjust",  # only where as found fell short: zero or span adjusted, then tested again
    "lift",  # one inhibit is lifted
    "prove",  # the effect just released is seen to act once more
    "all-clear",  # one role is told that the test is over
    "air",  # barometer and thermometer read at the site, where there are any
    "sound",  # level at one post while its sounders sound, where there is a meter
    "bottle",  # pressure of one bottle read off its gauge, before the test and after it
    "follow",  # alarms stand as they are for a while: what they must bring has time to come, and nothing else is done
    "quiet",  # fewer members of a vote group alarm than are needed: for so long nothing of it may act
]

MEASURED: frozenset[StepKind] = frozenset({"air", "sound", "bottle"})
"""Steps at which people measure with instruments of their own; without them the step is left out."""

CriterionKind = Literal[
    "zero",  # reading before gas, against the room's known background
    "span",  # settled reading on certified gas
    "t90",  # time from gas on to 90 % of the change
    "t10",  # time from gas off until 10 % of the change is left
    "set-level",  # reading at which the point set
    "clear-level",  # reading at which the point cleared
    "deadband",  # distance between the two
    "set-time",  # time from gas on until the point set, against its prediction
    "latched",  # a latching point stayed until reset, a free one did not need it
    "effect",  # delay from cause to effect
    "effect-pattern",  # steady, flashing or pulsed, as configured
    "silenced",  # the sounder stopped on silence while the alarm stood
    "reset",  # what needs a reset cleared on reset
    "fault",  # an opened signal was seen as a fault in time
    "no-stray",  # nothing happened that no cause explains
    "inhibit-lifted",  # every inhibit lifted and its effect proven
    "warned",  # everybody told before has been told it is over
    "audible",  # measured level of sounders at a post, against the published rules for its noise
    "vote-quiet",  # with fewer members of a group in alarm than are needed none of its effects acted
    "vote-acts",  # delay from the moment at which enough members stood until the effect acted
    "vote-clears",  # its effects stopped when the members had cleared
]


class Criterion(Record):
    """One thing that will be measured, and against what."""

    id: str
    """`NH3-1/span`, `NH3-1/set-level/low`, `NH3-1/effect/low/FAN-1`."""
    kind: CriterionKind
    tag: str | None = None
    """Detector; none for the whole visit."""
    point: str | None = None
    """Alarm point or `fault`, where the criterion is about one."""
    effect: str | None = None
    post: str | None = None
    """Listening place, where the criterion is about one."""
    group: str | None = None
    """Vote group, where the criterion is about one."""
    bout: str | None = None
    """The bout in which it is shown, for criteria of a vote group."""
    target: float | None = None
    lower: float | None = None
    upper: float | None = None
    unit: Literal["ppm", "s", "count", "yes", "dBA"]
    """`yes` is a thing that happened (1) or did not (0)."""
    rule: Rule
    text: Told
    """The criterion in words, as it will stand in the certificate."""
    optional: bool = False
    """Only judged where its steps were run (as left, after an adjustment; or something measured by hand); otherwise it
    is left out of the verdict."""


class Step(Record):
    """One thing to do or to wait for."""

    id: str
    """`NH3-1/gas-on`, `NH3-1/await-set/low`, `visit/inhibit/FAN-1`."""
    kind: StepKind
    tag: str | None = None
    point: str | None = None
    effect: str | None = None
    role: str | None = None
    cylinder: str | None = None
    post: str | None = None
    """Where it is done or seen."""
    text: Told
    """What the person does, in one sentence."""
    ends: Literal["confirm", "signal", "settled", "elapsed"]
    """A person says so; a status signal shows it; the reading settles; the time has passed."""
    at_least_s: float = Field(0.0, ge=0)
    at_most_s: float = Field(ge=0)
    """After this long the step is over, done or not."""
    watch: tuple[str, ...] = ()
    """Effects to be witnessed meanwhile, by tag."""
    optional: bool = False
    """Only where as found fell short (adjust, and what follows as left), or where there is an instrument for it.
    Skipping it is no shortfall."""
    expected_s: float = Field(0.0, ge=0)
    """How long it usually takes, for time lines and progress; nothing is judged by it."""
    bout: str | None = None
    """Steps of one bout follow each other, and all detectors named in them are under test at once, with gas on several
    of them; none for a detector that is tested alone."""
    group: str | None = None
    """Vote group whose trial this step belongs to."""


class Curve(Record):
    """How the reading should rise and fall, with gas on at zero."""

    t_s: tuple[float, ...]
    reading_ppm: tuple[float, ...]
    low_ppm: tuple[float, ...]
    """Lower edge of the 95 % band."""
    high_ppm: tuple[float, ...]
    gas_off_s: float


class PointForecast(Record):
    """When one alarm point should set after gas on, and clear after gas off: 95 % intervals."""

    point: str
    set_s: tuple[float, float]
    clear_s: tuple[float, float] | None
    """None where it must not clear by itself (latching)."""


class DetectorPlan(Record):
    """What the test of one detector takes."""

    tag: str
    cylinder: str
    bottle_ppm: float
    """What the detector should show on this bottle, in the site's usual air."""
    background_ppm: tuple[float, float]
    """What it should show in the room's own air, lowest and highest."""
    gas_s: float
    """How long the gas is planned to flow."""
    gas_m3: float
    """Gas used, at atmospheric pressure."""
    duration_s: float
    curve: Curve
    points: tuple[PointForecast, ...]


class NotShown(Record):
    """A line of the matrix, or an alarm point, that this plan does not claim to show, and why."""

    cause: str
    """`TAG.point`, `TAG.fault`, or the tag of a vote group."""
    effect: str | None = None
    why: Told


class GasNeed(Record):
    """What a visit takes out of one bottle, at atmospheric pressure."""

    cylinder: str
    needed_m3: float
    available_m3: float
    """Held above the minimum pressure."""


class BottleLoad(Record):
    """What one bottle has to feed at once."""

    cylinder: str
    caps: int
    flow_m3_s: float
    """All caps together, at atmospheric pressure."""


class Bout(Record):
    """Detectors that stand under gas together: `CS-1+CS-2`, or one round of a group trial, `TRIP/1`."""

    bout: str
    group: str | None = None
    tags: tuple[str, ...]
    """In the order in which gas is put on them."""
    faulty: tuple[str, ...] = ()
    """Members of the group whose signal is opened meanwhile."""
    loads: tuple[BottleLoad, ...]
    posts: tuple[str, ...]
    """Where somebody must be, at a cap, at the panel or to see an effect."""
    acts_s: tuple[float, float] | None = None
    """From the first gas on until enough members of the group alarm: 95 % interval; none where they never do."""
    duration_s: float


class GroupPlan(Record):
    """The trial of one vote group: rounds in which its members alarm one after the other."""

    tag: str
    need: int
    of: int
    effects: tuple[str, ...]
    """What the group brings and this plan shows."""
    rounds: tuple[str, ...]
    """Its bouts."""
    parts: tuple[DetectorPlan, ...]
    """What is expected of each member in a round: `gas_s` is the longest flow in one of them, `gas_m3` the gas that all
    of them take."""


class Plan(Record):
    """A whole visit."""

    format: Literal["gaswitness/plan/1"] = PLAN_FORMAT
    made: str
    """Instant in UTC, ISO 8601."""
    site: Site
    detectors: tuple[DetectorPlan, ...]
    steps: tuple[Step, ...]
    criteria: tuple[Criterion, ...]
    cautions: tuple[Told, ...]
    retest_of: str | None = None
    """Digest of the ledger whose shortfalls this plan tests again."""
    not_shown: tuple[NotShown, ...] = ()
    """What a reader might take as shown and is not; stands as "not tested" on paper."""
    gas: tuple[GasNeed, ...] = ()
    assumptions: tuple[Told, ...] = ()
    """What the predictions rest on, in words."""
    bouts: tuple[Bout, ...] = ()
    groups: tuple[GroupPlan, ...] = ()
    wording: tuple[Kept, ...] = ()
    """How the texts of this plan were made, so that they can be told in another language."""

    def detector(self, tag: str) -> DetectorPlan:
        """The part of one detector; raises KeyError."""
        for detector in self.detectors:
            if detector.tag == tag:
                return detector
        raise KeyError(tag)

"""What watchers get to see of a run: frozen, complete, and never read back by the run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from gaswitness.plan.records import DetectorPlan, Step
from gaswitness.run.lookout import Message
from gaswitness.run.ports import EndWaitWish
from gaswitness.run.state import OpenGas, Standing
from gaswitness.run.steady import Sample
from gaswitness.site.records import Detector, Pattern

if TYPE_CHECKING:
    from gaswitness.run.foresee import Outlook

Progress = Literal["waiting", "under test", "gone through", "left out"]


@dataclass(frozen=True, slots=True)
class Health:
    """How the link is doing."""

    up: bool = True
    reason: str = ""
    last_t_s: float | None = None
    polls: int = 0
    missed: int = 0
    """Polls that could not be made in time."""


@dataclass(frozen=True, slots=True)
class PointLine:
    """One set point on the strip."""

    name: str
    set_ppm: float
    clear_ppm: float
    rising: bool
    on: bool | None


@dataclass(frozen=True, slots=True)
class Strip:
    """The main picture: readings of the detector under test over time, with its set points and what was predicted."""

    detector: Detector
    per_ppm: float
    """Factor from ppm to the unit that this detector's readings are shown in."""
    samples: tuple[Sample, ...]
    points: tuple[PointLine, ...]
    planned: DetectorPlan | None
    gas_on_s: float | None
    gas_off_s: float | None
    quality: str

    @property
    def reading_ppm(self) -> float | None:
        """The last reading."""
        return self.samples[-1][1] if self.samples else None


@dataclass(frozen=True, slots=True)
class NextAlarm:
    """When the point that is waited for should set or clear: 95 % interval, on the run's clock."""

    point: str
    sets: bool
    earliest_s: float
    latest_s: float
    renewed: bool = False
    """From the readings so far, not from the plan."""


@dataclass(frozen=True, slots=True)
class UnderTest:
    """Everything about one of the detectors under test."""

    strip: Strip
    next_alarm: NextAlarm | None
    outlook: Outlook | None
    gas: OpenGas | None
    gas_may_be_shut: bool
    may_end_wait: bool
    """Only the wait for a settled reading keeps the gas on, and by the readings so far it is not needed."""

    @property
    def tag(self) -> str:
        """Tag of the detector."""
        return self.strip.detector.tag


@dataclass(frozen=True, slots=True)
class VoteLine:
    """How a vote group stands that a detector under test belongs to."""

    group: str
    need: int
    """Votes needed, as things stand: faulty members taken into account."""
    votes: int
    """Members that count as an alarm."""
    met: bool
    alarms: tuple[str, ...]
    """Members in alarm, as `TAG.point`."""
    faulty: tuple[str, ...]
    effects: tuple[str, ...]
    """What the group brings, without what is inhibited."""


@dataclass(frozen=True, slots=True)
class Watched:
    """Something that is to be witnessed now: an effect, or an alarm point that no link shows."""

    signal: str
    name: str
    post: str
    pattern: Pattern | None
    on_by_link: bool | None
    on_by_witness: bool | None


@dataclass(frozen=True, slots=True)
class DetectorLine:
    """How far one detector has come."""

    tag: str
    gas: str
    progress: Progress
    done: int
    steps: int
    alarms: tuple[str, ...]
    """What is on at this detector now: names of its points, or `fault`."""


@dataclass(frozen=True, slots=True)
class StepLine:
    """A step of the plan, around the one that stands."""

    step: Step
    state: Literal["ahead", "started", "done", "timed-out", "skipped", "aborted"]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything a screen shows of a run at one instant."""

    t_s: float
    wall: str
    run_id: str
    site: str
    step: Step | None
    step_since_s: float
    stopping: Literal["stopped", "aborted"] | None
    steps: tuple[StepLine, ...]
    detectors: tuple[DetectorLine, ...]
    strip: Strip | None
    """Of the detector that the step is about, as are the four below."""
    next_alarm: NextAlarm | None
    outlook: Outlook | None
    """Plateau and t90 as far as the readings under gas tell them by now."""
    gas: OpenGas | None
    """The bottle at that detector, else any that is open."""
    gas_may_be_shut: bool
    """Everything the plan wants to see under gas has been seen."""
    tests: tuple[UnderTest, ...]
    """All detectors under test, in the order of their bout; after a test the one that was shown last."""
    votes: tuple[VoteLine, ...]
    elsewhere: tuple[str, ...]
    """Alarms and faults that stand at detectors not under test, as `TAG.point`: to be treated as real."""
    cautions: tuple[str, ...]
    """To be read before the step that stands: all of them to begin with, those of the bottle before it is opened."""
    watched: tuple[Watched, ...]
    inhibits: tuple[Standing, ...]
    standing: tuple[str, ...]
    health: Health
    restarts: int
    messages: tuple[Message, ...]
    ended: Literal["complete", "stopped", "aborted"] | None


def end_of_wait(snapshot: Snapshot, by: str) -> EndWaitWish | None:
    """What whoever would not wait longer may wish for now; none while there is nothing to cut short."""
    for one in snapshot.tests:
        if one.may_end_wait and one.outlook is not None and one.outlook.shown is not None and snapshot.step is not None:
            return EndWaitWish(by, snapshot.step.id, one.outlook.shown.why)
    return None

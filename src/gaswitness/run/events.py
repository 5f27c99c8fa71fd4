"""What happens in a run: one event stream, few kinds of event, each with its instant on the run's clock.

`t_s` is seconds on the run's own clock since the run started, going on through a restart; `wall` is the instant in UTC.
Signals are named `TAG.reading`, `TAG.<alarm point>`, `TAG.fault`, `EFFECT.on`, `EFFECT.inhibited`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from gaswitness.plan.records import Plan
from gaswitness.records import Kept, Record, Told

EVENT_FORMAT: Literal["gaswitness/event/1"] = "gaswitness/event/1"


class _Event(Record):
    t_s: float
    wall: str


class RunStarted(_Event):
    """First event of every ledger; carries the plan, and with it the site."""

    kind: Literal["run-started"] = "run-started"
    format: Literal["gaswitness/event/1"] = EVENT_FORMAT
    run_id: str
    plan: Plan
    link: str
    operator: str
    speed: float = 1.0
    simulated: bool = False
    software: str


class RunResumed(_Event):
    """The run went on after it had been cut off."""

    kind: Literal["run-resumed"] = "run-resumed"
    gap_s: float
    """Time for which nothing was recorded."""
    torn_bytes: int = 0
    """Bytes of an unfinished last line that were set aside, not read."""
    operator: str


class ReadingTaken(_Event):
    """One reading of one detector; `t_s` is when it arrived."""

    kind: Literal["reading"] = "reading"
    tag: str
    value_ppm: float | None
    source_t_s: float
    """When the source says it was true; equal to `t_s` where the source does not say."""
    quality: Literal["good", "over", "under", "bad", "stale", "by-hand"] = "good"


class StatusSeen(_Event):
    """A status signal, on its first poll and at every change: after `after_t_s`, not later than `t_s`."""

    kind: Literal["status"] = "status"
    signal: str
    on: bool
    after_t_s: float | None
    """Last poll that still showed the other state; none on the first poll."""


class LinkChanged(_Event):
    """A link came up or went down."""

    kind: Literal["link"] = "link"
    url: str
    up: bool
    reason: Told = ""
    wording: Kept | None = None
    """How the reason was made, so that it can be told in another language."""

    @property
    def why(self) -> str:
        """The reason, in any language where that is known."""
        return self.wording if self.wording is not None and self.wording == self.reason else self.reason


class StepMoved(_Event):
    """A step of the plan began or ended."""

    kind: Literal["step"] = "step"
    step: str
    state: Literal["started", "done", "timed-out", "skipped", "aborted"]
    by: str = ""
    note: Told = ""


class GasTurned(_Event):
    """The bottle was opened or shut; `u_s` is the standard uncertainty of the instant."""

    kind: Literal["gas"] = "gas"
    tag: str
    cylinder: str
    on: bool
    by: str
    u_s: float


class Pressed(_Event):
    """A person acted on the system: acknowledge, silence, reset at the panel; fault or adjustment at a detector."""

    kind: Literal["pressed"] = "pressed"
    action: Literal["acknowledge", "silence", "reset", "fault-made", "fault-undone", "adjusted-zero", "adjusted-span"]
    tag: str | None = None
    by: str
    u_s: float


class MarkMade(_Event):
    """What a witness pressed: `t_s` is the instant of the press, brought to the run's clock."""

    kind: Literal["mark"] = "mark"
    mark_id: str
    post: str
    witness: str
    signal: str
    """`EFFECT.on` or `TAG.point`; `other` for something nobody expected; `present` when the witness takes up the post
    (on) or leaves it (off), so that a mark that never came means something; `withdrawn` for a mark that was pressed
    by mistake and is taken back (`corrects` says which)."""
    on: bool
    pattern: Literal["steady", "flashing", "pulsed"] | None = None
    offset_s: float = 0.0
    """Run clock minus the witness's clock, already taken into account in `t_s`."""
    own_wall: str = ""
    """The instant of the press as the witness's own clock showed it, in UTC; `wall` is that plus `offset_s`."""
    u_s: float
    """Standard uncertainty of the instant: reaction and clock."""
    note: str = ""
    corrects: str | None = None
    """Identity of the mark this one takes the place of; both are kept."""


class InhibitMoved(_Event):
    """An inhibit was placed, lifted, or its lifting proven."""

    kind: Literal["inhibit"] = "inhibit"
    effect: str
    state: Literal["placed", "lifted", "proven"]
    by: str
    until_t_s: float | None = None
    reason: Told = ""


class InhibitHandedOver(_Event):
    """An inhibit that stays when the run ends became somebody's, by name."""

    kind: Literal["inhibit-handed-over"] = "inhibit-handed-over"
    effect: str
    to: str
    """Who answers for it from now on."""
    by: str
    reason: Told = ""


class RoleTold(_Event):
    """Somebody was told that the test begins or is over."""

    kind: Literal["told"] = "told"
    role: str
    what: Literal["begins", "over"]
    by: str


class AirMeasured(_Event):
    """Air at the site, measured on the day; of several the last counts."""

    kind: Literal["air"] = "air"
    pressure_pa: float | None = None
    temperature_k: float | None = None
    by: str = ""


class SoundMeasured(_Event):
    """Sound level at a listening place, measured by hand while sounders sounded."""

    kind: Literal["sound"] = "sound"
    effect: str
    """The sounder that should be loudest there."""
    post: str
    level_dba: float
    """As the meter showed it, noise of the place and all; A-weighted."""
    u_db: float
    """Standard uncertainty of the level."""
    note: str = ""
    """Distance or place, where it was not the post itself."""
    by: str


class CylinderRead(_Event):
    """Pressure of a bottle, read off its gauge; before or after the test is told by when gas flowed out of it."""

    kind: Literal["bottle"] = "bottle"
    cylinder: str
    pressure_pa: float
    by: str


class NoteTaken(_Event):
    """Anything a person wants to be kept."""

    kind: Literal["note"] = "note"
    by: str
    text: Told


class StopAsked(_Event):
    """Somebody wants the run to end here: gas is shut first, then inhibits are lifted, then the run stops.

    `stopped` may be gone on with later; `aborted` is for good.
    """

    kind: Literal["stop-asked"] = "stop-asked"
    outcome: Literal["stopped", "aborted"]
    by: str
    reason: Told = ""


class RunStopped(_Event):
    """Last event; `complete` only when every step was gone through and no inhibit stands."""

    kind: Literal["run-stopped"] = "run-stopped"
    outcome: Literal["complete", "stopped", "aborted"]
    reason: Told = ""
    standing_inhibits: tuple[str, ...] = ()
    wording: Kept | None = None
    """How the reason was made, so that it can be told in another language."""

    @property
    def why(self) -> str:
        """The reason, in any language where that is known."""
        return self.wording if self.wording is not None and self.wording == self.reason else self.reason


Event = Annotated[
    RunStarted
    | RunResumed
    | ReadingTaken
    | StatusSeen
    | LinkChanged
    | StepMoved
    | GasTurned
    | Pressed
    | MarkMade
    | InhibitMoved
    | InhibitHandedOver
    | RoleTold
    | AirMeasured
    | SoundMeasured
    | CylinderRead
    | NoteTaken
    | StopAsked
    | RunStopped,
    Field(discriminator="kind"),
]

EVENT: TypeAdapter[Event] = TypeAdapter(Event)
"""Reads and writes any event."""

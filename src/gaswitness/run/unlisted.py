"""Steps that no plan lists: what must be done so that a run is left safe, or a test begins again."""

from __future__ import annotations

from gaswitness.plan.records import Step
from gaswitness.run.state import RunState
from gaswitness.sentence import said

AIR_OUT_AT_MOST_S = 900.0
"""How long a detector is left in the room's air before its test begins again, back or not."""


def find_step(state: RunState, step_id: str) -> Step:
    """The step of this identity: the one that comes next if there are several, or one that the machine made up."""
    for step in (*state.plan.steps[state.index :], *state.plan.steps[: state.index]):
        if step.id == step_id:
            return step
    return made_up(step_id)


def made_up(step_id: str) -> Step:
    """A step that no plan lists, made when a run must be left safe: `TAG/gas-off`, `TAG/mend`, `EFFECT/lift`."""
    subject, _, what = step_id.rpartition("/")
    match what:
        case "gas-off":
            text = said("Shut the bottle at {subject} and take the cap away.", subject=subject)
            return Step(id=step_id, kind="gas-off", tag=subject, text=text, ends="confirm", at_most_s=0.0)
        case "air-out":
            text = said(
                "Leave {subject} in the room's air until its reading is back: its test begins again from the start.",
                subject=subject,
            )
            return Step(id=step_id, kind="recover", tag=subject, text=text, ends="settled", at_most_s=AIR_OUT_AT_MOST_S)
        case "clear-down":
            text = said("Press reset at the panel: what the test of {subject} left standing must go.", subject=subject)
            return Step(id=step_id, kind="reset", tag=subject, text=text, ends="confirm", at_most_s=AIR_OUT_AT_MOST_S)
        case "mend":
            text = said("Close the signal of {subject} again.", subject=subject)
            return Step(id=step_id, kind="mend", tag=subject, text=text, ends="confirm", at_most_s=0.0)
        case "lift":
            text = said("Lift the inhibit on {subject}.", subject=subject)
            return Step(id=step_id, kind="lift", effect=subject, text=text, ends="confirm", at_most_s=0.0)
        case "all-clear":
            text = said("Tell {subject} that the test is over.", subject=subject)
            return Step(id=step_id, kind="all-clear", role=subject, text=text, ends="confirm", at_most_s=0.0)
    raise KeyError(step_id)

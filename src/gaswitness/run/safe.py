"""Which step is due: the plan's next one, unless something has to be put right first."""

from __future__ import annotations

from gaswitness.plan.records import MEASURED, Step, StepKind
from gaswitness.run.state import RunState, bout_span, tags_of
from gaswitness.run.unlisted import made_up
from gaswitness.sentence import said

_CLOSING: frozenset[StepKind] = frozenset(("lift", "prove", "all-clear"))
_AFTER_GAS: frozenset[StepKind] = frozenset(("await-clear", "recover"))
_UNDER_GAS: frozenset[StepKind] = frozenset(("await-set", "await-plateau", "gas-off", "follow", "quiet"))


def due(state: RunState) -> Step | None:
    """The step to be started now; none when the run is at its end."""
    if state.stop is not None:
        return _left_unsafe(state)
    steps = state.plan.steps
    upcoming = steps[state.index] if state.index < len(steps) else None
    if upcoming is None:
        return _left_unsafe(state)
    bout = {upcoming.tag, *tags_of(state.plan, state.index, upcoming)}
    for tag, bottle in state.gas.items():
        if bottle.unsure or (upcoming.kind == "gas-on" and (tag == upcoming.tag or tag not in bout)):
            return gas_off(state, tag)
    for tag in state.opened:
        if not _mended_by_plan(state, tag):
            return made_up(f"{tag}/mend")
    for tag, stage in state.again.items():
        if tag in bout:
            return made_up(f"{tag}/{stage}")
    return _gate(state, upcoming) or upcoming


def _left_unsafe(state: RunState) -> Step | None:
    """What must be put right before people may leave, most urgent first."""
    wanted: list[Step] = []
    wanted.extend(gas_off(state, tag) for tag in state.gas)
    wanted.extend(made_up(f"{tag}/mend") for tag in state.opened)
    wanted.extend(
        _planned(state, "lift", effect) for effect in state.standing_inhibits if effect not in state.handed_over
    )
    wanted.extend(_planned(state, "all-clear", role) for role, what in state.told.items() if what == "begins")
    for step in wanted:
        if step.id not in state.declined:
            return step
    return None


def _mended_by_plan(state: RunState, tag: str) -> bool:
    """Whether the plan closes the open signal of this detector before it opens it (again)."""
    for step in state.plan.steps[state.index :]:
        if step.tag == tag and step.kind in ("fault", "mend"):
            return step.kind == "mend"
    return False


def gas_off(state: RunState, tag: str) -> Step:
    """The step that shuts the gas at this detector."""
    steps = state.plan.steps
    for step in (*steps[state.index :], *steps[: state.index]):
        if step.kind == "gas-off" and step.tag == tag:
            return step
    return made_up(f"{tag}/gas-off")


def _planned(state: RunState, kind: StepKind, subject: str) -> Step:
    for step in state.plan.steps:
        if step.kind == kind and subject in (step.effect, step.role):
            return step
    return made_up(f"{subject}/{kind}")


def _gate(state: RunState, upcoming: Step) -> Step | None:
    """A warning or an inhibit that must stand before this step and does not, as after a run that was stopped."""
    if upcoming.tag is None or upcoming.kind in _CLOSING:
        return None
    gone = state.plan.steps[: state.index]
    lifted = {step.effect for step in gone if step.kind == "lift"}
    over = {step.role for step in gone if step.kind == "all-clear"}
    for step in gone:
        if step.kind == "caution" and state.outcomes.get(step.id) != "done":
            return step
        if step.kind == "warn" and step.role not in over and state.told.get(step.role or "") != "begins":
            return step
        if step.kind == "inhibit" and step.effect not in lifted and not state.in_force(step.effect or ""):
            return step
    return None


def moot(state: RunState, step: Step) -> str:
    """Why there is no point in this step, as things stand; empty when it has to be done."""
    tag = step.tag or ""
    if step.kind == "adjust" and step.optional:
        short = state.fell_short.get(tag, ())
        if not short or (step.point in ("zero", "span") and step.point not in short):
            return said("as found was within its limits")
    elif step.optional and step.kind not in MEASURED and not _adjusted(state, tag):
        return said("nothing was adjusted")
    if step.kind in ("lift", "prove") and step.effect in state.handed_over:
        return said("handed over to {to}", to=state.handed_over[step.effect or ""])
    if step.kind == "lift" and step.effect not in state.standing_inhibits:
        return said("not inhibited")
    if step.kind == "all-clear" and state.told.get(step.role or "") != "begins":
        return said("not waiting for word")
    if step.kind == "mend" and tag not in state.opened:
        return said("not open")
    if step.kind == "reset" and step.bout is not None and _reset_already(state, step):
        return said("reset for another detector of the same bout")
    if step.kind in _UNDER_GAS and step.point != "fault" and _last_gas_step(state, step) == "gas-on":
        if tag not in state.gas:
            return said("no gas was given")
    elif step.kind in _AFTER_GAS and _last_gas_step(state, step) == "gas-off" and tag not in state.gassed:
        return said("no gas was given")
    return ""


def _reset_already(state: RunState, step: Step) -> bool:
    """Reset was pressed for an earlier detector of this bout, and nothing is left that this one waits for."""
    waits = [f"{step.tag}.{step.point}"] if step.point else []
    waits += [f"{step.effect}.on"] if step.effect else []
    first, _ = bout_span(state.plan, state.index, step.bout or "")
    pressed = any(one.kind == "reset" for one in state.plan.steps[first : state.index] if one.id != step.id)
    return pressed and all(state.shows(signal) is False for signal in waits)


def _adjusted(state: RunState, tag: str) -> bool:
    return any(
        step.kind == "adjust" and step.tag == tag and state.outcomes.get(step.id) == "done" for step in state.plan.steps
    )


def _last_gas_step(state: RunState, step: Step) -> StepKind | None:
    """Whether the plan has the gas on or off when it comes to this step."""
    for before in reversed(state.plan.steps[: state.index]):
        if before.tag == step.tag and before.kind in ("gas-on", "gas-off"):
            return before.kind
    return None

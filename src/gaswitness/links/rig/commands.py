"""What hands do in the simulated installation: one small record per act, from a step of a plan or from a wire."""

from __future__ import annotations

from typing import Literal

from gaswitness.errors import InputError
from gaswitness.links.rig.faults import parse_fault
from gaswitness.links.rig.world import World
from gaswitness.plan.records import Step, StepKind
from gaswitness.records import Record
from gaswitness.sentence import said

Act = Literal[
    "gas-on",
    "gas-off",
    "acknowledge",
    "silence",
    "reset",
    "inhibit",
    "lift",
    "prove",
    "open-signal",
    "close-signal",
    "adjust-zero",
    "adjust-span",
    "inject",
    "clear",
]

_ACTS: dict[StepKind, Act] = {
    "gas-on": "gas-on",
    "gas-off": "gas-off",
    "acknowledge": "acknowledge",
    "silence": "silence",
    "reset": "reset",
    "inhibit": "inhibit",
    "lift": "lift",
    "prove": "prove",
    "fault": "open-signal",
    "mend": "close-signal",
}


class Command(Record):
    """One act: what, on what."""

    do: Act
    tag: str = ""
    cylinder: str = ""
    effect: str = ""
    fault: str = ""
    """`KIND:TARGET[:VALUE]`, to inject or to clear."""


def command_for(step: Step) -> Command | None:
    """What this step asks the rig's hands to do; none where only talking or waiting is asked."""
    act = _ACTS.get(step.kind)
    if step.kind == "adjust":
        act = "adjust-zero" if step.point == "zero" else "adjust-span"
    if act is None:
        return None
    return Command(do=act, tag=step.tag or "", cylinder=step.cylinder or "", effect=step.effect or "")


def obey(world: World, command: Command) -> None:
    """Do it now; raises InputError for names that the site does not have."""
    match command.do:
        case "gas-on":
            world.gas_on(command.tag, command.cylinder)
        case "gas-off":
            world.gas_off(command.tag)
        case "acknowledge" | "silence" | "reset":
            world.press(command.do)
        case "inhibit" | "lift":
            world.inhibit(command.effect, command.do == "inhibit")
        case "prove":
            world.prove(command.effect)
        case "open-signal" | "close-signal":
            world.open_signal(command.tag, command.do == "open-signal")
        case "adjust-zero" | "adjust-span":
            world.adjust(command.tag, command.do.removeprefix("adjust-"))
        case "inject":
            world.inject(parse_fault(command.fault, world.site))
        case "clear":
            fault = parse_fault(command.fault, world.site)
            if fault not in world.faults:
                raise InputError(said("this fault is not in force"), where=said("rig"), found=command.fault)
            world.clear(fault)

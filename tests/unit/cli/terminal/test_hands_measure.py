"""At a step that measures, figures are typed; Enter alone leaves it out."""

from __future__ import annotations

import asyncio

from gaswitness.cli.terminal.hands import ConsoleHands
from gaswitness.cli.terminal.keys import ENTER
from gaswitness.clock import SystemClock
from gaswitness.plan.records import Step
from gaswitness.run.measured import AirRead
from gaswitness.run.ports import Answer

AIR = Step(id="visit/air", kind="air", text="read", ends="confirm", at_most_s=60.0, optional=True)


class Helper:
    """Reads 985 hPa by itself."""

    name = "rig"

    async def do(self, step: Step) -> Answer:
        assert step.kind == "air"
        return Answer("done", "rig", measured=AirRead(98500.0, None))


def answer(keys: str, helper: Helper | None = None) -> tuple[Answer, list[str]]:
    async def typed() -> tuple[Answer, list[str]]:
        hands = ConsoleHands("MK", SystemClock(), asyncio.Queue(), helper=helper)  # type: ignore[arg-type]
        asked = asyncio.create_task(hands.do(AIR))
        await asyncio.sleep(0)
        prompts = []
        for key in keys:
            hands.key(key)
            prompts.append(hands.prompt)
        return await asked, prompts

    return asyncio.run(typed())


def test_figures_are_typed_and_handed_over() -> None:
    got, prompts = answer(f"1003 18.5{ENTER}")
    assert got.measured == AirRead(100300.0, 291.65)
    assert prompts[3].startswith("measured: 1003_   hPa, then degC")


def test_what_cannot_be_is_said_and_typed_again() -> None:
    got, prompts = answer(f"100 18{ENTER}985{ENTER}")
    assert "500 to 1100 hPa" in prompts[6]
    assert got.measured == AirRead(98500.0, None)


def test_enter_alone_measures_nothing_unless_somebody_else_reads() -> None:
    assert answer(ENTER)[0].measured is None
    assert answer(ENTER, Helper())[0].measured == AirRead(98500.0, None)
    typed = answer(f"1001{ENTER}", Helper())[0].measured
    assert typed == AirRead(100100.0, None)

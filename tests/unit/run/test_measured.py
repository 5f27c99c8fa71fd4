"""What is typed at a step that measures becomes SI units, or one clear message."""

from __future__ import annotations

import dataclasses

import pytest

from gaswitness.errors import InputError
from gaswitness.plan.records import MEASURED
from gaswitness.run.events import AirMeasured, CylinderRead, Event, RunStarted, StepMoved
from gaswitness.run.folding import begin
from gaswitness.run.machine import Answered, Write, step
from gaswitness.run.measured import ASKED, AirRead, BottleRead, Measured, SoundRead, read_typed
from gaswitness.run.ports import Answer
from gaswitness.run.state import RunState, StepNow
from support.ledgers import WALL
from support.planned import planned, site


def standing(kind: str) -> RunState:
    """A run at the step of this kind."""
    plan = planned(site())
    number, now = next((n, one) for n, one in enumerate(plan.steps) if one.kind == kind)
    first = RunStarted(t_s=0.0, wall=WALL, run_id="R1", plan=plan, link="l", operator="MK", software="test")
    return dataclasses.replace(begin(first), index=number, now=StepNow(now, 0.0))


def answered(kind: str, measured: Measured | None) -> list[Event]:
    """What is recorded when that step is answered."""
    state = standing(kind)
    assert state.now is not None
    _, commands = step(state, Answered(8.0, state.now.step.id, Answer("done", "MK", t_s=7.0, measured=measured)))
    return [command.event for command in commands if isinstance(command, Write)]


def test_every_step_that_measures_says_what_to_type() -> None:
    assert set(ASKED) == MEASURED


@pytest.mark.parametrize(
    ("typed", "pressure_pa", "temperature_k"),
    [
        ("1003 18.5", 100300.0, 291.65),
        ("1003,5 hPa -2,5 degC", 100350.0, 270.65),
        ("- 18", None, 291.15),
        ("985", 98500.0, None),
    ],
)
def test_air_as_it_is_typed(typed: str, pressure_pa: float | None, temperature_k: float | None) -> None:
    read = read_typed("air", typed)
    assert isinstance(read, AirRead)
    assert read.pressure_pa == (None if pressure_pa is None else pytest.approx(pressure_pa))
    assert read.temperature_k == (None if temperature_k is None else pytest.approx(temperature_k))


@pytest.mark.parametrize(
    ("typed", "told"),
    [("abc", "expected hPa, then degC"), ("100.3 18", "500 to 1100 hPa"), ("1003 291", "-60 to 70 degC")],
)
def test_what_cannot_be_is_said_in_one_message(typed: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        read_typed("air", typed)


def test_nothing_typed_is_nothing_measured() -> None:
    assert read_typed("air", "  ") is None


def test_what_was_measured_is_recorded_at_the_instant_of_the_answer() -> None:
    air, moved = answered("air", AirRead(98500.0, 291.15))[:2]
    assert isinstance(air, AirMeasured)
    assert (air.t_s, air.pressure_pa, air.temperature_k, air.by) == (7.0, 98500.0, 291.15, "MK")
    assert isinstance(moved, StepMoved)
    assert (moved.step, moved.state) == ("visit/air", "done")


def test_without_an_instrument_the_step_is_left_out_and_nothing_is_recorded_of_it() -> None:
    moved = answered("air", None)[0]
    assert isinstance(moved, StepMoved)
    assert (moved.step, moved.state, moved.note) == ("visit/air", "skipped", "not measured")


def test_sound_and_gauge_as_they_are_typed() -> None:
    assert read_typed("sound", "92,5") == SoundRead(92.5)
    assert read_typed("sound", "92.5 dBA at the desk") == SoundRead(92.5, "at the desk")
    assert read_typed("bottle", "57.5 bar") == BottleRead(5750000.0)
    with pytest.raises(InputError, match="20 to 150 dBA"):
        read_typed("sound", "925")
    with pytest.raises(InputError, match="0 to 350 bar"):
        read_typed("bottle", "5750")


def test_a_gauge_is_recorded_with_its_bottle() -> None:
    gauge = answered("bottle", BottleRead(6e6))[0]
    assert isinstance(gauge, CylinderRead)
    assert (gauge.cylinder, gauge.pressure_pa, gauge.by) == ("BTL", 6e6, "MK")


def test_figures_of_another_instrument_are_not_taken() -> None:
    moved = answered("air", BottleRead(6e6))[0]
    assert isinstance(moved, StepMoved)
    assert moved.state == "skipped"

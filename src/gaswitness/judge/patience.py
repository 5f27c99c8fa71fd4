"""What did not come is evidence only where it was waited for: a visit cut off proves nothing by its silence."""

from __future__ import annotations

from gaswitness.judge.case import Case
from gaswitness.judge.effects import SILENCE_S, cause_edge
from gaswitness.judge.reading import poll_of
from gaswitness.judge.standing import reset_press
from gaswitness.plan.records import Criterion, StepKind
from gaswitness.sentence import said
from gaswitness.wording import number

TELLING_S = 3.0
"""A witness sees, presses, and the mark arrives: our allowance on top of what an effect may take."""
FIRST_READINGS = 10
"""Polls after gas on before it means anything that no reading is usable."""


def cut_short(case: Case, criterion: Criterion) -> str | None:
    """Why this criterion cannot fall short yet: the record ends before what it asks for was due; none if it could."""
    stopped = case.series.stopped
    if case.trial is None or (stopped is not None and stopped.outcome == "complete"):
        return None
    waited = _waited(case, criterion)
    return None if waited is None else cut_off(*waited)


def cut_off(since: str, waited_s: float, due_s: float) -> str | None:
    """In words, that the record ends too soon after something for what is due within so long; none if it does not."""
    if waited_s >= due_s:
        return None
    return said(
        "The visit was cut off {waited} s after {since}; this is due within {due} s.",
        waited=number(max(0.0, waited_s)),
        since=since,
        due=number(due_s),
    )


def _waited(case: Case, criterion: Criterion) -> tuple[str, float, float] | None:
    """Since what, how long the record goes on after it, and how long may be needed."""
    trial, kind = case.trial, criterion.kind
    if trial is None:
        return None
    gas_s = case.gas_end_s - trial.gas_on.t_s
    if kind == "zero":
        return said("gas on"), gas_s, FIRST_READINGS * poll_of(case)
    if kind == "t90":
        return said("gas on"), gas_s, criterion.upper or 0.0
    if kind == "span" or (kind == "deadband" and trial.gas_off is None):
        return None if _sat_through(case, "await-plateau") else (said("gas on"), gas_s, case.part.gas_s)
    if kind in ("clear-level", "deadband", "latched") and trial.gas_off is not None:
        clear_s = next((point.clear_s for point in case.part.points if point.point == criterion.point), None)
        return (said("gas off"), case.series.end_s - trial.gas_off.t_s, clear_s[1]) if clear_s else None
    if kind == "effect":
        cause = cause_edge(case, criterion.point or "")
        return _after(case, said("its cause"), cause.t_s, (criterion.upper or 0.0) + TELLING_S) if cause else None
    if kind == "silenced":
        press = case.pressed("silence")
        return _after(case, said("silence"), press.t_s, SILENCE_S) if press else None
    if kind == "reset":
        press = reset_press(case, trial.gas_off.t_s) if trial.gas_off else None
        return _after(case, said("reset"), press.t_s, (criterion.upper or 0.0) + TELLING_S) if press else None
    if kind == "fault" and case.fault_window is not None:
        return _after(
            case, said("the signal was opened"), case.fault_window[0].t_s, (criterion.upper or 0.0) + TELLING_S
        )
    return None


def _sat_through(case: Case, kind: StepKind) -> bool:
    """Whether this step of the trial was gone through, be it until its time was up."""
    begin_s, end_s = case.window
    ended = ("done", "timed-out")
    return any(
        span.step.kind == kind and span.step.tag == case.tag and span.state in ended and begin_s <= span.from_s <= end_s
        for span in case.series.steps
    )


def _after(case: Case, since: str, from_s: float, due_s: float) -> tuple[str, float, float]:
    return since, case.series.end_s - from_s, due_s

"""Findings are made here and nowhere else: judged by rule, or said to be not tested, broken or aborted."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from gaswitness.judge.budget import Budget
from gaswitness.judge.decide import COVERAGE_K, decide
from gaswitness.judge.records import Finding, Outcome
from gaswitness.plan.records import Criterion
from gaswitness.sentence import said, together
from gaswitness.wording import number, unit_word

SEVERITY: tuple[Outcome, ...] = ("fail", "error", "aborted", "not tested", "inconclusive", "pass")
"""Worst first. A shortfall that was shown outweighs evidence that broke, and that outweighs what was left out."""


def worst(outcomes: Iterable[Outcome]) -> Outcome:
    """The outcome that rules; nothing tested is never a pass.

    >>> worst(["pass", "inconclusive", "pass"]), worst([])
    ('inconclusive', 'not tested')
    """
    found = set(outcomes)
    return next((outcome for outcome in SEVERITY if outcome in found), "not tested")


def judged(criterion: Criterion, value: float, budget: Budget, why: str, causes: Iterable[str] = ()) -> Finding:
    """Decide a measured value by the criterion's own rule; `causes` are kept only where it fell short."""
    u = budget.u
    decision = decide(value, u, criterion.lower, criterion.upper, criterion.rule)
    if decision.outcome == "error":
        return broken(criterion, together(why, said("The result is no number.")), causes)
    told = _verdict_words(criterion, decision.outcome, decision.margin or 0.0, u)
    return Finding(
        criterion=criterion.id,
        kind=criterion.kind,
        text=criterion.text,
        value=value,
        u=u,
        unit=criterion.unit,
        limits=(criterion.lower, criterion.upper),
        rule=criterion.rule,
        outcome=decision.outcome,
        margin=decision.margin,
        p_conform=decision.p_conform,
        why=together(why, told),
        causes=() if decision.outcome == "pass" else tuple(dict.fromkeys(causes)),
        budget=budget.components(),
    )


def _verdict_words(criterion: Criterion, outcome: str, margin: float, u: float) -> str:
    if criterion.unit in ("yes", "count"):
        return ""
    expanded = COVERAGE_K * u
    unit = unit_word(criterion.unit)
    if outcome == "pass":
        return said("Within the limits by {margin} {unit}.", margin=number(margin), unit=unit)
    if outcome == "fail":
        return said("Outside the limits by {margin} {unit}.", margin=number(-margin), unit=unit)
    settle = said(
        "a smaller uncertainty would settle it (U = {expanded} {unit}, k = 2): more readings, a "
        "better certified bottle, or an adjustment that moves the value away from the limit",
        expanded=number(expanded),
        unit=unit,
    )
    parts = {"margin": number(abs(margin)), "unit": unit, "settle": settle}
    if margin >= 0:
        return said(
            "It lies within the limits by {margin} {unit}, which is less than it is uncertain; {settle}.", **parts
        )
    return said("It lies outside the limits by {margin} {unit}, which is less than it is uncertain; {settle}.", **parts)


def happened(criterion: Criterion, yes: bool, why: str, causes: Iterable[str] = ()) -> Finding:
    """A thing that was seen to happen, or was seen not to."""
    return judged(criterion, 1.0 if yes else 0.0, Budget(), why, causes)


def fell_short(criterion: Criterion, why: str, causes: Iterable[str] = ()) -> Finding:
    """What should have happened was looked for and did not come, so there is no value to it."""
    return _without_value(criterion, "fail", why, causes)


def not_tested(criterion: Criterion, why: str) -> Finding:
    """The evidence is missing."""
    return _without_value(criterion, "not tested", why)


def aborted(criterion: Criterion, why: str) -> Finding:
    """The visit was broken off before this could be shown."""
    return _without_value(criterion, "aborted", why)


def inconclusive(criterion: Criterion, why: str, causes: Iterable[str] = ()) -> Finding:
    """There is evidence, but not for what the criterion asks; `why` says what would settle it."""
    return _without_value(criterion, "inconclusive", why, causes)


def broken(criterion: Criterion, why: str, causes: Iterable[str] = ()) -> Finding:
    """The evidence cannot be used."""
    return _without_value(criterion, "error", why, causes)


def _without_value(
    criterion: Criterion,
    outcome: Literal["fail", "not tested", "aborted", "inconclusive", "error"],
    why: str,
    causes: Iterable[str] = (),
) -> Finding:
    return Finding(
        criterion=criterion.id,
        kind=criterion.kind,
        text=criterion.text,
        value=None,
        u=None,
        unit=criterion.unit,
        limits=(criterion.lower, criterion.upper),
        rule=criterion.rule,
        outcome=outcome,
        margin=None,
        p_conform=None,
        why=why,
        causes=tuple(dict.fromkeys(causes)),
    )

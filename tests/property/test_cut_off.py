"""A visit without any fault, cut off at any moment: what could not be shown is not tested, and nothing fell short.

Judging silence as evidence once failed a detector whose run was stopped five seconds after gas off because its alarm
"did not clear".
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.judge.records import Judgement
from gaswitness.run.events import Event, RunStopped
from support.ledgers import write_chain
from support.rigged import example_plan, visit

PLANS = [("cellar.yaml", ("CO2-A",)), ("ravensmoor.yaml", ("NH3-1", "O2-1")), ("coldstore.yaml", ("CS-1", "CS-2"))]


@lru_cache(maxsize=4)
def whole(name: str, tags: tuple[str, ...]) -> tuple[Event, ...]:
    return read_ledger(visit(example_plan(name, tags), seed=2)).events


def judged(events: tuple[Event, ...], count: int, outcome: Literal["stopped", "aborted"] | None) -> Judgement:
    part = list(events[:count])
    if outcome is not None:
        part.append(RunStopped(t_s=part[-1].t_s, wall=part[-1].wall, outcome=outcome, reason="rain"))
    return judge(series_of(read_ledger(write_chain(part))))


@pytest.mark.parametrize(("name", "tags"), PLANS)
@given(share=st.floats(0.0, 1.0), outcome=st.sampled_from(["stopped", "aborted", None]))
@example(share=0.38671875, outcome="stopped")  # silence pressed for the first detector said nothing about the second
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_cut_is_never_a_failure_of_the_detector(
    name: str, tags: tuple[str, ...], share: float, outcome: Literal["stopped", "aborted"] | None
) -> None:
    events = whole(name, tags)
    found = judged(events, 1 + int(share * (len(events) - 2)), outcome)
    verdicts = (*found.verdicts, *found.groups)
    wrong = [f"{f.criterion}: {f.why}" for v in verdicts for f in v.findings if f.outcome in ("fail", "error")]
    wrong += [f"{e.cause} {e.effect}: {e.why}" for e in found.effects if e.outcome in ("fail", "error")]
    assert wrong == []


def test_an_aborted_visit_says_aborted_and_why() -> None:
    events = whole(*PLANS[0])
    gas_off = next(n for n, event in enumerate(events) if event.kind == "gas" and not event.on)
    found = judged(events, gas_off + 5, "aborted")
    clear = next(f for f in found.verdicts[0].findings if f.kind == "clear-level")
    assert clear.outcome == "aborted"
    assert "rain" in clear.why
    assert "cut off" in clear.why


def test_a_dead_sensor_is_still_seen_when_the_engineer_gives_up() -> None:
    """Gas flowed as long as planned and nothing came: that is evidence, whoever ends the visit then."""
    plan = example_plan("cellar.yaml", ("CO2-A",))
    events = read_ledger(visit(plan, faults=["dead:CO2-A"])).events
    on_s = next(event.t_s for event in events if event.kind == "gas" and event.on)
    enough = next(n for n, event in enumerate(events) if event.t_s > on_s + plan.detector("CO2-A").gas_s + 5.0)
    found = judged(events, enough, "aborted")
    span = next(f for f in found.verdicts[0].findings if f.kind == "span")
    assert span.outcome == "fail"
    assert "does not answer" in span.causes[0]

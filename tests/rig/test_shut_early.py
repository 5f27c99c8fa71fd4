"""Gas shut off as soon as the readings show enough: the same verdicts with less gas."""

from __future__ import annotations

import pytest

from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.judge.records import Judgement
from gaswitness.run.events import StepMoved
from support.rigged import example_plan, visit


def gas_s(ledger: bytes) -> dict[str, float]:
    series = series_of(read_ledger(ledger))
    return {t.tag: t.gas_off.t_s - t.gas_on.t_s for t in series.trials if t.gas_off is not None}


def judged(ledger: bytes) -> Judgement:
    return judge(series_of(read_ledger(ledger)))


@pytest.fixture(scope="module")
def both() -> tuple[bytes, bytes]:
    plan = example_plan("ravensmoor.yaml")
    return visit(plan), visit(plan, impatient=True)


def test_less_gas_flows_and_each_verdict_stays(both):
    patient, impatient = map(judged, both)
    assert [(v.tag, v.outcome) for v in impatient.verdicts] == [(v.tag, v.outcome) for v in patient.verdicts]
    assert impatient.outcome == "pass"
    long_s, short_s = map(gas_s, both)
    assert sum(short_s.values()) < 0.9 * sum(long_s.values())


def test_the_ledger_says_who_did_not_wait_and_why(both):
    moves = [e for e in read_ledger(both[1]).events if isinstance(e, StepMoved) and e.step.endswith("/await-plateau")]
    cut = [e for e in moves if e.state == "done" and e.by == "MK"]
    assert len(cut) >= 5
    assert {e.note for e in cut} == {"plateau, t90 and set points are shown within their uncertainty"}


@pytest.mark.parametrize("fault", ["slow:CO-1", "weak:CO-1", "offset:CO-1"])
def test_what_falls_short_falls_short_with_less_gas_too(fault):
    plan = example_plan("ravensmoor.yaml", ("CO-1",))
    findings = {
        impatient: {
            f.criterion: f.outcome
            for v in judged(visit(plan, faults=[fault], impatient=impatient)).verdicts
            for f in v.findings
            if f.criterion in ("CO-1/zero", "CO-1/span", "CO-1/t90")
        }
        for impatient in (False, True)
    }
    assert "fail" in findings[False].values()
    assert findings[True] == findings[False]

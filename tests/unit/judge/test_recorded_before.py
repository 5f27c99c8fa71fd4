"""A ledger recorded before several detectors could be under gas at once: still read, folded and judged as it was."""

from __future__ import annotations

import lzma
from pathlib import Path

import pytest

from gaswitness.certify.verify import _differences
from gaswitness.evidence.ledger import Ledger, read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.judge.records import Judgement
from gaswitness.plan import dry_run
from gaswitness.run.folding import fold

RECORDED = Path(__file__).parent / "recorded"


@pytest.fixture(scope="module")
def ledger() -> Ledger:
    """A visit to one detector of the cellar, a slow one, as the version of that day wrote it."""
    return read_ledger(lzma.decompress((RECORDED / "one-at-a-time.ledger.jsonl.xz").read_bytes()), "recorded")


def test_it_lacks_the_keys_that_came_later() -> None:
    text = lzma.decompress((RECORDED / "one-at-a-time.ledger.jsonl.xz").read_bytes())
    assert b'"bout"' not in text
    assert b"manifold_flow" not in text


def test_it_is_judged_as_it_was(ledger: Ledger) -> None:
    stated = Judgement.model_validate_json(lzma.decompress((RECORDED / "one-at-a-time.judgement.json.xz").read_bytes()))
    again = judge(series_of(ledger))
    assert stated.outcome == "fail"
    assert _differences(stated.model_dump(), again.model_dump(), "judgement") == []


def test_it_folds_to_its_end_with_one_bottle_at_a_time(ledger: Ledger) -> None:
    state = fold(ledger.events)
    assert state.ended is not None
    assert state.ended.outcome == "complete"
    assert state.gas == {}
    assert dry_run(ledger.started.plan).faults == ()
    trials = series_of(ledger).trials
    assert [(trial.bout, trial.group) for trial in trials] == [(None, None)] * len(trials)

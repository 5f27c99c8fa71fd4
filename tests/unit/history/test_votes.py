"""A vote group that failed while all its detectors passed: kept, and due again, from store and from certificates."""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path

from gaswitness.certify import certificate
from gaswitness.history.overview import dues_of
from gaswitness.history.parcel import ledger_parcel
from gaswitness.history.store import open_store
from gaswitness.web.due import DueList
from support.kept import KEY
from support.rigged import example_plan, visit

NOW = datetime(2026, 11, 25, 18, tzinfo=UTC)
TODAY = date(2026, 11, 26)


@cache
def ledger() -> bytes:
    """The cold store, whose panel waits for all three although two should be enough."""
    return visit(example_plan("coldstore.yaml"), faults=("vote-all:HALL-VOTE",))


def test_the_store_says_that_the_vote_is_due_again(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "store.db"), make=True) as store:
        store.keep(ledger_parcel(ledger(), "visit.ledger.jsonl"), now=NOW)
        kept = [row for row in store.rows("finding") if row["tag"] == "HALL-VOTE"]
        dues, _ = dues_of(store, TODAY)
    assert {row["outcome"] for row in kept if row["kind"] == "vote-acts"} == {"fail"}
    assert [(one.kind, one.what) for one in dues if one.state == "overdue"] == [("retest", "HALL-VOTE")]


def test_a_folder_of_certificates_says_so_too(tmp_path: Path) -> None:
    made = certificate.issue(ledger(), "visit", KEY, issued=NOW)
    (tmp_path / "visit.evidence.zip").write_bytes(made.bundle)
    lines = DueList().page(tmp_path, None, TODAY).lines
    assert [(one.kind, one.what) for one in lines if one.state == "overdue"] == [("retest", "HALL-VOTE")]

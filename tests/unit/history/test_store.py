"""What goes in comes out: once, whole, bit for bit, and with what took its place beside it."""

from __future__ import annotations

import contextlib
import sqlite3
from datetime import UTC, date, datetime

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from gaswitness.certify import bundle, certificate
from gaswitness.certify.envelope import sign
from gaswitness.certify.keys import fingerprint
from gaswitness.certify.payload import PAYLOAD_TYPE, payload_bytes
from gaswitness.errors import EvidenceError, InputError
from gaswitness.evidence.ledger import read_ledger, seal
from gaswitness.history import schema
from gaswitness.history.ageing import ageing_of
from gaswitness.history.intake import parcel_of
from gaswitness.history.opening import open_engine, writing
from gaswitness.history.store import open_store
from gaswitness.plan.records import Step
from gaswitness.run.events import MarkMade
from support.kept import CRITERIA, KEY, NOW, bundled, inhibited, ledger
from support.ledgers import criterion, small_site
from support.scenes import answer, sound


@pytest.fixture
def store(url):
    with open_store(url, make=True) as made:
        yield made


def keep(store, data, name="V.evidence.zip", **choices):
    return store.keep(parcel_of(data, name, **choices), now=NOW)


def test_a_certificate_is_kept_with_all_that_follows_from_it(store):
    kept = keep(store, bundled())
    assert (kept.state, kept.visits) == ("kept", 1)
    [a, b] = store.tested()
    assert (a.tag, a.source, a.outcome, a.as_found, a.alarmed) == ("A", "certificate", "pass", "pass", True)
    assert (b.tag, b.outcome) == ("B", "not tested")
    span = a.figure("span")
    assert span.value == pytest.approx(25000, abs=20)
    assert span.target == 25000
    [shared] = span.shared
    assert shared.name == "cylinder:X-1"
    assert shared.u == pytest.approx(250.0, rel=0.02)
    assert span.u > span.own_u > 0
    assert a.cylinder_certificate == "X-1"
    assert a.certificate_id.startswith("R1-")
    [paper] = store.rows("certificate")
    assert paper["signer"] == fingerprint(KEY.public_key())
    assert paper["vouched_for"] is False
    assert store.rows("cylinder_use")[0]["level_ppm"] == 25000
    assert {row["kind"] for row in store.rows("finding")} == {"zero", "span", "t90", "set-time", "effect"}


def test_a_trusted_key_is_remembered_as_such(store):
    keep(store, bundled(), trusted=[KEY.public_key()])
    assert store.rows("certificate")[0]["vouched_for"] is True


def test_the_same_file_twice_is_there_once(store):
    keep(store, bundled())
    before = {table: store.rows(table) for table in schema.metadata.tables}
    assert keep(store, bundled(), "under another name.zip").state == "known"
    assert {table: store.rows(table) for table in schema.metadata.tables} == before


def test_the_original_comes_out_bit_for_bit(store):
    kept = keep(store, bundled())
    assert store.original(kept.sha256) == bundled()
    with pytest.raises(InputError):
        store.original("0" * 64)


def test_a_ledger_and_its_certificate_are_one_visit(store):
    keep(store, ledger(), "R1.ledger.jsonl")
    assert store.tested()[0].source == "ledger"
    kept = keep(store, bundled())
    assert (kept.visits, kept.known_visits) == (0, 1)
    assert [test.source for test in store.tested()] == ["certificate", "certificate"]
    assert len(store.originals()) == 2


def test_two_certificates_of_one_visit_stand_beside_each_other(store):
    keep(store, bundled())
    keep(store, bundled(key=1))
    assert len(store.rows("certificate")) == 2
    assert len(store.tested()) == 2, "one visit, two detectors"


@pytest.mark.parametrize("longer_first", [False, True])
def test_a_run_that_went_on_takes_the_place_of_its_beginning(store, longer_first):
    whole = ledger()
    lines = whole.splitlines(keepends=True)
    begun = b"".join(lines[: len(lines) // 2])
    for data in (whole, begun) if longer_first else (begun, whole):
        keep(store, data, "R1.ledger.jsonl")
    assert [test.outcome for test in store.tested() if test.tag == "A"] == ["pass"]
    assert len(store.rows("visit")) == 2, "the first stays"
    [pair] = store.rows("correction")
    assert pair["why"] == "more was recorded of this run"


def test_runs_of_the_same_name_that_are_no_parts_of_each_other_both_stand(store):
    keep(store, ledger("R1"), "one.jsonl")
    keep(store, ledger("R1", made=inhibited("FAN", "placed", "lifted", "proven")), "two.jsonl")
    assert len([test for test in store.tested() if test.tag == "A"]) == 2


def test_the_latest_description_of_a_site_counts_and_a_real_one_before_a_rehearsal(store):
    newer = sound(*CRITERIA, site=small_site(note="as rebuilt"))
    rehearsed = sound(*CRITERIA, site=small_site(note="rehearsal"))
    keep(store, ledger("R2", "2026-05-02", made=newer), "b.jsonl")
    keep(store, ledger("R1", "2026-03-02"), "a.jsonl")
    keep(store, ledger("R3", "2026-07-02", made=rehearsed, simulated=True), "c.jsonl")
    assert store.sites()["Invented cellar"].note == "as rebuilt"


def test_inhibits_that_stand_are_known_until_they_were_proven(store):
    keep(store, ledger("R1", "2026-03-02", made=inhibited("FAN", "placed", "lifted")), "a.jsonl")
    [one] = store.standing_inhibits()
    assert (one.effect, one.state, one.since[:10]) == ("FAN", "lifted", "2026-03-02")
    keep(store, ledger("R2", "2026-04-02", made=inhibited("FAN", "placed", "lifted", "proven")), "b.jsonl")
    assert store.standing_inhibits() == []


def test_ageing_for_the_release_room(store):
    for run, day in (("R1", "2024-03-02"), ("R2", "2025-03-02"), ("R3", "2026-03-02")):
        keep(store, ledger(run, day), f"{run}.jsonl")
    found = ageing_of(store, store.sites()["Invented cellar"])
    assert set(found) == {"A"}
    assert found["A"].tests == 3
    assert found["A"].spread == pytest.approx(1.0)
    assert found["A"].u > 0
    assert found["A"].last == pytest.approx(found["A"].ratio)


def test_what_was_changed_behind_our_back_is_not_handed_out(store, url):
    kept = keep(store, bundled())
    engine = open_engine(url, make=False)
    with writing(engine) as connection:
        sqlite = engine.dialect.name == "sqlite"
        drop = "evidence_no_update" if sqlite else "evidence_stays ON evidence"
        connection.execute(text(f"DROP TRIGGER {drop}"))
        connection.execute(text("UPDATE evidence SET data = x'00'" if sqlite else "UPDATE evidence SET data = '0'"))
    engine.dispose()
    with pytest.raises(EvidenceError, match="no longer holds the bytes"):
        store.original(kept.sha256)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def filled(request, tmp_path_factory):
    """A store with a row in every table."""
    url = str(tmp_path_factory.mktemp("filled") / "history.sqlite")
    if request.param == "postgresql":
        url = f"{request.getfixturevalue('postgres')}/postgres"
    with open_store(url, make=True) as store:
        keep(store, bundled())
        keep(store, ledger("R2", made=inhibited()), "r2.jsonl")
        keep(store, b"".join(ledger("R9").splitlines(keepends=True)[:40]), "begun.jsonl")
        keep(store, ledger("R9"), "whole.jsonl")
        keep(store, b"site,date,tag,gas,outcome,adjusted,as found\nS,2024-01-01,A,CO,pass,zero,fail\n", "old.csv")
        assert all(store.rows(table) for table in schema.metadata.tables)
    return url


@pytest.mark.parametrize("table", list(schema.metadata.tables))
@pytest.mark.parametrize("statement", ["UPDATE {0} SET {1} = {1}", "DELETE FROM {0}"])
def test_the_database_itself_refuses_to_forget(filled, table, statement):
    engine = open_engine(filled, make=False)
    column = next(iter(schema.metadata.tables[table].columns)).name
    with pytest.raises(DBAPIError, match="nothing that was kept is ever changed or removed"), writing(engine) as to:
        to.execute(text(statement.format(f'"{table}"', f'"{column}"')))
    engine.dispose()


def test_no_other_program_replaces_a_row(tmp_path):
    """As one that knows nothing of this one's settings would: SQLite's own REPLACE, on a plain connection."""
    url = str(tmp_path / "s.db")
    with open_store(url, make=True) as store:
        keep(store, ledger("R2", made=inhibited()), "r2.jsonl")
        keep(store, b"".join(ledger("R2", made=inhibited()).splitlines(keepends=True)[:40]), "begun.jsonl")
        keep(store, bundled())
        keep(store, b"site,date,tag,gas,outcome,adjusted,as found\nS,2024-01-01,A,CO,pass,zero,fail\n", "old.csv")
    refused = []
    with contextlib.closing(sqlite3.connect(url)) as database:
        for table in schema.metadata.tables:
            try:
                database.execute(f'INSERT OR REPLACE INTO "{table}" SELECT * FROM "{table}"')
            except sqlite3.IntegrityError:
                refused.append(table)
    assert refused == list(schema.metadata.tables)


def test_an_untrusted_bundle_is_refused_whole(store):
    with pytest.raises(EvidenceError):
        keep(store, bundled()[:-200])
    with pytest.raises(EvidenceError, match="not a key you trust"):
        keep(store, bundled(key=1), trusted=[KEY.public_key()])
    assert all(store.rows(table) == [] for table in schema.metadata.tables)


@pytest.mark.parametrize(
    ("data", "name", "said"),
    [
        (b"%PDF-1.7 ...", "C.pdf", "a PDF cannot be proven"),
        (b"  \n", "empty.csv", "the file is empty"),
        (b'{"ledger":1}\n', "R1.late-marks.jsonl", "kept beside their ledger"),
    ],
)
def test_other_files_are_refused_in_words(data, name, said):
    with pytest.raises(InputError, match=said):
        parcel_of(data, name)


def test_when_it_was_kept_is_the_instant_handed_in(store):
    keep(store, bundled())
    assert store.originals()[0].kept_at == datetime(2026, 11, 25, 12, tzinfo=UTC).isoformat()


def test_marks_that_came_in_late_make_a_fuller_record_of_the_same_visit(store):
    whole = ledger()
    read = read_ledger(whole)
    wall = read.events[-1].wall
    mark = MarkMade(
        t_s=110.5, wall=wall, mark_id="late-1", post="DOOR", witness="Ines", signal="BEACON.on", on=True, u_s=0.12
    )
    late = seal(mark, read.digest, 0)
    after = certificate.issue(whole, "R1", KEY, issued=NOW, late_bytes=late).bundle
    keep(store, bundled())
    kept = keep(store, after, "R1-late.evidence.zip")
    assert (kept.visits, kept.corrected) == (1, 1)
    assert [test.tag for test in store.tested()] == ["A", "B"], "one visit, and the fuller record of it"
    assert keep(store, whole, "R1.ledger.jsonl").visits == 0
    assert len(store.rows("visit")) == 2


def test_what_a_due_list_needs_is_the_last_that_showed_something_and_every_new_sensor(store):
    head = "site,date,tag,gas,outcome,sensor exchanged\n"
    rows = [
        "S,2021-05-01,A,CO,pass,yes",
        "S,2022-05-01,A,CO,pass,no",
        "S,2023-05-01,A,CO,fail,no",
        "S,2023-09-01,A,CO,not tested,yes",
        "S,2024-05-01,A,CO,not tested,no",
        "S,2025-05-01,A,CO,pass,no",
        "S,2023-06-01,B,CO,not tested,no",
    ]
    keep(store, (head + "\n".join(rows)).encode(), "old.csv")
    found = store.last_tested(date(2024, 12, 31))
    assert [(one.tag, one.at, one.outcome) for one in found] == [
        ("A", "2021-05-01", "pass"),
        ("A", "2023-05-01", "fail"),
        ("B", "2023-06-01", "not tested"),
        ("A", "2023-09-01", "not tested"),
    ]
    assert [one.at for one in store.last_tested(date(2025, 5, 1)) if one.outcome == "pass"][-1] == "2025-05-01"
    assert store.last_tested(date(2025, 5, 1), site="T") == []


def test_a_signer_whose_verdict_the_evidence_does_not_bear_out_is_refused(store):
    """Signed in good form, by a key that is trusted, and not what the ledger says."""
    issue = certificate.issue(ledger(), "R1", KEY, issued=NOW)
    members = dict(bundle.unpack(issue.bundle, "B")[0])
    judgement = issue.payload.judgement
    [a, b] = judgement.verdicts
    rosy = judgement.model_copy(update={"verdicts": (a, b.model_copy(update={"outcome": "pass"}))})
    payload = issue.payload.model_copy(update={"judgement": rosy})
    members[bundle.CERTIFICATE] = sign(PAYLOAD_TYPE, payload_bytes(payload), KEY)
    with pytest.raises(EvidenceError, match="judged again differs"):
        keep(store, bundle.pack(members, KEY), trusted=[KEY.public_key()])
    assert store.originals() == []


@pytest.mark.parametrize(
    ("found_ppm", "left_ppm", "outcomes"), [(17500, 25000, "fail pass"), (25000, 17500, "pass fail")]
)
def test_as_found_and_as_left_are_kept_apart(store, found_ppm, left_ppm, outcomes):
    """A detector that reads low, is adjusted and reads right; and one that was adjusted from right to wrong."""
    left = criterion("span", lower=22500.0, upper=27500.0, target=25000.0, optional=True, id="A/as-left/span")
    adjust = Step(id="A/adjust", kind="adjust", tag="A", text="adjust", ends="confirm", at_most_s=600.0, optional=True)

    def twice(t_s: float) -> float:
        return answer(t_s, bottle_ppm=found_ppm) if t_s < 600.0 else answer(t_s - 600.0, bottle_ppm=left_ppm)

    made = sound(*CRITERIA[1:2], left, steps=(adjust,))
    made.events = [event for event in made.events if event.kind != "reading" or event.tag == "B"]
    made.readings(twice, 0.0, 1160.0)
    made.step("A/adjust", 580.0, 590.0).press("adjusted-span", 585.0, "A")
    made.step("A/zero", 640.0, 695.0).gas(700.0, 940.0)
    keep(store, ledger(made=made), "R1.ledger.jsonl")
    test = next(one for one in store.tested() if one.tag == "A")
    assert f"{test.as_found} {test.outcome}" == outcomes
    assert (test.adjusted_zero, test.adjusted_span) == (False, True)
    assert test.figure("span").value == pytest.approx(found_ppm, abs=30)
    assert test.figure("span", left=True).value == pytest.approx(left_ppm, abs=30)
    assert [(row["tag"], row["what"], row["by"]) for row in store.rows("adjustment")] == [("A", "span", "MK")]


def test_a_point_that_did_not_set_on_gas_is_a_failure_to_alarm(store):
    keep(store, ledger(made=sound(*CRITERIA[3:4], without=("A.low",)).status("A.low")), "R1.ledger.jsonl")
    assert [test.alarmed for test in store.tested()] == [False, None], "B was not under test, which is no failure"

"""What is written out: comes back the same, stays known in its own store, prints, and reminds."""

from __future__ import annotations

import csv
import io
from datetime import date

import pytest
from icalendar import Calendar
from openpyxl import load_workbook

from gaswitness.history.calendar import to_ics, uid_of
from gaswitness.history.intake import parcel_of
from gaswitness.history.overview import dues_of
from gaswitness.history.register import due_csv, due_xlsx, operators_of, records_csv, register_xlsx
from gaswitness.history.store import open_store
from support.kept import NOW, bundled
from support.years import table

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    with open_store(str(tmp_path_factory.mktemp("kept") / "s.db"), make=True) as made:
        made.keep(parcel_of(table(), "years.csv"), now=NOW)
        made.keep(parcel_of(bundled("R1", "2026-03-02"), "R1.evidence.zip"), now=NOW)
        yield made


def _same(one, other):
    """All that a row on paper can hold is the same; readings within the last place of a double."""
    plain = ("site", "tag", "gas", "sensor", "at", "simulated", "outcome", "as_found", "alarmed", "expected_t90_s")
    plain += ("adjusted_zero", "adjusted_span", "sensor_exchanged", "cylinder", "cylinder_certificate", "note")
    assert [getattr(one, name) for name in plain] == [getattr(other, name) for name in plain]
    for left in (False, True):
        for kind in ("zero", "span", "t90"):
            a, b = one.figure(kind, left=left), other.figure(kind, left=left)
            assert (a is None) == (b is None)
            if a is None:
                continue
            assert b.value == pytest.approx(a.value, rel=1e-14)
            assert b.u == pytest.approx(a.u, rel=1e-14)
            assert (b.target is None) == (a.target is None) or kind == "t90"
            assert [t.name for t in b.shared] == [t.name for t in a.shared]
            assert [t.u for t in b.shared] == pytest.approx([t.u for t in a.shared], rel=1e-14)
            for limit in ("lower", "upper"):
                told = getattr(a, limit)
                assert getattr(b, limit) == (None if told is None else pytest.approx(told, rel=1e-14))


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_what_is_exported_is_imported_the_same(store, tmp_path, kind):
    tests = store.tested()
    data = records_csv(tests, operators_of(store)) if kind == "csv" else register_xlsx(store, tests, [], TODAY)
    with open_store(str(tmp_path / "other.db"), make=True) as other:
        kept = other.keep(parcel_of(data, f"register.{kind}"), now=NOW)
        assert kept.visits == len(tests)
        again = {(test.site, test.tag, test.at): test for test in other.tested()}
        assert len(again) == len(tests)
        for test in tests:
            _same(test, again[test.site, test.tag, test.at])
        by = {row["operator"] for row in other.rows("visit")}
        assert "M. Kerr" in by


def test_in_its_own_store_an_export_is_known(store, tmp_path):
    data = records_csv(store.tested(), {})
    with open_store(str(tmp_path / "copy.db"), make=True) as own:
        own.keep(parcel_of(table(), "years.csv"), now=NOW)
        own.keep(parcel_of(bundled("R1", "2026-03-02"), "R1.evidence.zip"), now=NOW)
        before = own.tested()
        assert own.keep(parcel_of(data, "register.csv"), now=NOW).visits == 0
        assert own.tested() == before


def test_the_original_takes_the_place_of_its_copy_on_paper(store, tmp_path):
    data = records_csv(store.tested(), {})
    with open_store(str(tmp_path / "other.db"), make=True) as other:
        other.keep(parcel_of(data, "register.csv"), now=NOW)
        kept = other.keep(parcel_of(bundled("R1", "2026-03-02"), "R1.evidence.zip"), now=NOW)
        assert (kept.visits, kept.corrected) == (1, 2)
        other.keep(parcel_of(table(), "years.csv"), now=NOW)
        assert [(t.site, t.tag, t.at, t.source) for t in other.tested()] == [
            (t.site, t.tag, t.at, t.source) for t in store.tested()
        ]


def test_the_register_prints_and_sorts(store):
    dues, _ = dues_of(store, TODAY)
    book = load_workbook(io.BytesIO(register_xlsx(store, store.tested(), dues, TODAY)))
    assert book.sheetnames[:2] == ["Tests", "Due"]
    for sheet in book:
        assert sheet.freeze_panes == "A2"
        assert sheet.auto_filter.ref
        assert sheet.print_title_rows in ("1:1", "$1:$1")
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.page_setup.fitToHeight == 0
    dated = [row for row in book["Due"].iter_rows(min_row=2) if row[3].value is not None]
    assert dated
    assert all(row[3].is_date and isinstance(row[5].value, int) for row in dated)
    names = {row[0].value for row in book["Files"].iter_rows(min_row=2)}
    assert names == {"R1.evidence.zip", "years.csv"}


def test_csv_as_the_standard_has_it(store):
    """RFC 4180: CRLF, the same number of cells in each row, quotes doubled."""
    dues, _ = dues_of(store, TODAY)
    data = due_csv(dues)
    assert data.count(b"\r\n") == data.count(b"\n") == len(dues) + 1
    rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
    assert {len(row) for row in rows} == {len(rows[0])}
    assert load_workbook(io.BytesIO(due_xlsx(dues, TODAY))).active.max_row == len(dues) + 1


def test_calendar_as_the_standard_has_it(store):
    """RFC 5545: parsed again by the library, with UIDs that are stable, folded lines, and days without a time."""
    dues, _ = dues_of(store, TODAY)
    data = to_ics(dues, TODAY)
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))
    events = list(Calendar.from_ical(data).walk("VEVENT"))
    assert len(events) == len(dues)
    assert len({str(one["uid"]) for one in events}) == len(events)
    assert all(type(one.decoded("dtstart")) is date for one in events)
    assert all(one.decoded("dtstart") >= TODAY for one in events), "what is overdue stands on today"
    assert to_ics(dues, TODAY) == data
    later = {uid_of(one) for one in dues_of(store, date(2027, 5, 1))[0]}
    assert {uid_of(one) for one in dues} == later


def test_the_example_is_what_its_maker_makes(repo):
    """`examples/ravensmoor-years.csv` is written by tests/support/years.py, and by nobody's hand."""
    assert (repo / "examples" / "ravensmoor-years.csv").read_bytes() == table()

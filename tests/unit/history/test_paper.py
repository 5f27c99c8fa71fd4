"""Earlier records as a table: what each column means, and every fault of every row at once."""

from __future__ import annotations

import io
from datetime import date

import pytest
from openpyxl import Workbook

from gaswitness.errors import InputFaults
from gaswitness.history.paper import COLUMNS, paper_parcel
from gaswitness.history.store import open_store
from support.kept import NOW

HEAD = "site,date,tag,gas,outcome"
FULL = {
    "site": "S", "date": "2024-05-31", "time": "14:30", "tag": "O2-1", "gas": "O2", "outcome": "pass",
    "as found": "fail", "alarmed": "yes", "unit": "%vol", "gas value": "16.5", "zero value": "20.9",
    "zero found": "20.7", "span found": "14.2", "t90 found": "31.5", "zero left": "20.9", "span left": "16.4",
    "t90 left": "30.5", "U zero": "0.1", "U span": "0.2", "U bottle": "0.16", "U t90": "1",
    "zero low": "20.4", "zero high": "21.4", "span low": "14.75", "span high": "18.25", "t90 limit": "60",
    "t90 expected": "30", "adjusted": "zero and span", "sensor exchanged": "no", "sensor": "electrochemical",
    "bottle": "BTL-O2", "bottle certificate": "X-77", "by": "M. Kerr", "note": "in the rain",
}  # fmt: skip


def csv_of(*rows: dict[str, str]) -> bytes:
    names = list(dict.fromkeys(name for row in rows for name in row))
    return "\n".join([",".join(names), *(",".join(row.get(name, "") for name in names) for row in rows)]).encode()


def faults_of(data: bytes) -> list[str]:
    with pytest.raises(InputFaults) as told:
        paper_parcel(data, "old.csv")
    assert all(fault.hint for fault in told.value.faults), "what to do is said as well"
    return [f"{fault.path}: {fault.message}" for fault in told.value.faults]


@pytest.fixture
def store(tmp_path):
    with open_store(str(tmp_path / "s.db"), make=True) as made:
        yield made


def test_every_column_finds_its_place(store):
    store.keep(paper_parcel(csv_of(FULL), "old.csv"), now=NOW)
    [test] = store.tested()
    assert (test.site, test.tag, test.gas, test.at) == ("S", "O2-1", "O2", "2024-05-31T14:30Z")
    assert (test.outcome, test.as_found, test.alarmed, test.source) == ("pass", "fail", True, "paper")
    assert (test.adjusted_zero, test.adjusted_span, test.sensor_exchanged) == (True, True, False)
    assert (test.sensor, test.cylinder, test.cylinder_certificate) == ("electrochemical", "BTL-O2", "X-77")
    assert (test.expected_t90_s, test.note, test.day) == (30.0, "in the rain", date(2024, 5, 31))
    span, left = test.figure("span"), test.figure("span", left=True)
    assert (span.value, span.target, span.lower, span.upper) == (142_000, 165_000, 147_500, 182_500)
    assert span.u == 1000
    assert [(term.name, term.u) for term in span.shared] == [("cylinder:X-77", 800.0)]
    assert left.value == 164_000
    assert test.figure("zero").target == 209_000
    assert (test.figure("t90").value, test.figure("t90").u, test.figure("t90").upper) == (31.5, 0.5, 60.0)
    rows = {row["criterion"]: row["outcome"] for row in store.rows("finding")}
    assert rows["O2-1/span"] == "fail"
    assert rows["O2-1/as-left/span"] == "pass"
    assert [row["what"] for row in store.rows("adjustment")] == ["zero", "span"]
    assert store.rows("visit")[0]["operator"] == "M. Kerr"


def test_the_fewest_columns_are_enough(store):
    store.keep(paper_parcel(f"{HEAD}\nS,2024-05-31,CO-1,CO,pass\n".encode(), "old.csv"), now=NOW)
    [test] = store.tested()
    assert (test.found, test.alarmed, test.as_found) == ((), None, "pass")


def test_all_faults_of_all_rows_at_once():
    found = faults_of(
        b"site,date,tag,gas,outcome,span found,adjusted,U span,U bottle,alarmed,shade\n"
        b"S,31.12.2024,A,CO,passed,12 ppm,gain,-1,2,maybe,red\n"
        b",2024-01-01,1A,,pass,,zero,,,,\n"
    )
    assert found == [
        "row 1, column 'shade': found an unknown column",
        "row 2, column 'date': found '31.12.2024', expected a day such as 2024-05-31",
        "row 2, column 'outcome': found 'passed', expected one of pass, fail, inconclusive, not tested, error, aborted",
        "row 2, column 'adjusted': found 'gain', expected one of no, zero, span, zero and span",
        "row 2, column 'alarmed': found 'maybe', expected one of yes, no",
        "row 2, column 'unit': found nothing, expected the unit of 'span found': one of ppm, ppb, %vol",
        "row 2, column 'U span': found -1.0, expected more than 0",
        "row 2, column 'U bottle': found 2.0, expected no more than 'U span', of which it is a part",
        "row 2, column 'span found': found '12 ppm', expected a number without its unit",
        "row 3, column 'site': found nothing, expected name of the site, as in its file",
        "row 3, column 'gas': found nothing, expected the gas it is meant for",
        "row 3, column 'tag': found '1A', expected letters, digits, - and _, at most 40, a letter first",
        "row 3, column 'as found': found nothing, expected the outcome before the adjustment",
    ]


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"span low": "19"}, "span low"),
        ({"adjusted": "no"}, "zero left"),
        ({"time": "25:00"}, "time"),
        ({"date": "0024-05-31"}, "date"),
        ({"source": "abc"}, "source"),
        ({"t90 found": "0"}, "t90 found"),
        ({"gas value": "-3"}, "gas value"),
        ({"span found": "nan"}, "span found"),
    ],
)
def test_what_cannot_be_is_refused(changes, column):
    assert any(f"column {column!r}" in fault for fault in faults_of(csv_of({**FULL, **changes})))


def test_decimal_commas_where_something_else_parts_the_cells(store):
    data = b"site;date;tag;gas;outcome;unit;span found\nS;2024-05-31;A;CO;pass;ppm;98,5\n"
    store.keep(paper_parcel(data, "old.csv"), now=NOW)
    assert store.tested()[0].figure("span").value == 98.5


def test_a_spreadsheet_with_typed_cells_says_the_same(store):
    book = Workbook()
    book.active.append(["site", "date", "tag", "gas", "outcome", "unit", "span found", "bottle certificate"])
    book.active.append(["S", date(2024, 5, 31), "A", "CO", "pass", "ppm", 98.5, 1234])
    book.active.append([None] * 8)
    out = io.BytesIO()
    book.save(out)
    store.keep(paper_parcel(out.getvalue(), "old.xlsx"), now=NOW)
    [test] = store.tested()
    assert (test.at, test.cylinder_certificate, test.figure("span").value) == ("2024-05-31", "1234", 98.5)


def test_rows_that_came_before_are_not_kept_twice(store):
    first = f"{HEAD}\nS,2024-05-31,A,CO,pass\n"
    store.keep(paper_parcel(first.encode(), "a.csv"), now=NOW)
    kept = store.keep(paper_parcel(f"{first}S,2025-05-31,A,CO,pass\n".encode(), "b.csv"), now=NOW)
    assert (kept.visits, kept.known_visits) == (1, 1)
    assert len(store.tested()) == 2


def test_a_correction_stands_beside_the_first(store):
    store.keep(paper_parcel(f"{HEAD}\nS,2024-05-31,A,CO,pass\n".encode(), "a.csv"), now=NOW)
    other = f"{HEAD},corrects\nS,2024-05-31,A,CO,fail,\n".encode()
    with pytest.raises(InputFaults, match=r"row 2: another record of A at 2024-05-31 is kept"):
        store.keep(paper_parcel(other, "b.csv"), now=NOW)
    assert [test.outcome for test in store.tested()] == ["pass"]
    kept = store.keep(paper_parcel(other.replace(b"fail,", b"fail,yes"), "b.csv"), now=NOW)
    assert kept.corrected == 1
    assert [test.outcome for test in store.tested()] == ["fail"]
    assert len(store.rows("test")) == 2
    with pytest.raises(InputFaults, match=r"and none is kept"):
        store.keep(paper_parcel(f"{HEAD},corrects\nS,2023-05-31,A,CO,fail,yes\n".encode(), "c.csv"), now=NOW)


def test_a_correction_may_go_back_to_what_stood_first(store):
    head, rows = (
        f"{HEAD},corrects",
        ["S,2024-05-31,A,CO,pass,", "S,2024-05-31,A,CO,fail,yes", "S,2024-05-31,A,CO,pass,yes"],
    )
    for count in (1, 2, 3):  # a file that grows, as such files do
        store.keep(paper_parcel("\n".join([head, *rows[:count]]).encode(), f"{count}.csv"), now=NOW)
    assert [test.outcome for test in store.tested()] == ["pass"]
    assert len(store.rows("test")) == 3


def test_two_rows_that_contradict_each_other_in_one_file(store):
    data = f"{HEAD}\nS,2024-05-31,A,CO,pass\nS,2024-05-31,A,CO,fail\n".encode()
    with pytest.raises(InputFaults, match=r"row 3: another record"):
        store.keep(paper_parcel(data, "a.csv"), now=NOW)
    assert store.originals() == []
    timed = b"site,date,time,tag,gas,outcome\nS,2024-05-31,09:00,A,CO,fail\nS,2024-05-31,15:00,A,CO,pass\n"
    store.keep(paper_parcel(timed, "a.csv"), now=NOW)
    assert [test.outcome for test in store.tested()] == ["fail", "pass"]


def test_the_page_says_what_every_column_holds(repo):
    page = (repo / "docs" / "history.md").read_text(encoding="utf-8")
    assert [name for name in COLUMNS if f"| `{name}` |" not in page] == []


def test_a_rehearsal_on_paper_stays_one(store):
    store.keep(paper_parcel(f"{HEAD},simulated\nS,2024-05-31,A,CO,pass,yes\n".encode(), "a.csv"), now=NOW)
    [test] = store.tested()
    assert test.simulated

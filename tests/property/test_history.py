"""Whatever was typed: it comes back as it went in, or every fault is told; statistics stay in their bounds."""

from __future__ import annotations

import io
from datetime import date

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from gaswitness.errors import InputFaults
from gaswitness.history.paper import COLUMNS, paper_parcel
from gaswitness.history.record import record_of
from gaswitness.history.store import open_store
from gaswitness.history.table import guarded, read_table, unguarded, write_csv, write_xlsx
from gaswitness.learn.drift import drifts
from gaswitness.learn.records import DetectorTest, Figure, SharedTerm
from gaswitness.learn.reliability import Interval, clopper_pearson, pfd_average, rate_bounds_per_hour, rate_per_hour
from support.kept import NOW

TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp", "Zs")), max_size=30)
WORDS = TEXT.map(str.strip).filter(bool)
LEVEL = st.floats(1e-3, 9e5, allow_nan=False).filter(lambda value: value == float(repr(value)))
OUTCOME = st.sampled_from(["pass", "fail", "inconclusive", "not tested", "error", "aborted"])


@given(st.text(max_size=50))
def test_guarding_text_can_be_undone(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert guarded(text)[:1] not in ("=", "+", "-", "@", "\t", "\r")


@st.composite
def visits(draw: st.DrawFn) -> DetectorTest:
    target = draw(LEVEL)
    u = draw(st.floats(1e-3, 1e3))
    shared = (SharedTerm(name="cylinder:X-1", u=u * draw(st.floats(0.01, 0.99))),) if draw(st.booleans()) else ()
    adjusted = draw(st.booleans())
    limits = {"lower": target * 0.5, "upper": target * 1.5} if draw(st.booleans()) else {}
    span = Figure(kind="span", value=draw(LEVEL), u=u, shared=shared, target=target, **limits)
    t90 = Figure(kind="t90", value=draw(st.floats(0.1, 1e4)), u=draw(st.none() | st.floats(0.01, 10.0)))
    return DetectorTest(
        visit="0" * 64,
        source="paper",
        site=draw(WORDS),
        tag=draw(st.from_regex(r"[A-Za-z][A-Za-z0-9_-]{0,20}", fullmatch=True)),
        gas=draw(WORDS),
        sensor=draw(TEXT.map(str.strip)),
        at=draw(st.dates(date(1990, 1, 1), date(2099, 1, 1))).isoformat(),
        outcome=draw(OUTCOME),
        as_found=draw(OUTCOME),
        alarmed=draw(st.none() | st.booleans()),
        found=(span, t90),
        left=(span.model_copy(update={"value": draw(LEVEL)}),) if adjusted else (),
        adjusted_zero=adjusted,
        adjusted_span=adjusted and draw(st.booleans()),
        cylinder="BTL" if shared else None,
        cylinder_certificate="X-1" if shared else None,
        note=draw(TEXT.map(str.strip)),
    )


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(one=visits(), as_xlsx=st.booleans())
def test_a_record_that_is_written_is_read_again(tmp_path_factory, one: DetectorTest, as_xlsx: bool) -> None:
    row = [cell if name != "source" else None for name, cell in zip(COLUMNS, record_of(one), strict=True)]
    columns = tuple(COLUMNS)
    data = write_xlsx([("T", columns, [row])], footer="f") if as_xlsx else write_csv(columns, [row])
    with open_store(str(tmp_path_factory.mktemp("s") / "s.db"), make=True) as store:
        store.keep(paper_parcel(data, "t"), now=NOW)
        [again] = store.tested()
    plain = ("site", "tag", "gas", "sensor", "at", "outcome", "as_found", "alarmed", "adjusted_zero", "adjusted_span")
    assert [getattr(again, name) for name in plain] == [getattr(one, name) for name in plain]
    assert again.note == one.note
    for left in (False, True):
        for kind in ("span", "t90"):
            a, b = one.figure(kind, left=left), again.figure(kind, left=left)
            assert (a is None) == (b is None)
            if a is not None and b is not None:
                np.testing.assert_allclose(b.value, a.value, rtol=1e-14)
                assert len(b.shared) == len(a.shared)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(st.text(max_size=12), min_size=1, max_size=8), min_size=1, max_size=8))
def test_any_table_is_read_or_refused_in_words(rows: list[list[str]]) -> None:
    head = ["site", "date", "tag", "gas", "outcome"]
    data = "\n".join(",".join(cell.replace("\n", " ") for cell in row) for row in [head, *rows]).encode()
    try:
        parcel = paper_parcel(data, "any.csv")
    except InputFaults as error:
        keys, faults = [], error.faults
    else:
        keys, faults = [one.key for one in parcel.visits], ()
    assert all(fault.path and fault.message for fault in faults)
    assert len(set(keys)) == len(keys)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.lists(st.none() | TEXT | st.floats(allow_nan=False, allow_infinity=False), min_size=3, max_size=3)))
def test_no_sheet_holds_a_formula_and_csv_comes_back(rows: list[list[object]]) -> None:
    book = load_workbook(io.BytesIO(write_xlsx([("S", ("a", "b", "c"), rows)], footer="f")))  # type: ignore[list-item]
    assert all(cell.data_type != "f" for row in book["S"].iter_rows() for cell in row)
    _, lines = read_table(write_csv(("a", "b", "c"), rows), "t.csv")  # type: ignore[arg-type]
    told = [[cell for cell in row if cell not in (None, "") and str(cell).strip()] for row in rows]
    told = [row for row in told if row]
    assert len(lines) == len(told)


@given(st.integers(0, 40), st.integers(1, 400))
def test_a_chance_lies_within_its_bounds(failures: int, more: int) -> None:
    tests_ = failures + more
    low, high = clopper_pearson(failures, tests_)
    assert 0 <= low <= failures / tests_ <= high <= 1


@settings(max_examples=60, deadline=None)
@given(st.lists(st.builds(Interval, st.floats(10.0, 1e5), st.booleans()), min_size=1, max_size=60))
def test_a_rate_lies_within_its_interval(intervals: list[Interval]) -> None:
    one = rate_per_hour(intervals)
    assert 0 <= one.low <= one.value <= one.high
    hours = sum(entry.hours for entry in intervals)
    assert pfd_average(one.low, 1000.0) <= pfd_average(one.high, 1000.0) <= 1.0
    low, high = rate_bounds_per_hour(sum(entry.failed for entry in intervals), hours)
    assert low <= high


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-0.05, 0.05), min_size=3, max_size=12), st.floats(0.001, 0.05))
def test_days_come_in_their_order(errors: list[float], u: float) -> None:
    """Guarded before likely before latest, and none of them before the last test or beyond the horizon."""
    kept = [
        DetectorTest(
            visit=str(n), source="paper", site="S", tag="A", gas="CO", at=f"{2010 + n}-06-01", outcome="pass",
            as_found="pass",
            found=(Figure(kind="span", value=100 * (1 + one), u=100 * u, target=100.0, lower=90.0, upper=110.0),),
        )
        for n, one in enumerate(errors)
    ]  # fmt: skip
    [drift] = drifts(kept, ["span"])
    reaches = drift.now.reaches
    assert reaches is not None
    days = [day for day in (reaches.guarded, reaches.likely, reaches.latest) if day is not None]
    assert days == sorted(days)
    assert all(kept[-1].day <= day <= reaches.until for day in days)
    assert reaches.guarded is not None or reaches.likely is None

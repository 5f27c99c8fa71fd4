"""Whatever bytes a log holds, reading it ends in a log or in one message; never in anything else."""

from __future__ import annotations

import gzip
import io
import json
import math
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from rich.console import Console

from gaswitness.cli.replay import document
from gaswitness.cli.replay_view import show
from gaswitness.cli.replaying import replay_site
from gaswitness.errors import InputError
from gaswitness.links.cells import NO_READING, BadCell, instants, numbers
from gaswitness.links.logfile import Log, read_log
from gaswitness.site import load_site

MANY = settings(max_examples=1000, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

ODD_CELLS = str.split(
    '|0|1|2.5|-3|1e5|1e999|nan|inf|NaT|now|today|a|b|NULL|1_0|\u0663|0x10|-|+|.|1.2.3|1,5|time|channel|ppm|"|""| |#|'
    "2026-01-01|2026-01-01T00:00:00|2026-01-01 00:00:01.5|2026-02-30|2026-01-01T00:00:00Z|2026-01-01T00:00:00+01:00|"
    "0000-01-01|9999-12-31T23:59:59-23:59|2026-1-1|2026-01-01T24:00|\x00|\ufeff|\u2028|\x85|\r",
    "|",
)
CELLS = st.one_of(
    st.sampled_from([*ODD_CELLS, "9" * 30, "9" * 300]),
    st.text(max_size=8),
    st.floats().map(str),
    st.datetimes().map(str),
)
HEADERS = st.lists(
    st.one_of(st.sampled_from(["time", "t_s", "timestamp", "channel", "sensor", "ppm", "value", "x", ""]), CELLS),
    min_size=0,
    max_size=5,
)
THIS_AGE = st.datetimes(datetime(1900, 1, 1), datetime(2199, 12, 31))  # noqa: DTZ001
NAMES = st.one_of(st.none(), st.sampled_from(["time", "x", "ppm", "a", "", "channel"]))


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    delimiter = draw(st.sampled_from([",", ";", "\t"]))
    header = draw(HEADERS)
    width = draw(st.sampled_from([len(header), len(header), len(header), len(header) + 1, 2]))
    rows = draw(st.lists(st.lists(CELLS, min_size=width, max_size=width), max_size=8))
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    text = end.join(delimiter.join(row) for row in [header, *rows]) + draw(st.sampled_from(["", end]))
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"])), errors="replace")


def sound(log: Log) -> None:
    """What every reader of a log may rely on."""
    for name, trace in log.channels.items():
        assert trace.channel == name
        assert trace.t_s.shape == trace.values.shape
        assert np.isfinite(trace.t_s).all()
        assert (np.diff(trace.t_s) >= 0).all()
        assert not np.isinf(trace.values).any()
        if len(trace):
            log.instant(float(trace.t_s[-1]))


def attempt(path: Path, data: bytes, **named: str | None) -> None:
    path.write_bytes(data)
    try:
        log = read_log(path, **named)
    except InputError:
        return
    sound(log)


@MANY
@given(st.binary(max_size=200), st.booleans())
@example(b"\x1f\x8b", False)
@example(b"PAR1PAR1", False)
@example(b"t,x\n0,1\n1,\xff\n", False)
def test_random_bytes(tmp_path: Path, data: bytes, zipped: bool) -> None:
    attempt(tmp_path / "log", gzip.compress(data) if zipped else data)


@MANY
@given(tables(), NAMES, NAMES, NAMES)
def test_random_tables(tmp_path: Path, data: bytes, time: str | None, value: str | None, channel: str | None) -> None:
    attempt(tmp_path / "log", data, time=time, value=value, channel=channel)


@MANY
@given(st.integers(0, 500), st.binary(min_size=1, max_size=4), st.sampled_from(["long", "wide"]))
def test_a_good_log_with_bytes_overwritten(tmp_path: Path, at: int, fresh: bytes, shape: str) -> None:
    rows = [
        f"2026-01-01T00:00:{i:02d}.5" + (f",ndir_{'ab'[i % 2]},{400 + i}.25" if shape == "long" else f",{i},{i}.5")
        for i in range(20)
    ]
    data = ("\n".join(["timestamp,channel,co2_ppm" if shape == "long" else "timestamp,a,b", *rows]) + "\n").encode()
    at %= len(data)
    attempt(tmp_path / "log", data[:at] + fresh + data[at + len(fresh) :])


@pytest.fixture(scope="module")
def parquet() -> bytes:
    table = pa.table({"t": [0.0, 1.0], "channel": ["a", "b"], "ppm": [400.0, None]})
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


@settings(MANY, max_examples=400)
@given(st.integers(0, 5000), st.binary(max_size=6), st.booleans())
def test_parquet_with_bytes_overwritten(tmp_path: Path, parquet: bytes, at: int, fresh: bytes, cut: bool) -> None:
    at %= len(parquet)
    attempt(tmp_path / "log", parquet[:at] + fresh + (b"" if cut else parquet[at + len(fresh) :]))


@pytest.mark.parametrize(
    "columns",
    [
        {"t": pa.array([0, None]), "x": pa.array([1, 2])},
        {"t": pa.array([None, None], pa.timestamp("us")), "x": pa.array([1, 2])},
        {"t": pa.array([0, 1]), "x": pa.array([[1], [2]])},
        {"t": pa.array([0, 1]), "x": pa.array([b"\xff", b"1"])},
        {"t": pa.array([0, 1]), "x": pa.array([1e300, 2.0])},
        {"t": pa.array(["2026-01-01", None]), "x": pa.array([1, 2])},
        {"t": pa.array([-(2**62), 2**62], pa.timestamp("us")), "x": pa.array([1, 2])},
        {"t": pa.array([0, 1], pa.date32()), "x": pa.array([True, False])},
        {"t": pa.array([0, 1], pa.time64("us")), "x": pa.array([1, 2])},
        {"x": pa.array([1, 2])},
        {},
    ],
)
def test_parquet_columns_of_any_type(tmp_path: Path, columns: dict[str, pa.Array]) -> None:
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table(columns), path)
    attempt(path, path.read_bytes())


SITE = """
gaswitness: gaswitness/site/1
name: Rooms
areas: [{tag: ROOM, name: Room, volume: 60 m3, height: 2.8 m, occupied: true}]
detectors:
  - tag: a
    gas: CO2
    area: ROOM
    range_high: 5000 ppm
    resolution: 1 ppm
    t90: 60 s
    alarms:
      - {name: low, set: 1 ppm, deadband: 0.5 ppm, on_delay: 1 s}
      - {name: high, set: 100 ppm, latching: true}
"""
ANY_NUMBER = st.floats(allow_nan=False, allow_infinity=False)


@settings(MANY, max_examples=200)
@given(
    st.lists(st.tuples(st.one_of(st.floats(0, 100), ANY_NUMBER), ANY_NUMBER), min_size=1, max_size=20),
    st.sampled_from(["a_ppm", "a"]),
    st.one_of(st.none(), st.floats(1e-6, 1e6)),
)
def test_any_readings_end_in_a_document(
    tmp_path: Path, rows: list[tuple[float, float]], column: str, gap_s: float | None
) -> None:
    path = tmp_path / "log.csv"
    path.write_text("\n".join([f"t_s,{column}", *(f"{t!r},{v!r}" for t, v in rows)]) + "\n")
    try:
        log = read_log(path)
    except InputError:
        return
    done = replay_site(load_site(SITE, "rooms"), log, gap_s=gap_s, mapped=[f"{column}=a"], resets_s=[5.0])
    json.dumps(document("rooms", done), allow_nan=False)
    show("rooms", done, Console(file=io.StringIO(), width=80, force_terminal=True))


@given(
    st.lists(
        st.one_of(st.floats(allow_infinity=False), st.decimals(places=3, allow_nan=False, allow_infinity=False)),
        min_size=1,
    )
)
def test_numbers_are_read_as_exactly_as_by_python(values: list[object]) -> None:
    texts = [("%s" if isinstance(v, float) else "%f") % v for v in values]
    texts = [text for text in texts if len(text) < 100 and abs(float(text)) < NO_READING]
    expected = np.array([float(text) for text in texts])
    np.testing.assert_array_equal(numbers(np.array([text.encode() for text in texts], np.bytes_).reshape(-1)), expected)


@given(
    st.lists(THIS_AGE, min_size=1),
    st.sampled_from(["T", " "]),
    st.sampled_from(["", "Z", "+00:00"]),
)
def test_instants_are_read_as_exactly_as_by_python(times: list[object], between: str, zone: str) -> None:
    texts = [time.isoformat(between) + zone for time in times]  # type: ignore[attr-defined]
    us, zones = instants(np.array([text.encode() for text in texts], np.bytes_))
    expected = np.array([text.removesuffix("Z").removesuffix("+00:00") for text in texts], "datetime64[us]").astype(
        np.int64
    )
    np.testing.assert_array_equal(us, expected)
    assert (zones is None) == (zone == "")


@pytest.mark.parametrize("cell", [b"now", b"today", b"NaT", b"2026", b"2026-13-01", b"2026-01-01T25:00", b"12:00", b""])
def test_what_a_library_takes_for_an_instant_is_none(cell: bytes) -> None:
    with pytest.raises(BadCell):
        instants(np.array([b"2026-01-01", cell]))


def test_a_number_too_long_to_be_exact_is_still_read_right() -> None:
    cells = [
        b"721.333333333333",
        b"0.00479298817650529",
        b"123456789012345678",
        b"5e-324",
        b"-0.1",
        b"000000000000000000001",
    ]
    assert numbers(np.array(cells)).tolist() == [float(cell) for cell in cells]
    assert math.isnan(numbers(np.array([b""]))[0])

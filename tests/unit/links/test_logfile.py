"""Recorded logs in the shapes they come in, and a clear message for each thing that can be wrong with one."""

from __future__ import annotations

import gzip
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gaswitness.errors import InputError
from gaswitness.links.logfile import Log, parse_instant, read_log

nan = np.nan


@pytest.fixture
def log(tmp_path: Path):
    def write(text: str | bytes, name: str = "log.csv", **named: str) -> Log:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_log(path, **named)

    return write


def told(log: Log) -> dict[str, tuple[list[float], list[float]]]:
    return {name: (trace.t_s.tolist(), trace.values.tolist()) for name, trace in log.channels.items()}


LONG = "timestamp,channel,co2_ppm\n2026-01-01T00:00:00,a,1\n2026-01-01T00:00:00.5,b,20\n2026-01-01T00:00:02,a,3\n"


def test_long(log) -> None:
    found = log(LONG)
    assert told(found) == {"a": ([0.0, 2.0], [1.0, 3.0]), "b": ([0.5], [20.0])}
    assert found.start == datetime(2026, 1, 1)  # noqa: DTZ001
    assert found.trace("b").start == found.start


def test_wide_with_blanks_and_words(log) -> None:
    found = log("t_s,phase,x,y\n10,calm,1,\n11,calm,,5\n12.5,gas,nan,n/a\n")
    np.testing.assert_equal(told(found), {"x": ([0, 1, 2.5], [1, nan, nan]), "y": ([0, 1, 2.5], [nan, 5, nan])})
    assert (found.start, found.first_s) == (None, 10.0)


@pytest.mark.parametrize(
    "text",
    [
        "t;x\n0;1,5\n1;-2,25\n",  # decimal comma
        "t;x\n0,0;1,5\n1,0;-2,25\n",  # in the times as well
        "t;x\ns;ppm\n0,0;1,5\n1,0;-2,25\n",
        "t\tx\n0\t1.5\n1\t-2.25\n",
        "\ufefft,x\r\n0,1.5\r\n1,-2.25\r\n",  # byte order mark, Windows line ends
        "# made by hand\n\nt,x\n0, 1.5\n\n1 ,\t-2.25 \n,\n",  # remark, blank lines, space round the cells
        '"t","x"\n"0","1.5"\n"1","-2.25"\n',
        '"t","x, in ppm"\n0,1.5\n1,-2.25\n'.replace("x, in ppm", "x"),
        "t,x\n0,1.5\n1,-2.25",  # no end of the last line
        "t,x\n0,1.5\n1,-2.25\n2",  # the last line broke off
        "t,x,\n0,1.5,\n1,-2.25,\n",  # a delimiter too many on each line
        "t,x\n0,1.5,\n1,-2.25,\n",
        "sep=;\nt;x\n0;1.5\n1;-2.25\n",
        "t,x\ns,ppm\n0,1.5\n1,-2.25\n",  # units below the names
        "t,x\n0,+1.50\n1,-22.5e-1\n",
        "x,time\n1.5,0\n-2.25,1\n",  # time is not the first column
    ],
)
def test_all_of_these_say_the_same(log, text: str) -> None:
    assert told(log(text)) == {"x": ([0.0, 1.0], [1.5, -2.25])}


def test_encodings_and_packing(log, tmp_path: Path) -> None:
    text = "time,CO₂ %\n0,1\n1,2\n"
    expected = {"CO₂ %": ([0.0, 1.0], [1.0, 2.0])}
    assert told(log(text)) == expected
    assert told(log(text.encode("utf-16"))) == expected
    assert told(log(gzip.compress(text.encode()), "log.csv.gz")) == expected
    assert told(log(gzip.compress(text.encode()), "no-ending")) == expected
    assert told(log("time,t °C\n0,1\n".encode("cp1252"))) == {"t °C": ([0.0], [1.0])}


def test_index_column_without_a_name(log) -> None:
    text = '"date","CO2"\n"1","2015-02-04 17:51:00",721.25\n"2","2015-02-04 17:51:59",714\n'
    assert told(log(text)) == {"CO2": ([0.0, 59.0], [721.25, 714.0])}
    assert told(log(",t,x\n0,5,1\n1,7,2\n")) == {"x": ([0.0, 2.0], [1.0, 2.0])}


def test_without_header(log) -> None:
    assert told(log("2026-01-01,5\n2026-01-02,6\n")) == {"column 2": ([0.0, 86400.0], [5.0, 6.0])}
    assert told(log("0,5\n1,6\n")) == {"column 2": ([0.0, 1.0], [5.0, 6.0])}


def test_channels_may_be_numbers_or_names_of_any_kind(log) -> None:
    assert set(log("time,sensor,ppm\n0,1,5\n0,2,6\n1,1,7\n").channels) == {"1", "2"}
    assert set(log("when,place,x\n2026-01-01,cold room,5\n2026-01-02,plant room,6\n").channels) == {
        "cold room",
        "plant room",
    }
    assert set(log("t,x,x\n0,1,2\n1,3,4\n").channels) == {"x", "x (2)"}


def test_a_status_is_no_channel(log) -> None:
    text = "timestamp,co2_ppm,sensor_status\n2026-01-01,5,good\n2026-01-02,6,bad\n"
    assert told(log(text)) == {"co2_ppm": ([0.0, 86400.0], [5.0, 6.0])}


def test_what_is_named_goes_before_what_is_guessed(log) -> None:
    text = "time,at,who,ppm,mA\n5,0,a,1,4\n4,1,b,2,5\n"
    assert told(log(text, time="at", channel="who", value="mA")) == {"a": ([0.0], [4.0]), "b": ([1.0], [5.0])}
    assert told(log(text, time="at", channel="a", value="ppm")) == {"a": ([0.0], [1.0])}
    assert told(log("t,x,y\n0,1,2\n", channel="y")) == {"y": ([0.0], [2.0])}
    assert told(log("t,x,y\n0,1,2\n", value="x")) == {"x": ([0.0], [1.0])}


@pytest.mark.parametrize(
    ("name", "second"),
    [("time_min", 1 / 60), ("Elapsed (h)", 1 / 3600), ("time in days", 1 / 86400), ("time_ms", 1000), ("t [s]", 1)],
)
def test_times_are_in_the_unit_that_their_column_names(log, name: str, second: float) -> None:
    found = log(f"{name},x\n{100 * second!r},1\n{160 * second!r},2\n")
    assert found.trace("x").t_s == pytest.approx([0.0, 60.0])
    assert found.first_s == pytest.approx(100.0)
    assert (found.notes == ()) == (second == 1)
    assert all(repr(name) in note for note in found.notes)


def test_a_column_of_channels_and_the_channel_wanted(log) -> None:
    numbered = "t,k,x\n0,1,400\n0,2,500\n1,1,401\n1,2,501\n"
    assert told(log(numbered, channel="k=2")) == {"2": ([0.0, 1.0], [500.0, 501.0])}
    named = numbered.replace(",1,", ",left,").replace(",2,", ",right,")
    assert told(log(named, channel="k=right")) == told(log(named, channel="right"))
    assert set(log(named, channel="k").channels) == {"left", "right"}
    assert told(log("t,a=b\n0,1\n", channel="a=b")) == {"a=b": ([0.0], [1.0])}
    with pytest.raises(InputError, match="no such channel; found 'up'"):
        log(named, channel="k=up")


def test_the_readings_of_several_channels_are_no_channel(log) -> None:
    with pytest.raises(InputError, match="readings of several channels; found 'co2_ppm'"):
        log(LONG, channel="co2_ppm")
    assert told(log(LONG.replace(",b,", ",a,"), channel="co2_ppm"))["co2_ppm"][1] == [1.0, 20.0, 3.0]


def test_a_number_that_every_row_has_of_its_own_is_no_channel(log) -> None:
    rows = "".join(f"{i},{10 * i},{400 + i}\n" for i in range(8))
    assert set(log("id,t_s,co2\n" + rows).channels) == {"id", "co2"}
    twice = "".join(f"{i % 2},{10 * (i // 2)},{400 + i}\n" for i in range(8))
    assert set(log("id,t_s,co2\n" + twice).channels) == {"0", "1"}


def test_what_a_spreadsheet_writes_for_nothing_is_no_reading(log) -> None:
    np.testing.assert_equal(told(log("t,x\n0,#N/A\n1,5\n")), {"x": ([0, 1], [nan, 5])})


def test_rows_out_of_order_are_sorted_and_told(log) -> None:
    found = log("t,x\n0,1\n5,2\n3,3\n5,4\n")
    assert told(found) == {"x": ([0.0, 3.0, 5.0, 5.0], [1.0, 3.0, 2.0, 4.0])}
    assert found.notes == ("1 rows went back in time, by 2 s at most; sorted by time",)


def test_remarks_that_begin_later_are_left_out_and_told(log) -> None:
    found = log("t,x,y\n" + "0,1,\n" * 300 + "1,2,door open\n")
    assert list(found.channels) == ["x"]
    assert "'y'" in found.notes[0]


def test_time_zones(log) -> None:
    for text, start in [
        ("t,x\n2026-01-01T12:00:00Z,1\n2026-01-01T12:00:01.250Z,2\n", datetime(2026, 1, 1, 12, tzinfo=UTC)),
        (
            "t,x\n2026-01-01 12:00+01:00,1\n2026-01-01 11:00:01.250+00:00,2\n",
            datetime(2026, 1, 1, 12, tzinfo=timezone(timedelta(hours=1))),
        ),
    ]:
        found = log(text)
        assert found.trace().t_s.tolist() == [0.0, 1.25]
        assert found.start == start
        assert found.start.utcoffset() == start.utcoffset()


def test_fractions_of_any_length(log) -> None:
    found = log(
        "t,x\n2026-01-01T00:00:00.1234567,1\n2026-01-01T00:00:00.2,2\n2026-01-01T00:00:01,3\n2026-01-01 00:01,4\n"
    )
    assert found.trace().t_s.tolist() == pytest.approx([0.0, 0.076544, 0.876544, 59.876544], abs=1e-9)


def test_parquet_wide_and_long(tmp_path: Path, log) -> None:
    times = pd.to_datetime(["2026-01-01T00:00:00.0", "2026-01-01T00:00:01.5"])
    wide = pd.DataFrame({"when": times, "a": [1.0, nan], "b": [3, 4]})
    wide.to_parquet(tmp_path / "wide.parquet", index=False)
    np.testing.assert_equal(
        told(read_log(tmp_path / "wide.parquet")), {"a": ([0, 1.5], [1, nan]), "b": ([0, 1.5], [3, 4])}
    )
    wide.set_index("when").to_parquet(tmp_path / "indexed.parquet")
    assert set(read_log(tmp_path / "indexed.parquet").channels) == {"a", "b"}
    long = pd.DataFrame({"timestamp": times.tz_localize("UTC"), "channel": ["a", "b"], "ppm": [1.0, 2.0]})
    long.to_parquet(tmp_path / "long.parquet")
    found = read_log(tmp_path / "long.parquet")
    assert told(found) == {"a": ([0.0], [1.0]), "b": ([1.5], [2.0])}
    assert found.start == datetime(2026, 1, 1, tzinfo=UTC)
    pd.DataFrame({"t": ["2026-01-01", "2026-01-02"], "x": [1, 2]}).to_parquet(tmp_path / "text.parquet")
    assert told(read_log(tmp_path / "text.parquet")) == {"x": ([0.0, 86400.0], [1.0, 2.0])}


def test_parquet_without_its_reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pd.DataFrame({"t": [0.0], "x": [1.0]}).to_parquet(tmp_path / "log.parquet")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    with pytest.raises(InputError, match="pip install"):
        read_log(tmp_path / "log.parquet")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "nothing in it"),
        ("\n\n", "nothing in it"),
        ("t,x\n", "line 2: no rows of readings"),
        ("t,x\n0,1\n1,2,3\n2,3\n", "line 3: a row of another length"),
        ("t,x\n0,1\n1\n2,3\n", "line 3: a row of another length"),
        ("t,x\n0,1\n1,OVER\n2,3\n", "line 3, column 'x': not a reading; found 'OVER'"),
        ("t,x\n0,1\n1,1e999\n", "line 3, column 'x': not a reading"),
        ("t,x\n0,1\n1,inf\n2,3\n", "line 3, column 'x': not a reading"),
        ("t,x\n0,1\n1,9.9E+37\n2,3\n", "line 3, column 'x': not a reading; found '9.9E+37'"),
        ("t,x\n0,1\n1e13,2\n2,3\n", "line 3, column 't': no time"),
        ("t,x\n0,1\n1,1_000\n2,3\n", "line 3, column 'x': not a reading"),
        ("t;x\n0;1\n1;1.234,5\n2;3\n", "line 3, column 'x': not a reading"),
        ("t,x\n0,1\n,2\n1,3\n", "line 3, column 't': no time"),
        ("time,x\n2026-01-01,1\n2026-02-30,2\n2026-03-01,3\n", "line 3, column 'time': not an instant"),
        ("time,x\n2026-01-01,1\n,2\n2026-03-01,3\n", "line 3, column 'time': not an instant"),
        ("time,x\n2026-01-01T00:00:00Z,1\n2026-02-03T00:00:00,2\n", "some rows state a time zone"),
        ("time,x\n05/02/2026 09:30,1\n05/03/2026 09:30,2\n", "year first"),
        ("time,x\n0000-01-01,1\n", "not an instant"),
        ("InputGasRate,CO2\n-0.109,53.8\n0.000,53.6\n-0.2,53.5\n", "no time column found"),
        ("time,words\n0,one\n1,two\n", "no column of readings; found {'words': 'one'}"),
        ("date,time,x\n2026-01-01,09:30:00,1\n2026-01-01,09:30:05,2\n", "day and time of day in two columns"),
        ("timestamp,x\n1631538900995,1\n1631538901995,2\n", "let its name say so: time_ms"),
        ("time,channel,p,q\n0,a,1,4\n1,b,2,5\n", "no single column of readings"),
        ('t,x\n0,1\n1,"2\n2,3\n', "line 3: a quote that does not close"),
        ("t,x\n0,1\n1," + "9" * 300 + "\n", "line 3, column 'x': cell too long"),
        ("t,x\n0,1\n" + "1,2\n" * 70_000 + "1,\0\0\0\n3,4\n", "line 70003: zero bytes"),
        (b"\x00\x01\x02", "not a text file"),
        (b"\xff\xfe\x00", "UTF-16"),
        (b"PAR1", "Parquet file that cannot be read"),
        (gzip.compress(b"t,x\n" + b"0,1\n" * 100, mtime=0)[:-9], "does not unpack"),
        (gzip.compress(b"t,x\n0,1\n", mtime=0)[:8] + b"\x99" * 30, "does not unpack"),
    ],
)
def test_each_fault_says_where_and_what(log, text: str | bytes, words: str) -> None:
    with pytest.raises(InputError) as caught:
        log(text)
    assert words in str(caught.value)
    assert "log.csv" in str(caught.value)


def test_names_that_are_not_there(log, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="did you mean 'ppm'"):
        log("time,channel,ppm\n0,a,1\n", value="pmm")
    with pytest.raises(InputError, match="did you mean 'ndir_a'"):
        log("time,channel,ppm\n0,ndir_a,1\n0,ndir_b,1\n", channel="ndira")
    with pytest.raises(InputError, match="which channel"):
        log("t,x,y\n0,1,2\n").trace()
    with pytest.raises(InputError, match="a folder"):
        read_log(tmp_path)
    with pytest.raises(OSError, match="nowhere"):
        read_log(tmp_path / "nowhere.csv")


def test_instants_asked_for(log) -> None:
    local = log("t,x\n2026-01-01T12:00:00,1\n2026-01-01T12:00:10,1\n")
    assert parse_instant("2.5", local) == 2.5
    assert parse_instant("2026-01-01 12:01", local) == 60.0
    assert local.instant(1.25) == "2026-01-01T12:00:01.250000"
    zoned = log("t,x\n2026-01-01T12:00:00+02:00,1\n")
    assert parse_instant("2026-01-01T12:00:01", zoned) == 1.0
    assert parse_instant("2026-01-01T10:00:02Z", zoned) == 2.0
    counted = log("t,x\n5,1\n")
    assert counted.instant(3.0) == 3.0
    for wrong, where in [("noon", local), ("inf", local), ("2026-01-01T12:00:00Z", local), ("2026-01-01", counted)]:
        with pytest.raises(InputError):
            parse_instant(wrong, where)


def test_blocks_give_the_whole(log, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    rows = [
        f"2026-01-01T00:{i // 60:02d}:{i % 60:02d},{rng.choice(['a', 'bb', 'c'])},{rng.normal():.3f}"
        for i in range(3000)
    ]
    text = "timestamp,channel,ppm\n" + "\n".join(rows)
    whole = told(log(text))
    monkeypatch.setattr("gaswitness.links.delimited.BLOCK_BYTES", 97)
    assert told(log(text)) == whole
    assert sum(len(t) for t, _ in whole.values()) == 3000

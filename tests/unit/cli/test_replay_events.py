"""`gaswitness replay --events`: what people did beside the log, and plain messages for what cannot be read."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.cli.replay_events import read_events
from gaswitness.errors import InputError
from gaswitness.links.logfile import read_log

SITE = """
gaswitness: gaswitness/site/1
name: Test rooms
areas:
  - {tag: ROOM, name: Room, volume: 60 m3, height: 2.8 m, occupied: true}
detectors:
  - {tag: A, gas: CO2, area: ROOM, range_high: 5000 ppm, resolution: 1 ppm, t90: 60 s, alarms: &levels
      [{name: high, set: 2000 ppm, deadband: 20 % of set, latching: true}]}
  - {tag: B, gas: CO2, area: ROOM, range_high: 5000 ppm, resolution: 1 ppm, t90: 60 s, alarms: *levels}
"""
LOG = """timestamp,A,B
2026-01-01T00:00:00,400,400
2026-01-01T00:01:00,2500,400
2026-01-01T00:02:00,2500,2500
2026-01-01T00:03:00,400,400
2026-01-01T00:04:00,400,400
2026-01-01T00:05:00,2500,400
2026-01-01T00:06:00,400,400
2026-01-01T00:07:00,400,400
"""


@pytest.fixture
def edges(tmp_path: Path):
    (tmp_path / "site.yaml").write_text(SITE, encoding="utf-8")
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    (tmp_path / "done.csv").write_text("", encoding="utf-8")

    def go(rows: str) -> tuple[list[str], list[str]]:
        (tmp_path / "done.csv").write_text(rows, encoding="utf-8")
        words = ["replay", *(str(tmp_path / name) for name in ("site.yaml", "log.csv"))]
        result = CliRunner().invoke(app, [*words, "--events", str(tmp_path / "done.csv"), "--json"])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        found = json.loads(result.stdout)
        told = sorted((e["t"][14:19], e["tag"], e["edge"]) for e in (*found["edges"], *found["latch"]))
        return [" ".join(one) for one in told], found["notes"]

    return go


def test_without_anybody_a_latched_alarm_stays(edges) -> None:
    assert edges("t,tag,what\n")[0] == [
        "01:00 A set", "02:00 B set", "03:00 A returned", "03:00 B returned", "05:00 A recurred", "06:00 A returned",
    ]  # fmt: skip


def test_presses_act_where_they_were_made(edges) -> None:
    """Worked by hand: A is acknowledged, and reset after its condition is gone; B is left alone."""
    told, notes = edges("t,tag,what\n2026-01-01T00:01:30,A,acknowledge\n210,A,reset\n")
    assert told == [
        "01:00 A set", "02:00 A acknowledged", "02:00 B set", "03:00 A returned", "03:00 B returned", "04:00 A clear",
        "05:00 A set", "06:00 A returned",
    ]  # fmt: skip
    assert notes == []


def test_a_press_without_a_tag_is_for_all_and_rows_may_stand_in_any_order(edges) -> None:
    told, _ = edges("# by the panel\nwhat;note\n".replace("what;note", "What,note,T,Tag") + "reset,both,210,\n")
    assert [one for one in told if "04:00" in one] == ["04:00 A clear", "04:00 B clear"]


def test_an_inhibited_detector_does_not_annunciate(edges) -> None:
    told, notes = edges("t,tag,what\n30,A,inhibit\n400,A,lift\n")
    assert not any(one.endswith("A set") and one < "07:00" for one in told)
    assert "07:00 A set" in told  # the latch under the inhibit comes out when it is lifted
    assert notes == []
    told, notes = edges("t,tag,what\n2026-01-01T00:00:30,A,inhibit\n")
    assert not any(one.endswith("A set") for one in told)
    assert notes == ["A: inhibited from 2026-01-01T00:00:30 to the end; no lift follows"]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("", "an empty file; expected a line t,tag,what"),
        ("time,tag,what\n", "line 1: no column t; found 'time,tag,what'"),
        ("t,tag,what\n10,A\n", "line 2: a row cut short"),
        ("t,tag,what\n10,A,acknowlege\n", "line 2: not an action; found 'acknowlege'"),
        ("t,tag,what\n\n10,C,reset\n", "line 3: no detector of this tag; found 'C'; expected one of A, B"),
        ("t,tag,what\nnoon,A,reset\n", "line 2: not a time; found 'noon'"),
        ("t,tag,what\n10,A,lift\n", "line 2: A is not inhibited"),
        ("t,tag,what\n10,A,inhibit\n20,,inhibit\n", "line 3: A is inhibited already"),
    ],
)
def test_what_cannot_be_read_is_said_with_its_line(edges, tmp_path: Path, rows: str, said: str) -> None:
    with pytest.raises(InputError, match=re.escape(said)):
        edges(rows)


def test_not_text(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    (tmp_path / "done.csv").write_bytes(b"\xff\xfe\x00t")
    with pytest.raises(InputError, match="not text"):
        read_events(tmp_path / "done.csv", read_log(tmp_path / "log.csv"), ["A"])

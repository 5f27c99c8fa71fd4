"""What the rig's people read is what is there: a horn that is stuck is not heard, a bottle that was used is emptier."""

from __future__ import annotations

import pytest

from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from support.rigged import example_plan, visit

PLAN = example_plan("ravensmoor.yaml", ("NH3-1",))


def test_air_sound_and_gauges_reach_the_evidence() -> None:
    """Horn 105 - 20 log10(2) = 99.0 dBA; panel horn 92 - 20 log10(1.5) = 88.5 dBA; noise adds under 0.01 dB."""
    series = series_of(read_ledger(visit(PLAN)))
    assert series.airs[-1].pressure_pa == pytest.approx(100_500.0, abs=200.0)
    assert series.airs[-1].temperature_k == pytest.approx(291.15, abs=0.8)
    levels = {one.post: one.level_dba for one in series.sounds}
    assert levels == {"AT-PANEL": pytest.approx(88.5, abs=2.2), "PLANT-DOOR": pytest.approx(99.0, abs=2.2)}
    before, after = (one.pressure_pa for one in series.bottles)
    assert before > after
    found = judge(series)
    assert found.outcome == "pass"
    assert [one.criterion for one in found.visit if one.kind == "audible"] == [
        "visit/audible/AT-PANEL",
        "visit/audible/PLANT-DOOR",
    ]


def test_a_stuck_horn_is_measured_as_silence() -> None:
    found = judge(series_of(read_ledger(visit(PLAN, faults=["stuck:PLANT-HORN"]))))
    heard = {one.criterion: one for one in found.visit if one.kind == "audible"}
    assert heard["visit/audible/AT-PANEL"].outcome == "pass"
    assert heard["visit/audible/PLANT-DOOR"].outcome == "fail"
    assert heard["visit/audible/PLANT-DOOR"].value == pytest.approx(70.0, abs=2.2)  # the noise of the place
    assert "visit/audible/PLANT-DOOR" in found.fell_short

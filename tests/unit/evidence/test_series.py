"""Ledgers laid out on one time axis."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from gaswitness.evidence.ledger import Ledger, read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.evidence.timeline import Instant, between, offset_from_exchange, pressed
from gaswitness.run.events import ReadingTaken, RunResumed, RunStopped, StatusSeen
from support.ledgers import WALL, Scene, small_plan


def scene() -> Scene:
    return Scene(small_plan(()))


def test_a_panel_edge_lies_in_the_middle_of_its_polls() -> None:
    edges = scene().status("A.low", 10.0, 20.0).series().edges["A.low"]
    assert [(e.on, e.at.t_s, e.earliest_s, e.latest_s) for e in edges] == [
        (True, 9.5, 9.0, 10.0),
        (False, 19.5, 19.0, 20.0),
    ]
    assert edges[0].at.u_s == pytest.approx(1 / math.sqrt(12))


def test_a_witness_edge_lies_one_reaction_before_the_press() -> None:
    edge = scene().mark("FAN.on", 30.0, u_s=0.15).series().edges["FAN.on"][0]
    assert (edge.at, edge.seen_by, edge.witness) == (Instant(29.75, 0.15), "witness", "JD")


def test_the_first_poll_is_a_state_and_no_edge() -> None:
    on = scene().add(StatusSeen(t_s=1.0, wall=WALL, signal="A.low", on=True, after_t_s=None)).series()
    assert (on.edges, on.initial, on.on_at("A.low", 5.0)) == ({}, {"A.low": True}, True)
    assert on.on_at("B.low", 5.0) is None


def test_after_a_restart_an_edge_reaches_back_to_the_cut() -> None:
    cut = scene().status("A.low").readings(lambda t: 600.0, 0.0, 30.0)
    cut.add(RunResumed(t_s=100.0, wall=WALL, gap_s=71.0, operator="MK"))
    cut.add(StatusSeen(t_s=101.0, wall=WALL, signal="A.low", on=True, after_t_s=None))
    series = cut.series()
    edge = series.edges["A.low"][0]
    assert (edge.earliest_s, edge.latest_s, edge.at.t_s) == (29.0, 101.0, 65.0)
    assert (series.interrupted, [(g.from_s, g.until_s) for g in series.gaps]) == (True, [(29.0, 100.0)])


def test_the_same_state_after_a_restart_is_no_edge() -> None:
    cut = scene().status("A.low").add(RunResumed(t_s=100.0, wall=WALL, gap_s=71.0, operator="MK"))
    cut.add(StatusSeen(t_s=101.0, wall=WALL, signal="A.low", on=False, after_t_s=None))
    assert cut.series().edges == {}


def test_corrected_marks_are_kept_and_do_not_count() -> None:
    series = scene().mark("FAN.on", 30.0, mark_id="a").mark("FAN.on", 29.0, mark_id="b", corrects="a").series()
    assert [m.mark_id for m in series.marks] == ["b", "a"]
    assert [e.mark_id for e in series.edges["FAN.on"]] == ["b"]
    assert series.corrected == {"a"}


def test_readings_keep_their_source_time_and_quality() -> None:
    def reading(t_s: float, source_s: float, value: float | None, quality: Any) -> ReadingTaken:
        return ReadingTaken(t_s=t_s, wall=WALL, tag="A", value_ppm=value, source_t_s=source_s, quality=quality)

    rows = [(3.0, 2.5, 20.0, "good"), (1.0, 0.5, 10.0, "by-hand"), (4.0, 1.5, None, "bad"), (5.0, 5.0, 9e4, "over")]
    made = scene()
    for row in rows:
        made.add(reading(*row))
    trace = made.series().traces["A"]
    assert list(trace.t_s) == [0.5, 1.5, 2.5, 5.0]
    assert list(trace.arrived_t_s) == [1.0, 4.0, 3.0, 5.0]
    assert list(trace.good) == [True, False, True, False]
    assert np.isnan(trace.value_ppm[1])
    assert trace.quality == ("by-hand", "bad", "good", "over")
    assert list(trace.between(1.5, 5.0).t_s) == [1.5, 2.5]


def test_outages_pair_up_and_an_open_one_lasts_to_the_end() -> None:
    series = scene().link_down(10.0, 25.0).series()
    assert [(s.from_s, s.until_s) for s in series.outages] == [(10.0, 25.0)]
    assert series.broken(24.0, 30.0)
    assert not series.broken(25.0, 30.0)
    opened = scene().link_down(10.0, 25.0)
    opened.events.pop()
    opened.readings(lambda t: 1.0, 0.0, 40.0)
    assert opened.series(stopped=None).outages[0].until_s == 39.0


def test_trials_pair_gas_on_with_gas_off_and_know_their_zero() -> None:
    made = scene().step("A/zero", 10.0, 40.0).gas(50.0, 200.0).step("A/zero", 300.0, 330.0).gas(340.0, None)
    first, second = made.series().trials
    assert (first.zero and (first.zero.from_s, first.zero.until_s)) == (10.0, 40.0)
    assert (first.gas_on.t_s, first.gas_off and first.gas_off.t_s, first.until_s) == (50.0, 200.0, 300.0)
    assert (second.gas_off, second.as_left) == (None, False)


def test_a_trial_after_an_adjustment_is_as_left() -> None:
    made = scene().gas(50.0, 200.0).press("adjusted-span", 250.0, "A").gas(340.0, 400.0).gas(500.0, 600.0, tag="B")
    assert [(t.tag, t.as_left) for t in made.series().trials] == [("A", False), ("A", True), ("B", False)]


def test_who_is_under_test_follows_the_steps() -> None:
    series = scene().step("A/zero", 10.0, 20.0).step("B/zero", 30.0, 40.0).series()
    assert [series.under_test(t) for t in (5.0, 15.0, 25.0, 35.0)] == [None, "A", "A", "B"]


def test_a_ledger_without_an_end_has_none() -> None:
    series = scene().readings(lambda t: 1.0, 0.0, 5.0).series(stopped=None)
    assert (series.stopped, series.end_s, series.interrupted) == (None, 4.0, False)


def test_a_torn_tail_is_an_interruption() -> None:
    data = scene().readings(lambda t: 1.0, 0.0, 5.0).written(stopped=None)
    series = series_of(read_ledger(data[:-7]))
    assert (series.interrupted, series.torn_bytes > 0) == (True, True)


def test_what_a_ledger_tells_of_itself() -> None:
    ledger: Ledger = read_ledger(scene().written())
    assert isinstance(ledger.stopped, RunStopped)
    assert (ledger.restarts, ledger.next_seq, ledger.started.run_id) == (0, 2, "R1")


@pytest.mark.parametrize(("after", "until", "mid", "u"), [(0.0, 1.0, 0.5, 0.288675), (10.0, 40.0, 25.0, 8.660254)])
def test_a_bracket_is_uniform(after: float, until: float, mid: float, u: float) -> None:
    """JCGM 100:2008, 4.3.7: half-width / sqrt(3)."""
    assert (between(after, until).t_s, between(after, until).u_s) == (mid, pytest.approx(u, abs=1e-6))


def test_offset_needs_time_to_go_on() -> None:
    with pytest.raises(ValueError, match="before the question"):
        offset_from_exchange(2.0, 1.0, 1.0)
    assert pressed(10.0, 0.2) == Instant(9.75, 0.2)

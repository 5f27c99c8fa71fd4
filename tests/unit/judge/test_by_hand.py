"""What people measured by hand: sound at posts, gauges of bottles. Every number is worked by hand in its comment."""

from __future__ import annotations

from typing import Any

import pytest

from gaswitness.judge import judge
from gaswitness.judge.bottles import bottle_uses
from gaswitness.judge.records import Judgement
from gaswitness.plan.records import Criterion, GasNeed
from gaswitness.run.events import CylinderRead, SoundMeasured
from gaswitness.site.records import Effect, Hearing, Noise, Post
from support.ledgers import WALL, Scene, criterion, small_plan, small_site
from support.scenes import answer

SPAN = criterion("span", lower=22500.0, upper=27500.0, rule="guarded")
ZERO = criterion("zero", lower=-580.0, upper=2300.0, rule="guarded")
LOUD = Criterion(
    id="visit/audible/DOOR", kind="audible", effect="HORN", post="DOOR", lower=87.0, upper=110.0, unit="dBA",
    rule="simple", text="loud enough", optional=True,
)  # fmt: skip


def scene(*criteria: Criterion, bottle_ppm: float = 25000.0) -> Scene:
    """Detector A under gas from 100 to 340 s, at a site with a horn that is heard at the door."""
    site = small_site()
    horn = Effect(tag="HORN", name="Horn", kind="sounder", post="DOOR", sound_dba=105.0)
    door = Post(
        tag="DOOR",
        name="Door",
        noise=Noise(average_dba=70.0, maximum_dba=82.0),
        hears=(Hearing(effect="HORN", distance_m=2.0),),
    )
    site = site.model_copy(update={"effects": (*site.effects, horn), "posts": (door,)})
    need = GasNeed(cylinder="BOTTLE", needed_m3=2e-3, available_m3=50e-3)
    plan = small_plan(criteria, site=site).model_copy(update={"gas": (need,)})
    made = Scene(plan).step("A/zero", 40.0, 100.0).gas(100.0, 340.0)
    return made.readings(lambda t: answer(t, bottle_ppm=bottle_ppm), 0.0, 500.0)


def heard(level_dba: float, t_s: float = 200.0, **more: Any) -> SoundMeasured:
    return SoundMeasured(t_s=t_s, wall=WALL, effect="HORN", post="DOOR", level_dba=level_dba, u_db=1.5, by="MK", **more)


def gauge(bar: float, t_s: float) -> CylinderRead:
    return CylinderRead(t_s=t_s, wall=WALL, cylinder="BOTTLE", pressure_pa=bar * 1e5, by="MK")


def judged(made: Scene) -> Judgement:
    return judge(made.series())


@pytest.mark.parametrize(
    ("level_dba", "outcome", "margin", "said"),
    [
        (95.0, "pass", 8.0, "at least 87 dBA are asked for: 5 dB above noise that lasts a minute (NFPA 72"),
        (86.5, "fail", -0.5, "at least 87 dBA are asked for"),
        (111.0, "fail", -1.0, "at most 110 dBA are asked for: alarm and noise together (NFPA 72"),
    ],
)
def test_a_measured_level_is_held_against_the_published_rule(
    level_dba: float, outcome: str, margin: float, said: str
) -> None:
    """82 dBA that last a minute and 5 dB are 87 dBA."""
    (found,) = judged(scene(LOUD).add(heard(level_dba))).visit
    assert (found.outcome, found.value, found.u) == (outcome, level_dba, 1.5)
    assert found.margin == pytest.approx(margin)
    assert said in found.why


def test_without_a_meter_nothing_falls_short_and_the_notes_say_so() -> None:
    found = judged(scene(SPAN, LOUD))
    assert found.visit == ()
    assert "No sound level was measured at DOOR: whether HORN is loud enough there was not shown." in found.notes
    assert found.fell_short == ()


def test_the_last_of_several_counts_and_says_where() -> None:
    (found,) = judged(scene(LOUD).add(heard(70.0)).add(heard(90.0, 210.0, note="inside"))).visit
    assert (found.outcome, found.value) == ("pass", 90.0)
    assert "at DOOR (inside)" in found.why


def test_a_level_measured_while_the_panel_did_not_drive_the_horn_says_nothing() -> None:
    (found,) = judged(scene(LOUD).status("HORN.on", 300.0, 340.0).add(heard(70.0))).visit
    assert found.outcome == "inconclusive"
    (found,) = judged(scene(LOUD).status("HORN.on", 110.0, 340.0).add(heard(70.0))).visit
    assert found.outcome == "fail"
    assert found.causes[0] == "HORN does not sound, or is weaker than its data sheet"


def test_a_level_measured_while_the_horn_may_just_have_stopped_says_nothing() -> None:
    """Polled every 30 s, the horn is seen off at 230 s: at 210 s nobody knows whether it still sounded."""
    seldom = scene(LOUD).status("HORN.on", 110.0, 230.0, poll_s=30.0)
    (found,) = judged(seldom.add(heard(70.8, t_s=210.0))).visit
    assert found.outcome == "inconclusive"
    assert "just going on or off" in found.why
    (found,) = judged(scene(LOUD).status("HORN.on", 110.0, 230.0, poll_s=30.0).add(heard(70.8, t_s=190.0))).visit
    assert found.outcome == "fail"


def test_gas_used_is_told_against_the_plan() -> None:
    """1 L from 60 to 50 bar: 1e6 / 101,325 = 9.87 L; U = 2 x 1 L x sqrt(2) x 1e5 / 101,325 = 2.79 L; 2 L planned."""
    made = scene(SPAN).add(gauge(60.0, 5.0)).add(gauge(50.0, 480.0))
    (use,) = bottle_uses(made.series())
    assert use.used_m3 == pytest.approx(9.869e-3, rel=1e-4)
    assert 2 * use.u_m3 == pytest.approx(2.7915e-3, rel=1e-4)
    (note,) = [one for one in judged(made).notes if one.startswith("Bottle")]
    assert "60 bar before, 50 bar after, which is 9.9 L of gas with U = 2.8 L (k = 2)" in note
    assert "the plan counted on 2 L" in note
    assert "more than planned" in note


def test_a_use_within_what_the_gauge_can_tell_is_no_complaint() -> None:
    """60 to 57 bar: 2.96 L, which is within 2.79 L of the 2 L that were planned."""
    made = scene(SPAN).add(gauge(60.0, 5.0)).add(gauge(57.0, 480.0))
    assert not any("more than planned" in note for note in judged(made).notes)


def test_a_bottle_that_stood_too_low_is_the_first_cause_of_what_its_gas_should_have_brought() -> None:
    made = scene(ZERO, SPAN, bottle_ppm=15000.0).add(gauge(4.0, 5.0))
    found = judged(made)
    low = (
        "bottle BOTTLE stood at 4 bar before the test, below its minimum pressure of 5 bar: its certificate no longer "
        "holds"
    )
    zero, span = found.verdicts[0].findings
    assert (zero.outcome, span.outcome) == ("pass", "fail")
    assert span.causes[0] == low
    assert zero.causes == ()
    assert f"B{low[1:]}." in found.notes
    enough = judged(scene(SPAN, bottle_ppm=15000.0).add(gauge(5.0, 5.0)))
    assert not enough.verdicts[0].findings[0].causes[0].startswith("bottle")


def test_a_gauge_read_only_while_gas_flows_is_neither_before_nor_after() -> None:
    (use,) = bottle_uses(scene(SPAN).add(gauge(50.0, 200.0)).series())
    assert (use.before_pa, use.after_pa, use.used_m3) == (None, None, None)

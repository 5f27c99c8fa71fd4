"""Each kind of finding on a ledger written by hand: value and outcome worked out beforehand (see support.scenes)."""

from __future__ import annotations

import math
from typing import Any

import pytest

from gaswitness.judge import judge
from gaswitness.judge.records import Finding, Judgement
from gaswitness.plan.records import Criterion, Step
from support.ledgers import Scene, criterion, small_site
from support.scenes import BOTTLE_PPM, GAS_OFF_S, GAS_ON_S, answer, sound, still


def one(scene: Scene, stopped: Any = "complete") -> Finding:
    """The only finding of a scene with one criterion."""
    judgement = judge(scene.series(stopped))
    return [*judgement.visit, *(f for v in judgement.verdicts for f in v.findings)][0]


ZERO = criterion("zero", lower=-580.0, upper=2300.0, rule="guarded")
SPAN = criterion("span", lower=22500.0, upper=27500.0, rule="guarded")
T90 = criterion("t90", upper=90.0, unit="s", rule="guarded")
T10 = criterion("t10", upper=90.0, unit="s", rule="guarded")
LOW = criterion("set-level", point="low", lower=4500.0, upper=5500.0)
HIGH = criterion("set-level", point="high", lower=13500.0, upper=16500.0)
CLEAR = criterion("clear-level", point="low", lower=3500.0, upper=4500.0)
BAND = criterion("deadband", point="low", lower=500.0, upper=1500.0)
TIME = criterion("set-time", point="low", lower=5.0, upper=15.0, unit="s")
LATCHED = criterion("latched", point="low", lower=1.0, unit="yes")
LAMP = criterion("effect", point="low", effect="LAMP-1", upper=5.0, unit="s")
FAN = criterion("effect", point="high", effect="FAN", upper=10.0, unit="s")
PATTERN = criterion("effect-pattern", point="low", effect="BEACON", lower=1.0, unit="yes")
FAULT = criterion("fault", point="fault", upper=10.0, unit="s")
STRAY = criterion("no-stray", upper=0.0, unit="count")


@pytest.mark.parametrize(
    ("asked", "value", "within"),
    [
        (ZERO, 600.0, 1.0),
        (SPAN, 25000.0, 20.0),
        (T90, 5.0 + 20.0 * math.log(10.0), 0.3),
        (T10, 5.0 + 20.0 * math.log(10.0), 0.3),
        # edge seen between polls at 109 and 110 s, less half a scan: 109.25 s, 24400 (1 - exp(-4.25 / 20)) + 600
        (LOW, 600.0 + 24400.0 * -math.expm1(-4.25 / 20.0), 15.0),
        (HIGH, 600.0 + 24400.0 * -math.expm1(-18.25 / 20.0), 15.0),
        (CLEAR, 600.0 + 24400.0 * math.exp(-39.25 / 20.0), 15.0),
        (BAND, 24400.0 * (-math.expm1(-4.25 / 20.0) - math.exp(-39.25 / 20.0)), 20.0),
        (TIME, 9.5, 1e-9),
        (LATCHED, 1.0, 0.0),
        (PATTERN, 1.0, 0.0),
        (FAULT, 0.5, 1e-9),
        (STRAY, 0.0, 0.0),
    ],
    ids=lambda entry: entry.id if isinstance(entry, Criterion) else None,
)
def test_a_sound_detector_passes_with_the_value_worked_by_hand(asked: Criterion, value: float, within: float) -> None:
    found = one(sound(asked))
    assert found.outcome == "pass", found.why
    assert found.value == pytest.approx(value, abs=within)
    assert (found.limits, found.rule, found.text) == ((asked.lower, asked.upper), asked.rule, asked.text)


def test_delay_joins_panel_and_witness() -> None:
    """Cause and lamp at 109.5 s by the panel (u 0.289 each), lamp at 110 - 0.25 s by the witness (u 0.12)."""
    found = one(sound(LAMP))
    weights = 12.0, 0.12**-2
    effect_s = (weights[0] * 109.5 + weights[1] * 109.75) / sum(weights)
    assert found.value == pytest.approx(effect_s - 109.5)
    assert found.u == pytest.approx(math.sqrt(1 / 12 + 1 / sum(weights)))
    line = judge(sound(LAMP).series()).effects[0]
    assert (line.cause, line.effect, line.seen_by, line.outcome) == ("A.low", "LAMP-1", "both", "pass")


def test_span_names_its_sources_and_shares_the_bottle() -> None:
    found = one(sound(SPAN))
    parts = {part.name: part for part in found.budget}
    assert parts["gas certificate"].u == pytest.approx(250.0)
    assert parts["gas certificate"].shared == "cylinder:BOTTLE"
    assert parts["resolution"].u == pytest.approx(10.0 / math.sqrt(12.0))
    assert found.u == pytest.approx(math.sqrt(sum(part.u**2 for part in found.budget)))


def test_the_days_air_when_measured_is_taken_into_account() -> None:
    from gaswitness.run.events import AirMeasured
    from support.ledgers import WALL

    scene = sound(SPAN).add(AirMeasured(t_s=50.0, wall=WALL, pressure_pa=101325.0 * 0.97, temperature_k=293.15))
    found = one(scene)
    assert found.value == pytest.approx(25000.0 / 0.97, rel=1e-3)
    assert not any("not measured" in part.name for part in found.budget)


def test_air_measured_on_the_day_corrects_the_span_and_shrinks_its_budget() -> None:
    """3 % less pressure: 24,250 ppm read are 25,000 ppm in the site's air. 1 % each of pressure and temperature become
    0.2 % and 0.35 %: 243 and 243 ppm become 48.5 and 84.9."""
    from gaswitness.run.events import AirMeasured
    from support.ledgers import WALL

    low = {"reading": lambda t: answer(t, bottle_ppm=24250.0)}
    before = one(sound(SPAN, **low))
    after = one(sound(SPAN, **low).add(AirMeasured(t_s=5.0, wall=WALL, pressure_pa=98285.25, temperature_k=293.15)))
    assert before.value == pytest.approx(24250.0, rel=1e-3)
    assert after.value == pytest.approx(25000.0, rel=1e-3)
    assert "Brought to the site's stated air" in after.why
    stood = {part.name: part.u for part in before.budget}
    left = {part.name: part.u for part in after.budget}
    assert stood["air pressure, not measured"] == pytest.approx(242.5, rel=1e-3)
    assert left["air pressure"] == pytest.approx(48.5, rel=1e-3)
    assert left["air temperature"] == pytest.approx(84.9, rel=1e-3)
    assert after.u < before.u
    half = one(sound(SPAN, **low).add(AirMeasured(t_s=5.0, wall=WALL, pressure_pa=98285.25)))
    names = {part.name for part in half.budget}
    assert {"air pressure", "air temperature, not measured"} <= names


@pytest.mark.parametrize(
    ("asked", "scene", "cause"),
    [
        (SPAN, {"reading": lambda t: answer(t, bottle_ppm=17500.0)}, "the sensor of A has lost gain: it makes 69%"),
        (T90, {"reading": lambda t: answer(t, tau_s=60.0)}, "the sensor of A is slow: 90 % after 143"),
        (SPAN, {"reading": lambda t: 600.0 + 10.0 * (int(t) % 2)}, "the sensor of A does not answer to gas"),
        (SPAN, {"reading": still}, "the reading of A is frozen"),
        (T90, {"reading": still, "other": answer}, "crossed: the gas on A was read on B's channel"),
        (ZERO, {"reading": lambda t: answer(t) + 4000.0}, "the zero of A has moved"),
    ],
    ids=["gain", "slow", "dead", "frozen", "crossed", "zero"],
)
def test_what_is_wrong_with_a_reading_is_named_first(asked: Criterion, scene: dict[str, Any], cause: str) -> None:
    found = one(sound(asked, **scene))
    assert found.outcome == "fail"
    assert found.causes[0].startswith(cause), found.causes


def test_a_set_point_that_was_moved_is_named_with_its_level() -> None:
    """Set at 120 s instead of 110: the reading passes 600 + 24400 (1 - exp(-14.25/20)) = 13,035 ppm there."""
    scene = sound(LOW, without=("A.low",)).status("A.low", 120.0, 385.0)
    found = one(scene)
    assert (found.outcome, found.value) == ("fail", pytest.approx(13035.0, abs=20.0))
    assert found.causes[0] == "set point: A.low is set near 13,031 ppm, not at 5,000 ppm"
    assert "10.5 s later than the stated settings make of the same reading" in found.why


def test_a_point_that_never_sets_falls_short() -> None:
    found = one(sound(LOW, without=("A.low",)).status("A.low"))
    assert (found.outcome, found.value) == ("fail", None)
    assert found.causes[0].startswith("set point: A.low is set above 2")


@pytest.mark.parametrize("asked", [LOW, TIME, CLEAR, BAND, LATCHED])
def test_without_a_signal_nothing_is_shown(asked: Criterion) -> None:
    assert one(sound(asked, without=("A.low",))).outcome == "not tested"


@pytest.mark.parametrize("asked", [ZERO, SPAN, T90, T10, LOW, CLEAR, BAND, TIME, LATCHED, LAMP, PATTERN, FAULT, STRAY])
def test_without_gas_nothing_is_a_pass(asked: Criterion) -> None:
    scene = Scene(sound(asked).plan).readings(still, 0.0, 50.0).status("A.low")
    judgement = judge(scene.series())
    assert [f.outcome for f in judgement.verdicts[0].findings] == ["not tested"]
    assert judgement.outcome == "not tested"


def test_nothing_asked_is_nothing_shown() -> None:
    judgement = judge(sound().series())
    assert (judgement.outcome, judgement.verdicts[0].outcome) == ("not tested", "not tested")


def test_broken_off_says_aborted_where_it_would_say_not_tested() -> None:
    scene = Scene(sound(SPAN).plan).readings(still, 0.0, 50.0)
    assert one(scene, stopped="aborted").outcome == "aborted"
    assert one(sound(SPAN), stopped="aborted").outcome == "pass"


def test_a_lost_link_is_an_error_and_says_how_long() -> None:
    scene = sound(LOW, without=("A.low",), reading=lambda t: answer(t) if not 104 <= t < 130 else None)
    scene.link_down(104.0, 130.0).status("A.low").events.pop()
    scene.status("A.low", 130.0, 385.0, poll_s=27.0)
    found = one(scene)
    assert found.outcome == "error"
    assert found.causes[0] == "link dropped: nothing arrived for 26 s (no answer within 1 s)"


def test_short_gas_is_no_proof_of_a_dead_point() -> None:
    scene = Scene(sound(LOW).plan).readings(still, 0.0, 60.0).gas(20.0, 30.0).status("A.low")
    found = one(scene)
    assert found.outcome == "not tested"
    assert "due only by 120 s" in found.why


def test_latched_and_not() -> None:
    site = small_site()
    latching = site.detectors[0].alarms[0].model_copy(update={"latching": True})
    a = site.detectors[0].model_copy(update={"alarms": (latching, site.detectors[0].alarms[1])})
    site = site.model_copy(update={"detectors": (a, site.detectors[1])})
    went = one(sound(LATCHED, site=site).press("reset", 470.0))
    assert (went.outcome, went.value, went.causes) == ("fail", 0.0, ("latch: A.low is not latching at the panel",))
    stayed = sound(LATCHED, site=site, without=("A.low",)).status("A.low", 110.0, 471.0).press("reset", 470.0)
    assert one(stayed).outcome == "pass"
    early = sound(LATCHED, site=site, without=("A.low",)).status("A.low", 110.0, 351.0).press("reset", 350.0)
    assert one(early).outcome == "inconclusive"
    never = sound(LATCHED, site=site, without=("A.low",)).status("A.low", 110.0)
    assert one(never).outcome == "not tested"
    free = sound(LATCHED, without=("A.low",)).status("A.low", 110.0, 471.0).press("reset", 470.0)
    assert one(free).outcome == "inconclusive"
    stuck = sound(LATCHED, without=("A.low",)).status("A.low", 110.0)
    assert (one(stuck).outcome, one(stuck).causes) == ("fail", ("A.low is latching at the panel",))


def test_reset_is_timed_from_the_press() -> None:
    asked = criterion("reset", point="low", upper=8.0, unit="s")
    scene = sound(asked, without=("A.low",)).status("A.low", 110.0, 472.0).press("reset", 470.0)
    assert (one(scene).outcome, one(scene).value) == ("pass", pytest.approx(1.5))
    late = sound(asked, without=("A.low",)).status("A.low", 110.0, 490.0).press("reset", 470.0)
    assert one(late).outcome == "fail"
    dead = sound(asked, without=("A.low",)).status("A.low", 110.0).press("reset", 470.0)
    assert (one(dead).outcome, one(dead).value) == ("fail", None)
    gone = sound(asked).press("reset", 470.0)
    assert one(gone).outcome == "not tested"


def test_a_stuck_output_is_told_from_an_unmanned_post() -> None:
    stuck = one(sound(FAN, without=("mark FAN.on",)))
    assert stuck.outcome == "fail"
    assert "the witness at DOOR saw nothing" in stuck.why
    assert stuck.causes[0].startswith("stuck: the output of FAN is driven")
    alone = one(sound(FAN, without=("mark FAN.on", "mark LAMP-1.on", "mark BEACON.on")))
    assert alone.outcome == "inconclusive"
    assert "a witness there would settle" in alone.why
    posted = sound(FAN, without=("mark FAN.on", "mark LAMP-1.on", "mark BEACON.on")).mark("present", 20.0)
    assert one(posted).outcome == "fail"
    assert one(posted.mark("present", 60.0, on=False)).outcome == "inconclusive"
    none = one(sound(FAN, without=("mark FAN.on", "FAN.on")).status("FAN.on"))
    assert (none.outcome, none.value) == ("fail", None)


def test_an_effect_that_comes_too_late_has_its_delay() -> None:
    scene = sound(LAMP, without=("LAMP-1.on", "mark LAMP-1.on")).status("LAMP-1.on", 118.0, 385.0)
    found = one(scene.mark("LAMP-1.on", 118.0))
    assert (found.outcome, found.value) == ("fail", pytest.approx(8.2, abs=0.1))


def test_exchanged_outputs_are_named() -> None:
    scene = sound(LAMP, STRAY, without=("mark LAMP-1.on",)).mark("LAMP-2.on", 110.0, pattern="steady")
    judgement = judge(scene.series())
    lamp, stray = judgement.verdicts[0].findings
    assert lamp.causes[0] == "crossed: LAMP-2 answered where LAMP-1 was due (outputs exchanged)"
    assert (stray.outcome, stray.value) == ("fail", 1.0)
    assert judgement.strays[0].explanation == "crossed: LAMP-2 answered where LAMP-1 was due (outputs exchanged)"


def test_a_wrong_pattern_is_told() -> None:
    scene = sound(PATTERN, without=("mark BEACON.on",)).mark("BEACON.on", 110.2, pattern="steady")
    found = one(scene)
    assert (found.outcome, found.value) == ("fail", 0.0)
    assert found.causes[0] == "the pattern of BEACON is configured as steady at the panel, not as flashing"


def test_silence_needs_the_witness_where_there_is_one() -> None:
    asked = criterion("silenced", effect="BEACON", lower=1.0, unit="yes")
    quiet = sound(asked, without=("BEACON.on", "mark BEACON.on")).status("BEACON.on", 110.0, 201.0)
    quiet.press("silence", 200.0).mark("BEACON.on", 110.2)
    assert one(quiet).outcome == "fail"
    assert one(quiet.mark("BEACON.on", 201.5, on=False)).outcome == "pass"
    assert one(sound(asked)).outcome == "not tested"


def test_silence_without_a_link_goes_by_what_people_marked() -> None:
    asked = criterion("silenced", effect="BEACON", lower=1.0, unit="yes")
    shown = ("A.low", "A.high", "BEACON.on", "mark BEACON.on")
    by_hand = sound(asked, without=shown).mark("BEACON.on", 110.2).mark("BEACON.on", 201.5, on=False)
    by_hand.press("silence", 200.0)
    assert one(by_hand).outcome == "inconclusive"  # nobody says that an alarm stood
    assert one(by_hand.mark("A.low", 110.4)).outcome == "pass"
    assert one(by_hand.mark("A.low", 150.0, on=False)).outcome == "inconclusive"


def test_a_fault_that_is_not_seen_falls_short() -> None:
    found = one(sound(FAULT, without=("A.fault",)).status("A.fault"))
    assert (found.outcome, found.causes[0]) == ("fail", "the panel does not watch the loop of A")
    other = one(sound(FAULT, without=("A.fault", "B.fault")).status("A.fault").status("B.fault", 502.0, 512.0))
    assert other.causes[0] == "crossed: opening the signal of A showed as a fault of B"


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (lambda s: s.status("B.high", 200.0, 300.0), "B.high set while gas was on A, without gas on its own sensor"),
        (lambda s: s.status("LAMP-2.on", 200.0, 300.0), "LAMP-2 acted although no cause of it was on"),
        (lambda s: s.status("B.fault", 200.0, 300.0), "B showed a fault that nobody had made"),
        (lambda s: s.mark("other", 200.0, note="smoke"), "JD at DOOR saw something unexpected: smoke"),
    ],
    ids=["alarm", "effect", "fault", "other"],
)
def test_what_no_cause_explains_is_a_stray(extra: Any, words: str) -> None:
    scene = extra(sound(STRAY, without=("B.high", "LAMP-2.on", "B.fault")))
    judgement = judge(scene.series())
    assert [stray.explanation for stray in judgement.strays] == [words]
    assert (judgement.strays[0].during, judgement.verdicts[0].outcome) == ("A", "fail")


def test_words_in_the_wrong_order_are_an_error_with_their_name() -> None:
    import struct

    def swapped(t: float) -> float:
        data = struct.pack(">f", answer(t))
        return float(struct.unpack(">f", data[2:] + data[:2])[0])

    found = one(sound(SPAN, reading=swapped))
    assert found.outcome == "error"
    assert found.causes[0].startswith("word order: the registers of A make sense only with their halves exchanged")


def test_a_corrected_mark_counts_as_corrected_and_both_are_kept() -> None:
    scene = sound(LAMP, without=("LAMP-1.on", "mark LAMP-1.on"))
    scene.mark("LAMP-1.on", 130.0, mark_id="wrong").mark("LAMP-1.on", 111.0, mark_id="right", corrects="wrong")
    judgement = judge(scene.series())
    assert judgement.verdicts[0].findings[0].value == pytest.approx(111.0 - 0.25 - 109.5)
    assert "JD corrected mark wrong by right; both are kept." in judgement.notes


def test_as_left_counts_and_as_found_is_kept() -> None:
    left = criterion("span", lower=22500.0, upper=27500.0, rule="guarded", optional=True, id="A/as-left/span")
    adjust = Step(id="A/adjust", kind="adjust", tag="A", text="adjust", ends="confirm", at_most_s=600.0, optional=True)

    def twice(t: float) -> float:
        return answer(t, bottle_ppm=17500.0) if t < 600.0 else answer(t - 600.0)

    scene = sound(SPAN, left, steps=(adjust,), reading=still)
    scene.events = [e for e in scene.events if e.kind != "reading" or e.tag == "B"]
    scene.readings(twice, 0.0, 1160.0)
    scene.step("A/adjust", 580.0, 590.0).press("adjusted-span", 585.0, "A")
    scene.step("A/zero", 640.0, 695.0).gas(700.0, 940.0)
    verdict = judge(scene.series()).verdicts[0]
    assert [(f.criterion, f.outcome) for f in verdict.findings] == [("A/span", "fail"), ("A/as-left/span", "pass")]
    assert verdict.outcome == "pass"
    assert "As found, span fell short" in verdict.why


def test_without_an_adjustment_there_is_no_as_left() -> None:
    left = criterion("span", lower=22500.0, upper=27500.0, optional=True, id="A/as-left/span")
    assert [f.criterion for f in judge(sound(SPAN, left).series()).verdicts[0].findings] == ["A/span"]


def _judged_twice(scene: Scene) -> tuple[Judgement, Judgement]:
    return judge(scene.series()), judge(scene.series())


def test_the_same_ledger_gives_the_same_judgement() -> None:
    one_time, other_time = _judged_twice(sound(ZERO, SPAN, T90, LOW, LAMP, STRAY))
    assert one_time == other_time
    assert Judgement.model_validate_json(one_time.model_dump_json()) == one_time


def test_the_trial_is_as_long_as_the_scene_says() -> None:
    trial = sound(SPAN).series().trials[0]
    assert (trial.gas_on.t_s, trial.gas_off and trial.gas_off.t_s) == (GAS_ON_S, GAS_OFF_S)
    assert sound(SPAN).plan.detectors[0].bottle_ppm == BOTTLE_PPM


def test_missed_polls_do_not_make_a_failure() -> None:
    """Set seen 8 s late over a bracket of 10 s: the level lies outside the limits by less than it is uncertain."""
    wide = sound(LOW, without=("A.low",)).status("A.low", 117.0, 385.0, poll_s=10.0)
    found = one(wide)
    assert found.outcome == "inconclusive"
    assert found.causes[0].startswith("polls were missed")
    tight = sound(LOW, without=("A.low",)).status("A.low", 112.0, 385.0)
    assert one(tight).outcome == "fail"


def test_a_visit_by_hand_is_judged_on_what_was_typed_and_pressed() -> None:
    """No link: one reading before gas, one on gas, marks for the alarm; times come from the witness."""
    scene = Scene(sound(ZERO, SPAN, TIME, T90, LOW).plan)
    scene.step("A/zero", 40.0, 95.0).gas(GAS_ON_S, GAS_OFF_S)
    scene.readings(still, 60.0, 61.0, quality="by-hand").readings(still, 70.0, 71.0, quality="by-hand")
    scene.readings(lambda t: 24900.0, 330.0, 331.0, quality="by-hand")
    scene.mark("A.low", 110.0)
    found = {f.kind: f for f in judge(scene.series()).verdicts[0].findings}
    assert {kind: f.outcome for kind, f in found.items()} == {
        "zero": "pass",
        "span": "pass",
        "set-time": "pass",
        "t90": "not tested",
        "set-level": "not tested",
    }
    assert (found["zero"].value, found["span"].value, found["set-time"].value) == (600.0, 24900.0, 9.75)

"""Several detectors under gas at once, and votes: whole visits on the rig, from the plan to the verdict."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import Series, series_of
from gaswitness.judge import judge
from gaswitness.judge.records import Finding, Judgement
from gaswitness.links.rig.faults import parse_fault
from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.link import RigLink
from gaswitness.links.rig.world import World
from gaswitness.plan import build_plan
from gaswitness.run.drive import drive
from gaswitness.run.events import Event, GasTurned, NoteTaken, ReadingTaken, StepMoved
from gaswitness.run.folding import fold
from gaswitness.run.snapshots import Snapshot
from support.ledgers import write_chain
from support.rigged import DAY, example_plan, visit

HALL = ("CS-1", "CS-2", "CS-3")
PAIR = (("CS-1", "CS-2"),)


def seen(ledger: bytes) -> tuple[Series, Judgement]:
    series = series_of(read_ledger(ledger))
    return series, judge(series)


def finding(judgement: Judgement, criterion: str) -> Finding:
    verdicts = (*judgement.verdicts, *judgement.groups)
    return next(f for verdict in verdicts for f in verdict.findings if f.criterion == criterion)


@pytest.fixture(scope="module")
def whole() -> tuple[bytes, list[Snapshot]]:
    """The cold store: two of the hall together, the third alone, the machine room, then the vote of the hall."""
    shown: list[Snapshot] = []
    return visit(example_plan("coldstore.yaml", together=PAIR), show=shown.append), shown


def test_a_sound_installation_passes_with_two_under_gas_at_once_and_its_vote_shown(whole):
    series, judgement = seen(whole[0])
    assert judgement.outcome == "pass"
    assert judgement.complete
    assert [(v.tag, v.outcome) for v in judgement.groups] == [("HALL-VOTE", "pass")]
    lines = {(line.cause, line.effect): line for line in judgement.effects}
    assert lines["HALL-VOTE", "EXTRACT"].outcome == "pass"
    assert lines["HALL-VOTE", "EXTRACT"].seen_by == "both"
    assert ("HALL-VOTE", "FEED-VALVE") in {(one.cause, one.effect) for one in series.plan.not_shown}
    assert judgement.strays == ()


def test_gas_really_was_on_both_at_once_and_each_keeps_its_own_zero_and_trial(whole):
    series, _ = seen(whole[0])
    first, second = (series.tests_of(tag)[0] for tag in ("CS-1", "CS-2"))
    assert first.gas_on.t_s < second.gas_on.t_s < first.gas_off.t_s
    assert first.bout == second.bout == "CS-1+CS-2"
    assert first.zero is not None
    assert second.zero is not None
    assert second.zero.until_s <= first.gas_on.t_s
    assert second.zero.until_s - second.zero.from_s >= 30.0
    assert [trial.group for trial in series.trials_of("CS-1")] == [None, "HALL-VOTE", "HALL-VOTE", "HALL-VOTE"]


def test_the_shared_beacon_is_the_first_ones_and_no_stray_of_the_second(whole):
    series, judgement = seen(whole[0])
    assert finding(judgement, "CS-1/effect/low/HALL-BEACON").outcome == "pass"
    assert all(c.id != "CS-2/effect/low/HALL-BEACON" for c in series.plan.criteria)
    assert any("has brought it already" in n.why for n in series.plan.not_shown if n.cause == "CS-2.low")


def test_the_screen_shows_both_and_the_vote_in_words(whole):
    _, shown = whole
    both = [one for one in shown if [t.tag for t in one.tests] == ["CS-1", "CS-2"] and all(t.gas for t in one.tests)]
    assert both
    assert all(t.strip.planned is not None and t.strip.gas_on_s is not None for one in both for t in one.tests)
    assert any(one.tests[1].next_alarm is not None for one in both), "the time to the next alarm is told of each"
    may_shut = [one for one in shown if sum(t.gas_may_be_shut for t in one.tests) == 2]
    assert may_shut
    votes = [(v.votes, v.need, v.met) for one in shown for v in one.votes if one.step and one.step.group]
    assert (1, 2, False) in votes
    assert (2, 2, True) in votes


def test_the_gas_that_flowed_is_what_the_plan_counted_on(whole):
    series, judgement = seen(whole[0])
    assert not any("more than planned" in note for note in judgement.notes)
    planned = next(need for need in series.plan.gas if need.cylinder == "BTL-NH3")
    events = [e for e in read_ledger(whole[0]).events if isinstance(e, GasTurned)]
    since: dict[str, float] = {}
    flowed_s = 0.0
    for event in events:
        if event.on:
            since[event.tag] = event.t_s
        else:
            flowed_s += event.t_s - since.pop(event.tag)
    used_m3 = flowed_s * series.plan.site.cylinder("BTL-NH3").flow_m3_s
    assert 0.4 * planned.needed_m3 < used_m3 <= planned.needed_m3


def test_a_sound_vote_passes_whatever_it_says_of_faulty_members():
    for rule in ("ignored", "reduces"):
        plan = example_plan("coldstore.yaml", HALL)
        site = plan.site
        groups = tuple(group.model_copy(update={"faulty": rule}) for group in site.groups)
        changed = site.model_copy(update={"groups": groups})
        plan = build_plan(changed, tags=HALL, made=datetime(2026, 11, 25, tzinfo=UTC), today=DAY)
        assert plan.bouts[-1].faulty == ("CS-3",)
        assert plan.bouts[-1].tags == ("CS-1", "CS-2"), "a faulty member that does not count leaves two to be needed"
        _, judgement = seen(visit(plan))
        assert judgement.outcome == "pass", [f for f in judgement.groups[0].findings if f.outcome != "pass"]


def test_the_rink_two_by_two_passes_with_latches_sounders_and_resets():
    site = example_plan("ravensmoor.yaml").site
    bottles = tuple(one.model_copy(update={"manifold_flow_m3_s": 2 * one.flow_m3_s}) for one in site.cylinders)
    fed = site.model_copy(update={"cylinders": bottles})
    pairs = [["NH3-1", "NH3-2"], ["CO2-1", "CO2-2"], ["CO-1", "NO2-1"]]
    plan = build_plan(fed, together=pairs, made=datetime(2026, 11, 25, tzinfo=UTC), today=DAY)
    _, judgement = seen(visit(plan))
    assert judgement.outcome == "pass", [f for v in judgement.verdicts for f in v.findings if f.outcome != "pass"]
    assert judgement.strays == ()


# --- a real alarm elsewhere ---


def real_alarm(at: str, tag: str):
    """Gas comes to a detector that is not under test while the bottle stands open at two others."""
    done: list[float] = []

    def watch(world: World, snapshot: Snapshot) -> None:
        gassed = [one for one in snapshot.tests if one.gas is not None]
        if not done and len(gassed) == 2 and snapshot.step is not None and snapshot.step.kind == at:
            world.inject(parse_fault(f"offset:{tag}:0.3", world.site))
            done.append(snapshot.t_s)

    return watch, done


@pytest.mark.parametrize(
    ("tag", "at", "votes"),
    [
        ("CS-3", "await-plateau", "none"),  # same room, same beacon, same group as the two under test
        ("MR-1", "await-plateau", "none"),  # another room
        ("CS-3", "follow", "first"),  # a member of the very group whose vote is on trial
    ],
)
def test_a_real_alarm_elsewhere_is_told_at_once_and_never_swallowed(tag, at, votes):
    watch, done = real_alarm(at, tag)
    together = PAIR if votes == "none" else ()
    plan = example_plan("coldstore.yaml", ("CS-1", "CS-2"), together, votes)
    urgent: list[tuple[float, str]] = []

    def show(snapshot: Snapshot) -> None:
        urgent.extend((snapshot.t_s, m.text) for m in snapshot.messages if m.urgent and "treat as real" in m.text)

    ledger = visit(plan, watch=watch, show=show)
    assert done, "the alarm was really made"
    first_s, text = urgent[0]
    assert text.startswith(f"{tag}: alarm low")
    assert "not under test" in text
    assert first_s - done[0] < 5.0, "at once"
    notes = [e.text for e in read_ledger(ledger).events if isinstance(e, NoteTaken)]
    assert any(f"{tag}: alarm low" in note and "treat as real" in note for note in notes), "and it is on record"
    _, judgement = seen(ledger)
    assert any(stray.signal == f"{tag}.low" for stray in judgement.strays)
    assert judgement.outcome == "fail"


def test_an_alarm_of_a_member_that_has_had_no_gas_yet_is_told_too():
    done: list[float] = []
    told: list[str] = []

    def watch(world: World, snapshot: Snapshot) -> None:
        told.extend(m.text for m in snapshot.messages if m.urgent)
        on = [one.tag for one in snapshot.tests if one.gas is not None]
        if not done and on == ["CS-1"] and snapshot.step is not None and snapshot.step.kind == "await-set":
            world.inject(parse_fault("offset:CS-2:0.3", world.site))
            done.append(snapshot.t_s)

    visit(example_plan("coldstore.yaml", ("CS-1", "CS-2"), PAIR, "none"), watch=watch)
    assert any("CS-2 has had no gas yet" in text and "treat as real" in text for text in told)


def test_a_common_effect_is_not_proven_by_the_wrong_cause():
    """The beacon is wired to the third detector only, which alarms by itself just after the one under test."""
    done: list[float] = []

    def watch(world: World, snapshot: Snapshot) -> None:
        mine = next((one for one in snapshot.tests if one.tag == "CS-1"), None)
        if not done and mine is not None and any(p.name == "low" and p.on for p in mine.strip.points):
            world.inject(parse_fault("offset:CS-3:0.3", world.site))
            done.append(snapshot.t_s)

    plan = example_plan("coldstore.yaml", ("CS-1",))
    matrix = tuple(
        line.model_copy(update={"causes": ("CS-3.low",)}) if line.effect == "HALL-BEACON" else line
        for line in plan.site.matrix
    )
    wired = plan.site.model_copy(update={"matrix": matrix})
    ledger = visit(plan, watch=watch, wired=wired)
    _, judgement = seen(ledger)
    shown = finding(judgement, "CS-1/effect/low/HALL-BEACON")
    assert shown.outcome == "inconclusive"
    assert "CS-3.low stood by then too" in shown.why


def test_crossed_detectors_are_told_apart_within_a_bout():
    _, judgement = seen(visit(example_plan("coldstore.yaml", HALL, PAIR), faults=("crossed:CS-1:CS-2",)))
    for tag, other in (("CS-1", "CS-2"), ("CS-2", "CS-1")):
        verdict = next(v for v in judgement.verdicts if v.tag == tag)
        assert verdict.outcome == "fail"
        assert f"crossed: the gas on {tag} was read on {other}'s channel" in verdict.why


def test_a_vote_that_fell_short_is_tried_again_without_the_members_own_tests():
    _, first = seen(visit(example_plan("coldstore.yaml", HALL), faults=("uncounted:CS-2",)))
    assert all(name.startswith("HALL-VOTE/") for name in first.fell_short)
    site = example_plan("coldstore.yaml", HALL).site
    again = build_plan(site, only=first.fell_short, made=datetime(2026, 11, 26, tzinfo=UTC), today=DAY)
    assert again.detectors == ()
    series, second = seen(visit(again))
    assert second.outcome == "pass"
    assert second.complete
    assert {trial.group for trial in series.trials} == {"HALL-VOTE"}
    assert [line.outcome for line in second.effects] == ["pass", "pass"]


def test_a_lamp_of_the_vote_that_flashes_where_it_should_be_steady_falls_short():
    plan = example_plan("coldstore.yaml", ("CS-1", "CS-2"), (), "first")
    lamp = tuple(one.model_copy(update={"kind": "lamp"}) if one.tag == "CALL" else one for one in plan.site.effects)
    site = plan.site.model_copy(update={"effects": lamp})
    wired = site.model_copy(
        update={"matrix": tuple(
            line.model_copy(update={"pattern": "flashing"}) if line.effect == "CALL" else line for line in site.matrix
        )}
    )  # fmt: skip
    made = build_plan(site, tags=plan_tags(plan), votes="first", made=datetime(2026, 11, 25, tzinfo=UTC), today=DAY)
    _, judgement = seen(visit(made, wired=wired))
    shown = finding(judgement, "HALL-VOTE/1/acts/CALL")
    assert shown.outcome == "fail"
    assert shown.causes == ("the pattern of CALL is configured as flashing at the panel, not as steady",)
    assert finding(judgement, "HALL-VOTE/1/acts/EXTRACT").outcome == "pass"


def plan_tags(plan):
    return [part.tag for part in plan.detectors]


# --- a pulled plug ---


class Plug(Exception):
    """Somebody pulled it."""


@pytest.mark.parametrize("at", ["CS-1/await-plateau", "CS-2/zero", "HALL-VOTE/1/quiet/CS-1", "HALL-VOTE/2/follow"])
def test_cut_off_in_a_bout_it_shuts_all_gas_begins_the_bout_again_and_passes(at):
    plan = example_plan("coldstore.yaml", HALL, PAIR)
    clock = OwnedClock(datetime(2026, 11, 25, 9, tzinfo=UTC))
    world = World(plan.site, seed=1)
    events: list[Event] = []
    readings = 0

    def pulled(event: Event) -> None:
        """A few polls into that step."""
        nonlocal readings
        begun = any(isinstance(e, StepMoved) and e.step == at and e.state == "started" for e in events[-60:])
        readings += begun and isinstance(event, ReadingTaken)
        if readings > 9:
            raise Plug
        events.append(event)

    def go(record, before=()):
        link, hands = RigLink(world, clock), RigHands(world, clock)
        asyncio.run(drive(plan, link, hands, clock, record, run_id="R1", operator="MK", simulated=True, before=before))

    with pytest.raises(Plug):
        go(pulled)
    open_then = set(fold(events).gas)
    cut = len(events)
    go(events.append, tuple(events))
    after = events[cut:]
    shut = [event.tag for event in after if isinstance(event, GasTurned) and not event.on][: len(open_then)]
    assert set(shut) == open_then
    turned = [event.on for event in after if isinstance(event, GasTurned)]
    assert turned[: len(open_then)] == [False] * len(open_then), "before any gas is put on again"
    series, judgement = seen(write_chain(events))
    assert judgement.interrupted
    assert judgement.complete
    short = [f for v in (*judgement.verdicts, *judgement.groups) for f in v.findings if f.outcome != "pass"]
    assert short == []
    for trial in series.tests_of("CS-2")[-1:]:
        assert trial.zero is not None
        assert trial.zero.until_s - trial.zero.from_s < 120.0

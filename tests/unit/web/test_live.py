"""One run on the board: marks are kept once and acknowledged on the disk, steps are answered, watchers see it all."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.links.rig.faults import parse_fault
from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.link import RigLink
from gaswitness.links.rig.world import World
from gaswitness.plan.records import Step
from gaswitness.response.enough import Enough
from gaswitness.run.drive import drive
from gaswitness.run.events import GasTurned, MarkMade
from gaswitness.run.foresee import Outlook
from gaswitness.run.measured import AirRead
from gaswitness.run.ports import Answer, EndWaitWish, HandOverWish, NoteWish, StopWish
from gaswitness.run.snapshots import Snapshot
from gaswitness.telling import Teller
from gaswitness.web.live import Live, Mark, WebHands, before_of
from gaswitness.web.picture import now_document, strip_document
from gaswitness.web.post import post_document
from support.rigged import example_plan

WALL = "2026-11-25T09:00:00.000Z"


def mark(live, mark_id="phone-0001", **changes):
    fields = {"post": "AT-PANEL", "signal": "LAMP-1.on", "on": True, "real_s": live.real_s(), "u_s": 0.1}
    return Mark(mark_id=mark_id, **{**fields, **changes})


def written(press):
    return MarkMade(
        t_s=press.t_s,
        wall=WALL,
        mark_id=press.mark_id,
        post=press.post,
        witness=press.witness,
        signal=press.signal,
        on=press.on,
        u_s=press.u_s,
    )


async def test_a_mark_is_acknowledged_only_once_it_is_on_the_disk(live):
    sending = asyncio.create_task(live.accept_mark(mark(live), "A. Lind"))
    press = await anext(live.hands.presses())
    assert (press.mark_id, press.witness, press.signal) == ("phone-0001", "A. Lind", "LAMP-1.on")
    live.recorded(written(press))
    await asyncio.sleep(0)
    assert not sending.done(), "recorded, but not on the disk yet"
    live.committed()
    assert (await sending).state == "recorded"


async def test_the_same_mark_again_changes_nothing(live):
    first, second = (asyncio.create_task(live.accept_mark(mark(live), "A. Lind")) for _ in range(2))
    presses = live.hands.presses()
    press = await anext(presses)
    live.recorded(written(press))
    live.committed()
    assert {(await first).state, (await second).state} == {"recorded"}
    assert (await live.accept_mark(mark(live), "A. Lind")).state == "known"
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(anext(presses), 0.05)


async def test_a_mark_that_was_kept_before_a_restart_is_known_after_it(live):
    again = Live("R1", live.plan, live.clock, 1.0, asyncio.Queue(), live.hands)
    before_of(
        again,
        [
            MarkMade(
                t_s=5.0,
                wall=WALL,
                mark_id="phone-0001",
                post="AT-PANEL",
                witness="A. Lind",
                signal="LAMP-1.on",
                on=True,
                u_s=0.1,
            )
        ],
    )
    receipt = await again.accept_mark(mark(again), "A. Lind")
    assert (receipt.state, receipt.t_s) == ("known", 5.0)


async def test_a_mark_that_comes_when_the_run_is_over_is_told_so(live):
    sending = asyncio.create_task(live.accept_mark(mark(live), "A. Lind"))
    await asyncio.sleep(0)
    live.end()
    assert (await sending).state == "late"
    assert (await live.accept_mark(mark(live, "phone-0002"), "A. Lind")).state == "late"


async def test_a_step_waits_until_somebody_answers_it_and_is_answered_once(live):
    step = live.plan.steps[0]
    doing = asyncio.create_task(live.hands.do(step))
    await asyncio.sleep(0)
    assert live.hands.asking == step
    assert not live.hands.answer("another/step", "done", "M. Kerr")
    assert live.hands.answer(step.id, "done", "M. Kerr")
    assert not live.hands.answer(step.id, "done", "M. Kerr")
    answer = await doing
    assert (answer.state, answer.by) == ("done", "M. Kerr")
    assert live.hands.asking is None


async def test_what_was_confirmed_is_carried_out_by_the_helper_where_there_is_one(live):
    class Helper:
        name = "rig"

        async def do(self, step):
            return Answer("done", "rig", t_s=17.0, u_s=0.05)

    hands = WebHands("M. Kerr", lambda: 3.0, helper=Helper(), asks=True)
    doing = asyncio.create_task(hands.do(live.plan.steps[0]))
    await asyncio.sleep(0)
    hands.answer(live.plan.steps[0].id, "done", "B. Moreau")
    assert await doing == Answer("done", "B. Moreau", "", t_s=17.0, u_s=0.05)


def test_litres_left_follow_the_bottle_that_is_open(live):
    """0.5 L/min for two minutes are one litre."""
    held_m3 = next(one.available_m3 for one in live.plan.gas if one.cylinder == "BTL-NH3")
    turned = {"wall": WALL, "tag": "NH3-1", "cylinder": "BTL-NH3", "by": "MK", "u_s": 0.1}
    live.recorded(GasTurned(t_s=100.0, on=True, **turned))
    assert live.left_m3("BTL-NH3", 160.0) == pytest.approx(held_m3 - 0.5e-3)
    live.recorded(GasTurned(t_s=220.0, on=False, **turned))
    assert live.left_m3("BTL-NH3", 500.0) == pytest.approx(held_m3 - 1e-3)
    assert live.left_m3("NO-SUCH", 500.0) is None


def carried_out(tags, *, faults=(), each=None, plan=None):
    """Carry a plan out on the rig, watched by a board; `each` sees every snapshot."""
    plan = plan or example_plan("ravensmoor.yaml", tags)
    clock = OwnedClock()
    world = World(plan.site, seed=1, faults=faults)
    seen = []

    async def all_of_it():
        wishes = asyncio.Queue()
        hands = WebHands("M. Kerr", clock.now_s, helper=RigHands(world, clock), asks=False)
        live = Live("R1", plan, clock, 1.0, wishes, hands)

        def show(snapshot):
            live.show(snapshot)
            seen.append(now_document(snapshot, live, Teller("en")))
            if each is not None:
                each(live, snapshot, world)

        stopped = await drive(
            plan,
            RigLink(world, clock),
            hands,
            clock,
            live.recorded,
            run_id="R1",
            operator="M. Kerr",
            wishes=wishes,
            commit=live.committed,
            show=show,
        )
        live.end()
        return live, stopped

    live, stopped = asyncio.run(all_of_it())
    return live, stopped, seen


def of_each(seen):
    """What was told of each detector under test, one after the other."""
    return [test for one in seen for test in one["tests"]]


@pytest.fixture(scope="module")
def whole():
    return carried_out(("CO-1",))


def test_a_whole_run_is_seen_from_the_cautions_to_its_end(whole):
    _live, stopped, seen = whole
    assert stopped.outcome == "complete"
    kinds = list(dict.fromkeys(one["step"]["kind"] for one in seen if one["step"]))
    assert kinds[0] == "caution"
    assert kinds.index("warn") < kinds.index("zero")
    assert {"gas-on", "await-set", "await-plateau", "gas-off", "await-clear"} <= set(kinds)
    assert seen[-1]["ended"] == "complete"
    assert any(one["cautions"] for one in seen)
    json.dumps(seen, allow_nan=False)


def test_the_next_alarm_is_told_with_its_interval_before_it_sets(whole):
    _, _, seen = whole
    told = [one for one in of_each(seen) if one["next"] and one["next"]["sets"] and one["next"]["point"] == "low"]
    set_s = next(one["t"] for one in seen if one["tests"][0]["reading"]["on"])
    assert told
    assert told[0]["next"]["from"] <= set_s <= told[0]["next"]["until"] + 1.0


def test_gas_may_be_shut_off_is_told_once_everything_was_seen_under_gas(whole):
    _, _, seen = whole
    told = [one for one in of_each(seen) if one["gas"] and one["gas"]["may_shut"]]
    assert told
    assert set(told[0]["reading"]["on"]) == {"low", "high"}


def test_edges_of_the_panel_and_marks_of_witnesses_stand_on_the_strip(whole):
    _live, _, seen = whole
    edges = [edge for one in of_each(seen) for edge in one["edges"]]
    assert any(edge["own"] and not edge["by"] and edge["signal"] == "CO-1.low" for edge in edges)
    assert any(edge["by"] and edge["signal"] == "GARAGE-FAN.on" for edge in edges)
    assert seen[-1]["posts"]
    assert any(post["who"] for post in seen[-1]["posts"])


def test_everybody_told_stands_with_both_times(whole):
    _, _, seen = whole
    assert all(one["begins"] < one["over"] for one in seen[-1]["told"])


def test_the_strip_is_in_the_unit_that_the_detector_shows():
    shown = []
    carried_out(("CO2-1",), each=lambda live, snapshot, world: shown.append(snapshot.strip))
    document = strip_document(shown[-1], Teller("en"))
    assert document["unit"] == "%vol"
    assert [(point["name"], point["set"]) for point in document["points"]] == [("low", 0.5), ("high", 3.0)]
    assert document["bottle"] == pytest.approx(4.0, rel=0.02)
    assert document["digits"] == 3


def test_falling_alarms_are_told_as_falling():
    shown = []
    _, _, seen = carried_out(("O2-1",), each=lambda live, snapshot, world: shown.append(snapshot.strip))
    document = strip_document(shown[-1], Teller("en"))
    assert [(one["name"], one["rising"]) for one in document["points"]] == [("low", False), ("high", False)]
    levels = [(one["reading"]["level"], one["reading"]["point"]) for one in of_each(seen)]
    assert levels.index((1, "low")) < levels.index((2, "high"))


def test_a_real_alarm_elsewhere_is_told_at_once_and_never_swallowed():
    begun = []

    def leak(live, snapshot, world):
        if snapshot.gas is not None and not begun:
            begun.append(snapshot.t_s)
            world.inject(parse_fault("offset:NH3-1:0.3", world.site))

    _, _, seen = carried_out(("CO-1",), each=leak)
    urgent = [m for one in seen for m in one["messages"] if m["urgent"] and m["text"].startswith("NH3-1: alarm low")]
    assert "not under test: treat as real" in urgent[0]["text"]
    assert begun[0] <= urgent[0]["t"] <= begun[0] + 5.0
    assert seen[-1]["ended"] == "complete"


async def test_watchers_get_the_last_snapshot_and_the_end(live):
    heard = []

    async def watch():
        async for snapshot in live.subscribe(at_least_s=0.0):
            heard.append(snapshot)

    watching = asyncio.create_task(watch())
    await asyncio.sleep(0)
    live.show("first")
    await asyncio.sleep(0.01)
    live.end()
    await asyncio.wait_for(watching, 2.0)
    assert heard[0] is None
    assert "first" in heard
    assert heard[-1] == "first"


async def test_a_pause_an_abort_and_words_become_wishes(joined, live):
    async with joined() as browser:
        assert (await browser.send_form("/live/stop", outcome="stopped", reason="rain")).status_code == 200
        assert (await browser.send_form("/live/note", text="door was open")).status_code == 200
        assert (await browser.send_form("/live/stop", outcome="for lunch")).status_code == 400
    assert live.wishes.get_nowait() == StopWish("stopped", "M. Kerr", "rain")
    assert live.wishes.get_nowait() == NoteWish("M. Kerr", "door was open")
    assert live.wishes.empty()


@pytest.fixture(scope="module")
def waiting() -> Snapshot:
    """A snapshot of a run that waits until the reading on gas has settled."""
    shown: list[Snapshot] = []
    carried_out(("CO-1",), each=lambda live, snapshot, world: shown.append(snapshot))
    return next(one for one in shown if one.step is not None and one.step.kind == "await-plateau")


def told(snapshot: Snapshot, *, enough: bool) -> Snapshot:
    outlook = Outlook(50.0, 0.1, 20.0, 0.1, {}, Enough(enough, "all shown" if enough else "not yet"))
    return replace(snapshot, tests=(replace(snapshot.tests[0], outlook=outlook, may_end_wait=enough),))


async def test_the_wait_for_a_settled_reading_is_cut_short_only_where_enough_is_shown(joined, live, waiting):
    live.snapshot = told(waiting, enough=False)
    async with joined() as browser:
        assert (await browser.send_form("/live/end-wait", step="CO-1/await-plateau")).status_code == 409
        assert live.wishes.empty()
        live.snapshot = told(waiting, enough=True)
        assert (await browser.send_form("/live/end-wait", step="CO-1/gas-off")).status_code == 409
        assert (await browser.send_form("/live/end-wait", step="CO-1/await-plateau")).status_code == 200
    assert live.wishes.get_nowait() == EndWaitWish("M. Kerr", "CO-1/await-plateau", "all shown")
    assert live.wishes.empty()


async def test_an_answer_to_a_step_that_does_not_wait_is_refused(joined, live):
    async with joined() as browser:
        answer = await browser.send_form("/live/answer", step="visit/caution", state="done")
        assert answer.status_code == 409
        assert (await browser.send_form("/live/answer", step="visit/caution", state="perhaps")).status_code == 400


async def test_what_was_read_off_an_instrument_goes_with_the_answer(joined, live):
    step = Step(id="visit/air", kind="air", text="Read the barometer.", ends="confirm", at_most_s=900.0)
    doing = asyncio.create_task(live.hands.do(step))
    await asyncio.sleep(0)
    async with joined() as browser:
        wrong = await browser.send_form("/live/answer", step="visit/air", state="done", measured="high")
        assert wrong.status_code == 400
        assert not doing.done()
        answer = await browser.send_form("/live/answer", step="visit/air", state="done", measured="1003 18,5")
        assert answer.status_code == 200
    assert (await doing).measured == AirRead(100_300.0, 291.65)


@pytest.fixture(scope="module")
def stopping():
    """A snapshot of a run that is being stopped while an inhibit stands."""
    kept = []

    def each(live, snapshot, world):
        if snapshot.standing and not snapshot.stopping:
            live.stop("aborted", "M. Kerr")
        if snapshot.stopping and snapshot.standing and snapshot.gas is None:
            kept.append(snapshot)

    carried_out(("NH3-1",), each=each)
    return kept[0]


async def test_a_run_is_not_closed_while_an_inhibit_stands_but_it_can_be_handed_over_by_name(joined, live, stopping):
    live.snapshot = stopping
    effect = stopping.standing[0]
    async with joined() as browser:
        refused = await browser.send_form("/live/stop", outcome="aborted")
        assert refused.status_code == 409
        assert "inhibit stands" in refused.text
        assert (await browser.send_form("/live/hand-over", effect=effect, to="  ")).status_code == 422
        assert (await browser.send_form("/live/hand-over", effect="NO-SUCH", to="R. Oduya")).status_code == 409
        assert (await browser.send_form("/live/hand-over", effect=effect, to="R. Oduya")).status_code == 200
        assert live.wishes.get_nowait() == HandOverWish("M. Kerr", effect, "R. Oduya", "")
        live.handed_over = dict.fromkeys(stopping.standing, "R. Oduya")
        assert (await browser.send_form("/live/stop", outcome="aborted")).status_code == 200


async def test_the_live_page_is_for_everybody_but_only_the_desk_has_buttons(joined, live):
    async with joined() as desk:
        assert 'id="abort"' in (await desk.get("/live")).text
    async with joined("reader", run="R1") as reader:
        text = (await reader.get("/live")).text
    assert 'id="one-strip"' in text
    assert 'id="abort"' not in text
    assert 'id="done"' not in text


def test_each_detector_under_test_has_its_own_strip_reading_gas_and_next_alarm():
    shown = []
    plan = example_plan("coldstore.yaml", ("CS-1", "CS-2"), (("CS-1", "CS-2"),))
    posts = []

    def each(live, snapshot, world):
        shown.append((snapshot, live.left_m3("BTL-NH3", snapshot.t_s)))
        posts.append(post_document(snapshot, live, "HALL-DOOR", Teller("en")))

    _, _, seen = carried_out(None, plan=plan, each=each)
    both = [one for one in seen if [test["gas"] is not None for test in one["tests"]] == [True, True]]
    assert both
    together = {tuple(test["tag"] for test in one["tests"]) for one in both}
    assert ("CS-1", "CS-2") in together
    assert all(sorted(tags) == ["CS-1", "CS-2"] for tags in together)
    assert any(all(test["gas"]["may_shut"] for test in one["tests"]) for one in both)
    assert any(one["tests"][1]["next"] for one in both)
    votes = [vote for one in seen for vote in one["votes"]]
    assert {(vote["votes"], vote["need"], vote["met"]) for vote in votes} >= {
        (0, 2, False),
        (1, 2, False),
        (2, 2, True),
    }
    assert all(vote["effects"] == ["EXTRACT", "CALL"] for vote in votes[5:-60]), "what is inhibited cannot act"
    left = [round(m3, 9) for snapshot, m3 in shown if m3 is not None]
    assert left == sorted(left, reverse=True)
    begun = next(snapshot for snapshot, _ in shown if sum(one.gas is not None for one in snapshot.tests) == 2)
    later = next(
        pair
        for pair in shown
        if pair[0].t_s >= begun.t_s + 10 and sum(one.gas is not None for one in pair[0].tests) == 2
    )
    taken_m3 = next(m3 for snapshot, m3 in shown if snapshot is begun) - later[1]
    flow_m3_s = plan.site.cylinder("BTL-NH3").flow_m3_s
    assert taken_m3 == pytest.approx(2 * flow_m3_s * (later[0].t_s - begun.t_s)), "gas is taken out by both caps"
    told = [one["tests"] for one in posts if len(one["tests"]) == 2]
    assert any(all(test["gas"] for test in tests) for tests in told)
    json.dumps(posts, allow_nan=False)


def by_hand_only(snapshot: Snapshot) -> Snapshot:
    tests = tuple(replace(one, strip=replace(one.strip, quality="by-hand")) for one in snapshot.tests)
    return replace(
        snapshot, tests=tests, strip=next(one.strip for one in tests if one.tag == snapshot.strip.detector.tag)
    )


def test_a_post_is_told_when_what_it_shows_was_polled(live):
    told = []

    def each(watched, snapshot, world):
        told.append((post_document(snapshot, live, "AT-PANEL", Teller("en"))["polled"], snapshot.t_s))

    carried_out(("O2-1",), each=each)
    polled = [at for at, _ in told if at is not None]
    assert len(set(polled)) > 100
    assert all(at <= t_s for at, t_s in told if at is not None)


def test_without_a_link_each_detector_under_test_can_be_read_and_marked(live):
    shown = []

    def each(watched, snapshot, world):
        if sum(one.gas is not None for one in snapshot.tests) == 2:
            shown.append(by_hand_only(snapshot))

    carried_out(None, plan=example_plan("coldstore.yaml", ("CS-1", "CS-2"), (("CS-1", "CS-2"),)), each=each)
    for snapshot in shown:
        document = post_document(snapshot, live, "HALL-DOOR", Teller("en"))
        assert document["by_hand"][0]["tag"] == snapshot.strip.detector.tag, "the step's own comes first"
        assert sorted(one["tag"] for one in document["by_hand"]) == ["CS-1", "CS-2"]
        assert {"CS-1.low", "CS-2.low"} <= {one["signal"] for one in document["points"]}
    assert {one.strip.detector.tag for one in shown} == {"CS-1", "CS-2"}


def test_without_a_link_all_points_of_the_detector_are_there_to_be_marked_from_the_beginning(live):
    """An alarm may come before anybody waits for it; what a link shows is not asked of people."""
    shown = []

    def each(watched, snapshot, world):
        if snapshot.strip is not None and snapshot.gas is not None:
            typed = by_hand_only(snapshot)
            shown.append((post_document(typed, live, "AT-PANEL", Teller("en")), watched, typed))

    carried_out(("O2-1",), each=each)
    assert shown
    for by_hand, watched, typed in shown[:: len(shown) // 5]:
        assert {"O2-1.low", "O2-1.high", "O2-1.fault"} <= {one["signal"] for one in by_hand["points"]}
        assert post_document(typed, watched, "AT-PANEL", Teller("en"))["points"] == []

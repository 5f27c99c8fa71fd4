"""The driver on an owned clock: whole runs in-process, and what may go wrong on the way."""

from __future__ import annotations

import asyncio

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.errors import LinkError
from gaswitness.run.drive import drive
from gaswitness.run.events import (
    GasTurned,
    InhibitMoved,
    LinkChanged,
    NoteTaken,
    Pressed,
    ReadingTaken,
    RunResumed,
    RunStarted,
    RunStopped,
    StatusSeen,
    StepMoved,
    StopAsked,
)
from gaswitness.run.folding import fold
from gaswitness.run.ports import Answer, Polled, Press, ReadingWish, StopWish
from support.bench import Bench, BenchLink


def of(events, kind):
    return [event for event in events if isinstance(event, kind)]


def ended(events):
    return {event.step: event.state for event in of(events, StepMoved) if event.state != "started"}


def test_a_whole_run_is_complete_and_left_safe(run, bench, plan):
    stopped, events = run(bench)
    assert stopped.outcome == "complete"
    assert stopped.standing_inhibits == ()
    assert isinstance(events[0], RunStarted)
    assert events[-1] == stopped
    assert len(of(events, RunStopped)) == 1
    expected = {step.id: "skipped" if step.optional else "done" for step in plan.steps}
    assert ended(events) == expected
    assert [(e.tag, e.on) for e in of(events, GasTurned)] == [
        ("CO2-A", True),
        ("CO2-A", False),
        ("CO2-B", True),
        ("CO2-B", False),
    ]
    assert [e.state for e in of(events, InhibitMoved)] == ["placed", "lifted", "proven"]


def test_status_is_bracketed_by_the_polls_around_it(run, bench):
    _, events = run(bench)
    low = [e for e in of(events, StatusSeen) if e.signal == "CO2-A.low"]
    assert [e.on for e in low] == [False, True, False]
    assert low[0].after_t_s is None
    assert low[1].t_s - low[1].after_t_s == pytest.approx(1.0)
    readings = {e.t_s: e.value_ppm for e in of(events, ReadingTaken) if e.tag == "CO2-A"}
    assert readings[low[1].after_t_s] < 5000.0 <= readings[low[1].t_s]


def test_the_same_run_gives_the_same_events(run, plan, bench):
    _, events = run(bench)
    again = Bench(plan, OwnedClock())
    second = []
    asyncio.run(drive(plan, BenchLink(again), again, again.clock, second.append, run_id="r1", operator="MK"))
    assert second == events


def test_a_lost_link_is_told_once_and_the_run_goes_on(run, bench):
    bench.down = lambda poll: 40 <= poll < 55
    stopped, events = run(bench)
    assert stopped.outcome == "complete"
    assert [event.up for event in of(events, LinkChanged)] == [False, True]
    assert any("link lost" in event.text for event in of(events, NoteTaken))


def test_a_link_that_cannot_be_opened_leaves_no_record(run, bench):
    async def refuse():
        raise LinkError("bench: refused")

    bench.open_ = refuse
    events = []
    with pytest.raises(LinkError):
        run(bench, before=events)
    assert events == []


def test_a_record_that_cannot_be_written_stops_the_run(plan, bench, clock):
    written = []

    def record(event):
        if len(written) == 100:
            raise OSError("disk full")
        written.append(event)

    with pytest.raises(OSError, match="disk full"):
        asyncio.run(drive(plan, BenchLink(bench), bench, clock, record, run_id="r1", operator="MK"))
    assert not of(written, RunStopped), "nothing is written after a write has failed"


def test_a_display_that_fails_is_noted_and_the_run_goes_on(run, bench):
    def show(snapshot):
        if snapshot.t_s > 50:
            raise RuntimeError("no terminal")

    stopped, events = run(bench, show=show)
    assert stopped.outcome == "complete"
    assert sum("display was lost" in event.text for event in of(events, NoteTaken)) == 1


def test_an_abort_shuts_the_gas_first_and_lifts_what_stands(run, bench):
    wishes = asyncio.Queue()

    def show(snapshot):
        if snapshot.gas is not None and snapshot.t_s - snapshot.gas.since_t_s > 20 and not snapshot.stopping:
            wishes.put_nowait(StopWish("aborted", "MK", "smell of gas in the corridor"))

    stopped, events = run(bench, wishes=wishes, show=show)
    assert (stopped.outcome, stopped.standing_inhibits) == ("aborted", ())
    assert "smell of gas" in stopped.reason
    asked = next(i for i, event in enumerate(events) if isinstance(event, StopAsked))
    acts = [e for e in events[asked:] if isinstance(e, GasTurned | InhibitMoved)]
    assert [type(e).__name__ for e in acts[:2]] == ["GasTurned", "InhibitMoved"]
    assert not acts[0].on
    assert acts[1].state == "lifted"
    assert bench.inhibited is False


def test_hands_that_cannot_lift_leave_the_inhibit_in_the_last_event(run, bench):
    wishes = asyncio.Queue()
    bench.answer = lambda step: Answer("skipped", "MK") if step.kind == "lift" else Answer(by="MK")

    def show(snapshot):
        if snapshot.gas is not None and not snapshot.stopping:
            wishes.put_nowait(StopWish("aborted", "MK"))

    stopped, _ = run(bench, wishes=wishes, show=show)
    assert stopped.outcome == "aborted"
    assert stopped.standing_inhibits == ("FAN",)


def test_a_run_is_not_complete_while_an_inhibit_stands(run, bench):
    wishes = asyncio.Queue()
    bench.answer = lambda step: Answer("skipped", "MK") if step.kind == "lift" else Answer(by="MK")
    times = []

    def show(snapshot):
        if snapshot.step is not None and snapshot.step.kind == "lift":
            times.append(snapshot.t_s)
            if snapshot.t_s > times[0] + 100 and not snapshot.stopping:
                wishes.put_nowait(StopWish("stopped", "MK"))

    stopped, events = run(bench, wishes=wishes, show=show)
    assert stopped.outcome == "stopped"
    assert stopped.standing_inhibits == ("FAN",)
    assert bench.asked.count("visit/lift/FAN") > 50, "it is asked for again and again"
    assert any("cannot be left out" in event.text for event in of(events, NoteTaken))


def test_no_gas_while_the_panel_does_not_show_the_inhibit(run, bench):
    wishes = asyncio.Queue()
    bench.stray["FAN.inhibited"] = False

    def show(snapshot):
        if snapshot.t_s > 400 and not snapshot.stopping:
            wishes.put_nowait(StopWish("stopped", "MK"))

    stopped, events = run(bench, wishes=wishes, show=show)
    assert stopped.outcome == "stopped"
    assert of(events, GasTurned) == []


def test_a_reading_that_fell_short_is_adjusted_and_tested_again(run, bench):
    bench.gain = 0.7
    stopped, events = run(bench)
    assert stopped.outcome == "complete"
    assert ended(events)["CO2-A/adjust"] == "done"
    assert ended(events)["CO2-A/as-left/zero"] == "done"
    assert ended(events)["CO2-B/adjust"] == "skipped", "the bench's one gain was put right at the first detector"


def test_an_alarm_elsewhere_is_real_until_shown_otherwise(run, bench):
    def show(snapshot):
        bench.stray = {"CO2-B.fault": 100 < snapshot.t_s < 120}

    _, events = run(bench, show=show)
    notes = [event for event in of(events, NoteTaken) if "treat as real" in event.text]
    assert len(notes) == 1
    assert "CO2-B: fault" in notes[0].text
    assert 100 < notes[0].t_s < 104, "it is said at once"


def test_an_overdue_alarm_is_said_at_once_with_causes_in_order(run, bench):
    gas_on = []

    async def dry(step):
        if step.kind == "gas-on":
            gas_on.append(bench.clock.now_s())
            bench.asked.append(step.id)
            return Answer(by="bench")
        return await Bench.do(bench, step)

    bench.do = dry
    _, events = run(bench)
    note = next(event for event in of(events, NoteTaken) if "overdue" in event.text)
    assert note.t_s == pytest.approx(gas_on[0] + 30.0, abs=2.0)
    order = [note.text.index(word) for word in ("regulator shut", "cap leaking", "bottle too weak", "sensor slow")]
    assert order == sorted(order)


def test_an_inhibit_that_stands_too_long_is_said_once(run, bench):
    do = bench.do

    async def late(step):
        if step.kind == "lift":
            await bench.clock.sleep_s(9000.0)
        return await do(step)

    bench.do = late
    _, events = run(bench)
    placed = next(event for event in of(events, InhibitMoved) if event.state == "placed")
    (note,) = [event for event in of(events, NoteTaken) if "was to be lifted by now" in event.text]
    assert note.text.startswith("FAN: the inhibit that bench placed")
    assert placed.until_t_s < note.t_s <= placed.until_t_s + 2.0


def test_a_broken_hand_ends_the_run_with_a_last_event(run, bench, plan, clock):
    async def broken(step):
        raise RuntimeError("defect")

    bench.do = broken
    events = []
    with pytest.raises(RuntimeError, match="defect"):
        asyncio.run(drive(plan, BenchLink(bench), bench, clock, events.append, run_id="r1", operator="MK"))
    assert isinstance(events[-1], RunStopped)
    assert events[-1].outcome == "stopped"


@pytest.mark.parametrize("cut", [5, 60, 700, 1500, 1900])
def test_a_run_cut_off_anywhere_goes_on_and_is_complete(run, bench, plan, clock, cut):
    whole = []

    class Pulled(BaseException):
        pass

    def record(event):
        if len(whole) == cut:
            raise Pulled
        whole.append(event)

    with pytest.raises(Pulled):
        asyncio.run(drive(plan, BenchLink(bench), bench, clock, record, run_id="r1", operator="MK"))
    was = fold(whole)
    clock.advance_s(300.0)
    bench.marks = asyncio.Queue()
    stopped, events = run(bench, before=tuple(whole))
    assert stopped.outcome == "complete"
    assert len(of(events, RunResumed)) == 1
    resumed = next(i for i, event in enumerate(events) if isinstance(event, RunResumed))
    assert events[resumed].gap_s >= 300.0
    if was.gas:
        first = next(e for e in events[resumed:] if isinstance(e, GasTurned))
        assert not first.on, "gas in doubt is shut before anything else"
    for tag in ("CO2-A", "CO2-B"):
        last_on = max(e.t_s for e in of(events, GasTurned) if e.tag == tag and e.on)
        zero = max(e.t_s for e in of(events, StepMoved) if e.step == f"{tag}/zero" and e.state == "done")
        assert zero <= last_on
        readings = [e.value_ppm for e in of(events, ReadingTaken) if e.tag == tag and zero - 5.0 <= e.t_s <= zero]
        assert max(readings) < 1300.0, "a detector that had gas is aired before its zero is taken again"
    assert fold(events).ended == stopped


def test_a_link_that_takes_cancelling_for_a_failure_does_not_keep_the_run_from_ending(run, bench):
    """A client library may answer a cancelled request with an error of its own; the run is over all the same."""
    poll, wishes = bench.poll, asyncio.Queue()
    waiting = []

    async def slow():
        if bench.polls < 30:
            return await poll()
        if not waiting:
            waiting.append(True)
            wishes.put_nowait(StopWish("stopped", "MK"))
            wishes.put_nowait(StopWish("stopped", "MK"))
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            raise LinkError("request cancelled") from None

    bench.poll = slow
    stopped, _ = run(bench, wishes=wishes)
    assert stopped.outcome == "stopped"


@pytest.mark.parametrize(("kind", "first"), [("gas-on", "CO2-A/gas-off"), ("fault", "CO2-A/mend")])
def test_what_was_done_and_not_recorded_before_a_cut_is_undone_first(run, bench, plan, clock, kind, first):
    """Cut off between the act and its record: bottle or signal is open, and the ledger knows not."""
    whole = []

    class Pulled(BaseException):
        pass

    def record(event):
        if isinstance(event, GasTurned if kind == "gas-on" else Pressed):
            raise Pulled
        whole.append(event)

    with pytest.raises(Pulled):
        asyncio.run(drive(plan, BenchLink(bench), bench, clock, record, run_id="r1", operator="MK"))
    assert whole[-1].step == f"CO2-A/{kind}"
    clock.advance_s(200.0)
    bench.marks, bench.asked = asyncio.Queue(), []
    stopped, events = run(bench, before=tuple(whole))
    assert bench.asked[0] == first
    assert stopped.outcome == "complete"
    assert ended(events)["CO2-A/adjust"] == "skipped", "the zero was not taken in test gas"


def test_an_abort_while_the_bottle_is_being_opened_asks_to_shut_it(run, bench):
    wishes = asyncio.Queue()
    bench.answer = lambda step: None if step.kind == "gas-on" else Answer(by="MK")

    def show(snapshot):
        if snapshot.step is not None and snapshot.step.kind == "gas-on" and not snapshot.stopping:
            wishes.put_nowait(StopWish("aborted", "MK"))

    stopped, _ = run(bench, wishes=wishes, show=show)
    assert stopped.outcome == "aborted"
    assert "CO2-A/gas-off" in bench.asked


def test_a_run_without_a_wire_is_told_by_people(run, bench):
    """No link shows anything: points are marked, readings typed or looked at, and the run still comes to its end."""
    poll, wishes = bench.poll, asyncio.Queue()
    typed, shown = set(), {}

    async def nothing():
        await poll()
        for signal, on in bench.on.items():
            if shown.get(signal, False) != on:
                shown[signal] = on
                t_s = bench.clock.now_s()
                bench.marks.put_nowait(
                    Press(
                        mark_id=f"m{len(shown)}-{t_s}",
                        post="DOOR",
                        witness="MK",
                        signal=signal,
                        on=on,
                        t_s=t_s,
                        u_s=0.1,
                    )
                )
        for tag in ("CO2-A", "CO2-B"):
            on, signal = tag in bench.open, f"{tag}.fault"
            if shown.get(signal, False) != on:
                shown[signal] = on
                t_s = bench.clock.now_s()
                bench.marks.put_nowait(
                    Press(mark_id=f"{signal}{t_s}", post="DOOR", witness="MK", signal=signal, on=on, t_s=t_s, u_s=0.1)
                )
        return Polled()

    told: set[str] = set()

    def show(snapshot):
        told.update(message.text for message in snapshot.messages)
        step = snapshot.step
        if step is not None and step.kind == "zero" and step.id not in typed:
            typed.add(step.id)
            wishes.put_nowait(ReadingWish("MK", step.tag, 600.0))

    bench.poll = nothing
    stopped, events = run(bench, wishes=wishes, show=show)
    after_typing = {text for text in told if "no reading for" in text}
    assert after_typing == set(), "what people type comes when they type it"
    assert stopped.outcome == "complete"
    assert {state for step, state in ended(events).items() if "/await-" in step} == {"done"}
    assert {event.quality for event in of(events, ReadingTaken)} == {"by-hand"}
    assert "CO2-A/await-plateau" in bench.asked
    assert of(events, StatusSeen) == []

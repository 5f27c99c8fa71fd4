"""An inhibit that cannot be lifted: it stays only with somebody who answers for it, and that is said."""

from __future__ import annotations

import asyncio

from gaswitness.run.events import InhibitHandedOver, InhibitMoved, RunStopped, StepMoved
from gaswitness.run.folding import fold
from gaswitness.run.ports import Answer, HandOverWish


def handing_over(bench, wishes, *, to="R. Oduya"):
    """Hands that do everything but lift: that is wished away to somebody else."""
    do = bench.do

    async def unable(step):
        if step.kind != "lift":
            return await do(step)
        wishes.put_nowait(HandOverWish("MK", step.effect, to, "valve stuck"))
        await asyncio.Event().wait()
        return Answer()

    bench.do = unable


def test_a_run_ends_stopped_and_names_who_answers_for_the_inhibit(run, bench):
    wishes = asyncio.Queue()
    handing_over(bench, wishes)
    stopped, events = run(bench, wishes=wishes)
    assert stopped.outcome == "stopped", "complete only when no inhibit stands"
    assert stopped.standing_inhibits == ("FAN",)
    assert stopped.reason == "the inhibit on FAN was handed over to R. Oduya"
    handed = [event for event in events if isinstance(event, InhibitHandedOver)]
    assert [(one.effect, one.to, one.by, one.reason) for one in handed] == [("FAN", "R. Oduya", "MK", "valve stuck")]
    ends = {one.step: one for one in events if isinstance(one, StepMoved) and one.state != "started"}
    assert {step.split("/")[-2]: end.note for step, end in ends.items() if end.note.startswith("handed")} == {
        "lift": "handed over to R. Oduya",
        "prove": "handed over to R. Oduya",
    }
    assert fold(events).handed_over == {"FAN": "R. Oduya"}


def test_what_is_not_inhibited_cannot_be_handed_over(run, bench):
    wishes = asyncio.Queue()
    wishes.put_nowait(HandOverWish("MK", "FAN", "R. Oduya"))
    stopped, events = run(bench, wishes=wishes)
    assert stopped.outcome == "complete"
    assert not [event for event in events if isinstance(event, InhibitHandedOver)]


def test_a_later_lifting_takes_it_back(run, bench):
    wishes = asyncio.Queue()
    handing_over(bench, wishes)
    _, events = run(bench, wishes=wishes)
    lifted = InhibitMoved(t_s=events[-1].t_s, wall=events[-1].wall, effect="FAN", state="lifted", by="R. Oduya")
    state = fold([event for event in events if not isinstance(event, RunStopped)] + [lifted])
    assert state.handed_over == {}
    assert state.inhibits["FAN"].state == "lifted"

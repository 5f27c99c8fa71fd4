"""Whatever is missing from a ledger, or odd in it, the judge says what it can and never breaks."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gaswitness.judge import judge
from gaswitness.judge.finding import SEVERITY
from gaswitness.judge.records import Judgement
from gaswitness.run.events import ReadingTaken
from support.ledgers import Scene, criterion
from support.scenes import answer, sound, still

ASKED = (
    criterion("zero", lower=-580.0, upper=2300.0, rule="guarded"),
    criterion("span", lower=22500.0, upper=27500.0, rule="guarded"),
    criterion("t90", upper=90.0, unit="s", rule="guarded"),
    criterion("t10", upper=90.0, unit="s", rule="guarded"),
    *(criterion("set-level", point=point, lower=0.0, upper=2e4) for point in ("low", "high")),
    criterion("clear-level", point="low", lower=3500.0, upper=4500.0),
    criterion("deadband", point="low", lower=500.0, upper=1500.0),
    criterion("set-time", point="low", lower=5.0, upper=15.0, unit="s"),
    criterion("latched", point="low", lower=1.0, unit="yes"),
    criterion("reset", point="low", upper=8.0, unit="s"),
    criterion("fault", point="fault", upper=10.0, unit="s"),
    criterion("effect", point="low", effect="LAMP-1", upper=5.0, unit="s"),
    criterion("effect", point="high", effect="FAN", upper=10.0, unit="s"),
    criterion("effect-pattern", point="low", effect="BEACON", lower=1.0, unit="yes"),
    criterion("silenced", effect="BEACON", lower=1.0, unit="yes"),
    criterion("no-stray", upper=0.0, unit="count"),
    criterion("inhibit-lifted", tag=None, lower=1.0, unit="yes"),
    criterion("warned", tag=None, lower=1.0, unit="yes"),
)
KINDS = ("reading", "status", "step", "gas", "pressed", "mark")


def checked(scene: Scene, stopped: Any) -> Judgement:
    judgement = judge(scene.series(stopped))
    assert Judgement.model_validate_json(judgement.model_dump_json()) == judgement
    for finding in [*judgement.visit, *(f for v in judgement.verdicts for f in v.findings)]:
        assert finding.why
        if finding.outcome == "pass":
            assert finding.value is not None
            assert finding.p_conform is not None
    for verdict in judgement.verdicts:
        worst = min((SEVERITY.index(f.outcome) for f in verdict.findings), default=SEVERITY.index("not tested"))
        assert SEVERITY.index(verdict.outcome) == worst
    return judgement


@given(
    gone=st.sets(st.sampled_from(KINDS)),
    cut=st.tuples(st.floats(0.0, 560.0), st.floats(0.0, 300.0)),
    end_s=st.floats(1.0, 600.0),
    stopped=st.sampled_from(["complete", "stopped", "aborted", None]),
)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_missing_evidence_is_never_a_pass_and_never_breaks_the_judge(
    gone: set[str], cut: tuple[float, float], end_s: float, stopped: Any
) -> None:
    scene = sound(*ASKED)
    scene.events = [
        event
        for event in scene.events
        if event.kind not in gone and not cut[0] <= event.t_s < cut[0] + cut[1] and event.t_s < end_s
    ]
    judgement = checked(scene, stopped)
    if "gas" in gone or end_s < 100.0:
        needing_gas = [f for v in judgement.verdicts for f in v.findings if f.kind != "fault"]
        assert all(f.outcome != "pass" for f in needing_gas)


odd = st.one_of(st.none(), st.floats(-1e6, 1e6), st.sampled_from([0.0, 1e-41, 3e38, 600.0, 50000.0]))


@given(
    values=st.lists(odd, min_size=1, max_size=40), quality=st.sampled_from(["good", "over", "bad", "stale", "under"])
)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_odd_readings_never_break_the_judge(values: list[float | None], quality: Any) -> None:
    scene = sound(*ASKED, reading=lambda t: values[int(t) % len(values)], other=answer)
    scene.events = [
        event.model_copy(update={"quality": quality})
        if isinstance(event, ReadingTaken) and event.tag == "A" and int(event.t_s) % 3 == 0
        else event
        for event in scene.events
    ]
    checked(scene, "complete")


instant = st.floats(0.0, 560.0)
signals = st.sampled_from(["A.low", "A.high", "B.low", "A.fault", "LAMP-1.on", "FAN.on", "LAMP-2.on"])
marked = st.sampled_from(["FAN.on", "BEACON.on", "other", "present", "A.low"])
actions = st.sampled_from(["reset", "silence", "acknowledge", "fault-made", "adjusted-span"])


@given(
    edges=st.lists(st.floats(1.0, 560.0), max_size=12, unique=True),
    signal=signals,
    marks=st.lists(st.tuples(marked, instant, st.booleans()), max_size=8),
    presses=st.lists(st.tuples(actions, instant), max_size=5),
)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_odd_edges_marks_and_presses_never_break_the_judge(
    edges: list[float], signal: str, marks: list[tuple[str, float, bool]], presses: list[tuple[Any, float]]
) -> None:
    scene = sound(*ASKED, without=(signal,), other=still).status(signal, *sorted(edges))
    for name, t_s, on in marks:
        scene.mark(name, t_s, on=on)
    for action, t_s in presses:
        scene.press(action, t_s, "A")
    checked(scene, "complete")

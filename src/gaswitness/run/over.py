"""When a step is over: by a signal, by a reading at rest, by time, or because it takes too long."""

from __future__ import annotations

import math
from typing import Literal

from gaswitness.plan.records import Step, StepKind
from gaswitness.run.state import RunState, StepNow
from gaswitness.run.steady import LOOK_S, at_rest

REMAINDER = {"await-plateau": 0.005, "recover": 0.02}
"""Share of the change that may still be missing when a reading counts as settled: half a percent where its value is
what is wanted, two where it only has to be back for what comes next."""
PANEL_S = 60.0
"""How long a panel may take to show that an inhibit is placed or lifted, before somebody is asked to look again."""
PEOPLE_S = 900.0
"""How long people may take to get to where something is to be done."""
ONLY_BY_ANSWER: frozenset[StepKind] = frozenset(
    ("caution", "warn", "inhibit", "gas-on", "gas-off", "mend", "lift", "all-clear")
)
"""Steps that are not passed over because time went by: the run waits for them, or is stopped."""
BY_HAND: frozenset[StepKind] = ONLY_BY_ANSWER | {"acknowledge", "silence", "reset", "fault", "adjust", "prove"}
"""Steps that somebody does; the others are waited for."""
_E_FOLDS_AT_90 = math.log(10.0)


def over(state: RunState, now: StepNow, t_s: float) -> Literal["done", "timed-out"] | None:
    """How the step that stands ends at this instant; none while it goes on."""
    step, elapsed_s = now.step, t_s - now.since_t_s
    if elapsed_s >= step.at_least_s:
        if step.ends == "elapsed":
            return "done"
        if (step.ends == "signal" or step.kind in ("inhibit", "lift")) and _shown(state, now):
            return "done"
        if step.ends == "settled" and _settled(state, step):
            return "done"
    return "timed-out" if t_s >= _latest_s(now) else None


def may_end_wait(now: StepNow, t_s: float) -> bool:
    """Whether the wait for a settled reading may be cut short: the effects have had their time, only it is awaited."""
    return now.step.kind == "await-plateau" and t_s - now.since_t_s >= now.step.at_least_s


def _latest_s(now: StepNow) -> float:
    """When the step has taken too long. What the system must show is counted from the act, not from the asking."""
    step = now.step
    if step.kind in ("inhibit", "lift") and now.acted_s is not None:
        return now.acted_s + PANEL_S
    if step.kind in BY_HAND and step.ends == "signal" and step.kind != "prove":
        if now.acted_s is None:
            return now.since_t_s + max(step.at_most_s, PEOPLE_S)
        return now.acted_s + step.at_most_s
    return now.since_t_s + step.at_most_s


def _shown(state: RunState, now: StepNow) -> bool:
    step = now.step
    point, effect = f"{step.tag}.{step.point}", f"{step.effect}.on"
    match step.kind:
        case "await-set":
            return state.shows(point) is True
        case "await-clear" | "recover":
            return state.shows(point) is False
        case "fault":
            return now.acted and state.shows(f"{step.tag}.fault") is True
        case "mend":
            return now.acted and state.shows(f"{step.tag}.fault") is False
        case "reset":
            waits = [point] if step.point else []
            waits += [effect] if step.effect else []
            return now.acted and all(state.shows(signal) is False for signal in waits)
        case "silence":
            return now.acted and (step.effect is None or state.shows(effect) is False)
        case "inhibit":
            return now.acted and state.shows(f"{step.effect}.inhibited") is not False
        case "lift":
            return now.acted and state.shows(f"{step.effect}.inhibited") is not True
        case "prove":
            return state.shows(effect) is True
        case _:
            return now.acted


def _settled(state: RunState, step: Step) -> bool:
    """The reading is at rest to within what its noise allows and the share of the change that does not matter.

    A first-order reading with `r` of its change to go moves by `r (1 - exp(-look / tau))` while it is looked at,
    `tau = t90 / ln 10`; it is at rest once `r` is down to `REMAINDER`, or to less than noise and resolution let
    one see.
    """
    if step.tag is None:
        return False
    detector = state.plan.site.detector(step.tag)
    seen_ppm = max(detector.resolution_ppm, 2.5 * detector.noise_ppm)
    planned, window = state.planned(step.tag), state.windows.get(step.tag, ())
    if planned is None:
        return at_rest(window, band_ppm=seen_ppm)
    change_ppm = abs(planned.bottle_ppm - planned.background_ppm[0])
    tau_s = max(detector.t90_s - detector.dead_time_s, 1e-3) / _E_FOLDS_AT_90
    on_s, off_s = state.gassed.get(step.tag, (None, None))
    turned_s = {"await-plateau": on_s, "recover": off_s}.get(step.kind)
    if turned_s is not None and state.t_s - turned_s < detector.dead_time_s + tau_s + LOOK_S:
        return False  # at rest because nothing has arrived yet
    band_ppm = REMAINDER.get(step.kind, 0.005) * change_ppm * -math.expm1(-LOOK_S / tau_s)
    return at_rest(window, band_ppm=max(seen_ppm, band_ppm))

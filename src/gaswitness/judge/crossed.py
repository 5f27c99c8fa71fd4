"""Which detector answered to the gas on another one: cables, caps or addresses that were changed over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gaswitness.evidence.series import Series
from gaswitness.judge.case import Case

Floats = NDArray[np.float64]

FLAT_SHARE = 0.08
"""A reading that makes less than this part of the change did not answer."""
OTHER_SHARE = 0.05
"""Another detector answered when it moved by this part of its own range, and well beyond its noise."""
NOISES = 8.0
ALONE_S = 15.0
"""A detector must have had gas alone for so long before the next one of its bout tells anything of the two."""


def crossed_with(case: Case) -> str | None:
    """The detector that answered to this one's gas while this one did not."""
    if case.trial is None:
        return None
    other = _changed_over(case)
    if other is not None:
        return other
    if not is_flat(case):
        return None
    return who_answered(case.series, case.tag, case.trial.gas_on.t_s, case.gas_end_s)


def _changed_over(case: Case) -> str | None:
    """A detector with gas beside this one, where the one that had gas first stood still and the other one moved."""
    mine = case.trial
    if mine is None:
        return None
    for other in case.series.trials:
        beside = other.gas_on.t_s < case.gas_end_s and (other.gas_off is None or other.gas_off.t_s > mine.gas_on.t_s)
        if other.tag == case.tag or not beside:
            continue
        first, second = sorted((mine, other), key=lambda trial: trial.gas_on.t_s)
        from_s, until_s = first.gas_on.t_s, second.gas_on.t_s
        still, moved = (_moved_share(case.series, trial.tag, from_s, until_s) for trial in (first, second))
        if until_s - from_s >= ALONE_S and still < OTHER_SHARE <= moved:
            return other.tag
    return None


def _moved(series: Series, tag: str, from_s: float, until_s: float) -> tuple[Floats, float] | None:
    """Readings [ppm] of the minute before, and by how much [ppm] it moved from them; none where they say too little."""
    trace = series.traces.get(tag)
    if trace is None:
        return None
    before, during = trace.between(from_s - 60.0, from_s).value_ppm, trace.between(from_s, until_s).value_ppm
    before, during = before[np.isfinite(before)], during[np.isfinite(during)]
    if before.size < 3 or during.size < 5:
        return None
    smooth = np.convolve(during, np.ones(5) / 5, mode="valid")
    return before, float(np.max(np.abs(smooth - float(np.median(before)))))


def _moved_share(series: Series, tag: str, from_s: float, until_s: float) -> float:
    """By how much of its range a reading moved in this time; 0 where it says too little."""
    seen = _moved(series, tag, from_s, until_s)
    return 0.0 if seen is None else seen[1] / series.plan.site.detector(tag).range_ppm


def is_flat(case: Case) -> bool:
    """Whether the reading did not answer to gas."""
    moved = case.moved_ppm
    if moved is None:
        return False
    seen_ppm = 3 * max(case.noise_ppm, case.detector.resolution_ppm)
    return moved <= max(FLAT_SHARE * abs(case.step_ppm), min(seen_ppm, 0.2 * abs(case.step_ppm)))


def who_answered(series: Series, tag: str, from_s: float, until_s: float) -> str | None:
    """The detector, not under gas itself, whose reading moved most while gas was on `tag`."""
    best: tuple[float, str] | None = None
    for detector in series.plan.site.detectors:
        trials = series.trials_of(detector.tag)
        if detector.tag == tag or any(
            t.gas_on.t_s <= until_s and (t.gas_off.t_s if t.gas_off else t.until_s) >= from_s for t in trials
        ):
            continue
        seen = _moved(series, detector.tag, from_s, until_s)
        if seen is None:
            continue
        before, moved = seen
        drifting, noise = abs(float(before[-1] - before[0])), float(np.std(before))
        share = moved / detector.range_ppm
        enough = moved > NOISES * max(noise, detector.resolution_ppm / 2) and moved > 3 * drifting
        if share >= OTHER_SHARE and enough and (best is None or share > best[0]):
            best = share, detector.tag
    return best[1] if best else None

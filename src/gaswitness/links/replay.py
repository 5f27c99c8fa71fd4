"""A recorded log played back as a link: what was read then comes in again, at its old pace on the run's clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gaswitness.clock import Clock, SystemClock
from gaswitness.errors import InputError
from gaswitness.links.logfile import Trace, read_log
from gaswitness.links.scaled import ppm_per_unit
from gaswitness.run.ports import Polled, PolledReading
from gaswitness.sentence import listed, said
from gaswitness.site.records import Detector, Site

STALE_INTERVALS = 5.0
"""A reading older than this many usual intervals of its log is stale."""


class ReplayLink:
    """`log:FILE`: channels named like detectors, values in the unit in which each detector is shown.

    The first row of the log falls on the moment at which the link was opened.
    """

    def __init__(self, url: str, site: Site, *, clock: Clock | None = None) -> None:
        self.url = url
        self.poll_s = 1.0
        self._path = Path(url.partition(":")[2])
        self._site = site
        self._clock = clock or SystemClock()
        self._traces: dict[str, tuple[Trace, float, float]] = {}
        self._began_s = 0.0

    async def open(self) -> None:
        """Read the whole log; raises InputError where it cannot be read or names no detector."""
        log = read_log(self._path)
        by_name = {name.casefold(): trace for name, trace in log.channels.items()}
        for detector in self._site.detectors:
            trace = by_name.get(detector.tag.casefold())
            if trace is not None and len(trace):
                usual_s = float(np.median(np.diff(trace.t_s))) if len(trace) > 1 else 1.0
                self._traces[detector.tag] = trace, _factor(detector), usual_s
        if not self._traces:
            raise InputError(
                said("no channel of the log is named like a detector of the site"),
                where=str(self._path),
                found=", ".join(log.channels),
                expected=listed(detector.tag for detector in self._site.detectors),
            )
        self._began_s = self._clock.now_s()

    async def poll(self) -> Polled:
        """The last row of every channel up to now, with its age."""
        t_s = self._clock.now_s() - self._began_s
        readings: dict[str, PolledReading] = {}
        for tag, (trace, factor, usual_s) in self._traces.items():
            at = int(np.searchsorted(trace.t_s, t_s, side="right")) - 1
            if at < 0:
                continue
            age_s = t_s - float(trace.t_s[at])
            value = float(trace.values[at])
            if np.isnan(value):
                readings[tag] = PolledReading(None, "bad", age_s)
            else:
                old = age_s > STALE_INTERVALS * max(usual_s, self.poll_s)
                readings[tag] = PolledReading(value * factor, "stale" if old else "good", age_s)
        return Polled(readings)

    async def close(self) -> None:
        """Nothing to let go."""


def _factor(detector: Detector) -> float:
    try:
        return ppm_per_unit(detector.unit, detector)
    except KeyError as error:
        raise InputError(
            said("shown in %LFL, but the site states no lower flammable limit"),
            where=said("detector {tag}", tag=detector.tag),
        ) from error

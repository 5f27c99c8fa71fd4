"""The same releases on one worker process and on two: how well the work spreads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import median
from time import perf_counter, process_time
from typing import Any

from bench.bench_release import scene
from gaswitness.release.cluster import dask_mapper
from gaswitness.release.montecarlo import AreaResult, Mapper, study

SCENARIOS = 600_000
REPEATS = 3


@dataclass
class Spent:
    """Of one study: what passed, and what the processors did."""

    wall_s: float
    workers_s: float
    around_s: float
    """Scheduler and client, which live in this process."""
    found: AreaResult


def _once(mapper: Mapper, workers_s: Callable[[], float]) -> Spent:
    around_s, before_s, begin = process_time(), workers_s(), perf_counter()
    found = study(scene(), scenarios=SCENARIOS, seed=1, mapper=mapper)
    passed_s = perf_counter() - begin
    return Spent(passed_s, workers_s() - before_s, process_time() - around_s, found)


def _all() -> tuple[list[Spent], list[Spent]]:
    """Runs on one worker and on two, in turn; the clusters stand side by side and idle in between."""
    from distributed import Client, LocalCluster

    def cluster(workers: int) -> Any:
        return LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=":0")

    def of(client: Any) -> Callable[[], float]:
        return lambda: sum(client.run(process_time).values())

    with (
        cluster(1) as alone,
        cluster(2) as pair,
        Client(alone) as one,
        Client(pair) as two,
        dask_mapper(alone.scheduler_address) as on_one,
        dask_mapper(pair.scheduler_address) as on_two,
    ):
        for mapper in (on_one, on_two):
            study(scene(), scenarios=200_000, seed=1, mapper=mapper)  # compiles on every worker
        runs = [(_once(on_one, of(one)), _once(on_two, of(two))) for _ in range(REPEATS)]
    return [first for first, _ in runs], [second for _, second in runs]


def rows() -> list[dict]:
    """What `python -m bench` prints; nothing where Dask is not installed."""
    try:
        import distributed  # noqa: F401
    except ImportError:
        return []
    ones, twos = _all()
    one_s, two_s = (median(run.wall_s for run in runs) for runs in (ones, twos))
    first = ones[0].found
    same = all(run.found.detect == first.detect and run.found.points == first.points for run in (*ones, *twos))
    exact = all(run.found.mean_dose_ppm_s == first.mean_dose_ppm_s for run in (*ones, *twos))
    work_1, work_2 = (median(run.workers_s for run in runs) for runs in (ones, twos))
    around_s = median(run.around_s for run in twos)
    return [
        {
            "what": f"release on a cluster: {SCENARIOS:,} scenarios on two workers",
            "this_s": two_s,
            "peer": "the same on one worker",
            "peer_s": one_s,
            "ratio": one_s / two_s,
            "limit": "1.8 x on two free cores",
            "note": f"{'identical numbers' if same and exact else 'NUMBERS DIFFER'}; processor time of the workers "
            f"{work_1:.2f} s on one, {work_2:.2f} s on two, of scheduler and client {around_s:.2f} s",
        }
    ]

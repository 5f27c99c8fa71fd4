"""The same releases on one worker process and on two: how well the work spreads."""

from __future__ import annotations

from time import perf_counter

from bench.bench_release import scene
from gaswitness.release.cluster import dask_mapper
from gaswitness.release.montecarlo import AreaResult, study

SCENARIOS = 600_000


def _on(workers: int) -> tuple[float, AreaResult]:
    from distributed import LocalCluster

    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as cluster,
        dask_mapper(cluster.scheduler_address) as mapper,
    ):
        study(scene(), scenarios=40_000, seed=1, mapper=mapper)  # compiles on every worker
        begin = perf_counter()
        found = study(scene(), scenarios=SCENARIOS, seed=1, mapper=mapper)
        return perf_counter() - begin, found


def rows() -> list[dict]:
    """What `python -m bench` prints; nothing where Dask is not installed."""
    try:
        import distributed  # noqa: F401
    except ImportError:
        return []
    one_s, one = _on(1)
    two_s, two = _on(2)
    same = one.detect == two.detect and (one.patterns == two.patterns).all()
    return [
        {
            "what": f"release on a cluster: {SCENARIOS} scenarios on two workers",
            "this_s": two_s,
            "peer": "the same on one worker",
            "peer_s": one_s,
            "ratio": one_s / two_s,
            "limit": "1.8 x on two free cores",
            "note": "identical numbers" if same else "NUMBERS DIFFER",
        }
    ]

"""A cluster gives the numbers that one process gives."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaswitness.errors import LinkError, OutOfDomain
from gaswitness.release.cluster import MOST_BLOCKS, parts
from gaswitness.release.montecarlo import Tally, study
from gaswitness.release.scene import scenes
from gaswitness.site import read_site


@pytest.mark.filterwarnings("ignore")
def test_two_workers_give_the_same_numbers(repo: Path) -> None:
    distributed = pytest.importorskip("distributed")
    from gaswitness.release.cluster import dask_mapper

    scene = scenes(read_site(repo / "examples" / "ravensmoor.yaml"))[1]
    alone = study(scene, scenarios=50_000, seed=8)  # parts of two blocks, and of one
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, protocol="inproc://"
        ) as cluster,
        dask_mapper(cluster.scheduler_address) as mapper,
    ):
        spread_out = study(scene, scenarios=50_000, seed=8, mapper=mapper)
    assert spread_out.detect == alone.detect
    assert spread_out.points == alone.points
    assert (spread_out.patterns == alone.patterns).all()
    assert (spread_out.mean_dose_ppm_s, spread_out.mean_peak_ppm) == (alone.mean_dose_ppm_s, alone.mean_peak_ppm)


@given(st.integers(0, 3000), st.integers(0, 40))
def test_parts_are_the_blocks_each_once_and_shrink(count: int, workers: int) -> None:
    blocks = [(first * 10, 10) for first in range(count)]
    found = list(parts(blocks, workers))
    assert [block for part in found for block in part] == blocks
    sizes = [len(part) for part in found]
    assert sizes == sorted(sizes, reverse=True)
    assert all(1 <= size <= MOST_BLOCKS for size in sizes)


@pytest.mark.filterwarnings("ignore")
def test_what_goes_wrong_on_a_worker_is_told() -> None:
    """Ours as it is, such as a room that cannot be followed; anything else as a failure of the cluster."""
    distributed = pytest.importorskip("distributed")
    from gaswitness.release.cluster import dask_mapper

    def ours(_: tuple[int, int]) -> Tally:
        raise OutOfDomain("no such room")

    def other(_: tuple[int, int]) -> Tally:
        raise ModuleNotFoundError("no module named gaswitness")

    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None, protocol="inproc://"
        ) as cluster,
        dask_mapper(cluster.scheduler_address) as mapper,
    ):
        with pytest.raises(OutOfDomain, match="no such room"):
            list(mapper(ours, [(0, 10)]))
        with pytest.raises(LinkError, match="failed: ModuleNotFoundError"):
            list(mapper(other, [(0, 10)]))


@pytest.mark.filterwarnings("ignore")
def test_a_scheduler_without_workers_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("distributed")
    from gaswitness.release import cluster

    monkeypatch.setattr(cluster, "PATIENCE_S", 0.3)
    with (
        distributed.LocalCluster(n_workers=0, processes=False, dashboard_address=None, protocol="inproc://") as empty,
        pytest.raises(LinkError, match="has no workers"),
        cluster.dask_mapper(empty.scheduler_address),
    ):
        pass

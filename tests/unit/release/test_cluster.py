"""A cluster gives the numbers that one process gives."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaswitness.release.cluster import MOST_BLOCKS, parts
from gaswitness.release.montecarlo import study
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

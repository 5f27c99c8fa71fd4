"""The blocks of a study worked off by Dask: the same numbers, on more machines.

A block is little work, and its tally is a third of a megabyte that the scheduler hands on and the client adds up. So
blocks are sent several at a time and added up where they were worked off. The parts grow smaller towards the end, so
that no worker waits long for the last one.
"""

from __future__ import annotations

import importlib
import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import reduce
from operator import add
from typing import Any
from uuid import uuid4

from gaswitness.errors import GaswitnessError, InputError, LinkError
from gaswitness.release.montecarlo import AHEAD, Mapper, Tally, in_order

MOST_BLOCKS = 32
"""Blocks in one part: some seconds of work, all that is lost when a worker is."""
PATIENCE_S = 10.0
"""For a scheduler to answer, and for its first worker."""
PARTS_AHEAD = 4
"""A part is at most the fourth of what is left for one worker."""

Span = tuple[int, int]


def core_hours(*, sites: int, charges: float, scenarios: int, per_scenario_s: float) -> float:
    """Processor time of a campaign [h]: sites x charges each x scenarios each x processor time of one [s] / 3600.

    >>> round(core_hours(sites=2000, charges=5.0, scenarios=100_000, per_scenario_s=14e-6), 2)  # 14,000 s
    3.89
    """
    return sites * charges * scenarios * per_scenario_s / 3600.0


@dataclass(frozen=True, slots=True)
class Part:
    """Several blocks worked off in one go, added up on the spot."""

    work: Callable[[Span], Tally]

    def __call__(self, blocks: Sequence[Span]) -> Tally:
        """Their tally."""
        return reduce(add, map(self.work, blocks))


def parts(blocks: Sequence[Span], workers: int) -> Iterator[Sequence[Span]]:
    """Consecutive blocks, fewer at a time the fewer are left.

    >>> [len(part) for part in parts([(first, 1) for first in range(40)], 2)]
    [5, 5, 4, 4, 3, 3, 2, 2, 2, 2, 1, 1, 1, 1, 1, 1, 1, 1]
    """
    first = 0
    while first < len(blocks):
        ahead = len(blocks) - first
        size = min(MOST_BLOCKS, -(-ahead // (PARTS_AHEAD * max(workers, 1))))
        yield blocks[first : first + size]
        first += size


@dataclass(frozen=True, slots=True)
class _Result:
    """A part on its way, whose failure is told as the cluster's."""

    future: Any
    address: str

    def result(self) -> Tally:
        """Wait for it; raises LinkError for whatever went wrong but an error of ours."""
        try:
            found: Tally = self.future.result()
        except GaswitnessError:
            raise
        except Exception as error:  # Dask hands on whatever a worker raised, and errors of its own
            raise LinkError(
                f"the Dask cluster at {self.address} failed: {type(error).__name__}: {error}",
                hint="the same version of gaswitness must be installed on every worker",
            ) from error
        return found


@contextmanager
def dask_mapper(address: str) -> Iterator[Mapper]:
    """A mapper over the cluster at this address (`tcp://HOST:PORT`), or over one started here for `local`.

    Raises InputError where Dask is not installed, LinkError where the cluster cannot be reached or fails.
    """
    try:
        dask: Any = importlib.import_module("dask.distributed")
    except ImportError as error:
        raise InputError("Dask is not installed", where="--dask", hint="pip install 'gaswitness[dask]'") from error
    try:
        if address == "local":
            client: Any = dask.Client(threads_per_worker=1, silence_logs=logging.CRITICAL)
        else:
            client = dask.Client(address, timeout=PATIENCE_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise LinkError(f"no Dask scheduler at {address}: {error}", hint="give tcp://HOST:PORT, or 'local'") from error
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError as error:
            raise LinkError(f"the scheduler at {address} has no workers", hint=f"dask worker {address}") from error

        def mapper(work: Callable[[Span], Tally], blocks: Iterable[Span]) -> Iterator[Tally]:
            part, workers = Part(work), sum(client.nthreads().values())
            cut = parts(tuple(blocks), workers)

            def submit(some: Sequence[Span]) -> _Result:
                return _Result(client.submit(part, some, key=f"leaks-{uuid4().hex}"), address)

            return in_order(submit, cut, AHEAD * max(workers, 1))

        try:
            yield mapper
        except (OSError, TimeoutError) as error:
            raise LinkError(f"the Dask cluster at {address} failed: {error}") from error

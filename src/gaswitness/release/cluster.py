"""The blocks of a study worked off by Dask: the same numbers, on more machines."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from gaswitness.errors import InputError, LinkError
from gaswitness.release.montecarlo import Mapper, Tally, in_order


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
        client: Any = dask.Client(threads_per_worker=1) if address == "local" else dask.Client(address, timeout="10s")
    except (OSError, TimeoutError, ValueError) as error:
        raise LinkError(f"no Dask scheduler at {address}: {error}", hint="give tcp://HOST:PORT, or 'local'") from error
    with client:

        def mapper(work: Callable[[tuple[int, int]], Tally], blocks: Iterable[tuple[int, int]]) -> Iterator[Tally]:
            return in_order(lambda block: client.submit(work, block, pure=False), blocks)

        try:
            yield mapper
        except (OSError, TimeoutError) as error:
            raise LinkError(f"the Dask cluster at {address} failed: {error}") from error

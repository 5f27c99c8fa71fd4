"""A cellar with its rig and its board, for tests in a browser."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

from support.boards import chromium

try:
    import fcntl
except ImportError:  # no such locks there
    fcntl = None  # type: ignore[assignment]

SCREENS = 2
WHOLE_DAYS = ("test_whole_rink_run", "test_by_hand")


@pytest.fixture(scope="module")
def cellar(tmp_path_factory: pytest.TempPathFactory, repo: Path) -> tuple[Path, Path]:
    """Site and plan of the cellar."""
    chromium()
    folder = tmp_path_factory.mktemp("cellar")
    site = repo / "examples" / "cellar.yaml"
    plan = folder / "cellar.plan.json"
    done = subprocess.run(
        [sys.executable, "-m", "gaswitness", "plan", str(site), "-o", str(plan)], capture_output=True, text=True
    )
    assert done.returncode in (0, 1), done.stderr
    return site, plan


@pytest.fixture(autouse=True)
def at_a_screen(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Two tests with browsers at a time, however many workers there are, and whole days by themselves.

    People at pages have only so much patience, and miss what goes by too quickly.
    """
    if fcntl is None or "PYTEST_XDIST_WORKER" not in os.environ:
        yield
        return
    shared = tmp_path_factory.getbasetemp().parent
    with contextlib.ExitStack() as held:
        seats = [held.enter_context((shared / f"screen-{n}").open("w")) for n in range(SCREENS)]
        wanted = [[seat] for seat in seats] if request.path.stem in WHOLE_DAYS else [seats]
        for choice in wanted:  # in one order, so that two whole days cannot wait for each other
            while not any(_taken(seat) for seat in choice):
                time.sleep(0.1)
        yield


def _taken(seat: IO[str]) -> bool:
    try:
        fcntl.flock(seat, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True

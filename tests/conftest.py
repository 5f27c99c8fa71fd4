"""Fixtures that every test may use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

collect_ignore = ["support"]
"""Programs and helpers that tests start or import; there are no tests in them."""

REPO = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def repo() -> Path:
    """The root of the checkout."""
    return REPO


@pytest.fixture(scope="session")
def datasets() -> Path:
    """Recorded data from outside the project; it is not part of the repository."""
    folder = Path(os.environ.get("GASWITNESS_DATASETS") or REPO.parent / "shared" / "datasets")
    if not (folder / "MANIFEST.sha256").is_file():
        pytest.skip(f"recorded data not found at {folder}; set GASWITNESS_DATASETS to where they are")
    return folder


@pytest.fixture(scope="session")
def output() -> Path:
    """Where tests leave pictures and documents for people to look at."""
    folder = REPO / "test-output"
    folder.mkdir(exist_ok=True)
    return folder


_skipped: list[str] = []


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Remember what was skipped, and why."""
    if report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        _skipped.append(f"{report.nodeid}: {reason}")


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Where all tests must run, a skipped one is a failure; recorded data that are not there excuse themselves."""
    if os.environ.get("GASWITNESS_ALL_MUST_RUN") and not hasattr(session.config, "workerinput"):
        unexcused = [line for line in _skipped if "recorded data not found" not in line]
        if unexcused and session.exitstatus == 0:
            print("\nskipped, but should have run here:\n  " + "\n  ".join(unexcused))
            session.exitstatus = 1

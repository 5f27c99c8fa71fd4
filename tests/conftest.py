"""Fixtures that every test may use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

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

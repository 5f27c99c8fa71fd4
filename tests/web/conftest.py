"""A cellar with its rig and its board, for tests in a browser."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from support.boards import chromium


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

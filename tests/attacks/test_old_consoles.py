"""Consoles and pipes that know few characters: the words come through, and nothing ends in an exception."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
@pytest.mark.parametrize("words", [["levels", "NH3"], ["levels", "NH3", "--json"], ["plan", "SITE"], ["heard", "SITE"]])
def test_an_old_encoding_ends_no_command(words: list[str], encoding: str, repo: Path) -> None:
    given = [str(repo / "examples" / "ravensmoor.yaml") if word == "SITE" else word for word in words]
    done = subprocess.run(
        [sys.executable, "-m", "gaswitness", *given],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert b"Error" not in done.stderr
    text = done.stdout.decode(encoding)
    if "--json" in words:
        assert json.loads(text)["gas"] == "NH3"

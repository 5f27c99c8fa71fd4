"""The tutorial, carried out word by word."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest


def _commands(page: str) -> list[list[str]]:
    blocks = re.findall(r"```console\n(.*?)```", page, re.DOTALL)
    return [shlex.split(line) for block in blocks for line in block.strip().splitlines()]


def _expanded(word: str, folder: Path) -> str:
    if "*" not in word:
        return word
    (found,) = folder.glob(word)
    return str(found)


def test_the_tutorial_works_as_it_stands(repo: Path, tmp_path: Path) -> None:
    commands = _commands((repo / "docs" / "tutorial.md").read_text(encoding="utf-8"))
    assert [words[1] for words in commands] == ["check", "plan", "rig", "run", "judge", "keys", "certify", "verify"]
    (tmp_path / "examples").mkdir()
    (tmp_path / "examples" / "cellar.yaml").write_bytes((repo / "examples" / "cellar.yaml").read_bytes())
    port = "15020"
    rig: subprocess.Popen[str] | None = None
    try:
        for words in commands:
            ready = [_expanded(word, tmp_path).replace("15020", port) for word in words[1:]]
            call = [sys.executable, "-m", "gaswitness", *ready]
            if words[1] == "rig":
                call[call.index("--port") + 1] = "0"  # the page's port may be taken here
                call += ["--control-port", "0"]
                rig = subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=tmp_path)
                assert rig.stdout is not None
                port = rig.stdout.readline().strip().rpartition(":")[2]
                control = rig.stdout.readline().split()[-1]
                continue
            if words[1] == "run":
                call += ["--rig", f"127.0.0.1:{control}"]
            done = subprocess.run(call, capture_output=True, text=True, cwd=tmp_path, timeout=120, check=False)
            assert done.returncode == 0, f"{' '.join(words)}\n{done.stdout}\n{done.stderr}"
    finally:
        if rig is not None:
            rig.terminate()
            rig.communicate(timeout=10)
    assert list((tmp_path / "visit").glob("*.pdf"))


@pytest.mark.parametrize("kind", ["weak"])
def test_faults_that_the_tutorial_names_exist(kind: str) -> None:
    from gaswitness.links.rig.faults import KINDS

    assert kind in KINDS

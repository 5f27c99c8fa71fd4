"""Commands of the program in processes of their own, that can be killed; the program is imported once for all."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path


def _command(words: list[str], log: str) -> None:
    """In the new process: be the `gaswitness` command."""
    from gaswitness.cli.main import main

    with Path(log).open("a", encoding="utf-8") as stream:
        os.dup2(stream.fileno(), 1)
        os.dup2(stream.fileno(), 2)
    sys.argv = ["gaswitness", *words]
    main()


def start(words: list[str], log: Path) -> multiprocessing.process.BaseProcess:
    """Start a command; its output goes to the end of `log`."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["gaswitness.cli.running", "gaswitness.links.modbus"])
    process = context.Process(target=_command, args=(words, str(log)), daemon=True)
    process.start()
    return process


@contextlib.contextmanager
def rig(site: Path, speed: float, *words: str) -> Iterator[tuple[str, str]]:
    """The simulated installation in a process; gives its panel as a link, and where its hands are."""
    command = [sys.executable, "-m", "gaswitness", "rig", str(site), "--port", "0", "--control-port", "0", *words]
    with subprocess.Popen(
        [*command, "--speed", str(speed)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip().removeprefix("listening on ")
        control = process.stdout.readline().strip().removeprefix("control port ")
        try:
            yield f"modbus-tcp://{address}", f"127.0.0.1:{control}"
        finally:
            process.terminate()
            process.wait(timeout=10)

"""How long a person waits for a command, Python's own start included."""

from __future__ import annotations

import re
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
RINK = REPO / "examples" / "ravensmoor.yaml"
ROUNDS = 7


_TELL = """
import atexit, runpy, sys
from pathlib import Path
status = Path("/proc/self/status")
if status.exists():
    atexit.register(lambda: sys.stderr.write("".join(line for line in status.open() if line.startswith("VmHWM"))))
sys.argv = ["gaswitness", *sys.argv[1:]]
runpy.run_module("gaswitness", run_name="__main__")
"""


def _run(*words: str) -> str:
    done = subprocess.run([sys.executable, *words], capture_output=True, cwd=REPO, text=True)
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr)
    return done.stderr


def _took_s(*words: str) -> float:
    started = time.perf_counter()
    _run(*words)
    return time.perf_counter() - started


def _memory_mb(words: list[str]) -> float | None:
    """Most memory that the process of a command ever had; none where the system does not tell."""
    told = re.search(r"VmHWM:\s+(\d+) kB", _run("-c", _TELL, *words))
    return None if told is None else int(told[1]) * 1024 / 1e6


def rows() -> list[dict]:
    """Medians of interleaved rounds against an interpreter that only imports NumPy and pydantic."""
    sys.path.insert(0, str(REPO / "tests"))
    from support.rigged import example_plan, visit

    with tempfile.TemporaryDirectory() as folder:
        ledger, key, first = (Path(folder) / name for name in ("rink.ledger.jsonl", "key", "first"))
        ledger.write_bytes(visit(example_plan("ravensmoor.yaml")))
        _took_s("-m", "gaswitness", "keys", "new", "-o", str(key))
        _took_s("-m", "gaswitness", "certify", str(ledger), "--key", str(key), "-o", str(first))
        bundle = next(path for path in sorted(first.iterdir()) if path.suffix != ".pdf")
        commands = {
            "gaswitness --help": (0.3, ["--help"]),
            "check the rink": (0.6, ["check", str(RINK), "--json"]),
            "plan the rink": (None, ["plan", str(RINK), "--json"]),
            "judge the rink": (1.0, ["judge", str(ledger), "--json"]),
            "certify the rink": (2.0, ["certify", str(ledger), "--key", str(key), "-o", folder, "--json"]),
            "verify its bundle": (1.5, ["verify", str(bundle), "--json"]),
        }
        times: dict[str, list[float]] = {name: [] for name in commands}
        memory = {name: _memory_mb(words) for name, (_, words) in commands.items()}
        peer: list[float] = []
        for _ in range(ROUNDS):
            peer.append(_took_s("-c", "import numpy, pydantic"))
            for name, (_, words) in commands.items():
                times[name].append(_took_s("-m", "gaswitness", *words))
    peer_s = statistics.median(peer)
    return [
        {
            "what": name,
            "this_s": statistics.median(times[name]),
            "peer": "python -c 'import numpy, pydantic'",
            "peer_s": peer_s,
            "ratio": peer_s / statistics.median(times[name]),
            "limit": f"goal {goal:g} s" if goal else None,
            "memory_mb": memory[name],
        }
        for name, (goal, _) in commands.items()
    ]

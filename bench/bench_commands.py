"""How long a person waits for a command, Python's own start included."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
RINK = REPO / "examples" / "ravensmoor.yaml"
ROUNDS = 7


def _took_s(*words: str) -> float:
    started = time.perf_counter()
    done = subprocess.run([sys.executable, *words], capture_output=True, cwd=REPO)
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr.decode())
    return time.perf_counter() - started


def rows() -> list[dict]:
    """Medians of interleaved rounds against an interpreter that only imports NumPy and pydantic."""
    sys.path.insert(0, str(REPO / "tests"))
    from support.rigged import example_plan, visit

    with tempfile.TemporaryDirectory() as folder:
        ledger, key = Path(folder) / "rink.ledger.jsonl", Path(folder) / "key"
        ledger.write_bytes(visit(example_plan("ravensmoor.yaml")))
        _took_s("-m", "gaswitness", "keys", "new", "-o", str(key))
        commands = {
            "gaswitness --help": (0.3, ["--help"]),
            "check the rink": (0.6, ["check", str(RINK), "--json"]),
            "plan the rink": (None, ["plan", str(RINK), "--json"]),
            "judge the rink": (1.0, ["judge", str(ledger), "--json"]),
            "certify the rink": (2.0, ["certify", str(ledger), "--key", str(key), "-o", folder, "--json"]),
        }
        times: dict[str, list[float]] = {name: [] for name in commands}
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
        }
        for name, (goal, _) in commands.items()
    ]

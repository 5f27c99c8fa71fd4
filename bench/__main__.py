"""`python -m bench`: run every bench_*.py beside this file, print one table, write JSON and docs/benchmarks.md."""

from __future__ import annotations

import importlib
import json
import platform
import sys
from importlib.metadata import version
from pathlib import Path

from rich.console import Console
from rich.table import Table

HERE = Path(__file__).resolve().parent
DOCS = HERE.parent / "docs" / "benchmarks.md"
COLUMNS = ("what", "this", "peer", "peer took", "ratio", "goal or limit", "physical limit", "memory", "note")


def _time(seconds: float | None) -> str:
    if seconds is None:
        return "-"
    for scale, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")):
        if seconds >= scale:
            return f"{seconds / scale:.3g} {unit}"
    return f"{seconds:.1e} s"


def _cells(row: dict) -> tuple[str, ...]:
    memory = row.get("memory_mb")
    ratio = row.get("ratio")
    return (
        row["what"],
        _time(row.get("this_s")),
        row.get("peer") or "-",
        _time(row.get("peer_s")),
        "-" if ratio is None else f"{ratio:.3g} x",
        str(row.get("limit") or "-"),
        _time(row.get("physical_s")),
        "-" if memory is None else f"{memory:.3g} MB",
        row.get("note") or "",
    )


def main() -> None:
    wanted = sys.argv[1:]
    rows = []
    for path in sorted(HERE.glob("bench_*.py")):
        if wanted and not any(word in path.stem for word in wanted):
            continue
        print(f"measuring {path.stem} ...", file=sys.stderr)
        rows += importlib.import_module(f"bench.{path.stem}").rows()
    table = Table(*COLUMNS)
    for row in rows:
        table.add_row(*_cells(row))
    Console(width=180).print(table)
    if wanted:
        return
    packages = ("gaswitness", "numpy", "scipy", "numba", "pydantic", "pandas", "lmfit")
    machine = f"{platform.machine()}, {platform.system()}, Python {platform.python_version()}"
    versions = ", ".join(f"{name} {version(name)}" for name in packages)
    (HERE.parent / "test-output").mkdir(exist_ok=True)
    document = {"machine": machine, "versions": versions, "rows": rows}
    (HERE.parent / "test-output" / "bench.json").write_text(json.dumps(document, indent=1), encoding="utf-8")
    lines = [
        "# Benchmarks",
        "",
        "Made by `make bench`: medians of interleaved runs. Ratio = peer's time / ours, above 1 is faster.",
        "Physical limit: the time in which the machine's memory can deliver the readings once, by a copy of the same",
        "size in the same turns. Memory: the most in use at once in the call, inputs apart; of commands, the process.",
        "",
        f"Machine: {machine}. Versions: {versions}.",
        "",
        "| " + " | ".join(COLUMNS) + " |",
        "|" + "---|" * len(COLUMNS),
        *("| " + " | ".join(cell.replace("|", "/") for cell in _cells(row)) + " |" for row in rows),
        "",
    ]
    DOCS.write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()

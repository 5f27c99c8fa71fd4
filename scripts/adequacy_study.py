"""Write what the test of residuals sees, and how often it cries without cause, into docs/response.md.

python scripts/adequacy_study.py [TRACES] [SEED]
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

from between import put

from gaswitness.response.adequacy_study import DISPLAYS, FAILS, HOLDS, Told, tell

TRUTHS = HOLDS + FAILS


def one(task: tuple[int, int, int, int]) -> Told:
    row, column, traces, seed = task
    return tell(TRUTHS[row], DISPLAYS[column], traces, seed)


def main() -> None:
    traces = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 31
    width = len(DISPLAYS)
    rows = [
        "| detector | " + " | ".join(display.name for display in DISPLAYS) + " |",
        "|---" * (width + 1) + "|",
    ]
    cells = [(row, column) for row in range(len(TRUTHS)) for column in range(width)]
    tasks = [(row, column, traces, seed + k) for k, (row, column) in enumerate(cells)]
    with ProcessPoolExecutor() as pool:
        got = list(pool.map(one, tasks))
    for row, truth in enumerate(TRUTHS):
        told = got[row * width : (row + 1) * width]
        cells_of = (
            f"{100 * one.inadequate:.1f} %" + (f" ({100 * one.unproven:.0f} %)" if one.unproven else "") for one in told
        )
        name = truth.name if truth in HOLDS else f"**{truth.name}**"
        rows.append(f"| {name} | " + " | ".join(cells_of) + " |")
        print(rows[-1], flush=True)
    rows.append(f"\n{traces} traces a cell, seed {seed}. Bold: the model does not hold.")
    put("response.md", "adequacy", rows)


if __name__ == "__main__":
    main()

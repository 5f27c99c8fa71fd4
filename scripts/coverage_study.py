"""Write the coverage table of the step fit into docs/response.md, between its markers.

python scripts/coverage_study.py [TRACES] [SEED]
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

from between import put

from gaswitness.response.study import CASES, Case, Coverage, cover


def one(task: tuple[Case, int, int]) -> Coverage:
    return cover(*task)


def main() -> None:
    traces = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 20261125
    rows = [
        "| case | plateau in 95 % | t90 in 95 % | plateau: stated u / spread | t90: stated u / spread, s | unknown |",
        "|---|---|---|---|---|---|",
    ]
    tasks = [(case, traces, seed + k) for k, case in enumerate(CASES)]
    with ProcessPoolExecutor() as pool:
        for got in pool.map(one, tasks):
            rows.append(
                f"| {got.case.name} | {100 * got.plateau:.1f} % | {100 * got.t90:.1f} % "
                f"| {got.u_plateau:.2f} / {got.sd_plateau:.2f} | {got.u_t90_s:.2f} / {got.sd_t90_s:.2f} "
                f"| {100 * got.unknown:.1f} % |"
            )
            print(rows[-1], flush=True)
    rows.append(f"\n{traces} traces a case, seed {seed}; a share of {traces} has a standard error of about 0.5 %.")
    put("response.md", "coverage", rows)


if __name__ == "__main__":
    main()

"""Write what the rule for shutting the gas off saves, and how often it errs, into docs/response.md.

python scripts/enough_study.py [TESTS] [SEED]
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

from between import put

from gaswitness.response.enough_study import KINDS, Outcome, Sensors, compare


def one(task: tuple[Sensors, int, int]) -> Outcome:
    return compare(*task)


def main() -> None:
    tests = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    rows = [
        "| detectors | gas saved | stopped early | wrong by rule | wrong by waiting | rule less waiting |",
        "|---|---|---|---|---|---|",
    ]
    with ProcessPoolExecutor() as pool:
        for got in pool.map(one, [(kind, tests, seed + k) for k, kind in enumerate(KINDS)]):
            rows.append(
                f"| {got.kind.name} | {100 * got.gas_saved:.1f} ± {100 * got.u_gas_saved:.1f} % "
                f"| {100 * got.stopped_early:.0f} % | {100 * got.wrong_by_rule:.2f} % "
                f"| {100 * got.wrong_by_waiting:.2f} % | {100 * got.more_wrong:+.2f} ± {100 * got.u_more_wrong:.2f} % |"
            )
            print(rows[-1], flush=True)
    rows.append(f"\n{tests} tests a row, seed {seed}; ± is one standard error, the last column's of the pairs.")
    put("response.md", "enough", rows)


if __name__ == "__main__":
    main()

"""Releases at many sites: `python scripts/campaign.py SITE ... -o RESULTS [--scenarios N] [--dask tcp://HOST:PORT]`.

One line of JSON a site is added to RESULTS; sites that it holds already are left out, so a campaign that was cut off
goes on where it was. Without -o nothing is run but a few scenarios of each site, and what the whole would cost is said.
"""

from __future__ import annotations

import argparse
import json
import sys
from contextlib import nullcontext
from pathlib import Path
from time import process_time
from typing import Any

from gaswitness.errors import GaswitnessError
from gaswitness.release.cluster import core_hours, dask_mapper
from gaswitness.release.montecarlo import Spread, study
from gaswitness.release.scene import scenes
from gaswitness.site import read_site

TRIED = 20_000
"""Scenarios by which the processor time of one is measured."""


def of_site(path: Path, scenarios: int, seed: int, mapper: Any = None) -> dict[str, Any]:
    """One line of the results."""
    areas = [
        {
            "area": found.scene.area,
            "gas": found.scene.gas.key,
            "p_detect": found.detect.p,
            "p50_s": found.detect.p50_s,
            "p95_s": found.detect.p95_s,
            "undetected": dict(found.undetected),
        }
        for stream, scene in enumerate(scenes(read_site(path)))
        for found in [study(scene, Spread(), scenarios=scenarios, seed=seed, stream=stream, mapper=mapper)]
    ]
    return {"site": path.name, "scenarios": scenarios, "seed": seed, "areas": areas}


def cost(paths: list[Path], scenarios: int) -> str:
    """What it would take, measured on this machine."""
    charges = [sum(len(area.charges) for area in read_site(path).areas) for path in paths]
    leaking = [path for path, count in zip(paths, charges, strict=True) if count]
    if not leaking:
        return "no site holds a charge: nothing to run"
    of_site(leaking[0], 64, 1)  # compiles
    begin = process_time()
    for path in leaking:
        of_site(path, TRIED, 1)
    per_scenario_s = (process_time() - begin) / (TRIED * sum(charges))
    mean = sum(charges) / len(paths)
    hours = core_hours(sites=len(paths), charges=mean, scenarios=scenarios, per_scenario_s=per_scenario_s)
    return (
        f"{len(paths)} sites, {mean:.1f} charges each, {scenarios:,} scenarios a charge, "
        f"{1e6 * per_scenario_s:.1f} us of processor time a scenario: {hours:.3g} core hours"
    )


def main(words: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sites", nargs="+", type=Path)
    parser.add_argument("-o", "--out", type=Path)
    parser.add_argument("--scenarios", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--dask")
    asked = parser.parse_args(words)
    if asked.out is None:
        print(cost(asked.sites, asked.scenarios))
        return
    kept = asked.out.read_text(encoding="utf-8").splitlines() if asked.out.exists() else []
    done = {json.loads(line)["site"] for line in kept}
    with (
        dask_mapper(asked.dask) if asked.dask else nullcontext() as mapper,
        asked.out.open("a", encoding="utf-8") as out,
    ):
        for path in asked.sites:
            if path.name in done:
                continue
            try:
                line = of_site(path, asked.scenarios, asked.seed, mapper)
            except GaswitnessError as error:
                print(f"{path}: {error}", file=sys.stderr)
                continue
            out.write(json.dumps(line) + "\n")
            out.flush()


if __name__ == "__main__":
    main()

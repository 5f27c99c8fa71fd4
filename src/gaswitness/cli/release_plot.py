"""The time to each alarm over all leaks of an area, as a page: one strip an area, lines named where they end."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl

mpl.use("agg")

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes

from gaswitness.release.montecarlo import AreaResult, Spread
from gaswitness.release.rooms import NEAR_THE_LEAK

INK, QUIET = "#333333", "#8a8a8a"
STYLES = ("-", "--", "-.", ":")


def draw_times(results: Sequence[AreaResult], spread: Spread, seed: int, path: Path) -> None:
    """Write one page, PDF or PNG by the file's ending: share of all leaks that have alarmed, over time."""
    figure, axes = plt.subplots(len(results), 1, figsize=(8.3, 2.7 * len(results) + 1.0), squeeze=False)
    for axis, result in zip(axes[:, 0], results, strict=True):
        _strip(axis, result, spread)
    axes[-1, 0].set_xlabel("time from the start of the leak, s")
    notes = f"{results[0].scenarios} leaks in each area, seed {seed}. {NEAR_THE_LEAK}"
    figure.text(0.08, 0.005, notes, fontsize=7, color=QUIET, va="bottom", wrap=True)
    figure.tight_layout(rect=(0.0, 0.045, 1.0, 1.0))
    figure.savefig(path)
    plt.close(figure)


def _strip(axis: Axes, result: AreaResult, spread: Spread) -> None:
    t_s = np.arange(1, len(result.histograms["any"]) - 1) * spread.step_s
    ends: list[tuple[float, str]] = []
    for position, (name, histogram) in enumerate(result.histograms.items()):
        share = 100.0 * np.cumsum(histogram)[1:-1] / result.scenarios
        style = "-" if name == "any" else STYLES[position % len(STYLES)]
        wide, colour = (2.0, INK) if name == "any" else (1.0, QUIET)
        axis.step(t_s, share, style, where="post", color=colour, linewidth=wide)
        ends.append((float(share[-1]), "any alarm" if name == "any" else name))
    height = np.inf
    for share_end, name in sorted(ends, reverse=True):
        height = min(share_end, height - 7.0)
        beside = axis.get_yaxis_transform()
        axis.annotate(name, (t_s[-1], share_end), (1.02, height), textcoords=beside, fontsize=7, va="center")
    axis.set_xscale("log")
    axis.set_xlim(1.0, t_s[-1])
    axis.xaxis.set_major_formatter("{x:g}")
    axis.set_ylim(0.0, 102.0)
    axis.set_ylabel("leaks alarmed, %")
    axis.grid(visible=True, color="#e4e4e4", linewidth=0.6)
    axis.spines[["top", "right"]].set_visible(False)
    scene = result.scene
    axis.set_title(f"{scene.area}: {scene.charge_kg:g} kg {scene.gas.key}", loc="left", fontsize=10, color=INK)

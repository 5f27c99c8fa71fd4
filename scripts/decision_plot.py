"""Draw how often each decision rule accepts what is wrong and rejects what is right, simulated with `decide` itself.

python scripts/decision_plot.py docs/pictures/decision-rules.png
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np

mpl.use("Agg")
import matplotlib.pyplot as plt

from gaswitness.judge import decide

RULES = {"simple": ("#0072B2", "-"), "guarded": ("#D55E00", "--"), "shared-risk": ("#009E73", ":")}
SEED, DRAWS = 106, 4000
TOLERANCE = 1.0
"""Limits at -1 and +1: everything is in units of the tolerance."""


def rates(rule: str, u: float, true: np.ndarray, draws: int = DRAWS) -> tuple[np.ndarray, np.ndarray]:
    """Share of passes and of fails at each true value, for measured values spread about it by u."""
    noise = np.random.default_rng(SEED).normal(0.0, u, draws)
    passed, failed = np.empty(true.size), np.empty(true.size)
    for n, value in enumerate(true):
        outcomes = [decide(float(value + e), u, -TOLERANCE, TOLERANCE, rule).outcome for e in noise]  # type: ignore[arg-type]
        passed[n] = outcomes.count("pass") / draws
        failed[n] = outcomes.count("fail") / draws
    return passed, failed


def draw(target: Path) -> dict[str, dict[str, float]]:
    """The picture, and the figures at the limit that the page quotes."""
    true = np.linspace(0.0, 2.0, 81)
    figure, panels = plt.subplots(1, 2, figsize=(10, 4.2), sharey=True, constrained_layout=True)
    quoted: dict[str, dict[str, float]] = {}
    for panel, u in zip(panels, (0.08, 0.25), strict=True):
        for rule, (colour, dash) in RULES.items():
            passed, failed = rates(rule, u, true)
            panel.plot(true, passed, color=colour, ls=dash, lw=2, label=f"{rule}: pass")
            dots = {"marker": "s", "ms": 3, "markevery": 8}
            panel.plot(true, failed, color=colour, ls=dash, lw=0.9, label=f"{rule}: fail", **dots)
            at_limit = rates(rule, u, np.array([TOLERANCE * 1.0001, TOLERANCE * 0.9999]), 10 * DRAWS)
            quoted[f"{rule}, u = {u:g}"] = {
                "false accept just outside": float(at_limit[0][0]),
                "false reject just inside": float(at_limit[1][1]),
            }
        panel.axvline(TOLERANCE, color="0.4", lw=1)
        panel.text(TOLERANCE + 0.02, 0.97, "limit", color="0.3", va="top")
        panel.set_title(f"u = {u:g} of the tolerance (U = {2 * u:g})", fontsize=10)
        panel.set_xlabel("true value, in units of the tolerance")
        panel.grid(color="0.92")
        for side in ("top", "right"):
            panel.spines[side].set_visible(False)
    panels[0].set_ylabel("share of decisions")
    panels[0].legend(fontsize=8, frameon=False)
    target.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(target, dpi=130)
    return quoted


if __name__ == "__main__":
    for name, figures in draw(Path(sys.argv[1] if len(sys.argv) > 1 else "docs/pictures/decision-rules.png")).items():
        print(name, figures)

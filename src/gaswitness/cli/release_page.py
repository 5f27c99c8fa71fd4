"""The time to each alarm over all leaks, as one page that needs no network: point at a line to read it."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gaswitness.errors import InputError
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.release.montecarlo import AreaResult, Spread
from gaswitness.release.rooms import NEAR_THE_LEAK

INK, QUIET = "#333333", "#8a8a8a"
DASHES = ("solid", "dashed", "dotdash", "dotted")
MOST_POINTS = 400
"""Points drawn of a line; alarms are read off the table, not off the page."""


def write_page(results: Sequence[AreaResult], spread: Spread, seed: int, path: Path) -> None:
    """Write the page; raises InputError where the library that draws it is not installed."""
    try:
        plotting: Any = importlib.import_module("bokeh.plotting")
        layouts: Any = importlib.import_module("bokeh.layouts")
        models: Any = importlib.import_module("bokeh.models")
        embed: Any = importlib.import_module("bokeh.embed")
        resources: Any = importlib.import_module("bokeh.resources")
    except ImportError as error:
        hint = "pip install 'gaswitness[pages]', or name a .pdf file"
        raise InputError("Bokeh, which draws pages, is not installed", where="--out", hint=hint) from error
    strips = []
    for result in results:
        scene = result.scene
        bins = len(result.histograms["any"])
        steps = np.unique(np.geomspace(1, bins - 2, MOST_POINTS).astype(np.int64))
        strip = plotting.figure(
            title=f"{scene.area}: {scene.charge_kg:g} kg {scene.gas.key}",
            x_axis_type="log",
            x_axis_label="time from the start of the leak, s",
            y_axis_label="leaks alarmed, %",
            y_range=(0, 102),
            height=300,
            sizing_mode="stretch_width",
            tools="pan,wheel_zoom,reset,save",
        )
        for position, (name, histogram) in enumerate(result.histograms.items()):
            share = 100.0 * np.cumsum(histogram)[steps] / result.scenarios
            label = "any alarm" if name == "any" else name
            line = strip.step(
                (steps * spread.step_s).tolist(),
                share.tolist(),
                mode="after",
                legend_label=label,
                line_color=INK if name == "any" else QUIET,
                line_width=2 if name == "any" else 1.2,
                line_dash="solid" if name == "any" else DASHES[position % len(DASHES)],
            )
            tips = [("alarm", label), ("time", "@x{0} s"), ("leaks alarmed", "@y{0.00} %")]
            strip.add_tools(models.HoverTool(renderers=[line], tooltips=tips))
        strip.legend.location = "top_left"
        strip.legend.click_policy = "hide"
        strips.append(strip)
    notes = [f"{results[0].scenarios} leaks in each area, seed {seed}.", NEAR_THE_LEAK, DEFERRAL]
    words = models.Div(text=" ".join(notes), styles={"color": QUIET})
    whole = layouts.column([*strips, words], sizing_mode="stretch_width")
    page = embed.file_html(whole, resources.INLINE, title="Time to each alarm")
    path.write_text(page, encoding="utf-8", newline="\n")

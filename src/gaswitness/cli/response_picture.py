"""Picture of a response: the strip of the reading over time, the fitted curve, the figures, the residuals."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gaswitness.errors import InputError
from gaswitness.response import ResponseFigures, StepFit
from gaswitness.wording import with_uncertainty

Floats = NDArray[np.float64]

# Okabe and Ito, Color Universal Design (2008)
BLUE, VERMILION, GREEN = "#0072B2", "#D55E00", "#009E73"
PAGE, INK, QUIET = "#F4F4F2", "#222222", "#8A8A86"


def draw(
    path: Path, t_s: Floats, reading: Floats, figures: ResponseFigures, *, title: str, unit: str = "", credit: str = ""
) -> None:
    """Draw one exposure to `path`; the ending says the format. Raises `InputError` for an ending that is none."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.5, 6.2), facecolor=PAGE, layout="constrained")
    strip, below = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": [3.2, 1]})
    for axes in (strip, below):
        axes.set_facecolor(PAGE)
        axes.spines[["top", "right"]].set_visible(False)
        axes.tick_params(colors=INK, labelsize=8)
        axes.grid(color="#DDDDDA", linewidth=0.6)
    strip.plot(t_s, reading, linestyle="none", marker="o", markersize=2.4, color=INK, label="reading", zorder=2)
    fits = [(figures.fit, "fitted rise", BLUE, "-"), (figures.recovery, "fitted recovery", GREEN, "--")]
    window = (figures.gas_on_s, math.inf if math.isnan(figures.gas_off_s) else figures.gas_off_s)
    for fit, name, colour, style in fits:
        if fit is not None:
            _draw_fit(strip, below, t_s, reading, fit, window, name, colour, style)
            window = (figures.gas_off_s, math.inf)
    _draw_instants(strip, figures)
    _draw_levels(strip, figures)
    strip.set_ylabel(f"reading, {unit}" if unit else "reading", color=INK, fontsize=9)
    below.set_ylabel("reading\n- fit", color=INK, fontsize=9)
    below.axhline(0.0, color=QUIET, linewidth=0.8)
    below.set_xlabel("seconds from the first row", color=INK, fontsize=9)
    strip.legend(loc="center right", fontsize=8, frameon=True, facecolor=PAGE, edgecolor="none")
    figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold", color=INK)
    strip.set_title(_words(figures), loc="left", fontsize=8, color=INK)
    if credit:
        figure.supxlabel(credit, x=0.01, ha="left", fontsize=6.5, color=QUIET)
    try:
        figure.savefig(path, dpi=110, facecolor=PAGE)
    except ValueError as error:
        raise InputError("not a picture", where=str(path), found=path.suffix, expected=".png, .svg or .pdf") from error


def _draw_fit(
    strip: Any, below: Any, t: Floats, y: Floats, fit: StepFit, window: tuple[float, float],
    name: str, colour: str, style: str,
) -> None:  # fmt: skip
    end = min(window[1], window[0] + max(8.0 * fit.t90_s, 0.0) if math.isfinite(fit.t90_s) else window[1], float(t[-1]))
    begin = max(window[0] - 0.1 * (end - window[0]), float(t[0]))
    fine = np.linspace(begin, end, 600)
    strip.plot(fine, fit.curve(fine), style, color=colour, linewidth=1.4, label=name, zorder=3)
    inside = (t >= begin) & (t <= end) & np.isfinite(y)
    marker = "o" if style == "-" else "s"
    below.plot(t[inside], y[inside] - fit.curve(t[inside]), marker, markersize=2.2, color=colour)


def _draw_instants(strip: Any, figures: ResponseFigures) -> None:
    top = strip.get_ylim()[1]
    for t_s, found, word, side in (
        (figures.gas_on_s, figures.gas_on_found, "gas on", "right"),
        (figures.gas_off_s, figures.gas_off_found, "gas off", "left"),
    ):
        if math.isfinite(t_s):
            strip.axvline(t_s, color=QUIET, linewidth=1.0, linestyle=":")
            word += " (found)" if found else ""
            left, right = strip.get_xlim()
            side = "left" if t_s < left + 0.15 * (right - left) else side
            at = {"ha": side, "va": "top", "fontsize": 8, "color": INK}
            strip.text(t_s, top, f" {word} ", **at)


def _draw_levels(strip: Any, figures: ResponseFigures) -> None:
    zero, plateau = figures.zero.value, figures.plateau.value
    for level, word in ((zero, "zero"), (plateau, "plateau")):
        if math.isfinite(level):
            strip.axhline(level, color=QUIET, linewidth=0.8, linestyle=(0, (6, 4)))
            strip.annotate(
                word, (1.0, level), xycoords=("axes fraction", "data"), fontsize=8, color=QUIET, ha="right", va="bottom"
            )
    marks = (
        (figures.gas_on_s, figures.t50.value, 0.5, "t50", "v"),
        (figures.gas_on_s, figures.t90.value, 0.9, "t90", "^"),
    )
    for start, time, share, word, shape in marks:
        if math.isfinite(time) and math.isfinite(zero):
            x, level = start + time, zero + share * (plateau - zero)
            strip.plot([x], [level], shape, color=VERMILION, markersize=7, zorder=4)
            strip.annotate(
                f"{word} {time:.3g} s", (x, level), (8, -3), textcoords="offset points", fontsize=8, color=INK
            )


def _words(figures: ResponseFigures) -> str:
    def told(value: float, u: float) -> str:
        return with_uncertainty(value, 2 * u)

    parts = [
        f"zero {told(figures.zero.value, figures.zero.u)}",
        f"plateau {told(figures.plateau.value, figures.plateau.u)}",
        f"t50 {told(figures.t50.value, figures.t50.u)} s",
        f"t90 {told(figures.t90.value, figures.t90.u)} s",
        f"recovery t10 {told(figures.t10.value, figures.t10.u)} s",
    ]
    flags = ", ".join(figures.flags) or "none"
    return "   ".join(parts) + "   (k = 2)\nflags: " + flags

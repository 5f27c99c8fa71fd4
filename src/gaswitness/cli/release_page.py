"""The share of leaks alarmed over time as one page that needs no network: point at a line to read it.

The picture is drawn by Bokeh, whose script is part of the page; the table below it says the same without one.
"""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from html import escape
from pathlib import Path
from string import Template
from typing import Any

from gaswitness.cli.release_lines import TIMES_S, Line, drawn_of, left_out, lines_of
from gaswitness.cli.release_view import assumptions, consequences, percent, when
from gaswitness.errors import InputError
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.release.montecarlo import AreaResult, Spread
from gaswitness.release.rooms import NEAR_THE_LEAK
from gaswitness.wording import number

PAGE = Path(__file__).with_name("release_page.html")
STROKES = {"solid": "", "dashed": "7 4", "dotted": "2 4", "dash-dotted": "8 3 2 3"}
"""Patterns of dashes as SVG and Bokeh have them, in pixels."""
PAINTS = {"any": "#1b1b1b", "first": "#0072b2", "later": "#d55e00"}
"""On paper; the page's script paints them anew for a dark screen."""


def page_of(site: str, results: Sequence[AreaResult], spread: Spread, seed: int) -> str:
    """The page; raises InputError where the library that draws it is not installed."""
    try:
        embed: Any = importlib.import_module("bokeh.embed")
        resources: Any = importlib.import_module("bokeh.resources")
    except ImportError as error:
        hint = "pip install 'gaswitness[pages]', or name a .pdf file"
        raise InputError("Bokeh, which draws pages, is not installed", where="--out", hint=hint) from error
    lines = [lines_of(result, spread) for result in results]
    script, pictures = embed.components([_picture(drawn_of(of_area), spread) for of_area in lines])
    areas = [_area(result, of_area, picture) for result, of_area, picture in zip(results, lines, pictures, strict=True)]
    notes = (assumptions(spread), NEAR_THE_LEAK, DEFERRAL)
    return Template(PAGE.read_text(encoding="utf-8")).substitute(
        site=escape(site),
        lead=f"{number(results[0].scenarios)} leaks in each area, followed for "
        f"{number(spread.duration_s / 60)} min; seed {seed}.",
        areas="\n".join(areas),
        notes="\n".join(f"<p>{_together(note)}</p>" for note in notes),
        library=resources.INLINE.render_js(),
        script=script,
    )


def _picture(lines: Sequence[Line], spread: Spread) -> Any:
    plotting: Any = importlib.import_module("bokeh.plotting")
    models: Any = importlib.import_module("bokeh.models")
    figure = plotting.figure(
        x_axis_type="log",
        x_range=(spread.step_s, spread.duration_s),
        y_range=(0, 101),
        height=300,
        sizing_mode="stretch_width",
        tools="",
        toolbar_location=None,
        outline_line_color=None,
        min_border_right=14,
    )
    times = [(t_s, word) for t_s, word in TIMES_S if t_s <= spread.duration_s]
    figure.xaxis.ticker = models.FixedTicker(ticks=[t_s for t_s, _ in times], minor_ticks=[])
    figure.xaxis.major_label_overrides = dict(times)
    figure.yaxis.ticker = models.FixedTicker(ticks=[0, 25, 50, 75, 100], minor_ticks=[])
    figure.xgrid.grid_line_color = None
    for axis in (figure.xaxis, figure.yaxis):
        axis.major_label_text_font = "DejaVu Sans Mono, ui-monospace, Consolas, monospace"
        axis.major_label_text_font_size = "11px"
        axis.major_tick_in = 0
    for line in lines:
        drawn = figure.step(
            list(line.t_s),
            list(line.percent),
            mode="after",
            name=line.stage,
            line_color=PAINTS[line.stage],
            line_width=2.6 if line.stage == "any" else 1.6,
            line_dash=[int(part) for part in STROKES[line.dash].split()],
        )
        tips = f"{escape(line.name)}: @y{{0.0}} % by @x{{0}} s"
        figure.add_tools(models.HoverTool(renderers=[drawn], tooltips=tips, line_policy="prev"))
    return figure


def _area(result: AreaResult, lines: Sequence[Line], picture: str) -> str:
    scene = result.scene
    heading = escape(f"{scene.area}: {number(scene.charge_kg)} kg {scene.gas.key}")
    seen = escape(f"{percent(result.detect.p)} of the leaks are alarmed within the time; half of all {_half(result)}.")
    drawn = drawn_of(lines)
    some = left_out(lines, drawn)
    remarks = [
        *([some] if some else []),
        *(f"Unseen {percent(count / result.scenarios)}: {why}." for why, count in result.undetected),
        *(f"{tag} does not see {scene.gas.key}." for tag in scene.blind),
        *(f"{line[0].upper()}{line[1:]}." for line in consequences(result)),
    ]
    rows = "\n".join(_row(line, drawn=line in drawn) for line in lines)
    return f"""<section>
<h2>{heading}</h2>
<p class="seen">{seen}</p>
<p class="unit">% of leaks alarmed, over time from the start of the leak</p>
<div class="picture" role="img" aria-label="{heading}. {seen} The table below has the figures of every line.">
{picture}</div>
<div class="sideways" tabindex="0" role="region" aria-label="Figures of {heading}"><table>
<thead><tr><th><span class="unseen">line</span></th><th scope="col">alarm</th><th scope="col">seen</th>
<th scope="col">half by</th><th scope="col">95 % by</th><th scope="col">lost without it</th></tr></thead>
<tbody>{rows}</tbody></table></div>
<ul>{"".join(f"<li>{_together(remark)}</li>" for remark in remarks)}</ul>
</section>"""


def _together(text: str) -> str:
    """Words for the page; a percent sign stays with its number."""
    return escape(text).replace(" %", "&nbsp;%")


def _half(result: AreaResult) -> str:
    half_s = result.detect.p50_s
    return "never are" if half_s is None else f"are after {when(half_s)}"


def _row(line: Line, *, drawn: bool) -> str:
    loss = "" if line.lost_without is None else percent(line.lost_without)
    wide = 2.6 if line.stage == "any" else 1.6
    sample = (
        f'<svg class="{line.stage}" width="34" height="8" aria-hidden="true">'
        f'<line x1="1" y1="4" x2="33" y2="4" stroke-width="{wide}" stroke-dasharray="{STROKES[line.dash]}"/></svg>'
        if drawn
        else ""
    )
    cells = (percent(line.figures.p), when(line.figures.p50_s), when(line.figures.p95_s), loss)
    numbers = "".join(f'<td class="number">{escape(cell)}</td>' for cell in cells)
    return f'<tr><td>{sample}</td><th scope="row">{escape(line.name)}</th>{numbers}</tr>'

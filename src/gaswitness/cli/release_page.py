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
from gaswitness.cli.release_view import HEADS, assumptions, heading, lead, percent, remarks, when
from gaswitness.errors import InputError
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.paper import ENGLISH
from gaswitness.release.montecarlo import AreaResult, Spread
from gaswitness.release.rooms import NEAR_THE_LEAK
from gaswitness.sentence import said
from gaswitness.telling import Teller

PAGE = Path(__file__).with_name("release_page.html")
STROKES = {"solid": "", "dashed": "7 4", "dotted": "2 4", "dash-dotted": "8 3 2 3"}
"""Patterns of dashes as SVG and Bokeh have them, in pixels."""
PAINTS = {"any": "#1b1b1b", "first": "#0072b2", "later": "#d55e00"}
"""On paper; the page's script paints them anew for a dark screen."""


def page_of(site: str, results: Sequence[AreaResult], spread: Spread, seed: int, tell: Teller = ENGLISH) -> str:
    """The page; raises InputError where the library that draws it is not installed."""
    try:
        embed: Any = importlib.import_module("bokeh.embed")
        resources: Any = importlib.import_module("bokeh.resources")
    except ImportError as error:
        hint = "pip install 'gaswitness[pages]', or name a .pdf file"
        raise InputError("Bokeh, which draws pages, is not installed", where="--out", hint=hint) from error
    lines = [lines_of(result, spread) for result in results]
    script, pictures = embed.components([_picture(drawn_of(of_area), spread, tell) for of_area in lines])
    areas = [
        _area(result, of_area, picture, tell) for result, of_area, picture in zip(results, lines, pictures, strict=True)
    ]
    notes = (assumptions(spread), NEAR_THE_LEAK, DEFERRAL)
    return Template(PAGE.read_text(encoding="utf-8")).substitute(
        language=tell.language,
        title=escape(tell(said("Would the leak be seen?"))),
        site=escape(site),
        lead=escape(tell(lead(results, spread, seed))),
        areas="\n".join(areas),
        notes="\n".join(f"<p>{_together(tell(note))}</p>" for note in notes),
        library=resources.INLINE.render_js(),
        script=script,
    )


def _picture(lines: Sequence[Line], spread: Spread, tell: Teller) -> Any:
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
    # written by the browser, which knows how each language does it
    percents = models.CustomJSHover(
        code=f"return value.toLocaleString('{tell.language}', {{minimumFractionDigits: 1, maximumFractionDigits: 1}})"
    )
    for line in lines:
        drawn = figure.line(  # the library's own steps cannot be pointed at
            [line.t_s[0], *(t_s for t_s in line.t_s[1:] for _ in range(2))],
            [*(share for share in line.percent[:-1] for _ in range(2)), line.percent[-1]],
            name=line.stage,
            line_color=PAINTS[line.stage],
            line_width=2.6 if line.stage == "any" else 1.6,
            line_dash=[int(part) for part in STROKES[line.dash].split()],
        )
        tips = escape(tell(said("{alarm}: {share} % by {time} s", alarm=line.name, share="@y{custom}", time="@x{0}")))
        read = models.HoverTool(renderers=[drawn], tooltips=tips, line_policy="prev", formatters={"@y": percents})
        figure.add_tools(read)
    return figure


def _area(result: AreaResult, lines: Sequence[Line], picture: str, tell: Teller) -> str:
    named, seen = escape(tell(heading(result.scene))), escape(tell(_seen(result)))
    drawn = drawn_of(lines)
    rows = "\n".join(_row(line, tell, drawn=line in drawn) for line in lines)
    below = "".join(f"<li>{_together(tell(remark))}</li>" for remark in remarks(result, left_out(lines, drawn)))
    sample, *heads = (escape(tell(said("line"))), *escape(tell(HEADS)).split(" | "))
    columns = "\n".join(f'<th scope="col">{head}</th>' for head in heads)
    unit = escape(tell(said("% of leaks alarmed, over time from the start of the leak")))
    table_below = escape(tell(said("The table below has the figures of every line.")))
    figures = escape(tell(said("Figures of {what}", what=heading(result.scene))))
    return f"""<section>
<h2>{named}</h2>
<p class="seen">{seen}</p>
<p class="unit">{unit}</p>
<div class="picture" role="img" aria-label="{named}. {seen} {table_below}">
{picture}</div>
<div class="sideways" tabindex="0" role="region" aria-label="{figures}"><table>
<thead><tr><th><span class="unseen">{sample}</span></th>{columns}</tr></thead>
<tbody>{rows}</tbody></table></div>
<ul>{below}</ul>
</section>"""


def _together(text: str) -> str:
    """Words for the page; a percent sign stays with its number."""
    return escape(text).replace(" %", "&nbsp;%")


def _seen(result: AreaResult) -> str:
    share, half_s = percent(result.detect.p), result.detect.p50_s
    if half_s is None:
        return said("{share} of the leaks are alarmed within the time; half of all never are.", share=share)
    return said(
        "{share} of the leaks are alarmed within the time; half of all are after {half}.",
        share=share,
        half=when(half_s),
    )


def _row(line: Line, tell: Teller, *, drawn: bool) -> str:
    loss = "" if line.lost_without is None else percent(line.lost_without)
    wide = 2.6 if line.stage == "any" else 1.6
    sample = (
        f'<svg class="{line.stage}" width="34" height="8" aria-hidden="true">'
        f'<line x1="1" y1="4" x2="33" y2="4" stroke-width="{wide}" stroke-dasharray="{STROKES[line.dash]}"/></svg>'
        if drawn
        else ""
    )
    cells = (percent(line.figures.p), when(line.figures.p50_s), when(line.figures.p95_s), loss)
    numbers = "".join(f'<td class="number">{escape(tell(cell))}</td>' for cell in cells)
    return f'<tr><td>{sample}</td><th scope="row">{escape(tell(line.name))}</th>{numbers}</tr>'

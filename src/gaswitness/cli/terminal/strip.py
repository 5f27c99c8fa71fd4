"""The strip of the reading over time, drawn in text: readings, set points, what was predicted, gas on and off."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise

from rich.text import Text

from gaswitness.cli.terminal.looks import GREEN, GREY, ORANGE, SKY, VERMILLION, Shapes, clock_text, level_text
from gaswitness.run.snapshots import PointLine, Strip

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bit of each of the 4 x 2 dots of a braille cell (Unicode 15, block U+2800)."""
LEAD_S = 30.0
"""Shown before gas on."""
LABEL = 8
"""Width of the level labels on the left."""


class Canvas:
    """A grid of cells, each with a character and a style, and finer dots on top."""

    def __init__(self, width: int, height: int, shapes: Shapes) -> None:
        self.width, self.height, self._shapes = width, height, shapes
        self._cells = [[(" ", "")] * width for _ in range(height)]
        self._dots = [[0] * width for _ in range(height)]

    def put(self, column: int, row: int, char: str, style: str) -> None:
        """A character, unless it falls outside."""
        if 0 <= column < self.width and 0 <= row < self.height:
            self._cells[row][column] = (char, style)

    def dot(self, x: float, y: float) -> None:
        """A dot at (x, y) in cells, from the upper left."""
        column, row = int(x), int(y)
        if 0 <= column < self.width and 0 <= row < self.height:
            self._dots[row][column] |= _DOTS[int((y - row) * 4) & 3][int((x - column) * 2) & 1]

    def rows(self, dot_style: str) -> list[Text]:
        """One line of text per row."""
        lines = []
        for cells, dots in zip(self._cells, self._dots, strict=True):
            line = Text(no_wrap=True)
            for (char, style), bits in zip(cells, dots, strict=True):
                if bits:
                    line.append(chr(0x2800 | bits) if self._shapes.braille else "*", dot_style)
                else:
                    line.append(char, style)
            lines.append(line)
        return lines


class Frame:
    """Which times and levels the strip covers, and where they fall on the canvas."""

    def __init__(self, strip: Strip, now_s: float, width: int, height: int) -> None:
        planned = strip.planned
        start_s = strip.gas_on_s if strip.gas_on_s is not None else now_s
        length_s = planned.curve.t_s[-1] if planned is not None and planned.curve.t_s else 120.0
        self.zero_s = start_s
        self.from_s = start_s - LEAD_S
        self.until_s = max(start_s + length_s, now_s + 0.02 * length_s)
        detector = strip.detector
        levels = [point.set_ppm for point in strip.points] + [point.clear_ppm for point in strip.points]
        levels += [value for t_s, value in strip.samples if t_s >= self.from_s]
        if planned is not None:
            levels += [planned.bottle_ppm, *planned.background_ppm]
        low, high = min(levels), max(levels)
        margin = 0.08 * ((high - low) or detector.range_ppm)
        self.low_ppm = low - margin if low > detector.range_low_ppm + margin else detector.range_low_ppm
        self.high_ppm = high + margin
        self.width, self.height = width, height

    def x(self, t_s: float) -> float:
        """Column of an instant."""
        return (t_s - self.from_s) / (self.until_s - self.from_s) * self.width

    def y(self, ppm: float) -> float:
        """Row of a level, from the top."""
        return (self.high_ppm - ppm) / (self.high_ppm - self.low_ppm) * self.height

    def t(self, column: int) -> float:
        """Instant in the middle of a column."""
        return self.from_s + (column + 0.5) / self.width * (self.until_s - self.from_s)


def draw(strip: Strip, now_s: float, width: int, height: int, shapes: Shapes) -> list[Text]:
    """The strip as `height` lines of `width` characters, the last one being the time axis."""
    inner, rows = max(width - LABEL, 8), max(height - 1, 3)
    frame = Frame(strip, now_s, inner, rows)
    canvas = Canvas(inner, rows, shapes)
    _predicted(canvas, frame, strip, now_s, shapes)
    _set_points(canvas, frame, strip, shapes)
    _uprights(canvas, frame, strip, shapes)
    _readings(canvas, frame, strip)
    labels = _labels(frame, strip, rows)
    lines = [
        Text.assemble((f"{label:>{LABEL - 1}} ", style), line, no_wrap=True)
        for (label, style), line in zip(labels, canvas.rows("bold"), strict=True)
    ]
    return [*lines, Text(" " * LABEL + _axis(frame, strip), GREY, no_wrap=True)]


def _predicted(canvas: Canvas, frame: Frame, strip: Strip, now_s: float, shapes: Shapes) -> None:
    """The 95 % band of the plan as a shade, moved to where gas was really turned on and off."""
    if strip.planned is None:
        return
    curve = strip.planned.curve
    on_s = strip.gas_on_s if strip.gas_on_s is not None else frame.zero_s
    for column in range(frame.width):
        t_s = frame.t(column)
        since_s = t_s - on_s
        if strip.gas_off_s is not None and t_s > strip.gas_off_s:
            since_s = curve.gas_off_s + t_s - strip.gas_off_s
        elif strip.gas_on_s is not None and strip.gas_off_s is None and now_s - on_s > curve.gas_off_s:
            since_s = min(since_s, curve.gas_off_s)  # gas flows for longer than planned
        elif strip.gas_off_s is not None:
            since_s = min(since_s, curve.gas_off_s)
        if since_s < 0 or since_s > curve.t_s[-1]:
            continue
        top = frame.y(_at(curve.t_s, curve.high_ppm, since_s))
        bottom = frame.y(_at(curve.t_s, curve.low_ppm, since_s))
        for row in range(math.floor(top), max(math.floor(top), math.floor(bottom)) + 1):
            canvas.put(column, row, shapes.shade, SKY)


def _at(t_s: Sequence[float], values: Sequence[float], at_s: float) -> float:
    right = bisect_right(t_s, at_s)
    if right == 0:
        return values[0]
    if right == len(t_s):
        return values[-1]
    share = (at_s - t_s[right - 1]) / (t_s[right] - t_s[right - 1])
    return values[right - 1] + share * (values[right] - values[right - 1])


def _set_points(canvas: Canvas, frame: Frame, strip: Strip, shapes: Shapes) -> None:
    for number, point in enumerate(_in_order(strip)):
        style = (ORANGE if number == 0 else VERMILLION) if point.on else GREY
        row = int(frame.y(point.set_ppm))
        for column in range(frame.width):
            canvas.put(column, row, shapes.line, style)
        arrow = shapes.rising if point.rising else shapes.falling
        name = f" {arrow} {point.name} "
        for place, char in enumerate(name):
            canvas.put(frame.width - len(name) + place, row, char, style)


def _uprights(canvas: Canvas, frame: Frame, strip: Strip, shapes: Shapes) -> None:
    for instant_s in (strip.gas_on_s, strip.gas_off_s):
        if instant_s is not None:
            for row in range(frame.height):
                canvas.put(int(frame.x(instant_s)), row, shapes.upright, GREEN)


def _readings(canvas: Canvas, frame: Frame, strip: Strip) -> None:
    """Readings, joined by dots so that a step between two polls is seen as a line."""
    seen = [(frame.x(t_s), frame.y(ppm)) for t_s, ppm in strip.samples if t_s >= frame.from_s]
    for before, after in pairwise(seen):
        if after[0] - before[0] > 0.1 * frame.width:
            continue  # a gap stays a gap
        pieces = max(1, math.ceil(max(abs(after[0] - before[0]) * 2, abs(after[1] - before[1]) * 4)))
        for piece in range(pieces):
            share = piece / pieces
            canvas.dot(before[0] + share * (after[0] - before[0]), before[1] + share * (after[1] - before[1]))
    if seen:
        canvas.dot(*seen[-1])


def _labels(frame: Frame, strip: Strip, rows: int) -> list[tuple[str, str]]:
    """Level of each set point, and of the bottle, beside its row; ends of the scale where there is room."""
    resolution = strip.detector.resolution_ppm * strip.per_ppm
    labels = [("", GREY)] * rows
    if strip.planned is not None:
        row = min(rows - 1, max(0, int(frame.y(strip.planned.bottle_ppm))))
        labels[row] = (level_text(strip.planned.bottle_ppm * strip.per_ppm, resolution), SKY)
    for point in _in_order(strip):
        row = min(rows - 1, max(0, int(frame.y(point.set_ppm))))
        labels[row] = (level_text(point.set_ppm * strip.per_ppm, resolution), "bold" if point.on else "")
    if not labels[-1][0]:
        labels[-1] = (level_text(frame.low_ppm * strip.per_ppm, resolution), GREY)
    return labels


def _axis(frame: Frame, strip: Strip) -> str:
    """Minutes from gas on, and the words where gas was turned."""
    line = [" "] * frame.width
    span_s = frame.until_s - frame.from_s
    step_s = next((step for step in (15, 30, 60, 120, 300, 600, 1200, 1800) if span_s / step * 7 <= frame.width), 3600)
    words = [(0.0, "gas on" if strip.gas_on_s is not None else "0:00")]
    if strip.gas_off_s is not None:
        words.append((strip.gas_off_s - frame.zero_s, "gas off"))
    words.extend((mark * step_s, clock_text(mark * step_s)) for mark in range(1, int(span_s / step_s) + 1))
    for since_s, word in words:
        start = max(0, int(frame.x(frame.zero_s + since_s)) - len(word) // 2)
        room = line[max(0, start - 1) : start + len(word) + 1]
        if start + len(word) <= frame.width and not "".join(room).strip():
            line[start : start + len(word)] = word
    return "".join(line)


def _in_order(strip: Strip) -> list[PointLine]:
    return sorted(strip.points, key=lambda point: point.set_ppm if point.rising else -point.set_ppm)

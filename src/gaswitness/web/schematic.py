"""A site as a drawing and as a matrix: where the detectors are, what follows from what, and where it is seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gaswitness.site.records import Effect, MatrixLine, Site

ROW, PAD, HEAD, GAP = 24.0, 10.0, 26.0, 14.0
LEFT_W, RIGHT_W, WIDTH = 370.0, 410.0, 1180.0
CHARS = 38
"""A longer name is cut on the drawing; the matrix and the lists have all of it."""
FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Item:
    """A row within a box."""

    tag: str
    text: str
    y: float
    """Middle of the row."""


@dataclass(frozen=True, slots=True)
class Box:
    """An area with its detectors, or a post with the effects that are seen there."""

    tag: str
    title: str
    x: float
    y: float
    w: float
    h: float
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True)
class Wire:
    """Something that follows: from a detector to an effect, and by which of its points."""

    detector: str
    effect: str
    kind: str
    """`first` alarm, `second` alarm or `fault`."""
    path: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """All of it, in drawing units."""

    width: float
    height: float
    areas: tuple[Box, ...]
    posts: tuple[Box, ...]
    wires: tuple[Wire, ...]
    panel: str
    panel_x: float


@dataclass(frozen=True, slots=True)
class Cell:
    """Where a cause and an effect of the matrix meet."""

    within_s: float
    together: bool
    """All causes of the line are needed at once."""


@dataclass(frozen=True, slots=True)
class Matrix:
    """Effects down, causes across; a cell only where the site has a line."""

    causes: tuple[str, ...]
    rows: tuple[tuple[Effect, tuple[Cell | None, ...]], ...]


def matrix_of(site: Site) -> Matrix:
    """The cause-and-effect matrix, vote groups as causes of their own."""
    used = {cause for line in site.matrix for cause in line.causes}
    own = [f"{one.tag}.{point.name}" for one in site.detectors for point in one.alarms]
    own += [f"{one.tag}.{FAULT}" for one in site.detectors]
    causes = [cause for cause in (*own, *(group.tag for group in site.groups)) if cause in used]
    rows = []
    for effect in site.effects:
        lines = [line for line in site.matrix if line.effect == effect.tag]
        rows.append((effect, tuple(_cell(lines, cause) for cause in causes)))
    return Matrix(tuple(causes), tuple(rows))


def _cell(lines: Sequence[MatrixLine], cause: str) -> Cell | None:
    for line in lines:
        if cause in line.causes:
            return Cell(line.within_s, line.need == "all" and len(line.causes) > 1)
    return None


def drawing_of(site: Site) -> Drawing:
    """Areas on the left, what is seen at the posts on the right, and what follows from what in between."""
    used = [area for area in site.areas if any(one.area == area.tag for one in site.detectors)]
    areas = _stack(
        [
            (
                area.tag,
                area.name,
                [(one.tag, f"{one.gas}  {one.name}".rstrip()) for one in site.detectors if one.area == area.tag],
            )
            for area in used
        ],
        0.0,
        LEFT_W,
    )
    seen = [post for post in site.posts if any(one.post == post.tag for one in site.effects)]
    posts = _stack(
        [(post.tag, post.name, [(one.tag, one.name) for one in site.effects if one.post == post.tag]) for post in seen],
        WIDTH - RIGHT_W,
        RIGHT_W,
    )
    height = max([box.y + box.h for box in (*areas, *posts)], default=HEAD)
    areas, posts = _centred(areas, height), _centred(posts, height)
    at = {item.tag: item.y for box in (*areas, *posts) for item in box.items}
    wires = tuple(
        Wire(tag, effect, kind, _curve(LEFT_W, at[tag], WIDTH - RIGHT_W, at[effect]))
        for tag, effect, kind in _follows(site)
        if tag in at and effect in at
    )
    return Drawing(WIDTH, height, areas, posts, wires, site.panel.name, (LEFT_W + WIDTH - RIGHT_W) / 2)


def _stack(groups: Sequence[tuple[str, str, Sequence[tuple[str, str]]]], x: float, w: float) -> tuple[Box, ...]:
    boxes, y = [], 0.0
    for tag, title, rows in groups:
        items = tuple(Item(one, _cut(text), y + HEAD + ROW * (i + 0.5)) for i, (one, text) in enumerate(rows))
        h = HEAD + ROW * len(rows) + PAD
        boxes.append(Box(tag, title, x, y, w, h, items))
        y += h + GAP
    return tuple(boxes)


def _cut(text: str) -> str:
    return text if len(text) <= CHARS else text[: CHARS - 1].rstrip() + "…"


def _centred(boxes: tuple[Box, ...], height: float) -> tuple[Box, ...]:
    """The shorter stack spread over the height of the longer one."""
    if not boxes:
        return boxes
    spare = (height - (boxes[-1].y + boxes[-1].h)) / (len(boxes) + 1)
    moved = []
    for number, box in enumerate(boxes, start=1):
        down = spare * number
        items = tuple(Item(item.tag, item.text, item.y + down) for item in box.items)
        moved.append(Box(box.tag, box.title, box.x, box.y + down, box.w, box.h, items))
    return tuple(moved)


def _curve(x0: float, y0: float, x1: float, y1: float) -> str:
    bend = (x1 - x0) * 0.45
    return f"M{x0:.0f} {y0:.1f}C{x0 + bend:.0f} {y0:.1f} {x1 - bend:.0f} {y1:.1f} {x1:.0f} {y1:.1f}"


def _follows(site: Site) -> list[tuple[str, str, str]]:
    """Detector, effect, and by which kind of cause; vote groups taken apart into their members."""
    members = {group.tag: group.members for group in site.groups}
    order = {one.tag: [point.name for point in one.alarms] for one in site.detectors}
    found: dict[tuple[str, str, str], None] = {}
    for line in site.matrix:
        for cause in (single for one in line.causes for single in members.get(one, (one,))):
            tag, _, point = cause.partition(".")
            first = order.get(tag, [])[:1]
            kind = FAULT if point == FAULT else "first" if [point] == first else "second"
            found[tag, line.effect, kind] = None
    return list(found)

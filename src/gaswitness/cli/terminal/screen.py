"""The live screen of a run: strip in the middle, the step above it, what people must know beside and below it."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from gaswitness.cli.terminal import looks
from gaswitness.cli.terminal.hands import MARK_KEYS, ConsoleHands
from gaswitness.cli.terminal.looks import STYLES, Level, Shapes, clock_text, level_text, shapes_for
from gaswitness.cli.terminal.strip import draw
from gaswitness.run.snapshots import DetectorLine, NextAlarm, Snapshot, Strip, UnderTest

REFRESH_PER_S = 6
SIDE = 25
"""Width of what stands beside the strip."""
LEAST_ROWS = 9
"""A strip lower than this shows nothing; then only the one of the step is drawn."""


class Screen:
    """Shows the last snapshot it was given, several times a second, until closed. It holds nothing the run needs."""

    def __init__(self, console: Console, hands: ConsoleHands) -> None:
        self._console, self._hands = console, hands
        self._shapes = shapes_for(console.encoding)
        self._snapshot: Snapshot | None = None
        self._live = Live(
            console=console,
            screen=True,
            refresh_per_second=REFRESH_PER_S,
            get_renderable=self._picture,
            redirect_stdout=False,
            redirect_stderr=False,
        )

    def __enter__(self) -> Screen:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def show(self, snapshot: Snapshot) -> None:
        """Take the next snapshot; drawn at the next refresh."""
        self._hands.look(snapshot)
        self._snapshot = snapshot

    def _picture(self) -> RenderableType:
        if self._snapshot is None:
            return Text("connecting")
        width, height = self._console.size
        try:
            return picture(self._snapshot, self._hands, width, height, self._shapes)
        except Exception as error:  # a picture that cannot be drawn must not end a run
            return Text(f"this screen cannot be drawn ({error}); the run goes on and is recorded")


def picture(snapshot: Snapshot, hands: ConsoleHands, width: int, height: int, shapes: Shapes) -> Group:
    """The whole screen as text of the given size."""
    narrow = min(SIDE, max(18, width // 3))
    head = [_title(snapshot, width, shapes), _rule(width, shapes), *_step(snapshot, hands, width)]
    foot = _foot(snapshot, hands, width, height, shapes)
    middle = max(4, height - len(head) - len(foot))
    wide = width - narrow - 2
    if snapshot.step is not None and snapshot.step.kind == "caution":
        return Group(*head, *_reading_matter(snapshot.cautions, hands, width, middle, shapes), *foot)
    strip = _strips(snapshot, wide, middle, shapes)
    side = [*_side(snapshot, shapes), *[Text()] * middle][:middle]
    table = Table.grid(padding=0)
    table.add_column(width=wide, no_wrap=True)
    table.add_column(width=2)
    table.add_column(width=narrow, no_wrap=True, overflow="crop")
    for left, right in zip(strip, side, strict=True):
        table.add_row(left, "", right)
    return Group(*head, table, *foot)


def _strips(snapshot: Snapshot, width: int, height: int, shapes: Shapes) -> list[Text]:
    """A strip for each detector under test, as many as have room; that of the step is always among them."""
    if snapshot.strip is None:
        return [Text()] * height
    room = max(1, min(len(snapshot.tests), height // LEAST_ROWS))
    first = [one for one in snapshot.tests if one.strip is snapshot.strip]
    chosen = [*first, *(one for one in snapshot.tests if one.strip is not snapshot.strip)][:room]
    shown = [one for one in snapshot.tests if one in chosen]
    lines: list[Text] = []
    for place, one in enumerate(shown):
        rows = height // len(shown) + (height % len(shown) if place == len(shown) - 1 else 0)
        if len(shown) > 1:
            lines.append(_line((one.tag, "bold"), (f"  {one.strip.detector.name}", looks.GREY)))
            rows -= 1
        lines += draw(one.strip, snapshot.t_s, width, rows, shapes)
    return lines


def _line(*parts: str | tuple[str, str] | Text) -> Text:
    text = Text.assemble(*parts, no_wrap=True, overflow="crop")
    text.end = "\n"
    return text


def _rule(width: int, shapes: Shapes) -> Text:
    return _line((shapes.rule * width, looks.GREY))


def _title(snapshot: Snapshot, width: int, shapes: Shapes) -> Text:
    health = snapshot.health
    link = ("link up", "") if health.up else (f"{shapes.fault} link down", STYLES["fault"])
    missed = f", {health.missed} polls missed" if health.missed else ""
    right = Text.assemble(link, missed, "   ", (clock_text(snapshot.t_s), "bold"))
    left = Text.assemble((snapshot.site, "bold"), f"   {snapshot.run_id}")
    if snapshot.restarts:
        left.append(f"   restarted {snapshot.restarts}x", looks.ORANGE)
    left.truncate(max(0, width - right.cell_len - 1), overflow="crop")
    return _line(left, " " * max(1, width - left.cell_len - right.cell_len), right)


def _step(snapshot: Snapshot, hands: ConsoleHands, width: int) -> list[Text]:
    """What is to be done or waited for, in two lines."""
    step = snapshot.step
    if snapshot.ended is not None:
        return [_line((f"run {snapshot.ended}", "bold")), _line()]
    if step is None:
        return [_line("waiting for the first poll"), _line()]
    mine = hands.asking is not None and hands.asking.id == step.id
    word = "DO" if mine else "WAIT"
    since_s = max(0.0, snapshot.t_s - snapshot.step_since_s)
    limit = f" of {clock_text(step.at_most_s)}" if step.at_most_s > 0 and not mine else ""
    timer = f"{clock_text(since_s)}{limit}"
    stop = {"stopped": "stopping: ", "aborted": "aborting: ", None: ""}[snapshot.stopping]
    lead = Text.assemble((f" {word} ", "bold reverse" if mine else "reverse"), " ", (stop, STYLES["second"]))
    room = width - lead.cell_len - len(timer) - 2
    words = Text(step.text, "bold" if mine else "").wrap(_WRAP, max(10, room))
    first = words[0] if words else Text()
    first.rstrip()
    head = _line(lead, first, " " * max(1, width - lead.cell_len - first.cell_len - len(timer)), (timer, looks.GREY))
    rest = Text(" ").join(line for line in words[1:])
    tail = _line(" " * lead.cell_len, rest)
    return [head, tail]


_WRAP = Console(width=200, force_terminal=False, file=None)


def _reading_matter(
    cautions: Sequence[str], hands: ConsoleHands, width: int, height: int, shapes: Shapes
) -> list[Text]:
    """The cautions, a page at a time; none is cut in two."""
    pages: list[list[Text]] = [[]]
    for caution in cautions:
        lines = [
            _line(f"  {shapes.ahead if number == 0 else ' '} ", line)
            for number, line in enumerate(Text(caution).wrap(_WRAP, width - 6))
        ]
        if pages[-1] and len(pages[-1]) + len(lines) > height - 1:
            pages.append([])
        pages[-1] += lines
    if hands.asks:
        hands.pages = len(pages)
    shown = pages[min(hands.page, len(pages) - 1)][: height - 1]
    foot = f"    page {min(hands.page, len(pages) - 1) + 1} of {len(pages)}"
    more = "; Enter reads on" if hands.page + 1 < len(pages) else ""
    return [*shown, *[_line()] * (height - 1 - len(shown)), _line((foot + more, looks.GREY))]


def _side(snapshot: Snapshot, shapes: Shapes) -> list[Text]:
    """Reading, level, next alarm, gas: what one looks at most."""
    lines: list[Text] = []
    if snapshot.strip is not None:
        lines += _reading(snapshot.strip, shapes)
    lines.append(_line())
    main = next((one for one in snapshot.tests if one.strip is snapshot.strip), None)
    lines += _next(snapshot.t_s, snapshot.next_alarm)
    lines += _gas(snapshot, main)
    lines += _outlook(snapshot, shapes)
    lines.append(_line())
    lines.append(_line(("steps", looks.GREY)))
    marks = {
        "ahead": shapes.ahead,
        "started": shapes.here,
        "done": shapes.done,
        "skipped": shapes.left_out,
        "timed-out": shapes.fault,
        "aborted": shapes.fault,
    }
    for line in snapshot.steps:
        style = "bold" if line.state == "started" else looks.GREY if line.state in ("ahead", "skipped") else ""
        late = " too late" if line.state == "timed-out" else ""
        lines.append(_line((f"{marks[line.state]} {line.step.id}{late}", style)))
    return lines


def _reading(strip: Strip, shapes: Shapes) -> list[Text]:
    detector = strip.detector
    reading_ppm = strip.reading_ppm
    lines = [_line((detector.tag, "bold"), f"  {detector.gas}")]
    if reading_ppm is None or strip.quality in ("bad", "none yet"):
        lines.append(_line((f"{shapes.rest} no reading", STYLES["no reading"])))
        return lines
    value = level_text(reading_ppm * strip.per_ppm, detector.resolution_ppm * strip.per_ppm)
    level, words = _level(strip, shapes)
    odd = f" ({strip.quality})" if strip.quality != "good" else ""
    lines.append(_line((f"{value} {detector.unit}", "bold"), odd))
    lines.append(_line((f" {words} ", STYLES[level]) if level != "normal" else words))
    return lines


def _level(strip: Strip, shapes: Shapes) -> tuple[Level, str]:
    """The level as a shape and a word: one shape for the first alarm, two for the second."""
    points = sorted(strip.points, key=lambda point: point.set_ppm if point.rising else -point.set_ppm)
    active = [(number, point) for number, point in enumerate(points, start=1) if point.on]
    if not active:
        return "normal", f"{shapes.rest} no alarm"
    number, point = active[-1]
    shape = (shapes.rising if point.rising else shapes.falling) * min(number, 3)
    return ("first" if number == 1 else "second"), f"{shape} alarm {point.name}"


def _next(t_s: float, coming: NextAlarm | None) -> list[Text]:
    if coming is None:
        return [_line()]
    what = f"{coming.point} {'sets' if coming.sets else 'clears'}"
    from_s, until_s = coming.earliest_s - t_s, coming.latest_s - t_s
    if until_s < 0:
        return [_line((f"{what}: overdue {clock_text(-until_s)}", STYLES["second"]))]
    if from_s <= 0:
        return [_line((f"{what} within {clock_text(until_s)}", "bold"))]
    return [_line((f"{what} in {clock_text(from_s)}-{clock_text(until_s)}", "bold"))]


def _outlook(snapshot: Snapshot, shapes: Shapes) -> list[Text]:
    """Where the reading is going, with expanded uncertainties (k = 2), once that can be told."""
    outlook, strip = snapshot.outlook, snapshot.strip
    if outlook is None or strip is None or outlook.u_plateau_ppm * 2.0 > 0.2 * abs(outlook.plateau_ppm):
        return [_line()]
    resolution = strip.detector.resolution_ppm * strip.per_ppm
    plateau = level_text(outlook.plateau_ppm * strip.per_ppm, resolution)
    expanded = level_text(2.0 * outlook.u_plateau_ppm * strip.per_ppm, resolution)
    return [_line(f"heading for {plateau} {shapes.plus_minus} {expanded}")]


def _gas(snapshot: Snapshot, one: UnderTest | None) -> list[Text]:
    gas = one.gas if one is not None else snapshot.gas
    if gas is None:
        return [_line("gas shut")]
    if gas.unsure:
        return [_line((f"gas at {gas.tag}: unsure, shut it", STYLES["second"]))]
    planned = one.strip.planned if one is not None else None
    of = f" of {clock_text(planned.gas_s)}" if planned is not None else ""
    lines = [_line((f"gas open {clock_text(snapshot.t_s - gas.since_t_s)}{of}", f"bold {looks.GREEN}"))]
    if one is not None and one.may_end_wait:
        lines.append(_line(("seen enough: e ends the wait", f"reverse {looks.GREEN}")))
    if one is not None and one.gas_may_be_shut:
        lines.append(_line(("gas may be shut off", f"reverse {looks.GREEN}")))
    return lines


def _foot(snapshot: Snapshot, hands: ConsoleHands, width: int, height: int, shapes: Shapes) -> list[Text]:
    """Progress, inhibit register, witness marks, messages and keys."""
    roomy = height >= 32
    lines = [_rule(width, shapes), *_detectors(snapshot, width, shapes, roomy)]
    if snapshot.elsewhere:
        text = f"! {', '.join(snapshot.elsewhere)}: not under test: treat as real"
        lines.append(_line((text[:width], STYLES["second"])))
    lines += _beside(snapshot, width, shapes, roomy)
    lines += _inhibits(snapshot, width, shapes, roomy)
    lines += _watched(snapshot, hands, width, shapes, roomy)
    if snapshot.step is not None and snapshot.step.kind == "gas-on":
        lines += _bottle(snapshot.cautions, width, 6 if roomy else 2)
    lines += _messages(snapshot, width, shapes, 5 if roomy else 2)
    lines.append(_keys(hands))
    return lines


def _detectors(snapshot: Snapshot, width: int, shapes: Shapes, roomy: bool) -> list[Text]:
    """One piece per detector: shape, tag, how far, and what is on there."""
    pieces = [_detector(line, shapes, roomy) for line in snapshot.detectors]
    return _packed("", pieces, width, 4 if roomy else 2)


def _beside(snapshot: Snapshot, width: int, shapes: Shapes, roomy: bool) -> list[Text]:
    """The others under test, each with reading, level, gas and next alarm, and how their vote stands."""
    lines: list[Text] = []
    pieces: list[Text] = []
    for one in snapshot.tests:
        if one.strip is snapshot.strip:
            continue
        name, *rest = _reading(one.strip, shapes)
        gas = _gas(snapshot, one)
        parts = [*rest, *gas, *_next(snapshot.t_s, one.next_alarm)]
        pieces.append(Text("  ").join([name, *(part for part in parts if part.plain.strip())]))
    if pieces:
        lines += _packed("beside: ", [_flat(piece) for piece in pieces], width, 3 if roomy else 1)
    for vote in snapshot.votes:
        level: Level = "second" if vote.met else "normal"
        words = f"{vote.votes} of {vote.need} needed in alarm"
        who = f"  {', '.join(vote.alarms)}" if vote.alarms else ""
        lines.append(_line((f"{vote.group}: ", looks.GREY), (words, STYLES.get(level, "") if vote.met else ""), who))
    return lines


def _flat(text: Text) -> Text:
    """The same on one line."""
    flat = Text.assemble(text)
    flat.end = ""
    return flat


def _packed(lead: str, pieces: Sequence[Text], width: int, most: int) -> list[Text]:
    """Pieces side by side, none of them broken; what does not fit in `most` lines is counted."""
    lines: list[Text] = []
    current = Text(lead, looks.GREY)
    for number, piece in enumerate(pieces):
        if current.cell_len > len(lead) and current.cell_len + piece.cell_len > width:
            lines.append(current)
            current = Text(" " * len(lead))
            if len(lines) == most:
                lines[-1].append(f"+{len(pieces) - number} more", looks.GREY)
                return [_line(line) for line in lines]
        current = Text.assemble(current, piece, "  ")
    return [_line(line) for line in (*lines, current)]


def _detector(line: DetectorLine, shapes: Shapes, roomy: bool) -> Text:
    shape = {
        "waiting": shapes.ahead,
        "under test": shapes.here,
        "gone through": shapes.done,
        "left out": shapes.left_out,
    }[line.progress]
    style = "bold" if line.progress == "under test" else looks.GREY if line.progress == "waiting" else ""
    text = Text.assemble((f"{shape} {line.tag}", style))
    if line.progress == "under test" or roomy:
        text.append(f" {line.done}/{line.steps}", style)
    if line.alarms:
        level: Level = "fault" if "fault" in line.alarms else "first" if len(line.alarms) == 1 else "second"
        shape = shapes.fault if level == "fault" else shapes.rising * len(line.alarms)
        text.append(f" {shape}{line.alarms[-1]}", STYLES[level])
    return text


def _inhibits(snapshot: Snapshot, width: int, shapes: Shapes, roomy: bool) -> list[Text]:
    if not snapshot.inhibits:
        return [_line(("inhibits: none", looks.GREY))]
    pieces = []
    for entry in snapshot.inhibits:
        if entry.effect in snapshot.standing:
            age = clock_text(snapshot.t_s - entry.placed_t_s)
            by = f" by {entry.by}" if roomy else ""
            pieces.append(Text(f"{shapes.inhibited} {entry.effect} {age}{by}", STYLES["inhibited"]))
        else:
            pieces.append(Text(f"{shapes.done} {entry.effect} {entry.state}"))
    return _packed("inhibits: ", pieces, width, 3 if roomy else 1)


def _watched(snapshot: Snapshot, hands: ConsoleHands, width: int, shapes: Shapes, roomy: bool) -> list[Text]:
    if not snapshot.watched:
        return []
    pieces = []
    for key, watched in zip(MARK_KEYS, snapshot.watched, strict=False):
        on = watched.on_by_witness if watched.on_by_witness is not None else watched.on_by_link
        shape = shapes.on if on else shapes.off
        tag = watched.signal.removesuffix(".on")
        named = f"{tag} ({watched.name})" if roomy else tag
        lead = f"[{key}] " if hands.asks else ""
        marked = shapes.done if watched.on_by_witness else ""
        pieces.append(Text(f"{lead}{shape}{marked} {named}", "bold" if on else ""))
    return _packed("watch: ", pieces, width, 4 if roomy else 2)


def _bottle(cautions: Sequence[str], width: int, most: int) -> list[Text]:
    """The cautions of the bottle that is about to be opened, the gravest first."""
    return [_line(("! ", "bold"), line) for caution in cautions for line in Text(caution).wrap(_WRAP, width - 2)][:most]


def _messages(snapshot: Snapshot, width: int, shapes: Shapes, most: int) -> list[Text]:
    lines: list[Text] = []
    for message in reversed(snapshot.messages):
        shape = "!" if message.urgent else shapes.rest
        text = Text(f"{shape} {clock_text(message.t_s)} {message.text}", "bold" if message.urgent else "")
        lines = [*text.wrap(_WRAP, width), *lines]
        if len(lines) >= most:
            break
    shown = [_line(line) for line in lines[:most]]
    return shown + [_line()] * (most - len(shown))


def _keys(hands: ConsoleHands) -> Text:
    if hands.prompt:
        return _line((hands.prompt, "reverse"))
    always = "a abort   s stop   n note   r reading"
    if hands.measuring:
        return _line((f"Enter {hands.unmeasured}   type {hands.measuring}   {always}", looks.GREY))
    words = f"Enter done   {always}   k leave out   1-9 mark" if hands.asks else always
    return _line((words, looks.GREY))

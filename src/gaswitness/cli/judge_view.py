"""What `gaswitness judge` shows to people: word and shape first, so that nothing hangs on colour."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from gaswitness.certify.wording import found_and_limits
from gaswitness.judge.decide import COVERAGE_K
from gaswitness.judge.records import EffectFinding, Finding, Judgement, Outcome, Verdict
from gaswitness.site.records import Detector
from gaswitness.wording import number, probability, with_uncertainty

SHAPES: dict[Outcome, str] = {
    "pass": "·",
    "inconclusive": "◇",
    "not tested": "○",
    "aborted": "□",
    "error": "△",
    "fail": "■",
}
"""A shape for each outcome; the emptier, the less is known."""

SHADES: dict[Outcome, str] = {
    "pass": "",
    "inconclusive": "bold #E69F00",
    "not tested": "#56B4E9",
    "aborted": "#56B4E9",
    "error": "bold #CC79A7",
    "fail": "bold #D55E00",
}
"""Okabe-Ito; what passed carries no colour."""


def show(
    judgement: Judgement, detectors: Sequence[Detector] = (), *, every: bool = False, console: Console | None = None
) -> None:
    """Print verdicts, what fell short and why, the matrix where it was not shown, and the punch list.

    Levels stand in the unit of their detector.
    """
    out = console or Console(highlight=False)
    by_tag = {detector.tag: detector for detector in detectors}
    out.print(_verdicts((*judgement.verdicts, *judgement.groups)))
    for verdict in (*judgement.verdicts, *judgement.groups):
        _shortfalls(out, verdict.tag, verdict.findings, every, by_tag.get(verdict.tag))
    _shortfalls(out, "Whole visit", judgement.visit, every)
    _matrix(out, judgement.effects, every)
    if judgement.strays:
        out.print(_head("Happened without a cause"))
        for stray in judgement.strays:
            during = f", while {stray.during} was under test" if stray.during else ""
            out.print(_hanging(Text(f"{stray.signal} at {stray.t_s:.1f} s{during}: {stray.explanation}"), 2))
    if judgement.notes:
        out.print(_head("Noted"))
        for note in judgement.notes:
            out.print(_hanging(Text(note), 2))
    _punch_list(out, judgement)
    out.print()
    out.print(Text.assemble("The visit: ", marked(judgement.outcome)))


def marked(outcome: Outcome) -> Text:
    """Shape, word and shade of an outcome."""
    return Text(f"{SHAPES[outcome]} {outcome}", style=SHADES[outcome])


def _head(text: str) -> Text:
    return Text(f"\n{text}", style="bold")


def _verdicts(verdicts: Sequence[Verdict]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, title="Verdicts", title_justify="left", title_style="bold", pad_edge=False)
    table.add_column("detector", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("met", justify="right", no_wrap=True)
    table.add_column("why", ratio=1)
    for verdict in verdicts:
        met = sum(finding.outcome == "pass" for finding in verdict.findings)
        why = Text(verdict.why)
        table.add_row(verdict.tag, marked(verdict.outcome), f"{met}/{len(verdict.findings)}", why)
    return table


def _shortfalls(
    out: Console, title: str, findings: Iterable[Finding], every: bool, detector: Detector | None = None
) -> None:
    shown = [finding for finding in findings if every or finding.outcome != "pass"]
    if not shown:
        return
    out.print(_head(title))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("criterion", overflow="fold")
    table.add_column("outcome", no_wrap=True)
    table.add_column("value ± U", justify="right")
    table.add_column("limits", justify="right")
    table.add_column("rule", no_wrap=True)
    table.add_column("P in limits", justify="right", no_wrap=True)
    for finding in shown:
        if finding.outcome in ("not tested", "aborted") and not every:
            continue  # there is nothing to put into the columns; the reason stands below
        name = finding.criterion.partition("/")[2] or finding.criterion
        value, bounds = found_and_limits(finding, detector)
        chance = probability(finding.p_conform)
        table.add_row(name, marked(finding.outcome), value, bounds, finding.rule, chance)
    if table.row_count:
        out.print(table)
    _reasons(out, [finding for finding in shown if finding.outcome != "pass"])


def _reasons(out: Console, short: Sequence[Finding]) -> None:
    """Why each fell short, what shares a reason together, with the likely causes once for all that share them."""
    by_causes: dict[tuple[str, ...], dict[str, list[Finding]]] = {}
    for finding in short:
        by_causes.setdefault(finding.causes, {}).setdefault(finding.why, []).append(finding)
    for causes, reasons in by_causes.items():
        for why, findings in reasons.items():
            names = ", ".join(finding.criterion.partition("/")[2] for finding in findings)
            out.print(_hanging(Text.assemble((names, "bold"), f": {why}"), 2))
        if causes:
            out.print(_hanging(Text("Likely causes, in this order:"), 6))
        for place, cause in enumerate(causes, 1):
            out.print(_hanging(Text(f"{place}. {cause}"), 8))


def _hanging(text: Text, indent: int) -> Padding:
    return Padding(text, (0, 0, 0, indent))


def _matrix(out: Console, effects: Sequence[EffectFinding], every: bool) -> None:
    shown = [line for line in effects if every or line.outcome != "pass"]
    met = sum(line.outcome == "pass" for line in effects)
    if not effects:
        return
    out.print(_head(f"Cause and effect: {met} of {len(effects)} lines shown"))
    if not shown:
        return
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("cause", "effect"):
        table.add_column(name, no_wrap=True)
    table.add_column("delay ± U", justify="right")
    table.add_column("within", justify="right")
    table.add_column("seen by")
    table.add_column("outcome", no_wrap=True)
    for line in shown:
        delay = "none"
        if line.delay_s is not None:
            delay = f"{with_uncertainty(line.delay_s, COVERAGE_K * (line.u_s or 0.01))} s"
        row = (line.cause, line.effect, delay, f"{number(line.within_s)} s", line.seen_by)
        table.add_row(*row, marked(line.outcome))
    out.print(table)


def punch_list(judgement: Judgement) -> tuple[str, ...]:
    """What is left to do, each thing once: the first likely cause of whatever counts against a verdict."""
    lines: dict[str, None] = {}
    for verdict in (*judgement.verdicts, *judgement.groups):
        if verdict.outcome == "pass":
            continue
        short = [finding for finding in verdict.findings if finding.outcome != "pass"]
        todo = dict.fromkeys(finding.causes[0] for finding in short if finding.causes)
        for cause in todo:
            lines[f"{verdict.tag}: {cause}"] = None
        left_out = [f.criterion.partition("/")[2] for f in short if f.outcome in ("not tested", "aborted")]
        if left_out:
            lines[f"{verdict.tag}: test again what was not shown: {', '.join(left_out)}"] = None
        if not todo and not left_out:
            lines[f"{verdict.tag}: test again {', '.join(f.criterion.partition('/')[2] for f in short)}"] = None
    for finding in judgement.visit:
        if finding.outcome != "pass":
            lines[f"Visit: {finding.causes[0] if finding.causes else finding.why}"] = None
    return tuple(lines)


def _punch_list(out: Console, judgement: Judgement) -> None:
    todo = punch_list(judgement)
    if not todo:
        return
    out.print(_head("Punch list"))
    for line in todo:
        out.print(_hanging(Text(f"[ ] {line}"), 2))

"""The result of a run: verdicts, findings with their picture, the matrix as it was shown, and what is left to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from gaswitness.certify import certificate
from gaswitness.certify.payload import certificate_id
from gaswitness.certify.wording import found_and_limits
from gaswitness.evidence.ledger import Ledger
from gaswitness.evidence.series import Series, series_of
from gaswitness.history.files import keep_certificate, late_beside, ledger_with_late
from gaswitness.judge import judge
from gaswitness.judge.records import EffectFinding, Finding, Judgement, Outcome
from gaswitness.plan import build_plan
from gaswitness.run.snapshots import PointLine, Strip
from gaswitness.site.records import Site
from gaswitness.telling import Teller
from gaswitness.web.access import Desk, Session
from gaswitness.web.desk import keep_plan
from gaswitness.web.folder import LEDGER, Folder
from gaswitness.web.late import ended_ledger
from gaswitness.web.pages import board_of, page, teller_of, then, words_of
from gaswitness.web.picture import strip_document
from gaswitness.web.schematic import Matrix, matrix_of
from gaswitness.wording import scale_ppm

router = APIRouter()

SAMPLES_AT_MOST = 1200
LEAD_S, TAIL_S = 40.0, 60.0
SLACK_S = 2.0
"""An effect may seem to come so long before its cause: poll and reaction blur both."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One cell of the matrix after the run: `shown`, `late`, `unclear`, `not shown`; `unexpected` where no line is."""

    how: str
    finding: EffectFinding | None = None


@router.get("/result/{name}")
async def result(request: Request, name: str, session: Session = Desk) -> Response:
    """Judge the ledger as it stands now."""
    board = board_of(request)
    run = await run_in_threadpool(judged_run, board.folder, name)
    ledger, series, judged = run.ledger, run.series, run.judgement
    plan = ledger.started.plan
    matrix = matrix_of(plan.site)
    words, tell = words_of(request), teller_of(request)
    detectors = {one.tag: one for one in plan.site.detectors}
    context = {
        "name": name,
        "ledger": ledger,
        "plan": plan,
        "judged": judged,
        "strips": {one.tag: strip_of(series, plan.site, one.tag, tell) for one in judged.verdicts},
        "matrix": matrix,
        "cells": {**unexpected_of(matrix, series, judged), **cells_of(matrix, judged)},
        "punch": punch_list(judged),
        "outcome_at_end": run.outcome_at_end,
        "papers": [one for one in board.folder.papers() if one.startswith(f"{ledger.started.run_id}-")],
        "newest": run.certificate_id,
        "late_bytes": run.late_bytes,
        "can_certify": board.key is not None,
        "texts": words.under("strip.", "word."),
        "found": lambda finding, tag: found_and_limits(finding, detectors.get(tag)),
    }
    return page(request, "result.html", context, session=session, known=plan.wording)


@dataclass(frozen=True, slots=True)
class Judged:
    """A ledger, laid out and judged together with what came in after its end."""

    ledger: Ledger
    series: Series
    judgement: Judgement
    outcome_at_end: Outcome
    """What the ledger alone gives."""
    late_bytes: int
    """How long the file of late marks was; it only grows."""
    certificate_id: str
    """The name that a certificate on the evidence as it is now has; those of another name are older."""


def judged_run(folder: Folder, name: str) -> Judged:
    """Judge a ledger of the folder as things stand now; raises EvidenceError where it cannot be trusted."""
    path = folder.file(name, LEDGER)
    ledger = ledger_with_late(path)
    series = series_of(ledger)
    judgement = judge(series)
    at_end = judge(series_of(ended_ledger(path))).outcome if judgement.late else judgement.outcome
    late = late_beside(path)
    return Judged(ledger, series, judgement, at_end, len(late), certificate_id(ledger, late))


@router.get("/result/{name}/late")
async def late(request: Request, name: str, session: Session = Desk) -> Response:  # noqa: ARG001 - asked for
    """How much has come in after the end by now, for a page that is open meanwhile."""
    path = board_of(request).folder.file(name, LEDGER)
    return JSONResponse({"bytes": len(await run_in_threadpool(late_beside, path))})


@router.post("/result/{name}/certify")
async def certify(request: Request, name: str, session: Session = Desk) -> Response:
    """Sign what was found, and keep paper and bundle in the folder; the paper speaks the language of the page."""
    board = board_of(request)
    key = board.key
    if key is None:
        raise HTTPException(409, "result.no_key")
    path, language = board.folder.file(name, LEDGER), words_of(request).language
    issue = await run_in_threadpool(
        lambda: certificate.issue(
            path.read_bytes(),
            name,
            key,
            issued=board.now(),
            issued_by=session.name,
            late_bytes=late_beside(path),
            language=language,
        )
    )
    keep_certificate(board.folder.path, issue.payload.certificate_id, issue.pdf, issue.bundle, language)
    return then(f"/result/{name}#certificate")


@router.post("/result/{name}/retest")
async def retest(request: Request, name: str, session: Session = Desk) -> Response:  # noqa: ARG001 - asked for
    """Plan what fell short once more, and nothing else."""
    board = board_of(request)
    run = await run_in_threadpool(judged_run, board.folder, name)
    ledger, short = run.ledger, run.judgement.fell_short
    if not short:
        raise HTTPException(409, "result.nothing_short")
    now, plan = board.now(), ledger.started.plan
    built = await run_in_threadpool(
        lambda: build_plan(plan.site, made=now, today=now.astimezone().date(), retest_of=ledger.digest, only=short)
    )
    keep_plan(board, built, "retest")
    return then("/#plans")


def cells_of(matrix: Matrix, judged: Judgement) -> dict[tuple[str, str], Shown]:
    """How each line of the matrix was shown, by cause and effect."""
    found = {(one.cause, one.effect): one for one in judged.effects}
    words = {"pass": "shown", "fail": "not shown", "inconclusive": "unclear"}
    cells = {}
    for effect, row in matrix.rows:
        for cause, cell in zip(matrix.causes, row, strict=True):
            if cell is None:
                continue
            finding = found.get((cause, effect.tag))
            how = "not tested" if finding is None else words.get(finding.outcome, finding.outcome)
            if finding is not None and finding.outcome == "fail" and finding.delay_s is not None:
                how = "late"
            cells[cause, effect.tag] = Shown(how, finding)
    return cells


def unexpected_of(matrix: Matrix, series: Series, judged: Judgement) -> dict[tuple[str, str], Shown]:
    """What acted although the matrix has no line for it, at the alarm of the detector under test that had come last."""
    cells = {}
    for stray in judged.strays:
        own = [cause for cause in matrix.causes if stray.during and cause.startswith(f"{stray.during}.")]
        came = [
            (edge.at.t_s, cause)
            for cause in own
            for edge in series.edges.get(cause, ())
            if edge.on and edge.at.t_s <= stray.t_s + SLACK_S
        ]
        if came and stray.signal.endswith(".on"):
            cells[max(came)[1], stray.signal.removesuffix(".on")] = Shown("unexpected")
    return cells


WORST_FIRST = ("error", "fail", "aborted", "inconclusive", "not tested")


@dataclass(frozen=True, slots=True)
class ToDo:
    """One line of what is left to do: everything at one place that fell short alike, and why."""

    at: str
    """Detector; empty for the visit as a whole."""
    outcome: str
    findings: tuple[Finding, ...]

    @property
    def causes(self) -> tuple[str, ...]:
        """Likely causes in order."""
        return self.findings[0].causes


def punch_list(judged: Judgement) -> list[ToDo]:
    """What is left to do: everything that did not pass, gathered by place, outcome and cause, the worst first."""
    gathered: dict[tuple[str, str, tuple[str, ...]], list[Finding]] = {}
    every = [(verdict.tag, one) for verdict in (*judged.verdicts, *judged.groups) for one in verdict.findings]
    for tag, one in every + [("", one) for one in judged.visit]:
        if one.outcome != "pass":
            gathered.setdefault((tag, one.outcome, one.causes), []).append(one)
    lines = [ToDo(tag, outcome, tuple(found)) for (tag, outcome, _), found in gathered.items()]
    return sorted(lines, key=lambda line: WORST_FIRST.index(line.outcome))


def strip_of(series: Series, site: Site, tag: str, tell: Teller) -> dict[str, Any] | None:
    """The recorded strip of one detector's last test with gas; none where no gas was given."""
    trials = series.tests_of(tag)
    if not trials or tag not in series.traces:
        return None
    trial, detector = trials[-1], site.detector(tag)
    on_s = trial.gas_on.t_s
    off_s = trial.gas_off.t_s if trial.gas_off is not None else None
    planned = next((one for one in series.plan.detectors if one.tag == tag), None)
    until_s = on_s + (planned.curve.t_s[-1] if planned is not None else 600.0) + TAIL_S
    trace = series.traces[tag].between(on_s - LEAD_S, until_s)
    per_ppm = 1.0 / scale_ppm(detector)[0]
    every = max(1, -(-len(trace.t_s) // SAMPLES_AT_MOST))
    samples = tuple(
        (round(float(t_s), 2), float(value))
        for t_s, value in zip(trace.t_s[::every], trace.value_ppm[::every], strict=True)
        if np.isfinite(value)
    )
    points = tuple(
        PointLine(one.name, one.set_ppm, one.clear_ppm(detector.range_ppm), one.direction == "rising", None)
        for one in detector.alarms
    )
    strip = Strip(detector, per_ppm, samples, points, planned, on_s, off_s, "good")
    own = f"{tag}."
    edges = [
        {
            "t": round(edge.at.t_s, 2),
            "signal": signal,
            "on": edge.on,
            "by": edge.witness,
            "own": signal.startswith(own),
        }
        for signal, several in series.edges.items()
        for edge in several
        if on_s - LEAD_S <= edge.at.t_s <= until_s and (edge.seen_by == "witness" or signal.startswith(own))
    ]
    return {
        "strip": strip_document(strip, tell),
        "samples": [[t_s, float(f"{value * per_ppm:.6g}")] for t_s, value in samples],
        "now": {"t": samples[-1][0] if samples else on_s, "gas_on": on_s, "gas_off": off_s, "edges": edges},
    }

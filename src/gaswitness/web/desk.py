"""The desk: what lies in the folder, a site opened, a plan made, a run begun."""

from __future__ import annotations

import mimetypes
from datetime import UTC
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import FileResponse, Response
from starlette.concurrency import run_in_threadpool

from gaswitness.errors import InputFaults
from gaswitness.history.files import write_whole
from gaswitness.plan import build_plan
from gaswitness.plan.records import Plan
from gaswitness.plan.sheet import sheet_pdf
from gaswitness.site.sense import sense_check
from gaswitness.web.access import Desk, Session, fields_of, form_of, session_of
from gaswitness.web.board import Board, Start
from gaswitness.web.folder import LEDGER
from gaswitness.web.joining import home_of
from gaswitness.web.pages import board_of, page, then, words_of
from gaswitness.web.schematic import drawing_of, matrix_of

router = APIRouter()


@router.get("/")
async def desk(request: Request) -> Response:
    """Sites, plans, runs and certificates; whoever has another role is shown to its own page."""
    session = session_of(request)
    if session is None:
        return page(request, "outside.html", {"left": False})
    if session.role != "desk":
        return then(home_of(session))
    board = board_of(request)
    folder = board.folder
    context = {
        "folder": folder.path.resolve(),
        "sites": folder.sites(),
        "plans": folder.plans(),
        "runs": folder.runs(),
        "papers": folder.papers(),
        "due": await run_in_threadpool(board.due.page, folder.path, board.store, board.now().astimezone().date()),
        "running": board.running,
        "can_begin": board.begin is not None and not board.running,
        "operator": session.name,
    }
    return page(request, "desk.html", context, session=session)


@router.get("/site/{name}")
async def site(request: Request, name: str, session: Session = Desk) -> Response:
    """A site: what is wrong with it, its map, its matrix, its detectors."""
    board = board_of(request)
    try:
        described = await run_in_threadpool(board.folder.site, name)
    except InputFaults as error:
        wrong = {"name": name, "faults": error.faults, "doubts": (), "site": None}
        return page(request, "site.html", wrong, session=session)
    report = sense_check(described, board.now().astimezone().date())
    context: dict[str, Any] = {
        "name": name,
        "site": described,
        "faults": report.faults,
        "doubts": report.doubts,
        "drawing": drawing_of(described),
        "matrix": matrix_of(described),
    }
    return page(request, "site.html", context, session=session)


@router.post("/site/{name}/plan")
async def plan(request: Request, name: str, session: Session = Desk) -> Response:  # noqa: ARG001 - asked for
    """Plan the visit, for all detectors or those that were ticked."""
    board = board_of(request)
    tags = (await fields_of(request)).get("tag", [])
    described = await run_in_threadpool(board.folder.site, name)
    now = board.now()
    built = await run_in_threadpool(
        lambda: build_plan(described, tags=tags or None, made=now, today=now.astimezone().date())
    )
    keep_plan(board, built, name.rpartition(".")[0])
    return then("/#plans")


@router.get("/plan/{name}/sheet")
async def sheet(request: Request, name: str, session: Session = Desk) -> Response:  # noqa: ARG001 - asked for
    """The job sheet of a plan, in the language of the page it is asked for from."""
    folder, language = board_of(request).folder, words_of(request).language
    pdf = await run_in_threadpool(lambda: sheet_pdf(folder.plan(name), language))
    file_name = quote(f"{name.removesuffix('.json').removesuffix('.plan')}.sheet-{language}.pdf")
    headers = {"content-disposition": f"attachment; filename*=utf-8''{file_name}"}
    return Response(pdf, media_type="application/pdf", headers=headers)


def keep_plan(board: Board, built: Plan, stem: str) -> str:
    """Put a plan into the folder under a name that nothing has yet."""
    now = board.now().astimezone(UTC)
    base, number = f"{now:%Y%m%dT%H%M%SZ}-{stem}.plan", 1
    path = board.folder.path / f"{base}.json"
    while path.exists():
        number += 1
        path = board.folder.path / f"{base}-{number}.json"
    write_whole(path, (built.model_dump_json(indent=1) + "\n").encode())
    return path.name


@router.post("/run")
async def run(request: Request, session: Session = Desk) -> Response:
    """Begin a run of a plan, or go on with a ledger."""
    board, form = board_of(request), await form_of(request)
    if board.begin is None:
        raise HTTPException(409, "desk.cannot_begin")
    if board.running:
        raise HTTPException(409, "desk.busy")
    name, resume = form.get("name", ""), form.get("resume") == "yes"
    path = board.folder.file(name, LEDGER if resume else ".json")
    await board.begin(Start(path, form.get("link") or None, form.get("operator") or session.name, resume))
    return then("/live")


@router.get("/file/{name}")
async def file(request: Request, name: str, session: Session = Desk) -> Response:  # noqa: ARG001 - the session is asked for
    """Hand out a paper, a plan or a ledger."""
    path = board_of(request).folder.download(name)
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    return FileResponse(path, media_type=kind, filename=path.name)

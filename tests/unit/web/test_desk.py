"""The desk: what lies in the folder, a site opened, a plan made, a run begun."""

from __future__ import annotations

import itertools
import re

import pytest

from gaswitness.errors import LinkError
from gaswitness.plan.records import Plan
from gaswitness.site import load_site
from gaswitness.web.schematic import drawing_of, matrix_of
from support.papers import text_of


@pytest.fixture
def rink(repo):
    return load_site((repo / "examples" / "ravensmoor.yaml").read_text("utf-8"), "ravensmoor.yaml")


async def test_the_desk_lists_what_is_there(board, joined):
    (board.folder.path / "notes.yaml").write_text("shopping: [milk]\n")
    (board.folder.path / "R9.ledger.jsonl").write_text("nonsense\n")
    (board.folder.path / "other.json").write_text("{}")
    async with joined() as browser:
        text = (await browser.get("/")).text
    assert "ravensmoor.yaml" in text
    assert "cellar.yaml" in text
    assert "notes.yaml" not in text
    assert "other.json" not in text
    assert "not readable" in text


async def test_a_site_is_opened_with_its_map_and_matrix(joined, rink):
    async with joined() as browser:
        text = (await browser.get("/site/ravensmoor.yaml")).text
    assert "No fault and no doubt was found." in text
    for detector in rink.detectors:
        assert f'data-from="{detector.tag}"' in text
    for effect in rink.effects:
        assert f'data-to="{effect.tag}"' in text


async def test_faults_of_a_site_are_told_with_path_and_line(board, joined):
    path = board.folder.path / "broken.yaml"
    text = (board.folder.path / "cellar.yaml").read_text("utf-8")
    path.write_text(
        text.replace("effect: HORN", "effect: NO-SUCH") if "effect: HORN" in text else text + "\nnonsense: 1\n"
    )
    async with joined() as browser:
        answer = await browser.get("/site/broken.yaml")
    assert answer.status_code == 200
    assert "Faults, to be mended" in answer.text
    assert re.search(r"line \d+", answer.text)


async def test_doubts_are_told_as_doubts(board, joined):
    path = board.folder.path / "cellar.yaml"
    path.write_text(re.sub(r"expires: \d{4}", "expires: 2020", path.read_text("utf-8")))
    async with joined() as browser:
        text = (await browser.get("/site/cellar.yaml")).text
    assert "to be mended" in text or "to be looked at" in text


async def test_a_visit_is_planned_for_the_detectors_that_were_ticked(board, joined):
    async with joined() as browser:
        answer = await browser.send_form("/site/ravensmoor.yaml/plan", tag="CO-1")
        assert answer.status_code == 303
        [line] = board.folder.plans()
        assert line.detectors == ("CO-1",)
        assert line.name in (await browser.get("/")).text
        again = await browser.send_form("/site/ravensmoor.yaml/plan", tag="CO-1")
        assert again.status_code == 303
        assert len(board.folder.plans()) == 2, "nothing is overwritten"
        downloaded = await browser.get(f"/file/{line.name}")
    assert Plan.model_validate_json(downloaded.content).detectors[0].tag == "CO-1"
    assert "attachment" in downloaded.headers["content-disposition"]


@pytest.mark.parametrize(
    ("language", "title"), [("en", "Job sheet · test of fixed gas alarms"), ("de", "Arbeitsblatt · Prüfung ortsfester")]
)
async def test_the_job_sheet_of_a_plan_is_in_the_language_of_the_page(board, joined, language, title):
    async with joined() as browser:
        await browser.send_form("/site/cellar.yaml/plan")
        [line] = board.folder.plans()
        assert f"/plan/{line.name}/sheet" in (await browser.get("/")).text
        answer = await browser.get(f"/plan/{line.name}/sheet", headers={"accept-language": language})
        none = await browser.get("/plan/none.json/sheet")
    assert title.upper() in text_of(answer.content)
    assert f"sheet-{language}.pdf" in answer.headers["content-disposition"]
    assert none.status_code == 400
    assert board.folder.papers() == (), "nothing is written"


async def test_a_plan_that_would_prove_nothing_is_refused_in_words(board, joined):
    async with joined() as browser:
        answer = await browser.send_form("/site/ravensmoor.yaml/plan", tag="NO-SUCH")
    assert answer.status_code == 400
    assert "NO-SUCH" in answer.text
    assert board.folder.plans() == ()


async def test_a_run_is_begun_from_a_plan_of_the_folder(board, joined):
    begun = []

    async def begin(start):
        begun.append(start)

    board.begin = begin
    async with joined() as browser:
        await browser.send_form("/site/cellar.yaml/plan")
        name = board.folder.plans()[0].name
        assert (await browser.send_form("/run", name="../../etc/passwd")).status_code == 400
        answer = await browser.send_form("/run", name=name, link="modbus-tcp://127.0.0.1:15020")
    assert answer.headers["location"] == "/live"
    assert [(one.plan.name, one.link, one.operator, one.resume) for one in begun] == [
        (name, "modbus-tcp://127.0.0.1:15020", "M. Kerr", False)
    ]


async def test_a_link_that_does_not_answer_is_told_on_the_page(board, joined):
    async def begin(start):
        raise LinkError("modbus-tcp://127.0.0.1:1: nobody answers", hint="is the panel on?")

    board.begin = begin
    async with joined() as browser:
        await browser.send_form("/site/cellar.yaml/plan")
        answer = await browser.send_form("/run", name=board.folder.plans()[0].name)
    assert answer.status_code == 400
    assert "nobody answers" in answer.text
    assert "is the panel on?" in answer.text


async def test_one_run_at_a_time(board, joined, live):
    board.begin = lambda start: pytest.fail("a second run was begun")
    async with joined() as browser:
        await browser.send_form("/site/cellar.yaml/plan")
        assert (await browser.send_form("/run", name=board.folder.plans()[0].name)).status_code == 409


def test_every_line_of_the_matrix_is_drawn_and_no_other(rink):
    drawing, matrix = drawing_of(rink), matrix_of(rink)
    drawn = {(wire.detector, wire.effect) for wire in drawing.wires}
    members = {group.tag: group.members for group in rink.groups}
    lines = {
        (single.split(".")[0], line.effect)
        for line in rink.matrix
        for cause in line.causes
        for single in members.get(cause, (cause,))
    }
    assert drawn == lines
    cells = {
        (cause, effect.tag)
        for effect, row in matrix.rows
        for cause, cell in zip(matrix.causes, row, strict=True)
        if cell is not None
    }
    assert cells == {(cause, line.effect) for line in rink.matrix for cause in line.causes}


def test_nothing_on_the_map_lies_on_something_else(rink):
    drawing = drawing_of(rink)
    for boxes in (drawing.areas, drawing.posts):
        for above, below in itertools.pairwise(boxes):
            assert above.y + above.h < below.y
        for box in boxes:
            assert all(box.y < item.y < box.y + box.h for item in box.items)
            assert box.y + box.h <= drawing.height + 1e-6

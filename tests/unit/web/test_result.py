"""The result: verdicts, strips, the matrix as it was shown, what is left to do, certificate and retest."""

from __future__ import annotations

import json
import re

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.telling import Teller
from gaswitness.web.result import cells_of, punch_list, strip_of, unexpected_of
from gaswitness.web.schematic import matrix_of
from support.papers import text_of
from support.rigged import example_plan
from support.rigged import visit as carried_out

NAME = "R1.ledger.jsonl"


@pytest.fixture(scope="module")
def good():
    return carried_out(example_plan("ravensmoor.yaml", ("CO-1",)))


@pytest.fixture(scope="module")
def cellar():
    return carried_out(example_plan("cellar.yaml"))


@pytest.fixture(scope="module")
def bad():
    """The fan of the garage is driven, and stands still."""
    return carried_out(example_plan("ravensmoor.yaml", ("CO-1",)), faults=["stuck:GARAGE-FAN"])


def judged(data):
    ledger = read_ledger(data, NAME)
    series = series_of(ledger)
    return ledger, series, judge(series)


async def test_a_good_run_is_shown_as_passed_with_its_strip(board, joined, cellar):
    (board.folder.path / NAME).write_bytes(cellar)
    async with joined() as browser:
        text = (await browser.get(f"/result/{NAME}")).text
    assert "outcome-pass" in text
    assert "Nothing fell short." in text
    blocks = re.findall(r'<div class="strip recorded"><script type="application/json">(.*?)</script>', text)
    assert [json.loads(block)["strip"]["tag"] for block in blocks] == ["CO2-A", "CO2-B"]


def test_the_recorded_strip_has_readings_edges_and_marks(good):
    _, series, _ = judged(good)
    strip = strip_of(series, series.plan.site, "CO-1", Teller("en"))
    assert len(strip["samples"]) > 100
    assert {edge["signal"] for edge in strip["now"]["edges"] if edge["own"] and not edge["by"]} >= {
        "CO-1.low",
        "CO-1.high",
    }
    assert any(edge["by"] for edge in strip["now"]["edges"])
    assert strip["now"]["gas_on"] < strip["now"]["gas_off"]
    assert strip_of(series, series.plan.site, "NH3-1", Teller("en")) is None


def test_the_matrix_says_what_was_shown_and_what_was_not(good, bad):
    _, series, found = judged(good)
    cells = cells_of(matrix_of(series.plan.site), found)
    assert cells["CO-1.low", "GARAGE-FAN"].how == "shown"
    assert cells["NH3-1.low", "LAMP-1"].how == "not tested"
    _, series, found = judged(bad)
    assert cells_of(matrix_of(series.plan.site), found)["CO-1.low", "GARAGE-FAN"].how in ("not shown", "late")


def test_what_no_line_calls_for_stands_where_it_acted():
    plan = example_plan("ravensmoor.yaml", ("CO-1",))
    _, series, found = judged(carried_out(plan, faults=["crossed-effects:LAMP-6:LAMP-7"]))
    cells = unexpected_of(matrix_of(plan.site), series, found)
    assert {where: cell.how for where, cell in cells.items()} == {("CO-1.low", "LAMP-7"): "unexpected"}
    assert ("CO-1.low", "LAMP-7") not in cells_of(matrix_of(plan.site), found)


async def test_what_fell_short_is_left_to_do_and_its_retest_planned(board, joined, bad):
    (board.folder.path / NAME).write_bytes(bad)
    _, _, found = judged(bad)
    lines = punch_list(found)
    assert {one.criterion for line in lines for one in line.findings} == set(found.fell_short)
    assert lines[0].outcome == "fail"
    async with joined() as browser:
        text = (await browser.get(f"/result/{NAME}")).text
        assert "GARAGE-FAN" in text.split("Left to do")[1]
        assert (await browser.send_form(f"/result/{NAME}/retest")).status_code == 303
    [plan] = board.folder.plans()
    assert plan.retest
    assert "CO-1" in plan.detectors


async def test_there_is_no_retest_of_what_passed(board, joined, cellar):
    (board.folder.path / NAME).write_bytes(cellar)
    async with joined() as browser:
        assert (await browser.send_form(f"/result/{NAME}/retest")).status_code == 409


async def test_the_certificate_is_signed_here_where_there_is_a_key(board, joined, good):
    (board.folder.path / NAME).write_bytes(good)
    async with joined() as browser:
        assert (await browser.send_form(f"/result/{NAME}/certify")).status_code == 409
        board.key = Ed25519PrivateKey.generate()
        assert (await browser.send_form(f"/result/{NAME}/certify")).status_code == 303
        papers = board.folder.papers()
        assert [paper.partition(".")[2] for paper in papers] == ["evidence.zip", "pdf"]
        text = (await browser.get(f"/result/{NAME}")).text
        assert all(paper in text for paper in papers)
        assert (await browser.get(f"/file/{papers[1]}")).content.startswith(b"%PDF")


async def test_the_certificate_is_in_the_language_of_the_page_and_none_takes_the_place_of_another(board, joined, good):
    (board.folder.path / NAME).write_bytes(good)
    board.key = Ed25519PrivateKey.generate()
    async with joined() as browser:
        for language in ("de", "en", "de"):
            browser.headers["accept-language"] = language
            await browser.send_form(f"/result/{NAME}/certify")
    papers = {name: (board.folder.path / name).read_bytes() for name in board.folder.papers() if name.endswith(".pdf")}
    stem = min(papers).partition("-de")[0].removesuffix(".pdf")
    assert set(papers) == {f"{stem}.pdf", f"{stem}-de.pdf", f"{stem}-de-2.pdf"}
    assert "Was gefunden wurde" in text_of(papers[f"{stem}-de.pdf"])
    assert "What was found" in text_of(papers[f"{stem}.pdf"])


async def test_a_ledger_that_was_altered_is_not_judged(board, joined, good):
    (board.folder.path / NAME).write_bytes(good.replace(b'"operator":"MK"', b'"operator":"XX"'))
    async with joined() as browser:
        answer = await browser.get(f"/result/{NAME}")
    assert answer.status_code == 400
    assert "outcome-pass" not in answer.text

"""The due list on the desk: from certificates in the folder, or from a store; it never keeps the page from coming."""

from __future__ import annotations

from datetime import date

import pytest

from gaswitness.history.intake import parcel_of
from gaswitness.history.store import open_store
from gaswitness.web.due import DueList
from support.kept import NOW, bundled


@pytest.fixture
def certified(board):
    (board.folder.path / "R1.evidence.zip").write_bytes(bundled("R1", "2025-10-02"))
    (board.folder.path / "R2.evidence.zip").write_bytes(bundled("R2", "2026-03-02"))
    (board.folder.path / "broken.evidence.zip").write_bytes(b"no bundle")
    return board


async def test_certificates_in_the_folder_say_what_is_due(certified, joined):
    async with joined() as browser:
        text = (await browser.get("/")).text
    assert "From the certificates in this folder." in text
    assert "2027-03-02" in text, "the later test of A, and twelve months"
    assert "2026-10-02" not in text
    assert "1 overdue" in text, "B was never tested"


async def test_a_store_says_it_where_there_is_one(board, joined, tmp_path):
    board.store = str(tmp_path / "kept" / "s.db")
    with open_store(board.store, make=True) as store:
        store.keep(parcel_of(bundled("R1", "2025-03-02"), "R1.evidence.zip"), now=NOW)
    async with joined() as browser:
        text = (await browser.get("/")).text
    assert "From the store of all that was kept." in text
    assert "2026-03-02" in text
    assert "2 overdue" in text


async def test_a_store_that_is_gone_is_told_and_the_desk_comes_all_the_same(board, joined, tmp_path):
    board.store = str(tmp_path / "no such.db")
    async with joined(name="Ines") as browser:
        answer = await browser.get("/")
    assert answer.status_code == 200
    assert "there is no store yet" in answer.text
    assert "ravensmoor.yaml" in answer.text


async def test_an_empty_folder_says_that_nothing_is_known_yet(joined):
    async with joined() as browser:
        assert "Nothing yet: it follows from certificates." in (await browser.get("/")).text


def test_a_certificate_is_read_again_only_when_its_file_changed(certified, monkeypatch):
    dues, folder, day = DueList(), certified.folder.path, date(2026, 11, 25)
    first = dues.page(folder, None, day)
    monkeypatch.setattr("gaswitness.web.due._certified", lambda path: pytest.fail("read once more"))
    assert dues.page(folder, None, day) == first
    assert first.source == "folder"

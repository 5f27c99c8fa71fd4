"""Files that only grow, and files that are replaced whole."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from gaswitness.errors import InputError
from gaswitness.history.files import LedgerFile, keep_certificate, write_whole


def test_what_was_appended_is_there_and_stays(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    with LedgerFile(path) as ledger:
        ledger.append([b"one\n", b"two\n"])
        assert path.read_bytes() == b"one\ntwo\n"
    with LedgerFile.reopen(path) as ledger:
        ledger.append([b"three\n"])
    assert path.read_bytes() == b"one\ntwo\nthree\n"


def test_a_ledger_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_bytes(b"evidence\n")
    with pytest.raises(InputError, match="never overwritten"):
        LedgerFile(path)
    assert path.read_bytes() == b"evidence\n"


def test_reopening_asks_for_a_file_that_is_there(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        LedgerFile.reopen(tmp_path / "none.jsonl")
    assert list(tmp_path.iterdir()) == []


def test_two_runs_cannot_write_one_ledger(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    with LedgerFile(path), pytest.raises(InputError, match="another run"):
        LedgerFile.reopen(path)
    LedgerFile.reopen(path).close()


def test_closing_twice_is_no_harm(tmp_path: Path) -> None:
    ledger = LedgerFile(tmp_path / "a.jsonl")
    ledger.close()
    ledger.close()


def test_write_whole_replaces_or_leaves_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.bin"
    write_whole(path, b"old")
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"newer")
    assert path.read_bytes() == b"new"
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.bin"]


@pytest.mark.skipif(os.name != "posix", reason="Windows keeps rights in another way")
def test_only_what_is_private_is_kept_from_others(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        write_whole(tmp_path / "certificate.pdf", b"%PDF")
        write_whole(tmp_path / "key.pem", b"secret", private=True)
    finally:
        os.umask(before)
    assert (tmp_path / "certificate.pdf").stat().st_mode & 0o777 == 0o644
    assert (tmp_path / "key.pem").stat().st_mode & 0o777 == 0o600


def test_a_certificate_never_takes_the_place_of_another(tmp_path: Path) -> None:
    first = keep_certificate(tmp_path, "C-1", b"paper", b"bundle")
    second = keep_certificate(tmp_path, "C-1", b"other paper", b"other bundle")
    assert [path.name for path in (*first, *second)] == [
        "C-1.pdf",
        "C-1.evidence.zip",
        "C-1-2.pdf",
        "C-1-2.evidence.zip",
    ]
    assert [path.read_bytes() for path in first] == [b"paper", b"bundle"]
    assert [path.read_bytes() for path in second] == [b"other paper", b"other bundle"]


def test_a_certificate_in_another_language_has_a_name_of_its_own(tmp_path: Path) -> None:
    keep_certificate(tmp_path, "C-1", b"paper", b"bundle")
    for paper in (b"Papier", b"zweites Papier"):
        keep_certificate(tmp_path, "C-1", paper, b"Paket", "de")
    assert {path.name: path.read_bytes() for path in tmp_path.glob("*.pdf")} == {
        "C-1.pdf": b"paper",
        "C-1-de.pdf": b"Papier",
        "C-1-de-2.pdf": b"zweites Papier",
    }

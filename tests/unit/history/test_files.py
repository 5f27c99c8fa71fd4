"""Files that only grow, and files that are replaced whole."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from gaswitness.errors import InputError
from gaswitness.history.files import LedgerFile, write_whole


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

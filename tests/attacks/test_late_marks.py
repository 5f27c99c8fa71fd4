"""Marks that came in after a run had ended: somebody alters, removes or adds one, and hopes that nobody notices."""

from __future__ import annotations

import io
import json
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from gaswitness.certify import bundle
from gaswitness.certify.certificate import issue
from gaswitness.certify.keys import private_pem, public_pem
from gaswitness.certify.verify import verify
from gaswitness.cli.main import app, main
from gaswitness.errors import EXIT_EVIDENCE, ChainBroken, EvidenceError
from gaswitness.evidence.late import late_path, read_late, with_late
from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.run.events import NoteTaken, ReadingTaken
from support.late import LEDGER, LEDGER_BYTES, chained, pressed, scene
from support.ledgers import WALL

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
ISSUED = datetime(2026, 3, 3, 10, tzinfo=UTC)
LATE_BYTES = chained(pressed(), pressed("late-2", 133.0, signal="other", note="seen from the stairs"))
BEFORE = issue(LEDGER_BYTES, "r1", KEY, issued=ISSUED)
AFTER = issue(LEDGER_BYTES, "r1", KEY, issued=ISSUED, late_bytes=LATE_BYTES)


def repacked(data: bytes, key: Ed25519PrivateKey | None = None, **changes: bytes | None) -> bytes:
    """Members exchanged or taken out; with a key, packed and signed again by whoever holds it."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    for name, content in changes.items():
        files[{"late": bundle.LATE, "ledger": bundle.LEDGER, "contents": bundle.CONTENTS}[name]] = content
    files = {name: content for name, content in files.items() if content is not None}
    if key is not None:
        return bundle.pack({n: c for n, c in files.items() if n not in (bundle.KEY, bundle.CONTENTS)}, key)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return out.getvalue()


def test_a_late_mark_reopens_the_judging_and_the_certificate_says_so() -> None:
    assert BEFORE.payload.judgement.outcome != "pass"
    assert AFTER.payload.judgement.outcome == "pass"
    assert AFTER.payload.outcome_at_end == BEFORE.payload.judgement.outcome
    assert AFTER.payload.judgement.late == 2
    assert any("Came in after the run had ended" in note and "Ines" in note for note in AFTER.payload.judgement.notes)
    assert AFTER.payload.certificate_id != BEFORE.payload.certificate_id, "the earlier one is not written over"


def test_both_certificates_hold_each_for_what_it_covers() -> None:
    first, second = verify(BEFORE.bundle, "before"), verify(AFTER.bundle, "after")
    assert (first.rejudged, first.late, first.outcome_at_end) == ("same", 0, None)
    assert (second.rejudged, second.late, second.outcome) == ("same", 2, "pass")


@pytest.mark.parametrize("at", range(0, len(LATE_BYTES), 41))
def test_an_altered_late_mark_is_found(at: int) -> None:
    changed = bytearray(LATE_BYTES)
    changed[at] ^= 1
    with pytest.raises(EvidenceError, match=r"late-marks\.jsonl was altered"):
        verify(repacked(AFTER.bundle, late=bytes(changed)), "b.zip")


@pytest.mark.parametrize(
    ("late", "says"),
    [
        (None, r"late-marks\.jsonl missing"),
        (chained(pressed()), "altered"),
        (chained(pressed(), pressed("late-2", 133.0, signal="other"), pressed("late-3")), "altered"),
        (b"", "altered"),
    ],
    ids=["whole file", "one of two", "one added", "emptied"],
)
def test_a_late_mark_removed_or_added_is_found(late: bytes | None, says: str) -> None:
    with pytest.raises(EvidenceError, match=says):
        verify(repacked(AFTER.bundle, late=late), "b.zip")


def test_late_marks_slipped_into_a_certificate_that_had_none_are_found() -> None:
    with pytest.raises(EvidenceError, match="not part of the bundle"):
        verify(repacked(BEFORE.bundle, late=LATE_BYTES), "b.zip")


def test_the_list_of_contents_of_the_earlier_certificate_does_not_fit_the_later_one() -> None:
    with zipfile.ZipFile(io.BytesIO(BEFORE.bundle)) as archive:
        earlier = archive.read(bundle.CONTENTS)
    with pytest.raises(EvidenceError, match="not part of the bundle"):
        verify(repacked(AFTER.bundle, contents=earlier), "b.zip")


@pytest.mark.parametrize("late", [None, chained(pressed("late-9"))], ids=["left out", "others"])
def test_packed_again_by_the_signer_without_signing_anew_it_does_not_fit_its_certificate(late: bytes | None) -> None:
    """Even the signer's own list of contents does not help: the certificate itself speaks of these late marks."""
    with pytest.raises(EvidenceError, match="not the one that the certificate speaks of"):
        verify(repacked(AFTER.bundle, KEY, late=late), "b.zip")


def other_run() -> bytes:
    return scene().mark("other", 20.0).written()


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (chained(pressed(), after=read_ledger(other_run()).digest), "does not follow"),
        (chained(pressed(), pressed("late-2", 140.0)).split(b"\n", 1)[1], "does not follow"),
        (chained(pressed(), pressed()), "a second time"),
        (chained(NoteTaken(t_s=1.0, wall=WALL, by="x", text="y")), "cannot come late"),
        (chained(pressed()).replace(b"Ines", b"Inez"), "was altered"),
        (LATE_BYTES.replace(b"stairs", b"window"), "was altered"),
        (b"\n".join(reversed(LATE_BYTES.splitlines())), "does not follow"),
    ],
    ids=[
        "of another run",
        "first one gone",
        "twice",
        "of another kind",
        "altered",
        "last one altered",
        "in another order",
    ],
)
def test_a_file_of_late_marks_that_does_not_hang_on_its_ledger_is_refused(data: bytes, says: str) -> None:
    with pytest.raises(ChainBroken, match=says):
        read_late(data, LEDGER, "late")


@given(st.integers(0, len(LATE_BYTES) - 1), st.integers(1, 255))
def test_any_changed_byte_is_refused_or_read_as_torn(at: int, by: int) -> None:
    """What no longer looks like a whole line is not read, and counted; no event is ever another one."""
    data = bytearray(LATE_BYTES)
    data[at] ^= by
    try:
        late = read_late(bytes(data), LEDGER, "late")
    except ChainBroken:
        return
    assert late.events == read_late(LATE_BYTES, LEDGER, "late").events[: len(late.events)]
    assert len(late.events) == 2 or late.torn_bytes > 0


@given(st.integers(0, len(LATE_BYTES)))
def test_a_pulled_plug_costs_the_last_line_at_most(length: int) -> None:
    left = LATE_BYTES[:length]
    pieces = [piece for piece in left.split(b"\n") if piece]
    lines = [line for line in pieces if line in LATE_BYTES.splitlines()]
    late = read_late(left, LEDGER, "late")
    assert len(late.events) == len(lines)
    assert late.torn_bytes == sum(len(piece) for piece in pieces if piece not in lines)


def test_a_torn_piece_is_told_and_what_came_after_it_counts() -> None:
    first, second = LATE_BYTES.splitlines(keepends=True)
    late = read_late(first + second[:40] + b"\n" + second, LEDGER, "late")
    assert (len(late.events), late.torn_bytes) == (2, 40)
    assert any("40 bytes" in note for note in judge(series_of(with_late(LEDGER, late))).notes)


def test_what_was_pressed_after_the_end_is_kept_and_told_and_counts_for_nothing() -> None:
    """Somebody presses the button of a run that is over: no edge, no stray, the same outcome as before."""
    end_s = LEDGER.events[-1].t_s
    late = read_late(
        chained(
            pressed(t_s=end_s + 3600.0),
            ReadingTaken(
                t_s=end_s + 60.0, wall=WALL, tag="A", value_ppm=9000.0, source_t_s=end_s + 60.0, quality="by-hand"
            ),
        ),
        LEDGER,
        "late",
    )
    again, then = judge(series_of(with_late(LEDGER, late))), judge(series_of(LEDGER))
    assert again.late == 2
    assert again.model_copy(update={"notes": then.notes, "late": 0}) == then
    assert any("kept only" in note for note in again.notes)


# --- the commands ---


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "r1.ledger.jsonl").write_bytes(LEDGER_BYTES)
    (tmp_path / "r1.late-marks.jsonl").write_bytes(LATE_BYTES)
    (tmp_path / "key.pem").write_bytes(private_pem(KEY))
    (tmp_path / "key.pub.pem").write_bytes(public_pem(KEY.public_key()))
    return tmp_path


def test_the_terminal_says_that_the_judging_was_reopened(folder: Path) -> None:
    ledger = folder / "r1.ledger.jsonl"
    done = CliRunner().invoke(app, ["judge", str(ledger), "--json"])
    assert done.exit_code == 0
    assert "came in after the run had ended: 2;" in done.stderr
    assert f"without them: {BEFORE.payload.judgement.outcome}, with them: pass" in done.stderr
    assert json.loads(done.stdout)["late"] == 2
    late_path(ledger).unlink()
    assert CliRunner().invoke(app, ["judge", str(ledger)]).exit_code == 1


def test_certify_takes_them_along_and_verify_tells_of_them(folder: Path) -> None:
    words = ["certify", str(folder / "r1.ledger.jsonl"), "--key", str(folder / "key.pem"), "-o", str(folder), "--json"]
    done = json.loads(CliRunner().invoke(app, words).stdout)
    assert (done["late"], done["outcome"]) == (2, "pass")
    told = CliRunner().invoke(app, ["verify", done["bundle"], "--trust", str(folder / "key.pub.pem")])
    assert told.exit_code == 0
    assert "came in after the run had ended: 2; without them: not tested" in told.stdout


@pytest.mark.parametrize("command", ["judge", "certify"])
def test_broken_late_marks_are_evidence_that_is_not_trusted(
    folder: Path, command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = folder / "r1.ledger.jsonl"
    late_path(ledger).write_bytes(LATE_BYTES.replace(b"Ines", b"Inez"))
    more = ["--key", str(folder / "key.pem"), "-o", str(folder)] if command == "certify" else []
    monkeypatch.setattr("sys.argv", ["gaswitness", command, str(ledger), *more])
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == EXIT_EVIDENCE


def test_a_bundle_with_an_altered_late_mark_is_told_by_verify(folder: Path) -> None:
    bad = folder / "bad.evidence.zip"
    bad.write_bytes(repacked(AFTER.bundle, late=LATE_BYTES.replace(b"Ines", b"Inez")))
    done = CliRunner().invoke(app, ["verify", str(bad), "--json"])
    assert done.exit_code == EXIT_EVIDENCE
    assert json.loads(done.stdout)["valid"] is False

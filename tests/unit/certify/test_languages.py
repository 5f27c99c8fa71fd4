"""One certificate, papers in several languages: beside each other, each good, and signed as the same English."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.certify import bundle
from gaswitness.certify.envelope import opened
from gaswitness.certify.keys import private_pem
from gaswitness.certify.payload import PAYLOAD_TYPE, read_payload
from gaswitness.cli.main import app
from gaswitness.cli.options import PaperLanguage
from gaswitness.errors import InputError
from gaswitness.history.store import open_store
from gaswitness.telling import LANGUAGES
from support.kept import KEY, ledger
from support.papers import text_of

RUN = CliRunner()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "r1.ledger.jsonl").write_bytes(ledger())
    (tmp_path / "key.pem").write_bytes(private_pem(KEY))
    return tmp_path


def certify(folder: Path, *more: str) -> dict[str, str]:
    words = ["certify", str(folder / "r1.ledger.jsonl"), "--key", str(folder / "key.pem"), "-o", str(folder), "--json"]
    done = RUN.invoke(app, [*words, *more], catch_exceptions=False)
    made: dict[str, str] = json.loads(done.stdout)
    return made


def test_papers_in_two_languages_lie_beside_each_other_and_each_is_good(folder: Path) -> None:
    english, german = certify(folder), certify(folder, "--language", "de")
    assert english["certificate_id"] == german["certificate_id"]
    assert Path(german["pdf"]).name == f"{english['certificate_id']}-de.pdf"
    assert Path(german["bundle"]).name == f"{english['certificate_id']}-de.evidence.zip"
    assert "What was found" in text_of(Path(english["pdf"]).read_bytes())
    assert "Was gefunden wurde" in text_of(Path(german["pdf"]).read_bytes())
    for made in (english, german):
        assert json.loads(RUN.invoke(app, ["verify", made["bundle"], "--json"]).stdout)["valid"] is True


def test_what_is_signed_is_the_same_english(folder: Path) -> None:
    payloads = []
    for more in ((), ("--language", "de")):
        members, key = bundle.unpack(Path(certify(folder, *more)["bundle"]).read_bytes(), "B")
        payloads.append(read_payload(opened(members[bundle.CERTIFICATE], PAYLOAD_TYPE, key, "B")))
    english, german = (one.model_dump(exclude={"issued"}) for one in payloads)
    assert english == german
    assert english["statement"].startswith("A pass is evidence about the moment")


def test_a_store_takes_both_and_counts_one_visit(folder: Path) -> None:
    store = f"sqlite:///{folder / 'years.db'}"
    for more in ((), ("--language", "de")):
        certify(folder, "--store", store, *more)
    with open_store(store) as kept:
        assert len(kept.originals()) == 2
        assert len(kept.rows("visit")) == 1


def test_a_language_that_is_not_spoken_is_told_and_nothing_is_written(folder: Path) -> None:
    before = sorted(folder.iterdir())
    with pytest.raises(InputError, match="no such language; found 'tlh'; expected one of the languages en, de"):
        certify(folder, "--language", "tlh")
    assert sorted(folder.iterdir()) == before


def test_help_names_every_language() -> None:
    [option] = PaperLanguage.__metadata__
    assert all(f"{language} (" in option.help for language in LANGUAGES)

"""The commands over the years, as a person and a script use them."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner, Result

from gaswitness.cli.main import app
from gaswitness.history.store import open_store
from support.kept import KEY, bundled, ledger
from support.papers import english_only, text_of, words
from support.years import table


def ask(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Ten years of the rink, and one visit to a cellar."""
    (tmp_path / "years.csv").write_bytes(table())
    (tmp_path / "R1.evidence.zip").write_bytes(bundled("R1", "2026-03-02"))
    path = tmp_path / "s.db"
    done = ask("import", tmp_path / "years.csv", tmp_path / "R1.evidence.zip", "--store", path)
    assert done.exit_code == 0
    assert "70 new visits" in done.stdout
    return path


def test_a_file_that_is_refused_does_not_keep_the_next_out(tmp_path):
    good, bad, none = tmp_path / "good.evidence.zip", tmp_path / "bad.evidence.zip", tmp_path / "none.csv"
    good.write_bytes(bundled())
    broken = bytearray(bundled())
    broken[len(broken) // 2] ^= 1
    bad.write_bytes(broken)
    done = ask("import", bad, none, good, "--store", tmp_path / "s.db", "--json")
    assert done.exit_code == 4
    rows = json.loads(done.stdout)["files"]
    assert [row["state"] for row in rows] == ["refused", "refused", "kept"]
    assert rows[0]["reason"]
    assert rows[2]["visits"] == 1
    again = ask("import", good, "--store", tmp_path / "s.db", "--json")
    assert (again.exit_code, json.loads(again.stdout)["files"][0]["state"]) == (0, "known")


def test_nothing_is_made_for_nothing(tmp_path):
    assert ask("import", tmp_path / "none.csv", "--store", tmp_path / "s.db").exit_code == 2
    assert not (tmp_path / "s.db").exists()


def test_a_signer_that_is_not_trusted_is_refused(tmp_path):
    from gaswitness.certify.keys import public_pem

    (tmp_path / "me.pub").write_bytes(public_pem(KEY.public_key()))
    (tmp_path / "other.evidence.zip").write_bytes(bundled(key=1))
    words = ("import", tmp_path / "other.evidence.zip", "--trust", tmp_path / "me.pub", "--store", tmp_path / "s.db")
    assert ask(*words).exit_code == 4


def test_due_for_people_and_scripts(store):
    done = ask("due", "--store", store, "--today", "2026-11-25")
    assert done.exit_code == 1
    assert "overdue" in done.stdout
    document = json.loads(ask("due", "--store", store, "--today", "2026-11-25", "--json").stdout)
    assert document["overdue"] == 8
    assert document["due"][0]["state"] == "overdue"
    keys = {"site", "kind", "what", "due", "state", "days", "why", "last", "certificate_id", "simulated"}
    assert all(set(row) == keys for row in document["due"])
    early = ask("due", "--store", store, "--site", "Ravensmoor ice rink", "--today", "2025-07-01", "--json")
    assert (early.exit_code, json.loads(early.stdout)["overdue"]) == (0, 0)


def test_due_of_a_site_that_nothing_was_kept_of(repo, tmp_path):
    words = (
        "due",
        repo / "examples" / "cellar.yaml",
        "--store",
        tmp_path / "none.db",
        "--today",
        "2026-11-25",
        "--json",
    )
    done = ask(*words)
    rows = json.loads(done.stdout)["due"]
    assert done.exit_code == 1
    assert [(row["what"], row["why"]) for row in rows if row["kind"] == "test"] == [
        ("CO2-A", "never tested, as far as is kept here"),
        ("CO2-B", "never tested, as far as is kept here"),
    ]


@pytest.mark.parametrize(("ending", "begins"), [("ics", b"BEGIN:VCALENDAR"), ("xlsx", b"PK"), ("csv", b"site,")])
def test_due_as_a_file(store, tmp_path, ending, begins):
    out = tmp_path / f"due.{ending}"
    ask("due", "--store", store, "-o", out, "--today", "2026-11-25")
    assert out.read_bytes().startswith(begins)


def test_drift_for_people_and_scripts(store, output):
    picture = output / "years.png"
    done = ask("drift", "--store", store, "--site", "Ravensmoor ice rink", "-o", picture, "--today", "2026-03-01")
    assert done.exit_code == 0
    assert "cannot say" in done.stdout
    assert picture.read_bytes().startswith(b"\x89PNG")
    words = ("drift", "--store", store, "--detector", "CO-1", "--of", "span", "--today", "2026-03-01", "--json")
    [one] = json.loads(ask(*words).stdout)["drifts"]
    assert (one["tag"], one["of"], one["unit"]) == ("CO-1", "span", "relative")
    now = one["periods"][-1]
    assert now["says"] == "drifts"
    assert now["reaches"]["guarded"] < now["reaches"]["likely"]
    assert len(one["periods"]) == 2
    late = ask(*words[:-3], "--today", "2029-01-01", "--json")
    assert late.exit_code == 1, "by then it can no longer be excluded"


def test_the_picture_of_the_years_in_german_holds_no_english(store, output):
    picture = output / "years-de.pdf"
    words_before = ("drift", "--store", store, "--site", "Ravensmoor ice rink", "--today", "2026-03-01")
    assert ask(*words_before, "-o", picture, "--language", "de").exit_code == 0
    text = text_of(picture.read_bytes())
    assert "Vorgefunden über die Jahre" in text
    assert "kein Alarm" in text
    assert words(text) & english_only(["Ravensmoor ice rink"]) == set()
    assert "0,1" in text
    assert not re.search(r"\d[.]\d", text), "a number in English"


def test_reliability_for_people_and_scripts(store):
    done = ask("reliability", "--store", store)
    assert done.exit_code == 0
    assert "It is no SIL claim" in " ".join(done.stdout.split())
    document = json.loads(ask("reliability", "--store", store, "--by", "gas", "--json").stdout)
    groups = {row["group"]: row for row in document["groups"]}
    assert set(groups) == {"CO", "CO2", "NH3", "NO2", "O2"}
    assert groups["NO2"]["failures"] == 1
    assert groups["NO2"]["on_demand"]["low"] < 0.1 < groups["NO2"]["on_demand"]["high"]
    assert [one["months"] for one in groups["CO"]["by_months"]] == [3, 6, 12, 24, 36]
    assert "SIL" in document["statement"]


def test_export_of_everything(store, tmp_path):
    for name in ("register.xlsx", "records.csv", "due.ics"):
        assert ask("export", "--store", store, "-o", tmp_path / name).exit_code == 0
    book = load_workbook(io.BytesIO((tmp_path / "register.xlsx").read_bytes()))
    assert book["Tests"].max_row == 73
    done = ask("export", "--store", store, "-o", tmp_path / "originals", "--json")
    written = [Path(path) for path in json.loads(done.stdout)["written"]]
    assert {path.name: path.read_bytes() for path in written} == {
        "years.csv": table(),
        "R1.evidence.zip": bundled("R1", "2026-03-02"),
    }


def test_export_of_one_site_and_beside_a_file_of_the_same_name(store, tmp_path):
    folder = tmp_path / "originals"
    folder.mkdir()
    (folder / "R1.evidence.zip").write_bytes(b"something else")
    words = ("export", "--store", store, "-o", folder, "--site", "Invented cellar", "--json")
    [path] = json.loads(ask(*words).stdout)["written"]
    assert Path(path).name.endswith("-R1.evidence.zip")
    assert (folder / "R1.evidence.zip").read_bytes() == b"something else"


def test_certify_keeps(tmp_path):
    (tmp_path / "R1.ledger.jsonl").write_bytes(ledger())
    assert ask("keys", "new", "-o", tmp_path / "me.key").exit_code == 0
    words = ("certify", tmp_path / "R1.ledger.jsonl", "--key", tmp_path / "me.key", "-o", tmp_path)
    told = ask(*words)
    assert "gaswitness import" in told.stderr
    kept = ask(*words, "--store", tmp_path / "s.db", "--json")
    assert json.loads(kept.stdout)["kept"] is True
    with open_store(str(tmp_path / "s.db")) as store:
        assert store.rows("certificate")[0]["vouched_for"] is True
        assert [test.tag for test in store.tested()] == ["A", "B"]


def test_rehearsals_beside_real_visits_are_left_out_and_told(tmp_path):
    (tmp_path / "real.ledger.jsonl").write_bytes(ledger("R1", "2026-03-02"))
    (tmp_path / "rehearsed.ledger.jsonl").write_bytes(ledger("R2", "2026-09-02", simulated=True))
    store = tmp_path / "s.db"
    ask("import", tmp_path / "rehearsed.ledger.jsonl", "--store", store)
    alone = json.loads(ask("due", "--store", store, "--today", "2026-11-25", "--json").stdout)
    assert (alone["due"][0]["simulated"], alone["left_out_simulated"]) == (False, 0)
    assert any(row["simulated"] and row["due"] == "2027-09-02" for row in alone["due"])
    ask("import", tmp_path / "real.ledger.jsonl", "--store", store)
    both = json.loads(ask("due", "--store", store, "--today", "2026-11-25", "--json").stdout)
    assert both["left_out_simulated"] > 0
    assert {row["due"] for row in both["due"] if row["what"] == "A"} == {"2027-03-02"}


def test_a_ledger_with_late_marks_beside_it_is_said_to_lack_them(tmp_path):
    path = tmp_path / "R1.ledger.jsonl"
    path.write_bytes(ledger())
    (tmp_path / "R1.late-marks.jsonl").write_bytes(b"{}\n")
    done = ask("import", path, "--store", tmp_path / "s.db", "--json")
    assert any("late" in note for note in json.loads(done.stdout)["files"][0]["notes"])

"""Every command with input that is none: one message and an exit code, never a traceback."""

from __future__ import annotations

import gzip
import random
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from gaswitness.cli import main as command_line

COMMANDS: dict[str, list[str]] = {
    "check": ["check", "{}"],
    "plan": ["plan", "{}"],
    "plan a retest": ["plan", "{cellar}", "--retest", "{}"],
    "rig": ["rig", "{}", "--port", "0"],
    "demo": ["demo", "--site", "{}", "--out", "{out}"],
    "run": ["run", "{}", "--out", "{out}", "--assume-yes"],
    "run, resumed": ["run", "{}", "--resume", "--out", "{out}", "--assume-yes"],
    "run over a log": ["run", "{plan}", "--link", "log:{}", "--out", "{out}", "--assume-yes"],
    "judge": ["judge", "{}"],
    "judge as JSON": ["judge", "{}", "--json"],
    "certify": ["certify", "{}", "--key", "{key}", "-o", "{out}"],
    "certify with a bad key": ["certify", "{ledger}", "--key", "{}", "-o", "{out}"],
    "verify": ["verify", "{}"],
    "verify as JSON": ["verify", "{}", "--json"],
    "verify with a bad key": ["verify", "{bundle}", "--trust", "{}"],
    "response": ["response", "{}"],
    "response as JSON": ["response", "{}", "--json"],
    "replay a site": ["replay", "{}", "{log}"],
    "replay a log": ["replay", "{cellar}", "{}"],
    "air-change": ["air-change", "{}"],
    "air-change as JSON": ["air-change", "{}", "--json"],
    "levels beside a site": ["levels", "CO2", "--site", "{}"],
    "release": ["release", "{}", "--scenarios", "10"],
    "heard": ["heard", "{}"],
    "keys show": ["keys", "show", "{}"],
    "import": ["import", "{}", "--store", "{out}/s.db"],
    "import with a bad key": ["import", "{bundle}", "--trust", "{}", "--store", "{out}/s.db"],
    "due with a bad site": ["due", "{}", "--store", "{out}/s.db"],
    "due of a bad store": ["due", "--store", "{}"],
}


def _absent(path: Path) -> None:
    """Nothing is there."""


def _folder(path: Path) -> None:
    path.mkdir()


def _zip_of_nothing(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("nothing.txt", "")


def _deep(path: Path) -> None:
    path.write_bytes(b"[" * 100_000)


BAD: dict[str, Callable[[Path], object]] = {
    "absent": _absent,
    "a folder": _folder,
    "empty": lambda path: path.write_bytes(b""),
    "blank lines": lambda path: path.write_bytes(b"\n\r\n \n"),
    "binary": lambda path: path.write_bytes(random.Random(1).randbytes(5000)),
    "NUL bytes": lambda path: path.write_bytes(b"\0" * 4096),
    "a byte-order mark alone": lambda path: path.write_bytes(b"\xef\xbb\xbf"),
    "UTF-16": lambda path: path.write_bytes("timestamp,value\n0,1\n".encode("utf-16")),
    "Latin-1": lambda path: path.write_bytes("Prüfgas;Wert\n0;1\n".encode("latin-1")),
    "a JSON list": lambda path: path.write_bytes(b"[1, 2, 3]\n"),
    "a JSON number": lambda path: path.write_bytes(b"1e999\n"),
    "JSON of other things": lambda path: path.write_bytes(b'{"payload": 7, "kind": null, "seq": "x"}\n' * 3),
    "nested without end": _deep,
    "a long line": lambda path: path.write_bytes(b"x" * 3_000_000),
    "YAML that builds objects": lambda path: path.write_bytes(b"!!python/object/apply:os.getcwd []\n"),
    "YAML that feeds on itself": lambda path: path.write_bytes(b"a: &a [*a, *a]\nname: *a\n"),
    "YAML with tabs": lambda path: path.write_bytes(b"gaswitness:\tgaswitness/site/1\n\tname: x\n"),
    "a header alone": lambda path: path.write_bytes(b"timestamp,channel,value\n"),
    "numbers that are none": lambda path: path.write_bytes(b"t_s,ppm\n0,nan\n1,inf\n2,-inf\n3,1e400\n" * 5),
    "time that stands still": lambda path: path.write_bytes(b"t_s,ppm\n" + b"0,400\n" * 50),
    "a zip of nothing": _zip_of_nothing,
    "a cut zip": lambda path: path.write_bytes(b"PK\x03\x04\x14\x00\x00\x00"),
    "a cut gzip": lambda path: path.write_bytes(gzip.compress(b"t_s,ppm\n0,1\n" * 500)[:40]),
    "a cut Parquet": lambda path: path.write_bytes(b"PAR1\x00\x00\x00\x00PAR1"),
}
"""What stands where a file should: name and how it comes there."""

ENDINGS = {"a cut gzip": ".csv.gz", "a cut Parquet": ".parquet", "a cut zip": ".xlsx", "a zip of nothing": ".xlsx"}

ANSWERED = {("response", "time that stands still"), ("air-change", "time that stands still"), ("air-change", "UTF-16")}
"""Logs that can be read: the answer is that they hold none."""


def command(words: list[str], monkeypatch: pytest.MonkeyPatch) -> int:
    """Exit code of a command in this process; what it does not catch comes out as an exception."""
    monkeypatch.setattr(sys, "argv", ["gaswitness", *words])
    try:
        command_line.main()
    except SystemExit as end:
        return int(end.code or 0)
    return 0


@pytest.fixture(scope="module")
def good(repo: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Good files for the other arguments of each command."""
    from support.rigged import example_plan, visit

    folder = tmp_path_factory.mktemp("good")
    plan = example_plan("cellar.yaml", ("CO2-A",))
    files = {
        "cellar": repo / "examples" / "cellar.yaml",
        "rink": repo / "examples" / "ravensmoor.yaml",
        "plan": folder / "plan.json",
        "ledger": folder / "visit.ledger.jsonl",
        "key": folder / "me.key",
        "log": folder / "log.csv",
    }
    files["plan"].write_text(plan.model_dump_json(), "utf-8")
    files["ledger"].write_bytes(visit(plan))
    files["log"].write_text("t_s,CO2-A\n" + "".join(f"{t},{400 + t}\n" for t in range(200)), "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        assert command(["keys", "new", "-o", str(files["key"])], patch) == 0
        assert command(["certify", str(files["ledger"]), "--key", str(files["key"]), "-o", str(folder)], patch) == 0
        files["bundle"], files["store"] = next(folder.glob("*.evidence.zip")), folder / "s.db"
        assert command(["import", str(files["bundle"]), "--store", str(files["store"])], patch) == 0
    return {name: str(path) for name, path in files.items()}


@pytest.mark.parametrize("bad", BAD)
@pytest.mark.parametrize("words", COMMANDS.values(), ids=list(COMMANDS))
def test_bad_input_ends_in_a_message(
    words: list[str], bad: str, good: dict[str, str], tmp_path: Path, monkeypatch, capsys
) -> None:
    path = tmp_path / ("bad" + ENDINGS.get(bad, ".csv"))
    BAD[bad](path)
    given = [word.replace("{}", str(path)).format(**good, out=tmp_path / "out") for word in words]
    code = command(given, monkeypatch)
    said = capsys.readouterr()
    assert code in ({1, 2} if (words[0], bad) in ANSWERED else {2, 4}), said.out
    text = said.err + said.out
    assert code == 1 or text.count(path.name) == 1, "it is said where, once"
    assert "Traceback" not in text
    assert len(said.err) < 20_000, "a message, not the file again"
    left = [file for file in (tmp_path / "out").rglob("*") if file.is_file()]
    assert not left, "nothing that looks like a result is left behind"


@pytest.mark.parametrize(
    ("words", "say"),
    [
        (["check", "{cellar}", "--today", "yesterday"], "yesterday"),
        (["plan", "{cellar}", "--detector", "CO2-Z"], "CO2-Z"),
        (["plan", "{cellar}", "--without", "CO2-A.lower"], "CO2-A.lower"),
        (["plan", "{cellar}", "--live", "NOWHERE"], "NOWHERE"),
        (["plan", "{cellar}", "--retest", "{ledger}"], "everything passed"),
        (["demo", "--site", "{cellar}", "--fault", "sluggish:CO2-A", "--out", "{out}"], "sluggish"),
        (["rig", "{cellar}", "--fault", "slow:CO2-Z"], "CO2-Z"),
        (["rig", "{cellar}", "--fault", "slow:CO2-A:fast"], "fast"),
        (["run", "{plan}", "--link", "log:{log}", "--speed", "nan", "--out", "{out}"], "speed"),
        (["run", "{plan}", "--link", "modbus-tcp://nowhere:port", "--out", "{out}"], "nowhere:port"),
        (["response", "{log}", "--channel", "CO2-Z"], "CO2-Z"),
        (["response", "{log}", "--gas-on", "noon"], "noon"),
        (["response", "{log}", "--gas-on", "50", "--gas-off", "20"], "gas off"),
        (["response", "{log}", "--gas-on", "9000"], "gas on"),
        (["response", "{log}", "--gas", "nan"], "gas"),
        (["response", "{log}", "--value", "ppb"], "ppb"),
        (["replay", "{cellar}", "{log}", "--map", "CO2-A"], "CO2-A"),
        (["replay", "{cellar}", "{log}", "--map", "CO2-A=CO2-Z"], "CO2-Z"),
        (["replay", "{cellar}", "{log}", "--unit", "furlong"], "furlong"),
        (["replay", "{cellar}", "{log}", "--shift", "25:00-26:00"], "25:00"),
        (["replay", "{cellar}", "{log}", "--stale", "-1"], "stale"),
        (["air-change", "{log}", "--from", "100", "--to", "50"], "--to"),
        (["air-change", "{log}", "--background", "inf"], "background"),
        (["levels", "phlogiston"], "phlogiston"),
        (["levels", "CO2", "--room-m3", "-5"], "room-m3"),
        (["levels", "CO2", "--room-m3", "nan", "--charge-kg", "1"], "room-m3"),
        (["release", "{rink}", "--scenarios", "0"], "scenarios"),
        (["release", "{rink}", "--area", "ATTIC"], "ATTIC"),
        (["release", "{rink}", "--failing", "2"], "failing"),
        (["release", "{rink}", "--leak-kg-h", "-1"], "leak-kg-h"),
        (["release", "{rink}", "--scenarios", "10", "--out", "times.docx"], "docx"),
        (["keys", "new", "-o", "{key}"], "me.key"),
        (["due", "--today", "tomorrow", "--store", "{store}"], "tomorrow"),
        (["due", "--store", "{store}", "-o", "due.docx"], "docx"),
        (["due", "--store", "mysql://here/there"], "mysql"),
        (["drift", "--store", "{store}", "--of", "gain"], "gain"),
        (["drift", "--store", "{store}", "--detector", "CO2-Z"], "CO2-Z"),
        (["drift", "--store", "{store}", "--site", "Cidre cellar"], "Cidre cellar"),
        (["drift", "--store", "{store}", "-o", "years.docx"], "docx"),
        (["reliability", "--store", "{store}", "--by", "colour"], "colour"),
        (["reliability", "--store", "{store}", "--failure", "some"], "some"),
        (["export", "--store", "{store}", "-o", "register.ods"], "ods"),
        (["export", "--store", "{out}/none.db", "-o", "register.xlsx"], "there is no store yet"),
        (["dust"], "dust"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_a_word_that_makes_no_sense_is_named(
    words: list[str], say: str, good: dict[str, str], tmp_path: Path, monkeypatch, capsys
) -> None:
    given = [word.format(**good, out=tmp_path / "out") for word in words]
    assert command(given, monkeypatch) == 2
    said = capsys.readouterr().err
    assert say in said
    assert "Traceback" not in said

"""Papers of whole visits in German: no label stays English, and what is signed stays as it is.

Two ways of looking: the text of the PDF holds no word that only English has, and of all that a template is given
nothing is the same in both languages but names.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gaswitness.certify import certificate
from gaswitness.certify.labels import LABELS as OF_CERTIFICATE
from gaswitness.certify.payload import payload_bytes
from gaswitness.certify.pdf import certificate_view
from gaswitness.certify.verify import verify
from gaswitness.evidence.late import read_late, with_late
from gaswitness.evidence.ledger import read_ledger
from gaswitness.paper import SHARED, Words, told
from gaswitness.plan.labels import LABELS as OF_SHEET
from gaswitness.plan.records import Plan
from gaswitness.plan.sheet import sheet_pdf, sheet_view
from gaswitness.run.events import ReadingTaken, RunResumed
from gaswitness.telling import Teller, sentences
from support import kept, late
from support.papers import english_only, leaves, text_of, words
from support.rigged import example_plan, visit

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
ISSUED = datetime(2026, 11, 25, 18, tzinfo=UTC)
VISITS = {
    "rink": ("ravensmoor.yaml", None, ("dead:NH3-2", "crossed-effects:LAMP-6:LAMP-7")),
    "cellar": ("cellar.yaml", None, ("weak:CO2-B",)),
    "cold store": ("coldstore.yaml", None, ("uncounted:CS-2.high",)),
}
SAME = {
    *("min", "ppm", "ppb", "L", "L/min", "bar", "hPa", "s", "R1", "MK", "UTC", "M. Kerr"),
    *("t90", "software", "Alarm", "Name", "Gas", "Software", "rig-witness", "NFPA"),
}
"""Units, who took part, and words that both languages write alike."""


def names_in(plan: Plan) -> set[str]:
    """What the site calls things, and ids made of it."""
    ids = [
        *(one.id for one in plan.steps),
        *(x for one in plan.criteria for x in (one.id, one.kind)),
        *(bout.bout for bout in plan.bouts),
    ]
    return {*leaves(plan.site.model_dump(mode="json")), *ids, *SAME}


def same_in_both(view: object, labels: Words, plan: Plan) -> set[str]:
    """Texts of a view that are told alike in English and German, and are no names."""
    spoken = [
        list(leaves(told([view, {**SHARED, **labels}], Teller(language, plan.wording)))) for language in ("en", "de")
    ]
    names = sorted(filter(None, names_in(plan)), key=len, reverse=True)
    name = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, names))})(?!\w)")
    return {one for one, german in zip(*spoken, strict=True) if one == german and words(name.sub(" ", one))}


def issued(data: bytes, language: str, late_bytes: bytes = b"") -> certificate.Issue:
    return certificate.issue(data, "L", KEY, issued=ISSUED, late_bytes=late_bytes, language=language)


def by_hand() -> bytes:
    """A visit without a link, interrupted and not carried through."""
    made = kept.scene()
    made.events[:] = [
        one.model_copy(update={"quality": "by-hand"}) if isinstance(one, ReadingTaken) else one for one in made.events
    ]
    made.add(RunResumed(t_s=50.0, wall="", gap_s=12.0, torn_bytes=31, operator="MK"))
    return kept.ledger(made=made, stopped="aborted", simulated=True)


def check_certificate(data: bytes, late_bytes: bytes = b"") -> str:
    german, english = issued(data, "de", late_bytes), issued(data, "en", late_bytes)
    assert payload_bytes(german.payload) == payload_bytes(english.payload)
    assert verify(german.bundle, "B", trusted=[KEY.public_key()]).rejudged == "same"
    alone = read_ledger(data)
    ledger = with_late(alone, read_late(late_bytes, alone, "L")) if late_bytes else alone
    plan = ledger.started.plan
    view = certificate_view(german.payload, ledger, "0" * 64, "signer")
    for key in ("certificate_id", "digest", "ledger", "signer", "issued", "software", "head"):
        del view[key]
    assert same_in_both(view, OF_CERTIFICATE, plan) == set()
    text = text_of(german.pdf)
    assert words(text) & english_only(names_in(plan)) == set()
    assert "Signiert ist der englische Wortlaut" in " ".join(text.split())
    assert words(text_of(english.pdf)) & english_only(names_in(plan)) != set(), "the check sees English where it is"
    return text


@pytest.mark.parametrize(("name", "tags", "faults"), VISITS.values(), ids=VISITS.keys())
def test_certificate_and_sheet_of_a_visit_hold_no_english_label(name, tags, faults, output):
    plan = Plan.model_validate_json(example_plan(name, tags).model_dump_json())  # as it comes from a file
    sheet = sheet_pdf(plan, "de")
    (output / f"job-sheet-de-{name}.pdf").write_bytes(sheet)
    view = {key: one for key, one in sheet_view(plan).items() if key != "made"}
    assert same_in_both(view, OF_SHEET, plan) == set()
    assert words(text_of(sheet)) & english_only(names_in(plan)) == set()
    assert not re.search(r"(?<![\d.,])\d+\.\d+ ", text_of(sheet).replace("1910.146", "")), "a number in English"
    check_certificate(visit(plan, faults=faults))


@pytest.mark.parametrize(
    ("data", "late_bytes"),
    [(by_hand(), b""), (late.LEDGER_BYTES, late.chained(late.pressed()))],
    ids=["by hand", "late"],
)
def test_what_is_said_of_a_visit_that_went_otherwise_is_german_too(data, late_bytes):
    text = " ".join(check_certificate(data, late_bytes).split())
    if late_bytes:
        assert "Nach dem Ende des Laufs eingegangen" in text
    else:
        assert "560 Messwerte wurden von Hand eingegeben" in text
        assert "31 Bytes einer unfertigen Zeile" in text


def test_heads_of_columns_are_as_many_in_each_language():
    for one, german in sentences("de").items():
        if " | " in one:
            assert one.count("|") == german.count("|"), one


def test_a_certificate_is_signed_as_its_english():
    """What a German paper is made of leaves no trace in what is signed."""
    made = json.loads(payload_bytes(issued(kept.ledger(), "de").payload))
    assert made["statement"].startswith("A pass is evidence about the moment")
    assert all(isinstance(rule, str) for rule in made["rules"])

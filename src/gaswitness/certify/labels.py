"""The fixed words of a certificate on paper: headings, heads of columns, and what it says of itself."""

from __future__ import annotations

from gaswitness.paper import Words
from gaswitness.sentence import said

LABELS: Words = {
    "title": said("Certificate {certificate}", certificate="{certificate}"),
    "foot": said("certificate {certificate}", certificate="{certificate}"),
    "kind_of_paper": said("Certificate of test · fixed gas alarm system"),
    "found": said("What was found"),
    "summary": said("detector | gas and place | verdict | test gas | reading on gas | t90 | next due"),
    "groups": said("vote group | needed | members put into alarm | brings | verdict"),
    "punch": said("To be put right"),
    "likely": said("likely: {causes}", causes="{causes}"),
    "matrix": said("Cause and effect, as shown"),
    "cause": said("cause"),
    "seconds": said("Seconds from cause to effect."),
    "legend": [
        {"outcome": "pass", "text": said("shown in time")},
        {"outcome": "fail", "text": said("fell short")},
        {"outcome": "inconclusive", "text": said("inconclusive")},
        {"outcome": "not tested", "text": said("not tested in this visit")},
    ],
    "no_line": said("not in the matrix"),
    "unexpected": said("Unexpected:"),
    "findings": said("criterion | found ± U (k = 2) | limits | rule | prob. | finding"),
    "test_gas": said("Test gas"),
    "cylinders": said(
        "bottle | gas | certified level ± U | balance | certificate | expires | before / after; used / planned | "
        "used on"
    ),
    "inhibits_and_people": said("Inhibits and people"),
    "inhibits": said("inhibited | placed | lifted | proven"),
    "told": said("told | begins | over"),
    "decided": said("How it was decided"),
    "uncertainty": said(
        "Uncertainty is expanded with k = 2 (about 95 %). Sources: certificate of the gas, zero, noise and resolution, "
        "fit, polling and clock, reaction of the witnesses. One bottle used on several detectors is one shared source."
    ),
    "cautions": said("Cautions that applied"),
    "signature": said("Signature"),
    "issued_by": said("issued by"),
    "issued": said("issued"),
    "key": said("signing key, Ed25519"),
    "software": said("software"),
    "digest": said("SHA-256 of the signed certificate"),
    "ledger": said("SHA-256 of the ledger"),
    "view": said(
        "This page is a view of the signed certificate in the bundle of the same name. {verify} checks the signature "
        "and the chain of the ledger, judges the evidence again and compares.",
        verify="{verify}",
    ),
}
TOLD_IN_ANOTHER_LANGUAGE = said("What was signed is worded in English; this paper tells the same in another language.")

"""A file of any kind that is kept: told apart by what is in it, never by its name."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from gaswitness.certify.bundle import CONTENTS
from gaswitness.errors import InputError
from gaswitness.history.paper import paper_parcel
from gaswitness.history.parcel import Parcel, bundle_parcel, ledger_parcel

EXPECTED = "a bundle (.evidence.zip), a ledger (.ledger.jsonl), or a table of earlier records (.csv, .xlsx)"


def parcel_of(data: bytes, name: str, *, trusted: Sequence[Ed25519PublicKey] = ()) -> Parcel:
    """Prove or read a file, ready to be kept; raises EvidenceError or InputError."""
    if zipfile.is_zipfile(io.BytesIO(data)):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = set(archive.namelist())
        return paper_parcel(data, name) if "xl/workbook.xml" in names else bundle_parcel(data, name, trusted=trusted)
    if name.endswith(".evidence.zip"):
        return bundle_parcel(data, name, trusted=trusted)
    if name.endswith(".late-marks.jsonl"):
        hint = "open the run on the board: it is judged again there with them"
        raise InputError("late marks are kept beside their ledger, not by themselves", where=name, hint=hint)
    if data.lstrip()[:1] == b"{":
        return ledger_parcel(data, name)
    if data[:5] == b"%PDF-":
        hint = f"a certificate's PDF is only a view of it: import the bundle beside it (it holds {CONTENTS})"
        raise InputError("a PDF cannot be proven", where=name, expected=EXPECTED, hint=hint)
    if not data.strip():
        raise InputError("the file is empty", where=name, expected=EXPECTED)
    return paper_parcel(data, name)

"""`gaswitness import`: keep certificates, ledgers and earlier records for good."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gaswitness.cli.options import AsJson, Trusted
from gaswitness.cli.storing import StoreUrl

if TYPE_CHECKING:
    from datetime import datetime

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    from gaswitness.history.parcel import Parcel
    from gaswitness.history.store import Store


LATE = "marks that came in late lie beside it and do not count here: certify it, and import the bundle"


def import_(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE", help="Bundles, ledgers, or tables of earlier records (.csv, .xlsx)."),
    ],
    store: StoreUrl = None,
    trust: Trusted = None,
    as_json: AsJson = False,
) -> None:
    """Keep FILEs in the store. What is not to be trusted is refused (exit 4); a file kept before changes nothing."""
    from contextlib import ExitStack
    from datetime import UTC, datetime

    from gaswitness.certify.keys import read_public
    from gaswitness.cli.output import print_json
    from gaswitness.history.store import open_store

    trusted = [read_public(path.read_bytes(), str(path)) for path in trust or []]
    rows: list[dict[str, Any]] = []
    code = 0
    with ExitStack() as stack:
        kept: Store | None = None
        for path in files:
            row, wrong, parcel = _read(path, trusted)
            if parcel is not None:  # only now: no store is made for nothing
                kept = kept or stack.enter_context(open_store(store, make=True))
                row, wrong = _keep(kept, parcel, path, datetime.now(UTC))
            rows.append(row)
            code = max(code, wrong)
            if not as_json:
                _tell(row)
    if as_json:
        print_json({"files": rows})
    if code:
        raise typer.Exit(code)


def _refused(path: Path, reason: str, hint: str) -> dict[str, Any]:
    return {"file": str(path), "state": "refused", "reason": reason, "hint": hint}


def _read(path: Path, trusted: Sequence[Ed25519PublicKey]) -> tuple[dict[str, Any], int, Parcel | None]:
    """Prove one file; one that is refused does not keep the next from being kept."""
    from gaswitness.errors import EXIT_BAD_INPUT, EvidenceError, InputError
    from gaswitness.history.intake import parcel_of

    try:
        return {}, 0, parcel_of(path.read_bytes(), path.name, trusted=trusted)
    except (EvidenceError, InputError) as error:
        return _refused(path, error.message, error.hint), error.exit_code, None
    except OSError as error:
        return _refused(path, f"{path}: {error.strerror or error}", ""), EXIT_BAD_INPUT, None


def _keep(store: Store, parcel: Parcel, path: Path, now: datetime) -> tuple[dict[str, Any], int]:
    from gaswitness.errors import InputError
    from gaswitness.history.files import late_beside

    try:
        kept = store.keep(parcel, now=now)
    except InputError as error:  # it contradicts what is kept
        return _refused(path, error.message, error.hint), error.exit_code
    late = parcel.kind == "ledger" and bool(late_beside(path))
    return {
        "file": str(path),
        "state": kept.state,
        "kind": parcel.kind,
        "sha256": kept.sha256,
        "visits": kept.visits,
        "known_visits": kept.known_visits,
        "corrected": kept.corrected,
        "notes": [*parcel.notes, *([LATE] if late else [])],
    }, 0


def _tell(row: dict[str, Any]) -> None:
    from gaswitness.cli.output import talk

    if row["state"] == "refused":
        talk(f"gaswitness: refused: {row['reason']}" + (f"\n  hint: {row['hint']}" if row["hint"] else ""))
        return
    new = row["visits"]
    what = "already kept" if row["state"] == "known" else f"kept, {new} new visit{'s' if new != 1 else ''}"
    if row["state"] == "kept" and row["known_visits"]:
        what += f", {row['known_visits']} known"
    if row["corrected"]:
        what += f", {row['corrected']} corrected (the first stays)"
    typer.echo(f"{row['kind']:7} {row['file']}: {what}")
    for note in row["notes"]:
        talk(f"        {note}")

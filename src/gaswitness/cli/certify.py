"""`gaswitness certify`: judge a ledger and sign what was found."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gaswitness.cli.options import PaperLanguage

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey


def certify(
    ledger: Annotated[Path, typer.Argument(metavar="LEDGER", help="What `gaswitness run` wrote.")],
    key: Annotated[Path, typer.Option("--key", help="Private signing key, made with `gaswitness keys new`.")],
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the PDF and the bundle.")],
    issued_by: Annotated[str, typer.Option("--issued-by", help="Who issues it; default: the run's operator.")] = "",
    store: Annotated[
        str | None,
        typer.Option(
            "--store", metavar="URL", help="Keep it there too, as `gaswitness import` does.", show_default=False
        ),
    ] = None,
    language: PaperLanguage = "en",
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document on stdout.")] = False,
) -> None:
    """Judge LEDGER, sign the result, and write a PDF and one bundle that others can check.

    Marks that came in after the run had ended lie beside the ledger; they are judged, signed and bundled with it.
    What is signed is worded in English, whatever the language of the paper.
    """
    import os
    from datetime import UTC, datetime

    from gaswitness.certify import certificate
    from gaswitness.certify.keys import fingerprint, read_private
    from gaswitness.cli.keys import PASSPHRASE
    from gaswitness.cli.output import print_json, talk
    from gaswitness.errors import EXIT_FELL_SHORT
    from gaswitness.history.files import keep_certificate, late_beside
    from gaswitness.telling import known_language

    speaks = known_language(language, "--language")
    secret = read_private(key.read_bytes(), str(key), os.environ.get(PASSPHRASE))
    issue = certificate.issue(
        ledger.read_bytes(),
        str(ledger),
        secret,
        issued=datetime.now(UTC),
        issued_by=issued_by,
        late_bytes=late_beside(ledger),
        language=speaks,
    )
    out.mkdir(parents=True, exist_ok=True)
    pdf, bundle = keep_certificate(out, issue.payload.certificate_id, issue.pdf, issue.bundle, speaks)
    outcome = issue.payload.judgement.outcome
    if store is not None:
        _keep(store, bundle, secret.public_key())
    if as_json:
        print_json(
            {
                "certificate_id": issue.payload.certificate_id,
                "outcome": outcome,
                "pdf": str(pdf),
                "bundle": str(bundle),
                "signer": fingerprint(secret.public_key()),
                "kept": store is not None,
                "late": issue.payload.judgement.late,
                "outcome_at_end": issue.payload.outcome_at_end,
            }
        )
    else:
        typer.echo(f"outcome      {outcome}")
        if issue.payload.judgement.late:
            typer.echo(
                f"late         marks or typed readings in it that came in after the run had ended: "
                f"{issue.payload.judgement.late}; without them: {issue.payload.outcome_at_end}"
            )
        typer.echo(f"certificate  {pdf}")
        typer.echo(f"bundle       {bundle}")
        typer.echo(f"signer       {fingerprint(secret.public_key())}")
        if store is not None:
            typer.echo(f"kept         {store}")
        else:
            talk(f"To keep it over the years: gaswitness import {bundle}")
    if outcome != "pass":
        raise typer.Exit(EXIT_FELL_SHORT)


def _keep(store: str, bundle: Path, signer: Ed25519PublicKey) -> None:
    from datetime import UTC, datetime

    from gaswitness.history.parcel import bundle_parcel
    from gaswitness.history.store import open_store

    with open_store(store, make=True) as kept:
        kept.keep(bundle_parcel(bundle.read_bytes(), bundle.name, trusted=[signer]), now=datetime.now(UTC))

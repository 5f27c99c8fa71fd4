"""`gaswitness certify`: judge a ledger and sign what was found."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def certify(
    ledger: Annotated[Path, typer.Argument(metavar="LEDGER", help="What `gaswitness run` wrote.")],
    key: Annotated[Path, typer.Option("--key", help="Private signing key, made with `gaswitness keys new`.")],
    out: Annotated[Path, typer.Option("-o", "--out", help="Folder for the PDF and the bundle.")],
    issued_by: Annotated[str, typer.Option("--issued-by", help="Who issues it; default: the run's operator.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document on stdout.")] = False,
) -> None:
    """Judge LEDGER, sign the result, and write a PDF and one bundle that others can check.

    Marks that came in after the run had ended lie beside the ledger; they are judged, signed and bundled with it.
    """
    import os
    from datetime import UTC, datetime

    from gaswitness.certify import certificate
    from gaswitness.certify.keys import fingerprint, read_private
    from gaswitness.cli.keys import PASSPHRASE
    from gaswitness.cli.output import print_json
    from gaswitness.errors import EXIT_FELL_SHORT
    from gaswitness.history.files import late_beside, write_whole

    secret = read_private(key.read_bytes(), str(key), os.environ.get(PASSPHRASE))
    issue = certificate.issue(
        ledger.read_bytes(),
        str(ledger),
        secret,
        issued=datetime.now(UTC),
        issued_by=issued_by,
        late_bytes=late_beside(ledger),
    )
    out.mkdir(parents=True, exist_ok=True)
    pdf = out / f"{issue.payload.certificate_id}.pdf"
    bundle = out / f"{issue.payload.certificate_id}.evidence.zip"
    write_whole(pdf, issue.pdf)
    write_whole(bundle, issue.bundle)
    outcome = issue.payload.judgement.outcome
    if as_json:
        print_json(
            {
                "certificate_id": issue.payload.certificate_id,
                "outcome": outcome,
                "pdf": str(pdf),
                "bundle": str(bundle),
                "signer": fingerprint(secret.public_key()),
                "late": issue.payload.judgement.late,
                "outcome_at_end": issue.payload.outcome_at_end,
            }
        )
    else:
        typer.echo(f"outcome      {outcome}")
        if issue.payload.judgement.late:
            typer.echo(
                f"late         {issue.payload.judgement.late} marks or typed readings came in after the run had ended "
                f"and are in it; without them: {issue.payload.outcome_at_end}"
            )
        typer.echo(f"certificate  {pdf}")
        typer.echo(f"bundle       {bundle}")
        typer.echo(f"signer       {fingerprint(secret.public_key())}")
    if outcome != "pass":
        raise typer.Exit(EXIT_FELL_SHORT)

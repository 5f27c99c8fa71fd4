"""`gaswitness verify`: is this certificate whole, and does its evidence say what it says?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gaswitness.cli.options import Trusted


def verify(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The bundle that `gaswitness certify` made.")],
    trust: Trusted = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document on stdout.")] = False,
) -> None:
    """Check signature and chain, judge the evidence again, and compare."""
    from gaswitness.certify.keys import read_public
    from gaswitness.certify.verify import verify as prove
    from gaswitness.cli.output import print_json
    from gaswitness.errors import EXIT_EVIDENCE, EvidenceError

    trusted = [read_public(path.read_bytes(), str(path)) for path in trust or []]
    try:
        found = prove(file.read_bytes(), str(file), trusted=trusted)
    except EvidenceError as error:
        if not as_json:
            raise
        print_json({"valid": False, "reason": error.message, "hint": error.hint, "signer": None, "rejudged": None})
        raise typer.Exit(EXIT_EVIDENCE) from error
    valid = found.rejudged == "same"
    if as_json:
        print_json({"valid": valid, **found.model_dump()})
    else:
        typer.echo(f"{'valid' if valid else 'NOT VALID'}: {found.reason}")
        typer.echo(f"certificate  {found.certificate_id}, issued by {found.issued_by}")
        typer.echo(f"outcome      {found.outcome}")
        if found.late:
            typer.echo(
                f"late         marks or typed readings in it that came in after the run had ended: {found.late}; "
                f"without them: {found.outcome_at_end}"
            )
        typer.echo(
            f"signer       {found.signer}{'' if found.vouched_for else '  (compare it with the one you were given)'}"
        )
        for line in found.differences:
            typer.echo(f"differs      {line}")
    if not valid:
        raise typer.Exit(EXIT_EVIDENCE)

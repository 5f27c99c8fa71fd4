"""`gaswitness keys`: make a signing key, show whose a key is."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

PASSPHRASE = "GASWITNESS_PASSPHRASE"  # noqa: S105 - the name of a variable, not a secret

app = typer.Typer(help="Signing keys.", no_args_is_help=True, rich_markup_mode=None)


@app.command("new")
def new(
    out: Annotated[Path, typer.Option("-o", "--out", help="File for the private key; KEY.pub goes beside it.")],
) -> None:
    """Make a signing key. Keep the private part to yourself, hand the .pub to whoever will verify.

    With GASWITNESS_PASSPHRASE set, the private key is sealed with it.
    """
    from gaswitness.certify.keys import fingerprint, new_key, private_pem, public_pem

    key = new_key()
    public = out.with_name(out.name + ".pub")
    _write_new(out, private_pem(key, os.environ.get(PASSPHRASE)), 0o600)
    _write_new(public, public_pem(key.public_key()), 0o644)
    typer.echo(f"private key  {out}")
    typer.echo(f"public key   {public}")
    typer.echo(f"fingerprint  {fingerprint(key.public_key())}")


@app.command("show")
def show(key: Annotated[Path, typer.Argument(metavar="KEY", help="A public or private key.")]) -> None:
    """Print the fingerprint of a key."""
    from gaswitness.certify.keys import fingerprint, read_private, read_public

    pem = key.read_bytes()
    private = b"PRIVATE KEY" in pem
    public = (
        read_private(pem, str(key), os.environ.get(PASSPHRASE)).public_key() if private else read_public(pem, str(key))
    )
    typer.echo(fingerprint(public))


def _write_new(path: Path, data: bytes, mode: int) -> None:
    """A key file is never overwritten: certificates signed with the old key would have lost their signer."""
    from gaswitness.errors import InputError

    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
    except FileExistsError:
        raise InputError(
            "this key file exists, and a key is never overwritten", where=str(path), hint="give another name"
        ) from None
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)

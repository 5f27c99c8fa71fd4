"""The `gaswitness` command: one file a command beside this one, errors to exit codes here."""

from __future__ import annotations

import gc
import importlib.util
import sys
from typing import Annotated

import typer

from gaswitness import __version__
from gaswitness.cli import keys
from gaswitness.cli.output import speak_anywhere
from gaswitness.errors import EXIT_BAD_INPUT, GaswitnessError

COMMANDS = {
    "demo": "demo",
    "check": "check",
    "plan": "plan",
    "rig": "rig",
    "run": "run",
    "judge": "judge",
    "certify": "certify",
    "verify": "verify",
    "response": "response",
    "replay": "replay",
    "levels": "levels",
    "air-change": "air_change",
    "release": "release",
    "heard": "heard",
    "board": "board",
    "import": "import_",
    "due": "due",
    "drift": "drift",
    "reliability": "reliability",
    "export": "export",
}
"""Command to the module beside this one that holds a function of the same name as the module."""

_RUBBISH = 100_000
"""Objects that may be made before Python looks which of them are circles that nobody holds any more."""

app = typer.Typer(
    help="Prove fixed gas alarm systems: plan the gas, witness the chain, judge with uncertainty, certify.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"gaswitness {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print and leave.")
    ] = False,
) -> None: ...


for _name, _module in COMMANDS.items():
    if importlib.util.find_spec(f"gaswitness.cli.{_module}") is None:
        continue
    app.command(_name)(getattr(importlib.import_module(f"gaswitness.cli.{_module}"), _module))
app.add_typer(keys.app, name="keys")


def main() -> None:
    """Run the command line; every error that is not a defect of ours ends as one message and an exit code."""
    gc.set_threshold(_RUBBISH)  # at Python's own 700 a fifth of a short command goes into looking for rubbish
    speak_anywhere()
    try:
        app()
    except GaswitnessError as error:
        typer.echo(f"gaswitness: {error}", err=True)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        typer.echo("gaswitness: stopped from the keyboard", err=True)
        sys.exit(EXIT_BAD_INPUT)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        typer.echo(f"gaswitness: {where}{error.strerror or error}", err=True)
        sys.exit(EXIT_BAD_INPUT)


if __name__ == "__main__":
    main()

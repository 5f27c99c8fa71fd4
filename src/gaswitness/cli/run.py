"""`gaswitness run`: a plan carried out, on a panel or on the simulated installation."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gaswitness.cli.options import AssumeYes, LinkUrl, RigControl, RunSpeed


def run(
    plan: Annotated[
        Path | None,
        typer.Argument(metavar="PLAN", help="Plan file; with --resume also a ledger, or nothing.", show_default=False),
    ] = None,
    link: LinkUrl = None,
    out: Annotated[Path, typer.Option("--out", help="Folder of the ledger.")] = Path(),
    speed: RunSpeed = None,
    assume_yes: AssumeYes = False,
    rig: RigControl = None,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with a run that was cut off or stopped.")] = False,
    operator: Annotated[str, typer.Option("--operator", help="Who carries out the run.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document at the end.")] = False,
) -> None:
    """Carry out a plan: guide through its steps, watch the link (which is only read), record all in a ledger."""
    import asyncio

    from gaswitness.cli.output import print_json, talk
    from gaswitness.cli.running import Wanted, carry_out
    from gaswitness.errors import EXIT_FELL_SHORT

    wanted = Wanted(plan, link, out, speed, assume_yes, rig, resume, operator or user())
    carried = asyncio.run(carry_out(wanted))
    stopped = carried.stopped
    if as_json:
        print_json(
            {
                "run_id": carried.run_id,
                "ledger": str(carried.ledger),
                "outcome": stopped.outcome,
                "reason": stopped.reason,
                "standing_inhibits": list(stopped.standing_inhibits),
                "restarts": carried.restarts,
                "next": carried.next_command,
            }
        )
    else:
        talk(f"run {stopped.outcome}" + (f": {stopped.reason}" if stopped.reason else ""))
        if stopped.standing_inhibits:
            talk(f"STILL INHIBITED: {', '.join(stopped.standing_inhibits)}. Lift them, and prove that they act.")
        talk(f"ledger: {carried.ledger}")
        talk(f"next:   {carried.next_command}")
    if stopped.outcome != "complete":
        raise typer.Exit(EXIT_FELL_SHORT)


def user() -> str:
    """The name the computer knows the person by."""
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"

"""`gaswitness judge`: findings, verdicts, and what is left to do."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gaswitness.cli.options import AsJson


def judge(
    ledger: Annotated[Path, typer.Argument(metavar="LEDGER", help="The ledger that `gaswitness run` wrote.")],
    as_json: AsJson = False,
    every: Annotated[bool, typer.Option("--every", help="Show every finding, also those that passed.")] = False,
) -> None:
    """Judge a ledger by the criteria of its plan. Exit 1 if anything fell short, 4 if it is not to be trusted.

    Marks that came in after the run had ended lie beside the ledger and count with the rest; it is said if there are.
    """
    from gaswitness.cli.output import print_json, talk
    from gaswitness.errors import EXIT_FELL_SHORT
    from gaswitness.evidence.ledger import read_ledger
    from gaswitness.evidence.series import series_of
    from gaswitness.history.files import ledger_with_late
    from gaswitness.judge import judge as judged

    whole = ledger_with_late(ledger)
    judgement = judged(series_of(whole))
    if judgement.late:
        at_end = judged(series_of(read_ledger(ledger.read_bytes(), str(ledger)))).outcome
        talk(
            f"judged again: marks or typed readings that came in after the run had ended: {judgement.late}; "
            f"without them: {at_end}, with them: {judgement.outcome}"
        )
    if as_json:
        print_json(judgement.model_dump(mode="json"))
    else:
        from gaswitness.cli.judge_view import show

        show(judgement, whole.started.plan.site.detectors, every=every)
    if judgement.outcome != "pass":
        raise typer.Exit(EXIT_FELL_SHORT)

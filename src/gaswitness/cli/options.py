"""Arguments and options that several commands have, each worded once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

SiteFile = Annotated[Path, typer.Argument(metavar="SITE", help="Site file: YAML, or a spreadsheet (.xlsx).")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]
PaperLanguage = Annotated[
    str, typer.Option("--language", metavar="LANGUAGE", help="Language of the paper: en (English) or de (German).")
]
LinkUrl = Annotated[
    str | None,
    typer.Option(
        "--link",
        metavar="URL",
        help="Where readings come from: modbus-tcp://, modbus-rtu://, bacnet://, mqtt://, mqtts://, log: or by-hand:; "
        "the site's own link if not given.",
    ),
]
RigControl = Annotated[
    str | None,
    typer.Option("--rig", metavar="HOST:PORT", help="Control port of the rig; the link's port + 1 if not given."),
]
RunSpeed = Annotated[
    float | None, typer.Option("--speed", help="Times as fast as life; only on the rig, and the same as the rig's.")
]
AssumeYes = Annotated[
    bool, typer.Option("--assume-yes", help="Nobody is asked: the rig's hands do what the steps say.")
]
Trusted = Annotated[
    list[Path] | None,
    typer.Option("--trust", metavar="KEY.pub", help="Public key of a signer you trust; may be given again."),
]

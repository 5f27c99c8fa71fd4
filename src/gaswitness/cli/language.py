"""The option by which a command is told which language the paper that it makes shall speak."""

from __future__ import annotations

from typing import Annotated

import typer

PaperLanguage = Annotated[
    str, typer.Option("--language", metavar="LANGUAGE", help="Language of the paper: en (English) or de (German).")
]

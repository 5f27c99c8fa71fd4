"""Write docs/commands.md from the help texts of the commands themselves."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

from gaswitness.cli.main import COMMANDS, app
from gaswitness.errors import EXIT_BAD_INPUT, EXIT_EVIDENCE, EXIT_FELL_SHORT, EXIT_GOOD, EXIT_LINK

PAGE = Path(__file__).resolve().parent.parent / "docs" / "commands.md"

HEAD = f"""# Commands

Data go to stdout, talk to stderr. `--json` prints one JSON document. Made by `make commands` from the help texts.

| exit code | means |
|---|---|
| {EXIT_GOOD} | done and good |
| {EXIT_FELL_SHORT} | done, and something fell short: a failed verdict, a fault in a site |
| {EXIT_BAD_INPUT} | wrong use or bad input: the message says where, what was found, what was expected, what to do |
| {EXIT_LINK} | a link or a service failed |
| {EXIT_EVIDENCE} | evidence not trusted |
"""


def help_of(*words: str) -> str:
    """The help text of a command, as wide as a page of plain text."""
    done = CliRunner().invoke(
        app, [*words, "--help"], prog_name="gaswitness", terminal_width=78, catch_exceptions=False
    )
    assert done.exit_code == 0
    return "\n".join(line.rstrip() for line in done.stdout.strip().splitlines())


def page() -> str:
    """The whole page."""
    parts = [HEAD]
    for words in [*((name,) for name in COMMANDS), ("keys", "new"), ("keys", "show")]:
        parts.append(f"## {' '.join(words)}\n\n```\n{help_of(*words)}\n```\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")

"""Make the pictures of paper and terminal in docs/pictures again: one run of the invented ice rink, always the same."""

from __future__ import annotations

import asyncio
import io
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console

REPO = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(REPO / "tests"))
PICTURES = REPO / "docs" / "pictures"
PAGE_PPI = "100"


def main() -> None:
    """Run, certify, draw."""
    from gaswitness.certify.certificate import issue
    from gaswitness.plan.sheet import sheet_pdf
    from support.rigged import DAY, example_plan, visit

    plan = example_plan("ravensmoor.yaml")
    PICTURES.mkdir(exist_ok=True)
    snapshots: list[object] = []
    data = visit(plan, show=lambda snapshot: snapshots.append(snapshot) if _worth_showing(snapshot) else None)
    _terminal(snapshots[len(snapshots) // 2], PICTURES / "run.svg")
    key = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    issued = datetime(DAY.year, DAY.month, DAY.day, 12, tzinfo=UTC)
    made = issue(data, "rink", key, issued=issued)
    _page(made.pdf, 1, PICTURES / "certificate-1.png")
    _page(made.pdf, 2, PICTURES / "certificate-2.png")
    _page(sheet_pdf(plan), 2, PICTURES / "job-sheet.png")
    releases(issued)


def releases(made: datetime) -> None:
    """The sheet of many leaks in the rooms of the rink, first page."""
    from gaswitness.cli.release_sheet import sheet_of_study
    from gaswitness.release.montecarlo import Spread, study
    from gaswitness.release.scene import scenes
    from gaswitness.site import read_site

    site = read_site(REPO / "examples" / "ravensmoor.yaml")
    results = [study(scene, scenarios=20_000, seed=1, stream=stream) for stream, scene in enumerate(scenes(site))]
    _page(sheet_of_study(site.name, results, Spread(), 1, made, ".pdf"), 1, PICTURES / "release.png")


def _worth_showing(snapshot: object) -> bool:
    """Gas on a CO2 detector, the high alarm still to come."""
    step = getattr(snapshot, "step", None)
    return step is not None and step.id == "CO2-1/await-set/high"


def _page(pdf: bytes, number: int, path: Path) -> None:
    command = ["pdftoppm", "-r", PAGE_PPI, "-f", str(number), "-l", str(number), "-singlefile", "-png", "-"]
    path.write_bytes(subprocess.run(command, input=pdf, capture_output=True, check=True).stdout)


def _terminal(snapshot: object, path: Path) -> None:
    from gaswitness.cli.terminal.hands import ConsoleHands
    from gaswitness.cli.terminal.looks import shapes_for
    from gaswitness.cli.terminal.screen import picture
    from gaswitness.clock import OwnedClock

    console = Console(
        record=True, width=110, height=32, file=io.StringIO(), force_terminal=True, color_system="truecolor"
    )
    hands = ConsoleHands("MK", OwnedClock(), asyncio.Queue(), helper=None, asks=True)
    hands.look(snapshot)
    console.print(picture(snapshot, hands, 110, 31, shapes_for("utf-8")))
    bare = CONSOLE_SVG_FORMAT.replace("{chrome}", "")  # a terminal's contents, without a picture of somebody's window
    # no page of ours fetches a font from elsewhere
    bare = re.sub(r"@font-face \{\{.*?\}\}\s*", "", bare, flags=re.DOTALL)
    path.write_text(console.export_svg(title="gaswitness run", code_format=bare), encoding="utf-8")


if __name__ == "__main__":
    main()

"""`gaswitness demo`: the whole job on the simulated installation, over real Modbus TCP."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

EXAMPLE = "ravensmoor.yaml"


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for everything that is made.")] = Path("gaswitness-demo"),
    speed: Annotated[
        float, typer.Option("--speed", min=1.0, max=600.0, help="How many times as fast as life.")
    ] = 120.0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same installation.")] = 1,
    site: Annotated[Path | None, typer.Option("--site", help="Another site file than the ice rink.")] = None,
    fault: Annotated[
        list[str] | None,
        typer.Option("--fault", metavar="KIND:TAG", help="Break something first; see `gaswitness rig`."),
    ] = None,
) -> None:
    """Check, plan, run, judge, certify and verify the invented ice rink at Ravensmoor. Nothing real is touched."""
    from gaswitness.cli.certify import certify
    from gaswitness.cli.check import check
    from gaswitness.cli.judge import judge
    from gaswitness.cli.keys import new
    from gaswitness.cli.output import talk
    from gaswitness.cli.plan import plan
    from gaswitness.cli.run import run
    from gaswitness.cli.verify import verify

    folder = _fresh(out)
    described = site or _example()
    plan_file, sheet, key = folder / "plan.json", folder / "job-sheet.pdf", folder / "demo.key"

    def stage(title: str, command: Callable[..., None], *args: Any, **options: Any) -> int:
        talk(f"\n--- {title}")
        try:
            command(*args, **options)
        except typer.Exit as end:
            return int(end.exit_code)
        return 0

    if unsound := stage("check: does the description make sense?", check, described):
        raise typer.Exit(unsound)
    _breakable(described, fault or [])
    stage(
        "plan: what is done, with how much gas, against which criteria",
        _quiet(plan),
        described,
        out=plan_file,
        sheet=sheet,
    )
    with _rig(described, speed, seed, fault or []) as (link, control):
        stage(
            "run: over Modbus TCP, the rig's own hands open the gas and its witnesses press",
            run,
            plan_file,
            link=link,
            rig=control,
            out=folder,
            speed=speed,
            assume_yes=True,
            operator="Demo",
        )
    ledger = max(folder.glob("*.ledger.jsonl"), key=lambda path: path.stat().st_mtime)
    fell_short = stage("judge: what was found", judge, ledger)
    stage("keys: who signs", new, key)
    stage("certify: sign it", certify, ledger, key=key, out=folder)
    bundle = max(folder.glob("*.evidence.zip"), key=lambda path: path.stat().st_mtime)
    doubted = stage("verify: would somebody else believe it?", verify, bundle, trust=[key.with_name(key.name + ".pub")])

    typer.echo(f"\nEverything lies in {folder}:")
    for path in sorted(folder.iterdir()):
        typer.echo(f"  {path.name:44} {path.stat().st_size / 1024:8.0f} KiB")
    if fell_short or doubted:
        raise typer.Exit(fell_short or doubted)


def _fresh(out: Path) -> Path:
    """An empty folder: a second demo goes beside the first, since nothing recorded is overwritten."""
    folder, number = out, 1
    while folder.exists() and any(folder.iterdir()):
        number += 1
        folder = out.with_name(f"{out.name}-{number}")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _breakable(site: Path, faults: list[str]) -> None:
    """Refuse a fault that the rig would not know, before it is started."""
    from gaswitness.links.rig.faults import parse_fault
    from gaswitness.site import read_site

    described = read_site(site)
    for fault in faults:
        parse_fault(fault, described)


def _example() -> Path:
    """The example site: inside an installed package, or in the checkout it was installed from."""
    here = Path(__file__).resolve()
    places = (here.parents[1] / "examples" / EXAMPLE, here.parents[3] / "examples" / EXAMPLE)
    return next((place for place in places if place.is_file()), places[0])


def _quiet(command: Callable[..., None]) -> Callable[..., None]:
    """The command without its table: the demo shows the run and the verdicts."""

    def silent(*args: Any, **options: Any) -> None:
        import os

        with Path(os.devnull).open("w", encoding="utf-8") as nowhere, contextlib.redirect_stdout(nowhere):
            command(*args, **options)

    return silent


@contextlib.contextmanager
def _rig(site: Path, speed: float, seed: int, faults: list[str]) -> Iterator[tuple[str, str]]:
    """The rig in a process of its own; gives the link's address and that of the rig's hands."""
    import subprocess
    import sys

    from gaswitness.errors import LinkError

    command = [sys.executable, "-m", "gaswitness", "rig", str(site), "--port", "0", "--control-port", "0"]
    command += ["--speed", str(speed), "--seed", str(seed), *(word for fault in faults for word in ("--fault", fault))]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:  # noqa: S603 - our own program
        try:
            first, second = (process.stdout.readline().strip() if process.stdout else "" for _ in range(2))
            address = first.removeprefix("listening on ")
            if not first.startswith("listening on ") or not second.startswith("control port "):
                raise LinkError(f"the rig did not start: {first or 'it said nothing'}")
            host = address.rpartition(":")[0]
            yield f"modbus-tcp://{address}", f"{host}:{second.removeprefix('control port ')}"
        finally:
            process.terminate()
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()

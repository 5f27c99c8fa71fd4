"""`gaswitness rig`: the simulated installation, served over Modbus TCP."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from gaswitness.cli.options import SiteFile

if TYPE_CHECKING:
    from gaswitness.links.rig.control import ControlServer
    from gaswitness.links.rig.faults import RigFault
    from gaswitness.links.rig.modbus_server import PanelServer
    from gaswitness.site import Site


def rig(
    site: SiteFile,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the panel; 0 takes any free one.")] = 15020,
    control_port: Annotated[
        int | None,
        typer.Option(
            min=0,
            max=65535,
            help="Port for hands on the rig, this machine only; PORT + 1 if not given.",
            show_default=False,
        ),
    ] = None,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    speed: Annotated[float, typer.Option(min=0.1, max=600.0, help="How many times as fast as life.")] = 1.0,
    seed: Annotated[int, typer.Option(min=0, help="Same seed, same installation.")] = 1,
    fault: Annotated[
        list[str] | None,
        typer.Option(metavar="KIND:TAG[:VALUE]", help="Break this; again for more, and `list` shows the kinds."),
    ] = None,
) -> None:
    """Serve the simulated installation of a site over Modbus TCP, until stopped."""
    import asyncio

    from gaswitness.cli.output import talk
    from gaswitness.links.rig.faults import KINDS, parse_fault
    from gaswitness.site import read_site

    if fault and "list" in fault:
        for name, kind in KINDS.items():
            typer.echo(f"{name:16} {kind.target:9} {kind.text}")
        return
    described = read_site(site)
    faults = [parse_fault(text, described) for text in fault or []]
    for one in faults:
        talk(f"fault in force: {one} ({KINDS[one.kind].text})")
    asyncio.run(_serve(described, host, port, control_port, speed, seed, faults))


async def _serve(
    site: Site, host: str, port: int, control_port: int | None, speed: float, seed: int, faults: list[RigFault]
) -> None:
    import asyncio
    import signal

    from gaswitness.links.rig.process import serve

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: loop.call_soon_threadsafe(stop.set))

    def ready(panel: PanelServer, control: ControlServer) -> None:
        typer.echo(f"listening on {host}:{panel.port}")
        typer.echo(f"control port {control.port}")
        _say_more(site, panel, speed, seed)

    await serve(
        site,
        host=host,
        port=port,
        control_port=control_port,
        speed=speed,
        seed=seed,
        faults=faults,
        ready=ready,
        stop=stop,
    )


def _say_more(site: Site, panel: PanelServer, speed: float, seed: int) -> None:
    import json

    from gaswitness.cli.output import talk
    from gaswitness.links.rig.regmap import maps_of

    talk(f"{site.name}: simulated, seed {seed}, {speed:g} times as fast as life. Stop with Ctrl-C.")
    if any(spec.registers or spec.bits for spec in site.links):
        return
    made_up = maps_of(site, f"modbus-tcp://{panel.host}:{panel.port}")[0]
    talk("The site states no register map. This one was made up; put it into the site to use it:\nlinks:")
    talk(f"  - url: {made_up.url}\n    registers:")
    for entry in made_up.registers:
        talk(f"      - {json.dumps(entry.model_dump(mode='json', exclude_defaults=True))}")
    talk("    bits:")
    for bit in made_up.bits:
        talk(f"      - {json.dumps(bit.model_dump(mode='json', exclude_defaults=True))}")

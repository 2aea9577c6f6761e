"""``knobwright quiet``: stop all sound now."""

from __future__ import annotations

import click

from knobwright.cli import show
from knobwright.cli.exits import FINE
from knobwright.core.errors import InputError


@click.command("quiet")
@click.option("--to", "ports", multiple=True, metavar="PORT", help="A port to quiet; repeatable.")
@click.option("--baud", type=click.IntRange(0), default=31_250, help="Speed of those ports' lines.")
@click.argument("bench", required=False, metavar="[BENCH]")
def command(ports: tuple[str, ...], baud: int, bench: str | None) -> int:
    """Stop all sound: of the bridge that runs with BENCH, or at ports.

    Held notes are let go, pedals lifted, and every channel is asked for silence (channel modes 120
    and 123). Without a running bridge the bench's own links are opened for it.
    """
    if bool(ports) == bool(bench):
        raise InputError("name either a bench or ports", hint="quiet BENCH, or quiet --to PORT")
    from knobwright.cli.errand import Errand
    from knobwright.engine.messages import LinkPlan, PortPlan, Quiet, Start

    if bench is None:
        links = tuple(LinkPlan(PortPlan(port, baud)) for port in ports)
    else:
        from knobwright.adapters.files.bench import folder_of
        from knobwright.wiring.benches import links_of
        from knobwright.wiring.control import is_running, reach

        folder, links = str(folder_of(bench)), links_of(bench)
        if is_running(folder):
            reach(folder, Quiet(all_channels=True))
            show.line("The running bridge was told to be quiet.")
            return FINE
    with Errand(Start(links=links)) as errand:
        errand.send(Quiet(all_channels=True))
        errand.wait_idle()
    for link in links:
        show.line(f"{link.out.address}: quiet on all channels")
    return FINE

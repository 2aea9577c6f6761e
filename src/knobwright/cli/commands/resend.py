"""``knobwright resend``: send again what the module should have."""

from __future__ import annotations

import click

from knobwright.cli import show
from knobwright.cli.exits import FINE


@click.command("resend")
@click.option("--setup", is_flag=True, help="Send the sheet's reset and set-up lines first.")
@click.argument("bench", metavar="BENCH")
def command(setup: bool, bench: str) -> int:
    """Send again all values and programs that BENCH's module should have.

    For a module that was switched off and on again: it has forgotten them. Where a bridge runs with
    the bench it is told that the module was off, and sends them; without one they are sent from
    what the last bridge has kept. Lines marked as dangerous are never sent this way.
    """
    from knobwright.adapters.files.bench import folder_of
    from knobwright.cli.errand import Errand
    from knobwright.engine.messages import Off, Resend, Start
    from knobwright.wiring.benches import links_of
    from knobwright.wiring.control import is_running, reach

    folder = str(folder_of(bench))
    links_of(bench)  # a fault of the bench is told here, with its place
    if is_running(folder):
        reach(folder, Off())
        reach(folder, Resend(setup))
        show.line("The running bridge sends everything again.")
        return FINE
    with Errand(Start(bench=folder, hears=False)) as errand:
        errand.send(Resend(setup))
        counts = errand.wait_idle()
    n_messages = sum(n for name, n in counts.items() if name.endswith(" n_sent"))
    if not n_messages:
        show.line("Nothing to send: no value of this bench's module is known.")
    else:
        show.line(f"{show.count(n_messages, 'message')} sent again.")
    return FINE

"""``knobwright ports``: the ports that are there, and what each kind can't do."""

from __future__ import annotations

import click

from knobwright.adapters.ports.table import KINDS
from knobwright.cli import show
from knobwright.cli.exits import FINE, TROUBLE, report


@click.command("ports")
@click.option(
    "--kind", "kinds", multiple=True, type=click.Choice(list(KINDS)), help="Only this kind."
)
@click.option("--limits", is_flag=True, help="List the kinds and what each can't do instead.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(kinds: tuple[str, ...], limits: bool, as_json: bool) -> int:
    """List the ports that are there now, by their raw names.

    A port is named KIND:NAME, or by any part of its name that only one port has. A kind that
    can't be asked is told on standard error with the reason; exit status 3 when it was asked for
    by --kind.
    """
    if limits:
        return _limits(kinds, as_json)
    from knobwright.wiring.ports import list_ports

    listing = list_ports(kinds or None)
    if as_json:
        troubles = [{"kind": error.where, "message": error.message} for error in listing.troubles]
        show.json_object({"ports": [f._asdict() for f in listing.found], "troubles": troubles})
    elif listing.found:
        rows = [(found.direction, found.kind, found.name) for found in listing.found]
        show.table(("way", "kind", "name"), rows)
    else:
        show.line("No port is there now.")
    for error in listing.troubles:
        report(error)
    return TROUBLE if kinds and listing.troubles else FINE


def _limits(kinds: tuple[str, ...], as_json: bool) -> int:
    rows = [KINDS[name] for name in kinds or KINDS]
    if as_json:
        show.json_object(
            [{"kind": r.name, "words": r.words, "limits": r.limits._asdict()} for r in rows]
        )
        return FINE
    for row in rows:
        longest = row.limits.longest_exclusive
        exclusive = f"up to {longest} bytes" if longest else "of any length"
        carries = "bytes in any pieces" if row.limits.stream else "whole messages"
        show.line(f"{row.name}: {row.words}")
        show.line(f"  carries {carries}, exclusive {exclusive}; {row.limits.words}")
    return FINE

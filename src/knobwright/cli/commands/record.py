"""``knobwright record``: all that comes in, with its time, into a file that can be played again."""

from __future__ import annotations

import click

from knobwright.cli import show
from knobwright.cli.exits import FINE, tell
from knobwright.core.errors import printable


@click.command("record")
@click.option("-o", "--output", required=True, metavar="FILE", help="The trace to write.")
@click.option("--for", "duration", metavar="TIME", help="End after this long: 10s, 5min.")
@click.option("--replace", is_flag=True, help="Write over a file that is there.")
@click.option("--baud", type=click.IntRange(1), default=31_250, help="Speed of a serial line.")
@click.argument("ports", nargs=-1, required=True, metavar="PORT...")
def command(
    output: str, duration: str | None, replace: bool, baud: int, ports: tuple[str, ...]
) -> int:
    """Record every byte that comes in at each PORT, with its time, until Ctrl-C.

    The trace holds one line of JSON for each piece of bytes. It is played again by naming it as a
    port, file:FILE: listen to it, hear a control in it, or make it an input of a bench. What was
    recorded stays readable when the disk fills up.
    """
    from knobwright.adapters.clock import monotonic_ns
    from knobwright.adapters.files.traces import TraceWriter
    from knobwright.cli.incoming import duration_ns, refuse_a_file_that_is_there, tell_port
    from knobwright.cli.patience import told_to_end
    from knobwright.engine.messages import PortPlan
    from knobwright.wiring.listening import Listening

    length_ns = None if duration is None else duration_ns(duration)
    refuse_a_file_that_is_there(output, replace=replace)
    plans = [PortPlan(port, baud) for port in ports]
    with Listening(plans, tell_port) as listening, TraceWriter(output, replace=replace) as writer:
        names = ", ".join(printable(name) for name in listening.names)
        tell(f"Recording {names}" + ("." if duration else "; Ctrl-C ends it."))
        until_ns = None if length_ns is None else monotonic_ns() + length_ns
        with told_to_end(listening.end):
            for entry in listening.entries(until_ns):
                if entry is not None:
                    writer.write(entry)
    seconds = writer.length_ns / 1e9
    show.line(
        f"{printable(output)}: {show.count(writer.n_bytes, 'byte')} in "
        f"{show.count(writer.n_entries, 'piece')}, {seconds:.3f} s from first to last"
    )
    return FINE

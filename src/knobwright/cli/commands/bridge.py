"""``knobwright bridge``: carries a surface's movements to the module until Ctrl-C."""

from __future__ import annotations

import click

from knobwright.cli.exits import FINE, TROUBLE


@click.command("bridge")
@click.option("--trace", is_flag=True, help="Tell every message that comes in and goes out.")
@click.option("--values", is_flag=True, help="Tell every value as it changes.")
@click.option("--record", "record", metavar="FILE", help="Record what comes and goes as a trace.")
@click.option("--replace", is_flag=True, help="Write over a trace that is there.")
@click.option("--for", "duration", metavar="TIME", help="End after this long: 10s, 5min.")
@click.argument("bench", metavar="BENCH")
def command(
    trace: bool,
    values: bool,
    record: str | None,
    replace: bool,
    duration: str | None,
    bench: str,
) -> int:
    """Carry movements and notes of BENCH's inputs to its module, until Ctrl-C leaves silence.

    BENCH is a folder with a bench.toml. While it runs, lines can be typed: quiet, off (the module
    was switched off), resend, counts, hear INPUT (tell what the control sends that is moved),
    unhear INPUT, NAME=VALUE with a channel behind it, stop. Other commands reach it too: quiet
    BENCH, resend BENCH.
    """
    from contextlib import ExitStack

    from knobwright.adapters.files.bench import folder_of, load
    from knobwright.adapters.files.traces import TraceWriter
    from knobwright.cli.incoming import duration_ns, refuse_a_file_that_is_there
    from knobwright.cli.session import Session

    length_ns = None if duration is None else duration_ns(duration)
    found, codec = load(bench).require()
    with ExitStack() as stack:
        writer = None
        if record is not None:
            refuse_a_file_that_is_there(record, replace=replace)
            writer = stack.enter_context(TraceWriter(record, replace=replace))
        session = Session(
            str(folder_of(bench)),
            codec,
            inputs={given.name for given in found.inputs},
            trace=trace,
            values=values,
            writer=writer,
        )
        is_whole = session.run(length_ns, found.name or bench)
    return FINE if is_whole else TROUBLE

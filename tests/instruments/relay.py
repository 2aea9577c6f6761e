"""A program that gives out at ``NAME:out`` the MIDI messages that come in at ``NAME:in``.

It models nothing of a module: it changes nothing, adds no time, and forgets nothing.
Usage: ``python relay.py SERVER NAME``; it ends when its standard input does.
"""

from __future__ import annotations

import sys
import time

import jack


def joined(server: str, name: str) -> jack.Client:
    """Return a client; a server refuses one now and then while another comes or goes."""
    for _ in range(20):
        try:
            return jack.Client(name, servername=server, no_start_server=True, use_exact_name=True)
        except jack.JackOpenError:
            time.sleep(0.05)
    raise SystemExit("the server refuses to be joined")


def main() -> None:
    """Join the server, say so, and work until standard input ends."""
    client = joined(sys.argv[1], sys.argv[2])
    source = client.midi_inports.register("in")
    target = client.midi_outports.register("out")

    @client.set_process_callback  # type: ignore[untyped-decorator]
    def process(_frames: int) -> None:
        target.clear_buffer()
        for offset, data in source.incoming_midi_events():
            target.write_midi_event(offset, data)

    with client:
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        sys.stdin.buffer.read()


if __name__ == "__main__":
    main()

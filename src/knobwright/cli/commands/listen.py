"""``knobwright listen``: what comes in at ports, told in words."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINE, tell
from knobwright.core.errors import printable

if TYPE_CHECKING:
    from knobwright.core.codec.plan import Codec
    from knobwright.core.codec.telling import Told
    from knobwright.exports.trace import TraceEntry

_REAL_TIME = 0xF8


@click.command("listen")
@click.option("--sheet", metavar="SHEET", help="Tell by this sheet's names what is set.")
@click.option("--for", "duration", metavar="TIME", help="End after this long: 10s, 5min.")
@click.option("--every", is_flag=True, help="List clock and active sensing too, not only count.")
@click.option("--baud", type=click.IntRange(1), default=31_250, help="Speed of a serial line.")
@click.option("--json", "as_json", is_flag=True, help="Print a trace: JSON lines, replayable.")
@click.argument("ports", nargs=-1, required=True, metavar="PORT...")
def command(
    sheet: str | None,
    duration: str | None,
    every: bool,
    baud: int,
    as_json: bool,
    ports: tuple[str, ...],
) -> int:
    """Tell in words what comes in at each PORT, until Ctrl-C.

    Times are in seconds since the start. A port that is lost is waited for. Clock and active
    sensing are counted and not listed. What --json prints can be played again: save it as a file
    and name it as file:FILE.
    """
    from knobwright.adapters.clock import monotonic_ns
    from knobwright.cli.incoming import duration_ns, tell_port
    from knobwright.cli.patience import told_to_end
    from knobwright.cli.sheets import load_codec
    from knobwright.engine.messages import PortPlan
    from knobwright.exports.trace import HEADER
    from knobwright.wiring.listening import Listening

    codec = None if sheet is None else load_codec(sheet)
    length_ns = None if duration is None else duration_ns(duration)
    printer = _Printer(codec, every, as_json)
    with Listening([PortPlan(port, baud) for port in ports], tell_port) as listening:
        names = ", ".join(printable(name) for name in listening.names)
        tell(f"Listening at {names}" + ("." if duration else "; Ctrl-C ends it."))
        if as_json:
            print(HEADER)
        start_ns = monotonic_ns()
        printer.start_ns = start_ns
        with told_to_end(listening.end):
            for entry in listening.entries(None if length_ns is None else start_ns + length_ns):
                if entry is None:
                    sys.stdout.flush()
                else:
                    printer.take(entry)
        printer.end()
    return FINE


class _Printer:
    """Prints entries as they come, and at the end what was only counted."""

    def __init__(self, codec: Codec | None, every: bool, as_json: bool) -> None:
        self._codec = codec
        self._every = every
        self._as_json = as_json
        self._tellings: dict[str, object] = {}
        self.start_ns = 0
        self._n_messages = self._n_quiet = self._n_bad = 0

    def take(self, entry: TraceEntry) -> None:
        """Print what an entry completes."""
        from knobwright.core.codec.telling import Telling

        telling = self._tellings.get(entry.port)
        if telling is None:
            telling = self._tellings[entry.port] = Telling(self._codec)
        assert isinstance(telling, Telling)
        for told in telling.feed(entry.data, entry.at_ns):
            self._print(entry.port, told)

    def _print(self, port: str, told: Told) -> None:
        self._n_messages += 1
        self._n_bad += not told.is_fine
        if told.data[0] >= _REAL_TIME and not self._every:
            self._n_quiet += 1
            if not self._as_json:
                return
        if self._as_json:
            print(_json_line(port, told))
            return
        at_s = max(0, told.at_ns - self.start_ns) / 1e9
        words = "; ".join(told.sets) or told.words
        show.line(f"{at_s:11.6f}  {port}  {show.hex_short(told.data)}  {words}")

    def end(self) -> None:
        """Tell the counts."""
        from knobwright.core.codec.telling import Telling

        for port, telling in self._tellings.items():
            assert isinstance(telling, Telling)
            for told in telling.end():
                self._print(port, told)
        sys.stdout.flush()
        counts = [show.count(self._n_messages, "message")]
        if self._n_quiet and not self._every:
            counts.append(f"{self._n_quiet} of them clock or active sensing")
        if self._n_bad:
            counts.append(f"{self._n_bad} not understood")
        tell(", ".join(counts))


def _json_line(port: str, told: Told) -> str:
    import json

    row = {
        "at_ns": told.at_ns,
        "way": "in",
        "port": port,
        "hex": told.data.hex(" ").upper(),
        "words": told.words,
    }
    if told.sets:
        row["sets"] = list(told.sets)
    return json.dumps(row)

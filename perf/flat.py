"""The engine flat out against the port-to-port loop of mido, a general-purpose library.

The same messages, in the same pieces, go from bytes to bytes in both, in one process and one run:

- ours: splitter, merging of sources, order rules, pacer (no speed limit), ledger of held notes in
  its mapped file, trace on; a port that takes the bytes and does nothing with them;
- mido: the loop of its documentation, ``for message in inport: outport.send(message)``, on ports
  made from its base classes as its own back ends are: the in-port feeds its parser with the bytes,
  the out-port turns the message into bytes and does nothing with them. It keeps no order rules, no
  ledger and no trace.

What is counted is the best of several rounds, the two in turns; the bytes that come out of both are
compared. Promise: at least twice as many messages a second. The line with a bench (zones of a
keyboard, assignments, the state of every value) stands beside it without a promise.
"""

from __future__ import annotations

import gc
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import mido
from mido.ports import BaseInput, BaseOutput

from knobwright.adapters.files import bench as files
from knobwright.adapters.ledger import MappedLedger
from knobwright.core.interfaces import Limits
from knobwright.core.timing.pacing import Pacing
from knobwright.core.wire import Splitter
from knobwright.engine.bridge import Bridge
from knobwright.engine.outbox import Outbox
from knobwright.engine.pacer import Hooks, Pacer
from knobwright.engine.plain import Plain

N_MESSAGES = 30_000
ROUNDS = 5
PROMISED = 2.0
NOTES = set(range(0x80, 0xA0))
EXAMPLE = Path(__file__).parent.parent / "examples" / "larkfield-bench"


class Sink:
    """An out-port that keeps the bytes; nothing is sent anywhere."""

    name = "sink"
    limits = Limits(True, None, 0, "")

    def __init__(self) -> None:
        self.taken: list[bytes] = []

    def send(self, data: bytes) -> None:
        """Keep the bytes."""
        self.taken.append(data)

    def is_there(self) -> bool:
        """Return that it is there."""
        return True

    def close(self) -> None:
        """Do nothing."""


class Nobody:
    """A pipe that nobody reads."""

    def send_bytes(self, data: bytes) -> None:
        """Drop the record."""


class MidoIn(BaseInput):  # type: ignore[misc]
    """An in-port of mido's whose bytes are handed to it."""

    def __init__(self, pieces: Sequence[bytes]) -> None:
        super().__init__("in")
        self._pieces = iter(pieces)

    def _receive(self, block: bool = True) -> None:
        piece = next(self._pieces, None)
        if piece is None:
            self.close()
        else:
            self._parser.feed(piece)


class MidoOut(BaseOutput):  # type: ignore[misc]
    """An out-port of mido's that keeps the bytes."""

    def __init__(self) -> None:
        super().__init__("out")
        self.taken: list[bytes] = []

    def _send(self, message: Any) -> None:
        self.taken.append(bytes(message.bytes()))


def traffic(n: int) -> list[bytes]:
    """Return played notes, knob movements, wheels and programs on several channels, at random."""
    chance = random.Random(4)
    messages = []
    for _ in range(n // 2):
        channel, key = chance.randrange(4), chance.randrange(36, 96)
        messages.append(bytes((0x90 | channel, key, chance.randrange(1, 128))))
        kind = chance.random()
        if kind < 0.5:
            messages.append(bytes((0x80 | channel, key, 64)))
        elif kind < 0.8:
            messages.append(bytes((0xB0 | channel, chance.choice((1, 7, 11, 64, 74)), 64)))
        elif kind < 0.95:
            messages.append(bytes((0xE0 | channel, 0, chance.randrange(128))))
        else:
            messages.append(bytes((0xC0 | channel, chance.randrange(128))))
    return messages


def ours(pieces: Sequence[bytes], folder: Path, *, bench: bool) -> tuple[float, bytes]:
    """Return the seconds that our engine takes, and the bytes that come out."""
    sink, ledger = Sink(), MappedLedger(folder / "held")
    ledger.clear()
    outbox = Outbox(Nobody(), time.monotonic_ns)
    outbox.start()
    outbox.watch(True)
    pacer = Pacer(
        lambda: Pacing(byte_ns=0, stream=True),
        ledger,
        clock=time.monotonic_ns,
        hooks=Hooks(None, outbox.tap("out", "sink")),
    )
    pacer.start()
    pacer.back(sink)
    receive: Callable[[str, bytes, int], None] = Plain(pacer.push).receive
    if bench:
        checked = files.load(str(folder / "bench"))
        one, codec = checked.require()
        bridge = Bridge(
            one,
            codec,
            checked.surfaces,
            [pacer.push],
            tell=lambda told: None,
            clock=time.monotonic_ns,
        )
        pacer.listen(partial(bridge.sent, 0))
        outbox.beat = bridge.tick
        receive = bridge.receive
    clock, show = time.monotonic_ns, outbox.tap("in", "keyboard")
    start = time.perf_counter()
    for piece in pieces:
        at_ns = clock()
        show(at_ns, piece)
        receive("keyboard", piece, at_ns)
    took = time.perf_counter() - start
    outbox.beat = None
    outbox.close()
    pacer.close()
    ledger.close()
    return took, b"".join(sink.taken)


def theirs(pieces: Sequence[bytes]) -> tuple[float, bytes]:
    """Return the seconds that mido's loop takes, and the bytes that come out."""
    inport, outport = MidoIn(pieces), MidoOut()
    start = time.perf_counter()
    for message in inport:
        outport.send(message)
    return time.perf_counter() - start, b"".join(outport.taken)


def cut(data: bytes, n_bytes: int) -> list[bytes]:
    """Return ``data`` in pieces of ``n_bytes``."""
    return [data[i : i + n_bytes] for i in range(0, len(data), n_bytes)]


def check(out: bytes, messages: Sequence[bytes]) -> None:
    """Stop unless every note and program came out, in its order.

    Where a piece brings many messages at once, notes overtake values and newer values take the
    place of older ones: these are the order rules at work.
    """
    sent = [record[0] for record in Splitter().feed(out)]
    for kinds in (NOTES, *({0xC0 | channel} for channel in range(16))):
        wanted = [message for message in messages if message[0] in kinds]
        assert [message for message in sent if message[0] in kinds] == wanted, kinds


def main() -> int:
    """Print the table; 1 where the promise is missed."""
    gc.disable()  # as in the engine's process; for both
    messages = traffic(N_MESSAGES)
    whole = b"".join(messages)
    rows = {"a message a piece": messages, "pieces of 4096 bytes": cut(whole, 4096)}
    missed = False
    print(f"mido {mido.version_info}, {N_MESSAGES} messages, best of {ROUNDS}")
    print(
        f"{'us a message':22} {'engine':>8} {'mido':>8} {'times':>7} {'promised':>9} {'bench':>8}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copytree(EXAMPLE, folder / "bench")
        for row, pieces in rows.items():
            engine, library, with_bench = [], [], []
            for _ in range(ROUNDS):
                gc.collect()
                took, out = ours(pieces, folder, bench=False)
                check(out, messages)
                engine.append(took)
                gc.collect()
                took, out = theirs(pieces)
                assert out == whole, "mido sends something else"
                library.append(took)
                gc.collect()
                with_bench.append(ours(pieces, folder, bench=True)[0])
            times = min(library) / min(engine)
            missed = missed or times < PROMISED
            us = [min(took) / len(messages) * 1e6 for took in (engine, library, with_bench)]
            print(
                f"{row:22} {us[0]:8.2f} {us[1]:8.2f} {times:7.1f} {PROMISED:9.1f} {us[2]:8.2f}",
                flush=True,
            )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())

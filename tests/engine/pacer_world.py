"""A clock that is moved by hand and a port that records; no speed of a port is modelled."""

from __future__ import annotations

from collections.abc import Callable

from knobwright.core.errors import PortLimitError, PortLostError
from knobwright.core.interfaces import Limits
from knobwright.core.timing.items import Item
from knobwright.core.timing.merge import Merge
from knobwright.core.timing.pacing import Pacing
from knobwright.core.wire import Splitter
from knobwright.engine.held import PEDALS
from knobwright.engine.pacer import Hooks, Pacer

DIN_BYTE_NS = 320_000


class Clock:
    """Time that moves when it is told to."""

    def __init__(self) -> None:
        self.now_ns = 1_000_000_000

    def __call__(self) -> int:
        return self.now_ns


class Plug:
    """An out-port that records; it models no speed and takes everything at once."""

    name = "plug"

    def __init__(self, clock: Clock, *, stream: bool = True) -> None:
        self._clock = clock
        self.limits = Limits(stream, None, 0, "")
        self.sent: list[tuple[int, bytes]] = []
        self.is_pulled = False
        self.is_closed = False
        self.before: Callable[[bytes], None] | None = None
        self.refuses: bytes = b""

    def send(self, data: bytes) -> None:
        if self.is_pulled:
            raise PortLostError("the plug was pulled", where="plug")
        if self.refuses and data.startswith(self.refuses):
            raise PortLimitError("too long for this plug", where="plug")
        if self.before is not None:
            self.before(data)
        self.sent.append((self._clock.now_ns, data))

    def is_there(self) -> bool:
        return not self.is_pulled

    def close(self) -> None:
        self.is_closed = True

    @property
    def data(self) -> bytes:
        """Everything that was sent, in a row."""
        return b"".join(data for _, data in self.sent)

    @property
    def messages(self) -> list[str]:
        """Every message that was sent, in hex."""
        return [record[0].hex(" ") for record in Splitter().feed(self.data)]


class Notebook:
    """A ledger in plain dictionaries; it outlives nothing."""

    def __init__(self) -> None:
        self.notes: dict[tuple[int, int], int] = {}
        self.down: dict[tuple[int, int], int] = {}

    def note_on(self, channel: int, key: int) -> None:
        self.notes[channel, key] = self.notes.get((channel, key), 0) + 1

    def note_off(self, channel: int, key: int) -> None:
        n = self.notes.get((channel, key), 0) - 1
        self.notes[channel, key] = max(n, 0)

    def pedal(self, channel: int, controller: int, value: int) -> None:
        assert controller in PEDALS
        self.down[channel, controller] = value

    def owed(self) -> list[tuple[int, int, int]]:
        return [(channel, key, n) for (channel, key), n in sorted(self.notes.items()) if n]

    def pedals(self) -> list[tuple[int, int]]:
        return [place for place, value in sorted(self.down.items()) if value >= 64]

    def clear(self) -> None:
        self.notes.clear()
        self.down.clear()


class World:
    """A pacer with everything around it."""

    def __init__(
        self,
        *,
        byte_ns: int = DIN_BYTE_NS,
        stream: bool = True,
        gap_ns: int = 0,
        gap_holds: str = "exclusive",
        quiet: tuple[int, ...] = (120, 123),
        active_sensing: bool = False,
        ledger: Notebook | None = None,
        is_open: bool = True,
    ) -> None:
        self.clock = Clock()
        self.ledger = ledger or Notebook()
        self.plug = Plug(self.clock, stream=stream)
        self.troubles: list[str] = []
        self.failures: list[str] = []
        self.told: list[Item] = []
        self.tapped: list[bytes] = []
        self.slept_ns = 0
        self.pacer = Pacer(
            lambda: Pacing(
                byte_ns=byte_ns,
                stream=stream,
                gap_ns=gap_ns,
                gap_holds=gap_holds,
                active_sensing=active_sensing,
            ),
            self.ledger,
            clock=self.clock,
            byte_ns=byte_ns,
            hooks=Hooks(
                lambda items, _: self.told.extend(items),
                lambda _, data: self.tapped.append(data),
                self.failures.append,
                self.troubles.append,
            ),
            quiet=quiet,
            slept=lambda: self.slept_ns,
        )
        self._merges: dict[str, Merge] = {}
        if is_open:
            self.pacer.back(self.plug)

    def play(self, text: str, source: str = "a") -> None:
        """Push messages given in hex, from a source."""
        merge = self._merges.setdefault(source, Merge(source))
        for record in Splitter().feed(bytes.fromhex(text)):
            self.pacer.push(merge.feed(record[0]))

    def pass_ms(self, ms: float) -> None:
        """Let time pass in small steps, waking the pacer at each."""
        end_ns = self.clock.now_ns + int(ms * 1_000_000)
        while self.clock.now_ns < end_ns:
            self.clock.now_ns = min(self.clock.now_ns + 40_000, end_ns)
            self.pacer.work()

    @property
    def messages(self) -> list[str]:
        """Every message that was sent, in hex."""
        return self.plug.messages

"""A bench that runs: its bridge, joined to links, inputs, surfaces and its folder."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import msgspec

from knobwright.adapters.clock import monotonic_ns
from knobwright.adapters.files import bench as files
from knobwright.adapters.ledger import ledger_path
from knobwright.adapters.ports.table import placed
from knobwright.core.bench.records import Bench, Input, Link
from knobwright.core.errors import InputError, KnobwrightError
from knobwright.core.interfaces import InPort
from knobwright.core.sheet.records import Sheet
from knobwright.core.timing.items import Item
from knobwright.engine.bridge import Bridge
from knobwright.engine.keeper import Keeper
from knobwright.engine.messages import Bytes, LinkPlan, PortPlan, Set
from knobwright.engine.outbox import Outbox
from knobwright.wiring.links import OpenLink, SourceWatch
from knobwright.wiring.ports import in_opener

#: What the module should have is written down at most this often.
_SAVE_NS = 5_000_000_000


def plan_of(bench: Bench, link: Link, sheet: Sheet, folder: str = "") -> LinkPlan:
    """Return how a link of a bench is opened: its own settings, and the needs of the receiver.

    Files that its addresses name are looked for in ``folder``.
    """
    receiver = sheet.receiver
    return LinkPlan(
        PortPlan(placed(link.out, folder), link.baud, link.senders, link.api, link.modelled),
        back=placed(link.into, folder) if link.into else "",
        gap_ms=link.gap_ms(receiver),
        gap_holds=receiver.gap_holds,
        running_status=link.uses_running_status(receiver),
        selections=link.selections,
        active_sensing=receiver.active_sensing,
        longest_exclusive=link.longest_exclusive or 0,
        quiet=bench.quiet.controllers,
        quiet_everywhere=bench.quiet.channels == "all",
    )


def links_of(path: str) -> tuple[LinkPlan, ...]:
    """Return the plans of a bench's links, with the paths of their ledgers.

    Raises
    ------
    SheetError
        The bench, its sheet or a surface has faults.
    InputError, StoreError
        A file can't be read.
    """
    folder = str(files.folder_of(path))
    bench, codec = files.load(path).require()
    return tuple(
        msgspec.structs.replace(
            plan_of(bench, link, codec.sheet, folder),
            ledger=str(ledger_path(folder, placed(link.out, folder))),
        )
        for link in bench.links
    )


class BenchRun:
    """A bench at work.

    Parameters
    ----------
    path : str
        The bench folder.
    outbox : Outbox
        Where everything is told.
    hears : bool
        Whether its inputs are opened, and shown values.

    Raises
    ------
    SheetError
        The bench, its sheet or a surface has faults.
    InputError, StoreError
        A file can't be read.
    """

    bridge: Bridge

    def __init__(self, path: str, outbox: Outbox, *, hears: bool = True) -> None:
        self._path = path
        self._hears = hears
        self._outbox = outbox
        self._checked = files.load(path)
        self._bench, self._codec = self._checked.require()
        self._is_deaf = False
        self._is_changed = False
        self._saved_ns = monotonic_ns()
        self._links: list[OpenLink] = []
        self._echoes: dict[str, OpenLink] = {}

    @property
    def links(self) -> tuple[LinkPlan, ...]:
        """Return the plans of the bench's links."""
        sheet = self._codec.sheet
        folder = str(files.folder_of(self._path))
        return tuple(plan_of(self._bench, link, sheet, folder) for link in self._bench.links)

    def join(self, links: Sequence[OpenLink], keeper: Keeper) -> None:
        """Make the bridge, and open the inputs."""
        self._links = list(links)
        inputs = self._bench.inputs if self._hears else ()
        for given in inputs:
            if given.out:
                self._echoes[given.name] = self._echo(given, keeper)
        self.bridge = Bridge(
            self._bench,
            self._codec,
            self._checked.surfaces,
            [link.push for link in links],
            echoes={name: echo.push for name, echo in self._echoes.items()},
            numbers={name: echo.send_number for name, echo in self._echoes.items()},
            forget=[link.pacer.forget for link in links],
            tell=self._outbox.tell,
            clock=monotonic_ns,
        )
        self._restore()
        for number, link in enumerate(self._links):
            link.pacer.listen(partial(self.sent, number))
            if link.plan.back:
                self._listen_to_module(number, link.plan, keeper)
        for given in inputs:
            self._listen(given, keeper)

    def _echo(self, given: Input, keeper: Keeper) -> OpenLink:
        """Return the way back to a surface that shows values."""
        plan = LinkPlan(PortPlan(self._placed(given.out), given.baud, given.senders, given.api))
        echo = OpenLink(plan, self._outbox, is_module=False)
        echo.start(keeper)
        return echo

    def _placed(self, address: str) -> str:
        return placed(address, str(files.folder_of(self._path)))

    def _restore(self) -> None:
        try:
            known = files.load_known(self._path, self._bench.sheet)
            self.bridge.restore(known)
        except KnobwrightError as error:
            # What should be there is not known then; everything else works.
            self._outbox.error(error)

    # -- what comes in -----------------------------------------------------------------------------

    def _listen(self, given: Input, keeper: Keeper) -> None:
        outbox, bridge, name = self._outbox, self.bridge, given.name

        def receive(data: bytes, at_ns: int) -> None:
            if outbox.is_watched:
                outbox.trace(at_ns, "in", name, data)
            if not self._is_deaf:
                try:
                    bridge.receive(name, data, at_ns)
                except KnobwrightError as error:
                    outbox.error(error)

        def receive_number(path: str, number: float, at_ns: int) -> None:
            if not self._is_deaf:
                try:
                    bridge.receive_number(name, path, number, at_ns)
                except KnobwrightError as error:
                    outbox.error(error)

        plan = PortPlan(self._placed(given.port), given.baud, given.senders, given.api)
        opener = in_opener(plan, receive, receive_number)
        keeper.keep(name, opener, _InputWatch(name, self._links, bridge))

    def _listen_to_module(self, number: int, plan: LinkPlan, keeper: Keeper) -> None:
        outbox, bridge, address = self._outbox, self.bridge, plan.back

        def receive(data: bytes, at_ns: int) -> None:
            if outbox.is_watched:
                outbox.trace(at_ns, "in", address, data)
            try:
                bridge.receive_from_module(number, data, at_ns)
            except KnobwrightError as error:
                outbox.error(error)

        out = plan.out
        port = PortPlan(address, out.baud, out.senders, out.api, out.modelled)
        # Told apart from the out-port, which may have the same address.
        keeper.keep(f"{address} (from the module)", in_opener(port, receive), SourceWatch("", ()))

    def receive(self, order: Bytes, at_ns: int) -> None:
        """Take bytes of another process: of an input, or to be played on a link."""
        if any(given.name == order.source for given in self._bench.inputs):
            if order.rest_ns:
                raise InputError("a rest can be asked for only behind bytes that are played")
            self.bridge.receive(order.source, order.data, at_ns)
        else:
            self.bridge.play(
                order.data,
                at_ns,
                link=order.link,
                source=order.source,
                trusted=order.is_trusted,
                rest_ns=order.rest_ns,
            )

    def sent(self, number: int, items: Sequence[Item], at_ns: int) -> None:
        """Note what was handed over on a link."""
        self._is_changed = True
        self.bridge.sent(number, items, at_ns)

    # -- orders ------------------------------------------------------------------------------------

    def set(self, order: Set) -> None:
        """Set a parameter; raises ``KnobwrightError``."""
        self.bridge.set(order.key, order.raw, order.channel or 1, order.note)

    def beat(self, now_ns: int) -> None:
        """Tell what changed; now and then write down what the module should have."""
        self.bridge.tick(now_ns)
        if self._is_changed and now_ns - self._saved_ns >= _SAVE_NS:
            self._saved_ns = now_ns
            self._save()

    def deafen(self) -> None:
        """Take nothing from inputs any more: letting go has begun."""
        self._is_deaf = True
        self.bridge.deafen()

    def stop(self) -> None:
        """Write down what the module should have; let go of surfaces."""
        for echo in self._echoes.values():
            echo.stop()
        if self._is_changed:
            self._save()

    def _save(self) -> None:
        self._is_changed = False
        files.save_known(self._path, self._bench.sheet, self.bridge.remembered())


class _InputWatch(SourceWatch):
    """An input of a bench: its keyboard and its surface learn that it is gone or back."""

    def __init__(self, source: str, links: Sequence[OpenLink], bridge: Bridge) -> None:
        super().__init__(source, links)
        self._bridge = bridge
        self._name = source

    def back(self, port: InPort) -> None:
        """Show its surface everything anew."""
        self._bridge.input_back(self._name)

    def lost(self, words: str) -> None:
        """Let go of what it holds, first as its keyboard sounded it, then whatever is left."""
        self._bridge.lost_input(self._name)
        super().lost(words)

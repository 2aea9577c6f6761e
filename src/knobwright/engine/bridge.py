"""The bridge: what is moved and played becomes what the module is sent.

Whatever brings bytes calls :meth:`Bridge.receive` from its own thread, and that thread does all of
the work up to the hand-over, under one lock. What may take its time (decoding what was sent,
showing values, telling) waits for :meth:`Bridge.tick`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence

from knobwright.core.bench.records import Bench, Input
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError, KnobwrightError, NamingError
from knobwright.core.interfaces import Clock
from knobwright.core.sheet.records import Raw
from knobwright.core.state.values import Known, KnownProgram
from knobwright.core.surface.assignment import Wish
from knobwright.core.surface.moves import Move
from knobwright.core.surface.records import Surface
from knobwright.core.timing.items import Item
from knobwright.core.timing.merge import shared_bases
from knobwright.core.timing.places import Places
from knobwright.core.wire import Dropped, Message, is_note_off
from knobwright.core.wire.controllers import is_switch
from knobwright.engine.describing import Describing
from knobwright.engine.feedback import PushEcho, PushNumber, source_of
from knobwright.engine.following import Following
from knobwright.engine.known import RESET, LinkState
from knobwright.engine.making import Maker
from knobwright.engine.news import News
from knobwright.engine.programs import Programs, link_and_channel
from knobwright.engine.restoring import Restoring, setup_items
from knobwright.engine.sources import Source
from knobwright.engine.tally import Tally
from knobwright.engine.told import Told

#: Takes items for one link: its pacer's ``push``.
Push = Callable[[Sequence[Item]], object]

#: The source of what is set and played by hand on a page or by a command.
PAGE = "page"
#: Items decoded in one go, so that a note has to wait for a few at most.
_CHUNK = 8
#: Items that were handed over and may wait for the next tick.
_MAX_SENT = 20_000


class Bridge:
    """Joins the inputs of a bench to its links. All methods may be called from any thread.

    Parameters
    ----------
    bench : Bench
        A checked bench.
    codec : Codec
        Of its sheet.
    surfaces : mapping of str to Surface
        By name of the input.
    links : sequence of callable
        For each link what takes its items; called under the bridge's lock.
    tell : callable
        Takes the records of ``told.py``; called under the bridge's lock, so it must be quick.
    clock : Clock
        Monotonic, nanoseconds.
    echoes, numbers : mapping of str to callable, optional
        By name of the input: what takes items for its surface, and numbers for its paths.
    forget : sequence of callable, optional
        For each link what makes its pacer forget selections and running status.
    """

    def __init__(
        self,
        bench: Bench,
        codec: Codec,
        surfaces: Mapping[str, Surface],
        links: Sequence[Push],
        *,
        tell: Callable[[Told], None],
        clock: Clock,
        echoes: Mapping[str, PushEcho] | None = None,
        numbers: Mapping[str, PushNumber] | None = None,
        forget: Sequence[Callable[[], object]] = (),
    ) -> None:
        self._codec = codec
        self._links = tuple(links)
        self._tell = tell
        self._clock = clock
        self._lock = threading.RLock()
        self._is_deaf = False
        self._tally = Tally()
        self._shared = shared_bases(codec.sheet.parameters)
        self._actions = frozenset(p.key for p in codec.sheet.parameters if p.is_action)
        self._maker = Maker(self._shared)
        places = Places(codec.sheet.parameters)

        def source(row: Input) -> Source:
            return Source(
                row, surfaces.get(row.name), bench, codec, places, self._tally,
                push_echo=(echoes or {}).get(row.name),
                push_number=(numbers or {}).get(row.name),
            )  # fmt: skip

        self._sources = {row.name: source(row) for row in (*bench.inputs, Input(PAGE, ""))}
        self._programs = Programs(source, len(self._links))
        self._states = tuple(
            LinkState(codec, i, listens=bool(link.into)) for i, link in enumerate(bench.links)
        )
        self._restoring = Restoring(codec, self._shared, self._states, self._tally)
        self._news = News(self._states, tuple(self._sources.values()))
        self._following = Following(
            codec, self._shared, self._states, self._tally, self._restoring, self._news, forget
        )

    # -- from the ports --------------------------------------------------------------------------

    def receive(self, source: str, data: bytes, at_ns: int) -> None:
        """Take bytes of an input, cut anywhere; nothing that they hold raises.

        Raises
        ------
        NamingError
            There is no such input.
        """
        with self._lock:
            if self._is_deaf:
                return
            found = self._source(source)
            if self._following.n_sent > _MAX_SENT:  # nobody calls tick: keep the memory bounded
                self._following.settle(4 * _CHUNK, self._clock())
            for record in found.splitter.feed(data, at_ns):
                if isinstance(record, Dropped):
                    self._cut(found, record)
                else:
                    self._message(found, record[0], at_ns)

    def deafen(self) -> None:
        """Take nothing from inputs any more: what sounds is let go next."""
        with self._lock:
            self._is_deaf = True

    def receive_number(self, source: str, path: str, number: float, at_ns: int) -> None:
        """Take a number that came for a path; errors as in :meth:`receive`."""
        with self._lock:
            found = self._source(source)
            move = None
            if found.recogniser is not None:
                move = found.recogniser.number(path, number, at_ns)
            if move is None or not self._acts(found, move):
                self._tally.dropped(source, f"no control has the path {path[:60]!r}")
            else:
                self._move(found, move)

    def receive_from_module(self, link: int, data: bytes, at_ns: int) -> None:
        """Take bytes that the module sent; they are looked at in :meth:`tick`."""
        self._following.came(link, data, at_ns)

    def sent(self, link: int, items: Sequence[Item], at_ns: int) -> None:
        """Note items that were handed over to the port of a link; never blocks."""
        self._following.sent(link, items, at_ns)

    def lost_input(self, source: str) -> None:
        """Note that an input or a program is gone: what it holds is let go."""
        with self._lock:
            for found in self._programs.of(source) or (self._source(source),):
                for record in found.splitter.end():
                    self._cut(found, record)
                for link, items in found.let_go():
                    self._push(link, items)
                if found.assignments is not None:
                    for move in found.assignments.let_go(self._clock()):
                        self._move(found, move)
                found.forget()

    def input_back(self, source: str) -> None:
        """Note that an input is there again: its surface is shown everything anew."""
        with self._lock:
            found = self._source(source)
            if found.feedback is not None:
                found.feedback.again(self._current, self._clock())

    def _source(self, name: str) -> Source:
        found = self._sources.get(name)
        if found is None:
            names = tuple(self._sources)
            raise NamingError(f"there is no input {name!r}", candidates=names)
        return found

    def _cut(self, source: Source, record: Message | Dropped) -> None:
        """Count bytes that belong to no message."""
        if isinstance(record, Dropped):
            self._tally.dropped(source.name, record.reason, record.data, len(record.data))

    def _message(self, source: Source, message: bytes, at_ns: int) -> None:
        """Find out what a whole message is for, and do it."""
        if source.hearing is not None:
            source.hearing.feed(message, at_ns)
            if not _ends(message):
                source.learn(message, at_ns)
                return  # but a key that was held before is let go
        if source.recogniser is not None:
            move = source.recogniser.feed(message, at_ns)
            if move is not None and self._acts(source, move):
                self._move(source, move)
                return
        if source.keyboard is not None:
            routed = source.keyboard.feed(message)
            if routed is not None:
                for link, data in routed:
                    self._push(link, source.passer.routed(data, link))
                return
        self._push(source.link, source.passer.feed(message, source.link))

    def _push(self, link: int, items: Sequence[Item]) -> None:
        if items:
            self._links[link](items)

    # -- controls --------------------------------------------------------------------------------

    @staticmethod
    def _acts(source: Source, move: Move) -> bool:
        return source.assignments is not None and source.assignments.takes(move.control.name)

    def _move(self, source: Source, move: Move) -> None:
        assert source.assignments is not None
        if source.feedback is not None:
            source.feedback.moved(move)
        cause = source_of(source.name, move.control.name)
        for wish in source.assignments.take(move, self._current):
            self._wish(wish, cause)
        if source.assignments.layers_changed and source.feedback is not None:
            source.feedback.show_all(self._current, self._clock())

    def _wish(self, wish: Wish, cause: str) -> None:
        try:
            self._send(wish.key, wish.raw, wish.channel, wish.note, cause)
        except KnobwrightError as error:
            self._tally.refused(cause, wish.key, error.message)

    def _current(self, key: str, channel: int | None, note: int | None) -> Raw | None:
        """Return the newest value; ``channel`` 1 to 32."""
        link, at = link_and_channel(channel)
        return self._states[link].lookup(key, at, note) if link < len(self._states) else None

    def _send(
        self,
        key: str,
        raw: Raw,
        channel: int | None,
        note: int | None,
        cause: str,
        *,
        danger: bool = False,
    ) -> None:
        link, at = link_and_channel(channel)
        if link >= len(self._links):
            raise InputError(
                f"channel {channel} belongs to a second link, and the bench has one",
                hint="add a second [[link]] to bench.toml",
            )
        state = self._states[link]
        messages = self._codec.encode(key, raw, at or 1, note, state.lookup, danger=danger)
        parameter = self._codec.parameters[key]
        item = self._maker.item(parameter, messages, at, note, cause)
        if key not in self._actions:
            state.wish(key, raw, at, note, cause)
        self._links[link]([item])

    # -- from the page and from commands ---------------------------------------------------------

    def set(
        self,
        key: str,
        raw: Raw,
        channel: int | None = 1,
        note: int | None = None,
        *,
        source: str = PAGE,
        danger: bool = False,
    ) -> None:
        """Set a parameter.

        Parameters
        ----------
        key : str
            The parameter's key.
        raw : int, str or tuple of int
            The raw value; 0 for an action.
        channel : int, 1 to 32
            Passed over where the parameter is not per channel.
        note : int, 0 to 127, optional
            Needed where the parameter is per key.
        source : str
            Who asks; it stands in the items.
        danger : bool
            The user was asked twice: needed for a line that the sheet marks as dangerous.

        Raises
        ------
        KnobwrightError
            There is no such parameter or link, the value is none, a question is open, or the line
            is marked as dangerous.
        """
        with self._lock:
            parameter = self._codec.parameters.get(key)
            if parameter is None:
                raise NamingError(f"no parameter has the key {key!r}")
            at = channel if "channel" in parameter.per else None
            on = note if "key" in parameter.per else None
            self._send(key, raw, at, on, source, danger=danger)

    def play(
        self,
        data: bytes,
        at_ns: int | None = None,
        *,
        link: int = 0,
        source: str = PAGE,
        trusted: bool = False,
        rest_ns: int = 0,
    ) -> None:
        """Take bytes of a program, ``source``: they go to a link as they are, if they may pass.

        Parameters
        ----------
        data : bytes
            Cut anywhere; each program has its own running status and selections on each link.
        at_ns : int, nanoseconds, optional
            When they came; now by default.
        link : int from 0
        trusted : bool
            All of them may pass: the user has decided on them already.
        rest_ns : int >= 0, nanoseconds
            The rest that must follow the last message.

        Raises
        ------
        InputError
            There is no such link, or too many programs.
        """
        with self._lock:
            found = self._programs.source(source, link)
            feed = found.passer.routed if trusted else found.passer.feed
            items: list[Item] = []
            for record in found.splitter.feed(data, self._clock() if at_ns is None else at_ns):
                if isinstance(record, Dropped):
                    self._cut(found, record)
                else:
                    items += feed(record[0], link)
            if items and rest_ns:
                items[-1] = items[-1]._replace(rest_ns=rest_ns)
            self._push(link, items)

    def off(self) -> None:
        """Note that the module was switched off: every value is unknown, and is owed."""
        with self._lock:
            self._following.settle_all(self._clock())
            for number, state in enumerate(self._states):
                self._news.note(number, state.off(), self._clock())
            for source in self._sources.values():
                if source.assignments is not None:
                    source.assignments.forget()

    def resend(self, *, setup: bool = False) -> int:
        """Send everything that the module should have: programs, then values in order.

        With ``setup`` the sheet's reset goes before, with its rests. Return how many items go.
        """
        with self._lock:
            self._following.settle_all(self._clock())
            n_items = 0
            for link, items in enumerate(self._restoring.begin(setup=setup)):
                n_items += len(items)
                self._push(link, items)
            return n_items + self._restoring.n_waiting

    def reset(self) -> None:
        """Send what the sheet calls a reset; afterwards the module is owed nothing.

        Raises
        ------
        InputError
            The sheet says nothing of a reset.
        """
        with self._lock:
            items = setup_items(self._codec, RESET)
            if not items:
                raise InputError("the sheet says nothing of a reset", hint="add [[setup]] to it")
            self._push(0, items)

    def hear(self, source: str, on: bool = True) -> None:
        """Begin (or end) to find out what the controls of an input send.

        Until it ends the input does nothing else. What is found is told by :meth:`tick`.
        """
        with self._lock:
            found = self._source(source)
            found.hearing = Describing(source) if on else None

    def answer(self, source: str, name: str, value: str) -> None:
        """Take the user's answer to something that was asked of a control that is heard.

        Raises
        ------
        InputError
            Nothing is asked, or this is no answer to it.
        """
        with self._lock:
            describing = self._source(source).hearing
            if describing is None:
                raise InputError(f"nothing is asked about {source}", hint="begin to hear it first")
            describing.answer(name, value)

    # -- what may take its time ------------------------------------------------------------------

    def tick(self, now_ns: int) -> None:
        """Follow what was sent and heard, show it, tell it; to be called every 50 ms or so."""
        for source in self._sources.values():
            recogniser = source.recogniser
            if recogniser is not None and recogniser.next_ns is not None:
                with self._lock:
                    for move in recogniser.waiting(now_ns):
                        if self._acts(source, move):
                            self._move(source, move)
        following = self._following
        came = following.ripe(now_ns)
        while following.n_sent:
            with self._lock:
                following.settle(_CHUNK, now_ns)
        for start in range(0, len(came), _CHUNK):
            with self._lock:
                following.hear(came[start : start + _CHUNK], now_ns, self._tell)
        with self._lock:
            for link, items in self._restoring.due(now_ns):
                self._push(link, items)
            for source in self._sources.values():
                if source.feedback is not None:
                    source.feedback.due(now_ns)
            self._tell_all(now_ns)

    def _tell_all(self, now_ns: int) -> None:
        self._news.tell(self._tell)
        for state in self._states:
            state.tell_echoes(self._tell, now_ns)
        for source in self._sources.values():
            if source.hearing is not None:
                source.hearing.tell(self._tell)
        self._tally.tell(self._tell, now_ns)

    # -- what is seen and kept -------------------------------------------------------------------

    def value(self, key: str, channel: int | None = 1, note: int | None = None) -> Known:
        """Return what is known of a parameter (channel 1 to 32), as far as it was handed over."""
        with self._lock:
            self._following.settle_all(self._clock())
            link, at = link_and_channel(channel)
            return self._states[link].values.get(key, at, note)

    def known(self) -> list[tuple[Known | KnownProgram, ...]]:
        """Return everything that is known, of each link, in the order of last set."""
        with self._lock:
            self._following.settle_all(self._clock())
            return [tuple(state.values.known()) for state in self._states]

    def remembered(self) -> list[tuple[Known | KnownProgram, ...]]:
        """Return what the module should have, of each link: what :meth:`restore` takes."""
        with self._lock:
            self._following.settle_all(self._clock())
            return [tuple(state.values.remembered()) for state in self._states]

    def restore(self, links: Sequence[Sequence[Known | KnownProgram]]) -> int:
        """Remember what the module should have; return how many values were left out."""
        with self._lock:
            pairs = zip(self._states, links, strict=False)
            return sum(state.values.restore(values) for state, values in pairs)

    def counts(self) -> dict[str, int]:
        """Return what was counted since the start."""
        sources = (*self._sources.values(), *self._programs.all)
        boards = [source.keyboard for source in sources if source.keyboard is not None]
        return {
            "dropped": self._tally.n_dropped,
            "refused": self._tally.n_refused,
            "asked": self._tally.n_asked,
            "not_passed_on": self._tally.n_left_out,
            "notes_outside_zones": sum(board.n_outside for board in boards),
            "notes_out_of_range": sum(board.n_out_of_range for board in boards),
            "stray_note_offs": sum(board.n_stray for board in boards),
            "sensing": sum(source.passer.n_sensing for source in sources),
        }


def _ends(message: bytes) -> bool:
    """Return whether a message ends something: a note-off, or the lift of a switch."""
    if is_note_off(message):
        return True
    return message[0] >> 4 == 0xB and is_switch(message[1]) and message[2] < 64

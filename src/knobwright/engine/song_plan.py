"""What will be played of a song, and what will not: worked out before the first note.

Nothing here knows time or ports: a song, a sheet and whom the user trusts go in, a plan comes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from knobwright.core.codec.events import ProgramSet, Unexplained
from knobwright.core.codec.plan import Codec
from knobwright.core.song.metas import ports
from knobwright.core.song.records import Song
from knobwright.core.song.timeline import timeline
from knobwright.core.state.trust import Trust, suggested_beginning
from knobwright.core.wire import hex_words
from knobwright.core.wire.controllers import CONTROLLERS

#: Rest after General MIDI 2 System On, in nanoseconds (RP-024, section 4.9.1: at least 100 ms); the
#: same after General MIDI 1 System On is common practice, no source.
RESET_REST_NS = 100_000_000
_RESETS = frozenset(
    bytes((0xF0, 0x7E, device, 0x09, what, 0xF7)) for device in range(128) for what in (1, 2, 3)
)
_MAX_SHOWN_BYTES = 16
_NO_SHEET = "no sheet is given that could explain it"
_NOTES = (0x80, 0x90)
_FIRST_MODE = 120
_OF_EVERY_MODULE = frozenset((0xA0, 0xD0, 0xE0))


class Untrusted(NamedTuple):
    """An exclusive message of the song that is not sent unless the user allows it.

    ``first`` are its first bytes in hex, ``n_bytes`` its length, ``n`` how often it comes;
    ``first_ns`` when it first comes. ``allow`` is what a list of allowed beginnings would say.
    """

    first: str
    n_bytes: int
    n: int
    why: str
    allow: str
    first_ns: int


class Unknown(NamedTuple):
    """Something that the song sends and the sheet does not explain; it is sent all the same.

    ``channels`` are 1 to 16, ``n`` counts the messages.
    """

    words: str
    channels: tuple[int, ...]
    n: int


class Plan(NamedTuple):
    """A song made ready.

    ``times_ns`` (from the start of the song, ascending) and ``messages`` are equally long.
    ``rests_ns`` says which messages need a rest of their own behind them. ``ports`` are the ports
    that tracks name, each with its tracks counted from 1, where there is more than one: all is sent
    to one link. ``n_faults`` counts what is wrong with the file.
    """

    name: str
    times_ns: Sequence[int]
    messages: Sequence[bytes]
    length_ns: int
    rests_ns: dict[bytes, int]
    untrusted: tuple[Untrusted, ...]
    unknown: tuple[Unknown, ...]
    ports: tuple[tuple[int, tuple[int, ...]], ...]
    n_patterns: int
    n_faults: int

    @property
    def n_untrusted(self) -> int:
        """Return how many messages are left out because nobody trusted explains them."""
        return sum(row.n for row in self.untrusted)


def plan(song: Song, codec: Codec | None, trust: Trust | None, *, pattern: int = 0) -> Plan:
    """Return what is to be played of a song.

    Parameters
    ----------
    song : Song
        As it was read.
    codec : Codec, optional
        Of the sheet of the module. Without it nothing is called unknown.
    trust : Trust, optional
        Judges exclusive messages. Without it none is sent.
    pattern : int from 0
        Which pattern of a format 2 song.

    Raises
    ------
    InputError
        The song's time base is none of the standard, or it has no such pattern.
    """
    line = timeline(song, pattern=pattern)
    times = line.ns.tolist()
    times, messages, untrusted = _sorted_out(times, line.messages, trust)
    found = ports(song)
    named = [(port, tuple(track + 1 for track in tracks)) for port, tracks in found.items()]
    return Plan(
        song.name, times, messages, line.length_ns, _rests(codec), untrusted,
        _unknown(messages, codec), tuple(named) if len(named) > 1 else (),
        song.n_tracks if song.format == 2 else 1, song.n_faults,
    )  # fmt: skip


def _sorted_out(
    times: list[int], messages: list[bytes], trust: Trust | None
) -> tuple[list[int], list[bytes], tuple[Untrusted, ...]]:
    """Take out the exclusive messages that may not be sent, and count them."""
    kept_times, kept, refused = [], [], dict[bytes, Untrusted]()
    for at_ns, message in zip(times, messages, strict=True):
        if message[0] == 0xF0:
            allowed, why = trust.judge(message) if trust is not None else (False, _NO_SHEET)
            if not allowed:
                row = refused.get(message)
                if row is None:
                    first = hex_words(message[:_MAX_SHOWN_BYTES])
                    allow = suggested_beginning(message)
                    row = Untrusted(first, len(message), 0, why, allow, at_ns)
                refused[message] = row._replace(n=row.n + 1)
                continue
        kept_times.append(at_ns)
        kept.append(message)
    return kept_times, kept, tuple(refused.values())


def _rests(codec: Codec | None) -> dict[bytes, int]:
    """Return the rests that single messages need, in nanoseconds: the sheet's word wins."""
    rests = dict.fromkeys(_RESETS, RESET_REST_NS)
    if codec is not None:
        for messages, rest_ms in codec.setup():
            if messages and rest_ms:
                rests[messages[-1]] = rest_ms * 1_000_000
    return rests


def _unknown(messages: Sequence[bytes], codec: Codec | None) -> tuple[Unknown, ...]:
    """Return what the sheet does not explain, the most frequent first.

    Notes, pressure and bend are understood by so many modules without a line of their own in a
    sheet that they are not asked for; channel mode and system messages neither.
    """
    if codec is None:
        return ()
    decoder = codec.decoder()
    has_names = bool(codec.sheet.program)
    found: dict[str, tuple[set[int], int]] = {}
    for message in messages:
        kind = message[0] & 0xF0
        if kind in _NOTES or kind in _OF_EVERY_MODULE or kind == 0xF0:
            continue
        for event in decoder.feed(message):
            words = ""
            if isinstance(event, Unexplained) and message[1] < _FIRST_MODE:
                words = _words(message, event)
            elif isinstance(event, ProgramSet) and has_names and not event.name:
                words = f"program {event.number} of bank {event.bank[0]}/{event.bank[1]}"
            if words:
                channels, n = found.setdefault(words, (set(), 0))
                channels.add((message[0] & 0x0F) + 1)
                found[words] = (channels, n + 1)
    rows = (Unknown(words, tuple(sorted(chs)), n) for words, (chs, n) in found.items())
    return tuple(sorted(rows, key=lambda row: -row.n))


def _words(message: bytes, event: Unexplained) -> str:
    """Return what an unexplained message is, without its value."""
    if message[0] & 0xF0 != 0xB0:
        return "program change"
    name = CONTROLLERS[message[1]]
    plain = f"controller {message[1]}" + (f" ({name})" if name else "")
    if message[1] in (6, 38, 96, 97):  # data: the reason names the number
        return event.reason
    return plain

"""Which exclusive messages of strangers reach the module: those that somebody trusted explains.

An exclusive message in a song, a dump or from another program may do anything: erase sounds, load
software, move machines. It is passed on only where the sheet explains it (and neither marks it as
dangerous nor has an open question about it), where it is in a short list of harmless universal
messages, or where the user allowed what it begins with. Everything else is asked about.

To add a universal message that is harmless, write a row of ``HARMLESS``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from knobwright.core.codec.encode import Fill, make_encoder
from knobwright.core.codec.events import Dump, Event, Part, Request, Setting, Unexplained
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError
from knobwright.core.sheet.questions import blocking_block
from knobwright.core.wire.universal import maker_id, universal

#: Longest harmless universal message in bytes: retuning every key singly takes 520.
MAX_HARMLESS_BYTES = 600
_ALL_DEVICES = b"\x7f"


class Harmless(NamedTuple):
    """A universal message that changes nothing for good: its area and sub-ids, in words.

    ``source`` names the published text that says what it does (MIDI 1.0: the Detailed
    Specification, 4.2.1).
    """

    area: int
    sub_1: int
    sub_2: tuple[int, ...]
    words: str
    source: str


#: Universal messages that may pass: what they do is gone when the power is switched off. Dumps of
#: samples, files and tunings, downloadable sounds, handshakes, and what moves machines and stages
#: are left out on purpose.
HARMLESS: tuple[Harmless, ...] = (
    Harmless(0x7E, 0x06, (0x01,), "identity request", "MIDI 1.0, p. 40"),
    Harmless(0x7E, 0x09, (0x01, 0x02), "General MIDI on, off", "RP-003"),
    Harmless(0x7E, 0x09, (0x03,), "General MIDI 2 on", "RP-024"),
    Harmless(0x7E, 0x08, (0x08, 0x09), "scale/octave tuning", "CA-021"),
    Harmless(0x7F, 0x04, (0x01, 0x02), "master volume, balance", "MIDI 1.0, p. 57"),
    Harmless(0x7F, 0x04, (0x03, 0x04), "master tuning", "CA-025"),
    Harmless(0x7F, 0x04, (0x05,), "global parameter control", "CA-024"),
    Harmless(0x7F, 0x08, (0x02,), "single note tuning change", "MIDI 1.0, p. 50"),
    Harmless(0x7F, 0x08, (0x07,), "single note tuning change with bank", "CA-020"),
    Harmless(0x7F, 0x08, (0x08, 0x09), "scale/octave tuning", "CA-021"),
    Harmless(0x7F, 0x09, (0x01, 0x02, 0x03), "controller destination", "CA-022"),
    Harmless(0x7F, 0x0A, (0x01,), "key-based instrument control", "CA-023"),
    Harmless(0x7F, 0x0B, (0x01,), "scalable polyphony", "RP-034"),
)
_HARMLESS = {(row.area, row.sub_1, sub_2): row for row in HARMLESS for sub_2 in row.sub_2}


class Verdict(NamedTuple):
    """Whether a message may pass, and why or why not, in a person's words."""

    allowed: bool
    why: str


_NO_EXCLUSIVE = Verdict(True, "it is no exclusive message")


class Trust:
    """Judges the messages of one source against one sheet.

    Parameters
    ----------
    codec : Codec
        The codec of a sheet that the user trusts.
    allow : iterable of str
        Beginnings that the user allows, in hex: ``F0 7D 10``. A line that the sheet marks as
        dangerous passes only where the whole message is named.

    Raises
    ------
    InputError
        A beginning is none: see :func:`read_beginning`.
    """

    def __init__(self, codec: Codec, allow: Iterable[str] = ()) -> None:
        self._codec = codec
        self._decoder = codec.decoder()  # keeps the first messages of sequences apart
        self._of_all = codec.decoder()  # of messages to all devices, as if to this one
        self._allow = tuple(read_beginning(text) for text in allow)
        self._setup = frozenset(_setup_messages(codec, dangerous=False))
        self._danger = frozenset(_setup_messages(codec, dangerous=True))
        self._blocks = {block.key: block for block in codec.sheet.blocks}

    def judge(self, message: bytes) -> Verdict:
        """Return whether a whole message may pass to the module.

        Only exclusive messages are judged; everything else may pass.
        """
        if message[:1] != b"\xf0":
            return _NO_EXCLUSIVE
        events = self._decoder.feed(message)
        if message in self._allow:
            return Verdict(True, "the bench allows it")
        if danger := self._danger_of(message, events) or self._danger_for_all(message):
            return Verdict(False, danger)
        if message.startswith(self._allow):
            return Verdict(True, "the bench allows what it begins with")
        if message in self._setup:
            return Verdict(True, "it is part of the sheet's setup")
        refusal = next((why for event in events if (why := self._why_not(event))), "")
        if not refusal:
            return Verdict(True, "the sheet explains it")
        if all(isinstance(event, Unexplained) for event in events) and _is_harmless(message):
            return Verdict(True, "it is a harmless universal message")
        return Verdict(False, refusal)

    def allows(self, message: bytes) -> bool:
        """Return whether the user allowed what the message begins with."""
        return message.startswith(self._allow)

    def _danger_of(self, message: bytes, events: Iterable[Event]) -> str:
        """Return which danger the sheet names for a message, or an empty string."""
        if message in self._danger:
            return "the sheet marks this part of the setup as dangerous"
        for key in _things_of(events):
            thing = self._codec.parameters.get(key) or self._blocks.get(key)
            if thing is not None and thing.danger:
                return f"{key} is marked as dangerous: {thing.danger}"
        return ""

    def _danger_for_all(self, message: bytes) -> str:
        """Return the danger of a message to all devices (7F): it means this module, too.

        Universal messages: MIDI 1.0 Detailed Specification 4.2.1, page 35; that makers use 7F
        likewise is common practice, no source.
        """
        at = 1 + max(1, len(maker_id(message)))
        if message[at : at + 1] != _ALL_DEVICES:
            return ""
        for device in (self._codec.device, *self._codec.sheet.module.device_ids):
            meant = message[:at] + bytes((device,)) + message[at + 1 :]
            if danger := self._danger_of(meant, self._of_all.feed(meant)):
                return danger
        return ""

    def _why_not(self, event: Event) -> str:
        """Return why a message that means ``event`` is not explained well enough to pass."""
        if isinstance(event, Unexplained):
            return event.reason
        for key in _things_of((event,)):
            if key in self._codec.parameters:
                question = self._codec.blocked(key)
            else:
                question = blocking_block(self._codec.sheet, self._blocks[key])
            if question is not None:
                return f"{key} has an open question: {question.understood}"
        return ""


def _things_of(events: Iterable[Event]) -> Iterator[str]:
    """Yield the keys of the parameters and blocks that events name, those inside a dump too."""
    for event in events:
        if isinstance(event, Dump):
            yield event.block
            yield from (setting.key for setting in event.settings)
        elif isinstance(event, Setting | Part) and event.key:
            yield event.key
        elif isinstance(event, Request) and event.block:
            yield event.block


def read_beginning(text: str) -> bytes:
    """Return the bytes of an allowed beginning.

    Parameters
    ----------
    text : str
        Hex pairs that begin with F0 and hold at least the whole maker's id (and nothing but data
        bytes behind the F0, save for an F7 at the end).

    Raises
    ------
    InputError
        It is anything else. A bare ``F0`` would allow everything.
    """
    try:
        data = bytes.fromhex(text)
    except ValueError:
        data = b""
    body = data[1:-1] if data[-1:] == b"\xf7" else data[1:]
    if data[:1] != b"\xf0" or not body.isascii() or not maker_id(data):
        raise InputError(
            f"a beginning that is allowed is written in hex with F0 and the maker's id, "
            f"not {text[:40]!r}",
            hint='for example "F0 7D 10"',
        )
    if len(maker_id(data)) == 1 and data[1] in (0x7E, 0x7F) and len(data) < 4:
        raise InputError(
            f"{text[:40]!r} would allow every universal message",
            hint='name the kind, too: "F0 7F 7F 04", for example',
        )
    return data


def suggested_beginning(message: bytes) -> str:
    """Return what an allowed beginning for a message would say: as narrow as seems useful.

    That is F0, the maker's id and the two bytes behind it (device and model as a rule, common
    practice, no source); of a universal message device and both sub-ids.
    """
    n_maker = max(1, len(maker_id(message)))
    n_more = 3 if message[1:2] in (b"\x7e", b"\x7f") else 2
    return message[: 1 + n_maker + n_more].hex(" ").upper()


def _is_harmless(message: bytes) -> bool:
    row = universal(message)
    if row is None or len(message) > MAX_HARMLESS_BYTES:
        return False
    if row.n_bytes and row.n_bytes != len(message):
        return False
    return (message[1], message[3], message[4]) in _HARMLESS


def _setup_messages(codec: Codec, *, dangerous: bool) -> Iterator[bytes]:
    """Yield the exclusive messages of the sheet's setup for every device id of the module."""
    for step in codec.sheet.setup:
        if bool(step.danger) is dangerous:
            for device in {codec.device, *codec.sheet.module.device_ids}:
                for message in make_encoder(step.template, device)(0, Fill()):
                    if message[0] == 0xF0:
                        yield message

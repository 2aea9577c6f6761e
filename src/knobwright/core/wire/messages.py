"""Messages in plain words, and what several parts of the program ask of a single message.

Source: MIDI 1.0 Detailed Specification 4.2.1; the page stands at each rule. Channels are 1 to 16 in
words and 0 to 15 in the bytes. The words for a status come from the status table, those for a
controller from ``controllers``, those for a universal exclusive message from ``universal``.
"""

from __future__ import annotations

from knobwright.core.errors import DecodeError
from knobwright.core.wire.controllers import (
    CONTROLLERS,
    FIRST_MODE,
    is_switch,
    mode_words,
)
from knobwright.core.wire.status import (
    END_OF_EXCLUSIVE,
    FIRST_SYSTEM,
    KINDS,
    MAX_DATA,
    N_BYTES,
    START_OF_EXCLUSIVE,
    STATUS,
    UNDEFINED,
)
from knobwright.core.wire.universal import (
    ALL_DEVICES,
    NON_REAL_TIME_ID,
    REAL_TIME_ID,
    identity,
    maker_group,
    maker_id,
    universal,
)

#: Pitch bend at rest: 00 40, the low part first (page 19).
BEND_CENTRE = 8192
#: Release velocity sent by who has none to send (pages 10, 11).
NO_RELEASE_VELOCITY = 64
#: MIDI clocks in one step of the song position: a sixteenth note (page 27).
CLOCKS_PER_STEP = 6

_KEYS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def hex_words(data: bytes) -> str:
    """Return the bytes as two upper-case hex digits each, with spaces between."""
    return data.hex(" ").upper()


def key_name(key: int) -> str:
    """Return a key's name, such as ``C4`` for 60.

    Parameters
    ----------
    key : int, 0 to 127
        Key 60 is middle C (page 10). That it is written C4 is common practice, no source; some
        makers write C3 or C5, so the number always stands beside the name.
    """
    return f"{_KEYS[key % 12]}{key // 12 - 1}"


def is_note_on(message: bytes) -> bool:
    """Return whether a whole message starts a note: 9n with a velocity above 0."""
    return message[0] & 0xF0 == 0x90 and message[2] > 0


def is_note_off(message: bytes) -> bool:
    """Return whether a whole message ends a note: 8n, or 9n with velocity 0 (page 10).

    The only place that knows the second form.
    """
    kind = message[0] & 0xF0
    return kind == 0x80 or (kind == 0x90 and message[2] == 0)


def release_velocity(message: bytes) -> int:
    """Return the release velocity of a message that ends a note; 64 for the 9n form (page 10)."""
    return NO_RELEASE_VELOCITY if message[0] & 0xF0 == 0x90 else message[2]


def is_channel_mode(message: bytes) -> bool:
    """Return whether a whole message is a channel mode message: Bn with 120 to 127 (page 20)."""
    return message[0] & 0xF0 == 0xB0 and message[1] >= FIRST_MODE


def value_14(low: int, high: int) -> int:
    """Return the value of two data bytes, 0 to 16383, as pitch bend and song position send them."""
    return high << 7 | low


def check_whole(message: bytes) -> None:
    """Refuse anything but one whole message with its status byte.

    Raises
    ------
    DecodeError
        Says what was expected and found: an empty message, a data byte in front, an undefined
        status, a wrong number of data bytes, a status byte among the data, a missing F7.
    """
    if not message:
        raise DecodeError("expected a message, found no bytes")
    first = message[0]
    found = hex_words(message[:8]) + (" ..." if len(message) > 8 else "")
    if first <= MAX_DATA:
        raise DecodeError(
            f"expected a status byte 80 to FF first, found {first:02X}",
            hint="put the status byte in front: it was left out or lost",
        )
    if KINDS[first] == UNDEFINED or first == END_OF_EXCLUSIVE:
        raise DecodeError(f"no message begins with {first:02X} ({STATUS[first - 0x80].name})")
    inside = message[1:]
    if first == START_OF_EXCLUSIVE:
        if inside[-1:] != b"\xf7":
            raise DecodeError(f"expected F7 at the end of the exclusive message, found {found}")
        inside = inside[:-1]
    elif len(message) != N_BYTES[first]:
        n_data = N_BYTES[first] - 1
        raise DecodeError(
            f"expected {n_data} data byte{'' if n_data == 1 else 's'} after {first:02X}, "
            f"found {len(inside)}: {found}"
        )
    if not inside.isascii():
        at = next(i for i, byte in enumerate(inside, 2) if byte > MAX_DATA)
        raise DecodeError(
            f"expected data bytes 00 to 7F after {first:02X}, "
            f"found {message[at - 1]:02X} as byte {at}: {found}"
        )


def describe(message: bytes) -> str:
    """Return one whole message in plain words.

    Parameters
    ----------
    message : bytes
        With its status byte, as the splitter delivers it.

    Raises
    ------
    DecodeError
        When it is not one whole message.

    Examples
    --------
    >>> describe(bytes.fromhex("B0 07 64"))
    'channel 1: control change 7 (channel volume), value 100'
    >>> describe(bytes.fromhex("F0 7E 7F 09 01 F7"))
    'exclusive, universal non-real-time, every device: General MIDI System On'
    """
    check_whole(message)
    first = message[0]
    if first < FIRST_SYSTEM:
        return f"channel {(first & 0x0F) + 1}: {_channel_words(message)}"
    if first == START_OF_EXCLUSIVE:
        return _exclusive_words(message)
    return _system_words(message)


def _channel_words(message: bytes) -> str:
    """Return a channel message in words, without its channel."""
    name = STATUS[message[0] - 0x80].name
    kind = message[0] & 0xF0
    one = message[1]
    if kind == 0xC0:
        return f"{name}, byte {one} (program {one + 1} when counted from 1)"
    if kind == 0xD0:
        return f"{name} {one}"
    two = message[2]
    if kind == 0xE0:
        return f"{name} {_bend_words(value_14(one, two))}"
    if kind == 0xB0:
        return _control_words(one, two)
    key = f"key {one} ({key_name(one)})"
    if kind == 0xA0:
        return f"{name}, {key}, pressure {two}"
    if kind == 0x90 and two == 0:
        return f"note off, {key} (sent as note on with velocity 0)"
    return f"{name}, {key}, velocity {two}"


def _bend_words(value: int) -> str:
    """Return a pitch bend value, 0 to 16383, with its distance from the centre."""
    return f"{value} (centre)" if value == BEND_CENTRE else f"{value} ({value - BEND_CENTRE:+d})"


def _control_words(number: int, value: int) -> str:
    """Return a control change or channel mode message in words."""
    if number >= FIRST_MODE:
        return f"channel mode {number}: {mode_words(number, value)}"
    name = CONTROLLERS[number] or "undefined"
    words = f"control change {number} ({name}), value {value}"
    if is_switch(number):
        words += ": on" if value >= 64 else ": off"
    return words


def _system_words(message: bytes) -> str:
    """Return a system common or real-time message in words."""
    first = message[0]
    name = STATUS[first - 0x80].name
    if first == 0xF1:
        # 0nnndddd: three bits of number, four of value (time code, RP-004).
        return f"{name}, piece {message[1] >> 4}, value {message[1] & 0x0F}"
    if first == 0xF2:
        steps = value_14(message[1], message[2])
        return f"{name} {steps} (sixteenths; {steps * CLOCKS_PER_STEP} clocks)"
    if first == 0xF3:
        return f"{name} {message[1]}"
    return name


def _exclusive_words(message: bytes) -> str:
    """Return an exclusive message in words: whose it is, and its name where one is published."""
    maker = maker_id(message)
    size = f"{len(message)} bytes"
    if not maker:
        return f"exclusive, {size}, without a whole maker's identifier"
    group = maker_group(maker)
    if maker[0] not in (NON_REAL_TIME_ID, REAL_TIME_ID):
        kind = "unused identifier" if group == "unused" else f"{group} identifier"
        return f"exclusive, {kind} {hex_words(maker)}, {size}"
    if len(message) < 5:
        return f"exclusive, {group}, {size}: too short to say what it is"
    device = "every device" if message[2] == ALL_DEVICES else f"device {message[2]:02X}"
    row = universal(message)
    if row is None:
        return f"exclusive, {group}, {device}: not a published message, {size}"
    words = f"exclusive, {group}, {device}: {row.name}"
    who = identity(message)
    if who is not None:
        return (
            f"{words}, maker {hex_words(who.maker)}, family {who.family}, member {who.member}, "
            f"version {hex_words(who.version)}"
        )
    if row.n_bytes not in (0, len(message)):
        words += f" ({size}, but {row.n_bytes} are published)"
    return words

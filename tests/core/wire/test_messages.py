"""Messages in words, and what ends a note; MIDI 1.0 Detailed Specification 4.2.1 and as named."""

from __future__ import annotations

import pytest

from knobwright.core.errors import DecodeError
from knobwright.core.wire.controllers import CONTROLLERS, MODES, is_switch
from knobwright.core.wire.messages import (
    check_whole,
    describe,
    is_channel_mode,
    is_note_off,
    is_note_on,
    key_name,
    release_velocity,
    value_14,
)

WORDS = {
    "80 3C 40": "channel 1: note off, key 60 (C4), velocity 64",
    "9F 3C 40": "channel 16: note on, key 60 (C4), velocity 64",
    # Page 10: velocity 0 means note off.
    "91 3C 00": "channel 2: note off, key 60 (C4) (sent as note on with velocity 0)",
    "A0 45 10": "channel 1: polyphonic key pressure, key 69 (A4), pressure 16",
    "B0 07 64": "channel 1: control change 7 (channel volume), value 100",
    "B0 27 01": "channel 1: control change 39 (channel volume, low part), value 1",
    "B0 03 01": "channel 1: control change 3 (undefined), value 1",
    "B0 23 01": "channel 1: control change 35 (undefined), value 1",
    # Page 12: switches are off up to 63, on from 64.
    "B0 40 3F": "channel 1: control change 64 (damper pedal), value 63: off",
    "B0 45 40": "channel 1: control change 69 (hold 2), value 64: on",
    # Page 25, table V.
    "B0 78 00": "channel 1: channel mode 120: all sound off",
    "B0 79 00": "channel 1: channel mode 121: reset all controllers",
    "B0 7A 00": "channel 1: channel mode 122: local control off",
    "B0 7A 7F": "channel 1: channel mode 122: local control on",
    "B0 7A 05": "channel 1: channel mode 122: local control value 5 (0 or 127 expected)",
    "B0 7B 00": "channel 1: channel mode 123: all notes off",
    "B0 7C 00": "channel 1: channel mode 124: omni off",
    "B0 7D 00": "channel 1: channel mode 125: omni on",
    "B0 7E 00": "channel 1: channel mode 126: mono on, as many channels as voices",
    "B0 7E 01": "channel 1: channel mode 126: mono on, 1 channel",
    "B0 7E 04": "channel 1: channel mode 126: mono on, 4 channels",
    "B0 7F 00": "channel 1: channel mode 127: poly on",
    "B0 7F 01": "channel 1: channel mode 127: poly on, value 1 (0 is the standard's)",
    "C3 05": "channel 4: program change, byte 5 (program 6 when counted from 1)",
    "D3 05": "channel 4: channel pressure 5",
    # Page 19: low part first; 00 00 lowest, 00 40 centre, 7F 7F highest.
    "E0 00 00": "channel 1: pitch bend 0 (-8192)",
    "E0 00 40": "channel 1: pitch bend 8192 (centre)",
    "E0 01 40": "channel 1: pitch bend 8193 (+1)",
    "E0 7F 7F": "channel 1: pitch bend 16383 (+8191)",
    "F1 35": "MTC quarter frame, piece 3, value 5",
    # Page 27: low part first, a sixteenth is six clocks.
    "F2 01 00": "song position 1 (sixteenths; 6 clocks)",
    "F2 00 01": "song position 128 (sixteenths; 768 clocks)",
    "F3 07": "song select 7",
    "F6": "tune request",
    "F8": "timing clock",
    "FA": "start",
    "FB": "continue",
    "FC": "stop",
    "FE": "active sensing",
    "FF": "system reset",
    # Pages 34, 35, 40.
    "F0 7E 7F 06 01 F7": "exclusive, universal non-real-time, every device: identity request",
    "F0 7E 10 06 02 7D 02 00 01 01 01 02 03 04 F7": (
        "exclusive, universal non-real-time, device 10: identity reply, "
        "maker 7D, family 2, member 129, version 01 02 03 04"
    ),
    "F0 7F 7F 04 01 00 40 F7": "exclusive, universal real-time, every device: master volume",
    "F0 7F 7F 04 01 40 F7": (
        "exclusive, universal real-time, every device: master volume (7 bytes, but 8 are published)"
    ),
    "F0 7E 00 55 01 F7": (
        "exclusive, universal non-real-time, device 00: not a published message, 6 bytes"
    ),
    "F0 7E F7": "exclusive, universal non-real-time, 3 bytes: too short to say what it is",
    "F0 7E 7F 06 F7": (
        "exclusive, universal non-real-time, every device: not a published message, 5 bytes"
    ),
    "F0 7D 10 42 F7": "exclusive, non-commercial identifier 7D, 5 bytes",
    "F0 00 20 33 01 F7": "exclusive, European identifier 00 20 33, 6 bytes",
    "F0 00 00 00 01 F7": "exclusive, unused identifier 00 00 00, 6 bytes",
    "F0 00 20 F7": "exclusive, 4 bytes, without a whole maker's identifier",
    "F0 F7": "exclusive, 2 bytes, without a whole maker's identifier",
}


@pytest.mark.parametrize("text", WORDS)
def test_a_message_is_put_in_words(text: str) -> None:
    assert describe(bytes.fromhex(text)) == WORDS[text]


REFUSED = {
    "": "found no bytes",
    "3C 40": "expected a status byte 80 to FF first, found 3C",
    "90 3C": "expected 2 data bytes after 90, found 1: 90 3C",
    "90 3C 40 00": "expected 2 data bytes after 90, found 3: 90 3C 40 00",
    "C0": "expected 1 data byte after C0, found 0: C0",
    "F8 00": "expected 0 data bytes after F8, found 1: F8 00",
    "B0 07 80": "expected data bytes 00 to 7F after B0, found 80 as byte 3: B0 07 80",
    "F0 7D 01": "expected F7 at the end of the exclusive message, found F0 7D 01",
    "F0": "expected F7 at the end of the exclusive message, found F0",
    "F0 7D 90 01 02 03 04 05 06 F7": "found 90 as byte 3: F0 7D 90 01 02 03 04 05 ...",
    "F0 7D F8 F7": "found F8 as byte 3",
    # Page A-2: undefined, never send.
    "F4": "no message begins with F4",
    "F5": "no message begins with F5",
    "F9": "no message begins with F9",
    "FD": "no message begins with FD",
    "F7": "no message begins with F7",
}


@pytest.mark.parametrize("text", REFUSED)
def test_what_is_no_whole_message_is_refused_with_what_was_found(text: str) -> None:
    for refusing in (check_whole, describe):
        with pytest.raises(DecodeError) as caught:
            refusing(bytes.fromhex(text))
        assert REFUSED[text] in caught.value.message


@pytest.mark.parametrize(
    ("text", "on", "off"),
    [
        ("90 3C 40", True, False),
        ("90 3C 01", True, False),
        ("90 3C 00", False, True),
        ("80 3C 40", False, True),
        ("8F 3C 00", False, True),
        ("A0 3C 00", False, False),
        ("C0 00", False, False),
        ("F8", False, False),
        ("F0 7D F7", False, False),
    ],
)
def test_both_forms_of_note_off_are_one(text: str, on: bool, off: bool) -> None:
    """Page 10: a receiver must treat both forms alike."""
    message = bytes.fromhex(text)
    assert (is_note_on(message), is_note_off(message)) == (on, off)


def test_a_note_off_without_release_velocity_has_64() -> None:
    """Pages 10, 11."""
    assert release_velocity(bytes.fromhex("90 3C 00")) == 64
    assert release_velocity(bytes.fromhex("80 3C 40")) == 64
    assert release_velocity(bytes.fromhex("80 3C 05")) == 5


def test_controllers_from_120_on_are_channel_mode() -> None:
    """Page 20, table I: first data byte 120 to 127."""
    assert [n for n in range(128) if is_channel_mode(bytes((0xB5, n, 0)))] == list(range(120, 128))
    assert not is_channel_mode(bytes((0x90, 120, 0)))
    assert not is_channel_mode(b"\xf8")


def test_low_part_comes_first() -> None:
    """Page 19: 00 40 is the centre."""
    assert value_14(0x00, 0x40) == 8192
    assert value_14(0x7F, 0x7F) == 16383
    assert value_14(0x01, 0x00) == 1


def test_undefined_controllers_have_no_name() -> None:
    """The MIDI Association's table of control change messages."""
    undefined = {3, 9, 14, 15, *range(20, 32), *range(85, 88), 89, 90, *range(102, 120)}
    low_parts = {n + 32 for n in undefined if n < 32}
    assert {n for n, name in enumerate(CONTROLLERS) if not name} == undefined | low_parts
    assert len(CONTROLLERS) == 120
    assert len(MODES) == 8


def test_64_to_69_are_switches() -> None:
    """Page 12."""
    assert [n for n in range(128) if is_switch(n)] == [64, 65, 66, 67, 68, 69]


def test_key_60_is_middle_c() -> None:
    """Page 10; C4 is common practice, no source. 69 is the A of 440 Hz (MIDI Tuning)."""
    assert [key_name(key) for key in (0, 21, 60, 61, 69, 127)] == [
        "C-1",
        "A0",
        "C4",
        "C#4",
        "A4",
        "G9",
    ]

"""Exclusive identifiers and universal messages; sources at each block."""

from __future__ import annotations

import pytest

from knobwright.core.wire.universal import (
    UNIVERSAL,
    Identity,
    identity,
    maker_group,
    maker_id,
    universal,
)

# MIDI 1.0 Detailed Specification 4.2.1, page 34.
GROUPS = {
    "American": ("01", "1F", "00 00 01", "00 00 7F", "00 01 00", "00 1F 7F"),
    "European": ("20", "3F", "00 20 00", "00 3F 7F"),
    "Japanese": ("40", "5F", "00 40 00", "00 5F 7F"),
    "other": ("60", "7C", "00 60 00", "00 7F 7F"),
    "non-commercial": ("7D",),
    "universal non-real-time": ("7E",),  # page 35
    "universal real-time": ("7F",),  # page 35
    "unused": ("00", "00 00 00", "", "01 02", "01 02 03"),
}


@pytest.mark.parametrize(
    ("text", "group"), [(text, group) for group, texts in GROUPS.items() for text in texts]
)
def test_an_identifier_belongs_to_its_published_group(text: str, group: str) -> None:
    assert maker_group(bytes.fromhex(text)) == group


@pytest.mark.parametrize(
    ("text", "identifier"),
    [
        ("F0 7D 01 F7", "7D"),
        ("F0 7D", "7D"),
        ("F0 00 20 33 01 F7", "00 20 33"),
        ("F0 00 20 33", "00 20 33"),
        ("F0 00 20 F7", ""),
        ("F0 00 F7", ""),
        ("F0 F7", ""),
        ("F0", ""),
        ("90 3C 40", ""),
        ("", ""),
    ],
)
def test_an_identifier_is_one_byte_or_three_from_00_on(text: str, identifier: str) -> None:
    """Page 34."""
    assert maker_id(bytes.fromhex(text)) == bytes.fromhex(identifier)


# (head of the message after F0, whole length) -> name; zeros fill up to the length. Layouts: MIDI
# 1.0 4.2.1 pages 36 to 57; CA-019 to CA-025; RP-003, RP-004, RP-020, RP-024, RP-034.
NAMED = {
    ("7E 00 01 00 00", 21): "sample dump header",
    ("7E 00 02 00", 127): "sample data packet",
    ("7E 00 03 00 00", 7): "sample dump request",
    ("7E 00 04 00", 13): "time code cueing set-up",
    ("7E 00 04 0E", 13): "time code cueing set-up",
    ("7E 00 05 01", 17): "loop points transmission",
    ("7E 00 05 02", 10): "loop points request",
    ("7E 01 05 03 00 01 00 0B 54 65 73 74 20 53 61 6D 70 6C 65", 21): "sample name transmission",
    ("7E 01 05 04 00 01", 8): "sample name request",
    ("7E 00 05 05", 34): "extended dump header",
    ("7E 7F 06 01", 6): "identity request",
    ("7E 00 06 02 7D", 15): "identity reply",
    ("7E 00 06 02 00 20 33", 17): "identity reply",
    ("7E 00 07 01", 15): "file dump header",
    ("7E 00 07 02", 137): "file dump data packet",
    ("7E 00 07 03", 11): "file dump request",
    ("7E 00 08 00 00", 7): "bulk tuning dump request",
    ("7E 00 08 01", 408): "bulk tuning dump",
    ("7E 00 08 03", 8): "bulk tuning dump request with bank",
    ("7E 00 08 04", 409): "key-based tuning dump",
    ("7E 00 08 05", 37): "scale/octave tuning dump, one byte a key",
    ("7E 00 08 06", 49): "scale/octave tuning dump, two bytes a key",
    ("7E 00 08 07", 13): "single note tuning change with bank",
    ("7E 00 08 08", 21): "scale/octave tuning, one byte a key",
    ("7E 00 08 09", 33): "scale/octave tuning, two bytes a key",
    ("7E 7F 09 01", 6): "General MIDI System On",
    ("7E 7F 09 02", 6): "General MIDI System Off",
    ("7E 7F 09 03", 6): "General MIDI 2 System On",
    ("7E 7F 0A 01", 6): "Downloadable Sounds on",
    ("7E 7F 0B 03", 9): "file reference: open and select",
    ("7E 00 0C 55", 9): "MIDI visual control",
    ("7E 00 0D 70", 9): "MIDI capability inquiry",
    ("7E 00 7B 05", 6): "end of file",
    ("7E 00 7C 05", 6): "wait",
    ("7E 00 7D 05", 6): "cancel",
    ("7E 00 7E 05", 6): "not acknowledged",
    ("7E 00 7F 05", 6): "acknowledged",
    ("7F 7F 01 01", 10): "time code full message",
    ("7F 7F 01 02", 15): "time code user bits",
    ("7F 7F 02 00", 9): "show control extension",
    ("7F 7F 02 01", 9): "show control command",
    ("7F 7F 03 01", 8): "bar number",
    ("7F 7F 03 02 04", 11): "time signature, immediate",
    ("7F 7F 03 42 04", 11): "time signature, delayed",
    ("7F 7F 04 01 00 40", 8): "master volume",
    ("7F 7F 04 02", 8): "master balance",
    ("7F 7F 04 03", 8): "master fine tuning",
    ("7F 7F 04 04", 8): "master coarse tuning",
    ("7F 7F 04 05 01 01 01 01 01", 13): "global parameter control",
    ("7F 7F 05 0E", 8): "real-time time code cueing",
    ("7F 7F 06 01", 6): "machine control command",
    ("7F 7F 07 01", 6): "machine control response",
    ("7F 7F 08 02", 12): "single note tuning change",
    ("7F 7F 08 08", 21): "scale/octave tuning, one byte a key",
    ("7F 7F 08 09", 33): "scale/octave tuning, two bytes a key",
    ("7F 7F 09 01", 9): "controller destination, channel pressure",
    ("7F 7F 09 02", 9): "controller destination, polyphonic pressure",
    ("7F 7F 09 03", 10): "controller destination, control change",
    ("7F 7F 0A 01", 10): "key-based instrument control",
    ("7F 7F 0B 01", 8): "scalable polyphony",
}


@pytest.mark.parametrize(("head", "n_bytes"), NAMED)
def test_a_universal_message_has_its_published_name_and_length(head: str, n_bytes: int) -> None:
    body = b"\xf0" + bytes.fromhex(head)
    message = body + bytes(n_bytes - 1 - len(body)) + b"\xf7"
    assert len(message) == n_bytes
    row = universal(message)
    assert row is not None
    assert row.name == NAMED[head, n_bytes]
    assert row.n_bytes in (0, n_bytes)


# Reserved or undefined in the tables named above.
@pytest.mark.parametrize(
    "text",
    [
        "F0 7F 7F 05 03 F7",
        "F0 7F 7F 05 04 F7",
        "F0 7F 7F 05 09 F7",
        "F0 7F 7F 05 0A F7",
        "F0 7F 7F 05 0D F7",
        "F0 7E 7F 0B 00 F7",
        "F0 7E 7F 0B 05 F7",
        "F0 7E 7F 04 0F F7",
        "F0 7E 7F 08 02 F7",
        "F0 7E 7F 06 F7",
        "F0 7E 7F F7",
        "F0 7D 7F 09 01 F7",
        "90 3C 40",
        "",
    ],
)
def test_what_is_not_published_has_no_name(text: str) -> None:
    assert universal(bytes.fromhex(text)) is None


def test_no_two_rows_claim_the_same_message() -> None:
    claims = [
        (row.area, row.sub_1, sub_2)
        for row in UNIVERSAL
        for sub_2 in range(row.sub_2[0], row.sub_2[1] + 1)
    ]
    assert len(claims) == len(set(claims))
    without = {(row.area, row.sub_1) for row in UNIVERSAL if row.sub_2[0] < 0}
    assert not without & {(area, sub_1) for area, sub_1, sub_2 in claims if sub_2 >= 0}


def test_an_identity_reply_has_15_or_17_bytes() -> None:
    """Page 40: codes low part first, 17 bytes where the identifier begins with 00."""
    short = bytes.fromhex("F0 7E 10 06 02 7D 05 01 7F 7F 01 02 03 04 F7")
    long = bytes.fromhex("F0 7E 7F 06 02 00 20 33 05 01 00 02 01 02 03 04 F7")
    assert identity(short) == Identity(0x10, b"\x7d", 133, 16383, b"\x01\x02\x03\x04")
    assert identity(long) == Identity(0x7F, b"\x00\x20\x33", 133, 256, b"\x01\x02\x03\x04")
    assert (len(short), len(long)) == (15, 17)


@pytest.mark.parametrize(
    "text",
    [
        "F0 7E 7F 06 01 F7",
        "F0 7E 10 06 02 7D 05 01 7F 7F 01 02 03 F7",
        "F0 7E 10 06 02 00 05 01 7F 7F 01 02 03 04 F7",
        "F0 7E 10 06 02 F7",
        "F0 7F 10 06 02 7D 05 01 7F 7F 01 02 03 04 F7",
        "F0 7E 10 06 02 7D 05 01 7F 7F 01 02 03 04 00",
        "",
    ],
)
def test_anything_else_is_no_identity_reply(text: str) -> None:
    assert identity(bytes.fromhex(text)) is None

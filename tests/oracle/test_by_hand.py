"""Bytes worked by hand from the printed line: the codec sends them and the receiver hears them.

Each row is a line as a sheet writes it, a value, where it goes, and the bytes with the arithmetic
beside them. Published sources are named where a row is one of their examples; the other lines
are invented, after docs/reference/sheet.md.
"""

from __future__ import annotations

import functools
from typing import NamedTuple

import pytest

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from tests.oracle.description import Value
from tests.oracle.notation import UNPACK, checksum
from tests.oracle.receiver import Receiver

_HEAD = """
format = 1
[module]
name = "Invented"
device_ids = ["10"]
[checksum.negated]
rule = "negated-sum-7"
[checksum.plain]
rule = "sum-7"
[checksum.either]
rule = "xor-7"
[checksum.ones]
rule = "ones-complement-7"
[map.part]
of = "channel"
values = [1, 2, 3, 4, 5, 6, 7, 8, 9, 0, 10, 11, 12, 13, 14, 15]
[map.back]
of = "key"
values = [REVERSED]
""".replace("REVERSED", ", ".join(str(127 - key) for key in range(128)))


class Row(NamedTuple):
    """A line, what else its table says, a value and where it goes, and the bytes."""

    line: str
    also: str
    value: Value
    sent: str
    channel: int = 1
    key: int | None = None


_C = 'per = ["channel"]'
_K = 'per = ["key"]'
_CK = 'per = ["channel", "key"]'
_NEG, _SUM = 'checksum = "negated"', 'checksum = "plain"'
_XOR, _ONE = 'checksum = "either"', 'checksum = "ones"'

ROWS: list[Row] = [
    # ---- one message; channel 1 is 0, channel 16 is F
    Row("Bn 07 vv", _C, 100, "B0 07 64"),  # 100 = 6 * 16 + 4
    Row("Bn 07 vv", _C, 127, "BF 07 7F", 16),
    Row("Cn vv", _C, 12, "C9 0C", 10),  # channel 10 is 9
    Row("Dn vv", _C, 64, "D4 40", 5),
    Row("An kk vv", _CK, 5, "A2 3C 05", 3, 60),  # key 60 = 3 * 16 + 12
    Row("En vl vh", _C, 8192, "E0 00 40"),  # the centre (4.2.1, p. 19): 8192 = 64 * 128 + 0
    Row("En vl vh", _C, 16383, "E0 7F 7F"),  # 127 * 128 + 127
    Row("En vl vh", _C, 1000, "E1 68 07", 2),  # 1000 = 7 * 128 + 104, 104 = 68 hex
    Row("F3 vv", "", 9, "F3 09"),
    Row("F2 vl vh", "", 300, "F2 2C 02"),  # 300 = 2 * 128 + 44, 44 = 2C hex
    # ---- split controllers and selections, all with full status
    Row("Bn 07 vh 27 vl", _C, 10000, "B0 07 4E B0 27 10"),  # 10000 = 78 * 128 + 16
    # standards: NRPN 01 08 = 40 hex (MIDI 1.0: controllers 99, 98, then 6)
    Row("Bn 63 01 62 08 06 vv", _C, 64, "B0 63 01 B0 62 08 B0 06 40"),
    Row("Bn 62 08 63 01 06 vv", _C, 64, "B3 62 08 B3 63 01 B3 06 40", 4),  # in the printed order
    Row("Bn 65 00 64 01 06 vh 26 vl", _C, 8193, "B0 65 00 B0 64 01 B0 06 40 B0 26 01"),
    Row("Bn 63 02 62 03 06 vl 26 vh", _C, 130, "B0 63 02 B0 62 03 B0 06 02 B0 26 01"),  # 128 + 2
    Row("Bn 63 02 62 03 26 vl 06 vh", _C, 130, "B0 63 02 B0 62 03 B0 26 02 B0 06 01"),
    Row("B9 63 18 62 kk 06 vv", _K, 76, "B9 63 18 B9 62 57 B9 06 4C", 1, 87),  # 87 = 57, 76 = 4C
    Row("Bn 63 1A 62 kk 06 vv", _CK, 0, "BA 63 1A BA 62 24 BA 06 00", 11, 36),
    Row("Bn 78 00", _C, 0, "B6 78 00", 7),  # an action
    # ---- exclusive: device 10, half bytes, keys, maps
    Row("F0 7D id 01 vv F7", "", 127, "F0 7D 10 01 7F F7"),
    Row("F0 7D 2i 01 vv F7", "", 1, "F0 7D 20 01 01 F7"),  # the last four bits of 10 are 0
    Row("F0 7D 7F 02 F7", "", 0, "F0 7D 7F 02 F7"),
    Row("F0 7D id 0n vv F7", _C, 3, "F0 7D 10 0F 03 F7", 16),
    Row("F0 7D id 2n vv F7", _C, 3, "F0 7D 10 29 03 F7", 10),
    Row("F0 7D id nn vv F7", _C, 3, "F0 7D 10 0B 03 F7", 12),
    Row("F0 7D id 4p vv F7", _C + '\nmap = { p = "part" }', 3, "F0 7D 10 40 03 F7", 10),  # 10: 0
    Row("F0 7D id 4p vv F7", _C + '\nmap = { p = "part" }', 3, "F0 7D 10 49 03 F7", 9),  # 9: 9
    Row("F0 7D id xx vv F7", _C + '\nmap = { x = "part" }', 3, "F0 7D 10 0A 03 F7", 11),  # 11: 10
    Row("F0 7D id kk vv F7", _K, 3, "F0 7D 10 24 03 F7", 1, 36),
    Row("F0 7D id xx vv F7", _K + '\nmap = { x = "back" }', 3, "F0 7D 10 5B 03 F7", 1, 36),  # 91
    Row("F0 7D id 3v F7", "", 11, "F0 7D 10 3B F7"),
    # ---- values over several bytes
    Row("F0 7D id vh vl F7", "", 1000, "F0 7D 10 07 68 F7"),  # 7 * 128 + 104
    Row("F0 7D id vl vh F7", "", 1000, "F0 7D 10 68 07 F7"),
    Row("F0 7D id v1 v0 F7", "", 200, "F0 7D 10 0C 08 F7"),  # 200 = C8
    Row("F0 7D id v3 v2 v1 v0 F7", "", 0x1F2E, "F0 7D 10 01 0F 02 0E F7"),
    Row("F0 7D id 1v F7", "range = [0, 9]", 9, "F0 7D 10 19 F7"),
    # 1000000 = 61 * 16384 + 4 * 128 + 64: 999424 + 512 + 64
    Row("F0 7D id v:20-14 v:13-7 v:6-0 F7", "", 1000000, "F0 7D 10 3D 04 40 F7"),
    # 0101 1010 110 = 726: bits 10-8 are 010, bits 7-5 110, bits 4-0 10110
    Row("F0 7D id v:4-0 v:10-8 v:7-5 F7", "", 726, "F0 7D 10 16 02 06 F7"),
    # A4 concert pitch is word 45 00 00 (CA-020): 69 * 16384; the key's own number stands before it
    Row(
        "F0 7F 7F 08 02 00 01 kk v:20-14 v:13-7 v:6-0 F7",
        _K,
        69 * 16384,
        "F0 7F 7F 08 02 00 01 45 45 00 00 F7",
        1,
        69,
    ),
    # ---- codings
    Row("F0 7D id vv F7", 'coding = "twos"', -1, "F0 7D 10 7F F7"),  # 128 - 1
    Row("F0 7D id vv F7", 'coding = "twos"', -64, "F0 7D 10 40 F7"),  # 128 - 64
    Row("F0 7D id vh vl F7", 'coding = "twos"', -2, "F0 7D 10 7F 7E F7"),  # 16384 - 2 = 16382
    Row("F0 7D id v1 v0 F7", 'coding = "twos"', -100, "F0 7D 10 09 0C F7"),  # 256 - 100 = 9C
    Row("F0 7D id vv F7", 'coding = "sign-magnitude"', -5, "F0 7D 10 45 F7"),  # sign 40, 5
    Row("F0 7D id v1 v0 F7", 'coding = "sign-magnitude"', -5, "F0 7D 10 08 05 F7"),  # sign 80
    Row("F0 7D id vv F7", 'coding = "offset"', -24, "F0 7D 10 28 F7"),  # 64 - 24 = 40 = 28 hex
    Row("F0 7D id vh vl F7", 'coding = "offset"', 1, "F0 7D 10 40 01 F7"),  # 8192 + 1
    Row("F0 7D id vv F7", 'coding = "offset"\nzero = 50', -7, "F0 7D 10 2B F7"),  # 43 = 2B
    # ---- checksums; the two rows of 00 are the ones that must never be 80
    Row("F0 7D id 42 [ 40 00 7F vv ] cs F7", _NEG, 0, "F0 7D 10 42 40 00 7F 00 41 F7"),  # 191 -> 63
    Row("F0 7D id 42 [ 40 vv ] cs F7", _NEG, 64, "F0 7D 10 42 40 40 00 F7"),  # 128 -> 0
    Row("F0 7D id 42 [ 7F vv ] cs F7", _NEG, 1, "F0 7D 10 42 7F 01 00 F7"),  # 128 -> 0
    Row("F0 7D id 42 [ vv ] cs F7", _NEG, 1, "F0 7D 10 42 01 7F F7"),  # 128 - 1
    Row("F0 7D id 42 [ 4p 02 vv ] cs F7", _C + '\nmap = { p = "part" }\n' + _NEG, 100,
        "F0 7D 10 42 41 02 64 59 F7"),  # 41 + 02 + 64 = A7; A7 - 80 = 27; 80 - 27 = 59
    Row("F0 7D id 42 [ 30 07 vv ] cs F7", _SUM, 127, "F0 7D 10 42 30 07 7F 36 F7"),  # B6 - 80
    Row("F0 7D id 42 [ 40 vv ] cs F7", _SUM, 64, "F0 7D 10 42 40 40 00 F7"),  # 128 -> 0
    Row("F0 7D id 42 [ 30 07 vv ] cs F7", _XOR, 127, "F0 7D 10 42 30 07 7F 48 F7"),  # 37 ^ 7F
    Row("F0 [ 7D id 42 vv ] cs F7", _XOR, 3, "F0 7D 10 42 03 2C F7"),  # 7D^10=6D, ^42=2F, ^03=2C
    Row("F0 7D id 42 [ 30 07 vv ] cs F7", _ONE, 127, "F0 7D 10 42 30 07 7F 49 F7"),  # 127 - 54 = 73
    Row("F0 7D id 42 [ 7F vv ] cs F7", _ONE, 1, "F0 7D 10 42 7F 01 7F F7"),  # 127 - 0
    Row("F0 7D id [ 30 07 ] cs [ vv ] cs F7", 'checksum = ["plain", "negated"]', 5,
        "F0 7D 10 30 07 37 05 7B F7"),  # 30 + 07 = 37; 128 - 5 = 7B
    # the inner bracket closes first: 05 ^ 06 = 03; outer: 30 + 05 + 06 + 03 = 3E; 80 - 3E = 42
    Row("F0 7D id [ 30 [ vh vl ] cs ] cs F7", 'checksum = ["either", "negated"]', 5 * 128 + 6,
        "F0 7D 10 30 05 06 03 42 F7"),
    # ---- runs
    Row("F0 7D id t*6 F7", 'type = "text"', "Low C", "F0 7D 10 4C 6F 77 20 43 20 F7"),
    Row("F0 7D id t*4 F7", 'type = "list"\nrange = [0, 99]', (0, 99, 16, 1),
        "F0 7D 10 00 63 10 01 F7"),
    # 1 is the lowest bit of the last byte, 7 its highest (40), 8 the lowest of the byte before
    Row("F0 7D id t*2 F7", 'type = "mask"', (1, 7, 8), "F0 7D 10 01 41 F7"),
    Row("F0 7D id [ t*3 ] cs F7", 'type = "text"\n' + _NEG, "A", "F0 7D 10 41 20 20 7F F7"),  # 129
]  # fmt: skip


def _sheet(row: Row) -> str:
    return f'{_HEAD}[[parameter]]\nkey = "it"\nline = "{row.line}"\n{row.also}\n'


@functools.cache
def _codec(text: str) -> Codec:
    return Codec(check_sheet(text).require())


@pytest.mark.parametrize("row", ROWS, ids=[f"{i} {row.line}" for i, row in enumerate(ROWS)])
def test_the_bytes_are_those_worked_by_hand(row: Row) -> None:
    text = _sheet(row)
    messages = _codec(text).encode("it", row.value, row.channel, row.key)
    assert b"".join(messages).hex(" ").upper() == row.sent
    receiver = Receiver(text)
    receiver.receive(bytes.fromhex(row.sent))
    assert receiver.value("it", row.channel, row.key) == row.value
    assert len(receiver.memory) == 1


def test_there_are_rows_for_every_word() -> None:
    words = {word for row in ROWS for word in row.line.split()}
    assert len(ROWS) >= 40
    assert {"Bn", "nn", "2n", "vv", "vh", "vl", "v3", "v2", "v1", "v0", "3v", "kk"} <= words
    assert {"id", "2i", "4p", "xx", "[", "]", "cs", "v:20-14", "t*6"} <= words


# ---- several parameters in one sheet: other values, sequences, routes

TOGETHER = (
    _HEAD
    + """
[[parameter]]
key = "bend"
per = ["channel"]
line = "Bn 65 00 64 00 06 vv 26 {cents}"
default = 2
[[parameter]]
key = "cents"
per = ["channel"]
line = "Bn 65 00 64 00 06 {bend} 26 vv"
range = [0, 99]
default = 0
[[parameter]]
key = "size"
line = "F0 7D id 31 vv {time:13-7} {time:6-0} F7"
default = 4
[[parameter]]
key = "time"
line = "F0 7D id 31 {size} vh vl F7"
coding = "offset"
default = 0
[[parameter]]
key = "paged"
line = ["F0 7D id 15 01 F7", "F0 7D id 16 vv F7"]
[[parameter]]
key = "bright"
per = ["channel"]
line = "Bn 63 05 62 12 06 vv"
[[parameter.route]]
line = "Bn 4A vv"
prefer = true
"""
)


@pytest.mark.parametrize(
    "key, value, now, sent",
    [
        # MIDI 1.0, p. 18: range of 12 semitones, 0 cents (0C 00)
        ("bend", 12, {}, "B0 65 00 B0 64 00 B0 06 0C B0 26 00"),
        ("bend", 12, {"cents": 50}, "B0 65 00 B0 64 00 B0 06 0C B0 26 32"),  # 50 = 32 hex
        ("cents", 1, {}, "B0 65 00 B0 64 00 B0 06 02 B0 26 01"),  # 2 semitones are the default
        ("size", 5, {}, "F0 7D 10 31 05 40 00 F7"),  # 0 is 8192: 64 * 128
        ("size", 5, {"time": -1}, "F0 7D 10 31 05 3F 7F F7"),  # 8191 = 63 * 128 + 127
        ("time", 200, {"size": 9}, "F0 7D 10 31 09 41 48 F7"),  # 8392 = 65 * 128 + 72
        ("paged", 7, {}, "F0 7D 10 15 01 F7 F0 7D 10 16 07 F7"),
        ("bright", 64, {}, "B0 4A 40"),  # the preferred route
    ],
)
def test_lines_that_need_more_than_their_value(
    key: str, value: int, now: dict[str, int], sent: str
) -> None:
    messages = _codec(TOGETHER).encode(key, value, current=lambda key, channel, note: now.get(key))
    assert b"".join(messages).hex(" ").upper() == sent
    receiver = Receiver(TOGETHER)
    receiver.receive(bytes.fromhex(sent))
    heard = {place[0]: number for place, number in receiver.memory.items()}
    assert heard.items() >= {key: value, **now}.items()


# ---- packings

PACKED = [
    # MIDI 1.0 File Dump (4.2.1, p. 43): FF 00 80 have the top bits 1, 0, 1: 1010000 = 50
    ("7-in-8", "FF 00 80", "50 7F 00 00"),
    # eight bytes make two groups; top bits 0000001 = 01, then 1000000 = 40
    ("7-in-8", "00 01 02 03 04 05 86 87", "01 00 01 02 03 04 05 06 40 07"),
    ("nibbles", "3C F0 07", "03 0C 0F 00 00 07"),
    ("nibbles-low-first", "3C F0 07", "0C 03 00 0F 07 00"),
    ("none", "3C 70 07", "3C 70 07"),
]


@pytest.mark.parametrize("packing, plain, packed", PACKED)
def test_a_dump_is_packed_as_by_hand(packing: str, plain: str, packed: str) -> None:
    data, wire = bytes.fromhex(plain), bytes.fromhex(packed)
    text = (
        f"{_HEAD}[[block]]\nkey = 'it'\nline = 'F0 7D id 12 [ data* ] cs F7'\n{_NEG}\n"
        f"packing = '{packing}'\nsize = {len(data)}\n"
    )
    codec = _codec(text)
    (message,) = codec.dump(codec.sheet.blocks[0], data)
    total = (128 - sum(wire) % 128) % 128
    assert message == bytes.fromhex("F0 7D 10 12") + wire + bytes([total, 0xF7])
    assert UNPACK[packing](wire) == data
    receiver = Receiver(text)
    receiver.receive(message)
    assert receiver.dumps == {"it": data}


# ---- the oracle's own rules against the standards, so that it is no hidden copy of a mistake


@pytest.mark.parametrize(
    "rule, data, byte",
    [
        # made-up rows of the additive rule (common practice, no source), sums printed in decimal
        ("negated-sum-7", "00 00 00 00", 0x00),
        ("negated-sum-7", "40 00 7F 00", 0x41),  # 191 - 128 = 63, 128 - 63 = 65
        ("negated-sum-7", "40 40", 0x00),
        ("negated-sum-7", "7F 7F 7F 7F", 0x04),  # 508 - 384 = 124
        # Sample Dump packet (4.2.1, p. 37 and 39): 7E 00 02 00 and 120 equal bytes, which cancel
        ("xor-7", "7E 00 02 00" + " 00" * 120, 0x7C),
        ("xor-7", "7E 00 02 00" + " 7F" * 120, 0x7C),
        ("xor-7", "7E 00 02 01" + " 00" * 120, 0x7D),
        ("xor-7", "7E 7F 02 00" + " 00" * 120, 0x03),
        ("sum-7", "7F 01", 0x00),
        ("ones-complement-7", "7F 01", 0x7F),
    ],
)
def test_the_oracle_knows_the_published_checksums(rule: str, data: str, byte: int) -> None:
    assert checksum(rule, bytes.fromhex(data)) == byte

"""A second splitter for tests: one byte at a time, straight from the rules, in no hurry.

Written from the MIDI 1.0 Detailed Specification 4.2.1, pages 5, 6, 29, 33 and A-2, without the
program's tables or patterns. It models no limit for exclusive messages.
"""

from __future__ import annotations

LENGTHS = {0x8: 3, 0x9: 3, 0xA: 3, 0xB: 3, 0xC: 2, 0xD: 2, 0xE: 3}
COMMON_LENGTHS = {0xF1: 2, 0xF2: 3, 0xF3: 2, 0xF6: 1}


def split(data: bytes) -> list[tuple[bytes, bool, int]]:
    """Return (bytes, delivered or not, bytes taken from the stream) for each record, in order.

    Dropped data bytes without a status are one record each; what is unfinished comes last.
    """
    out: list[tuple[bytes, bool, int]] = []
    running = 0
    held = bytearray()  # as it came
    exclusive = False

    def give_up() -> None:
        nonlocal exclusive
        if held:
            out.append((bytes(held), False, len(held)))
            held.clear()
        exclusive = False

    for byte in data:
        if byte in (0xF9, 0xFD):
            out.append((bytes([byte]), False, 1))
        elif 0xF8 <= byte <= 0xFE:
            out.append((bytes([byte]), True, 1))
        elif byte == 0xFF:
            give_up()
            running = 0
            out.append((b"\xff", True, 1))
        elif byte == 0xF7 and exclusive:
            held.append(byte)
            out.append((bytes(held), True, len(held)))
            held.clear()
            exclusive = False
        elif byte >= 0x80:
            give_up()
            running = byte if byte < 0xF0 else 0
            if byte in (0xF4, 0xF5, 0xF7):
                out.append((bytes([byte]), False, 1))
            elif byte == 0xF6:
                out.append((b"\xf6", True, 1))
            else:
                held.append(byte)
                exclusive = byte == 0xF0
        elif exclusive:
            held.append(byte)
        else:
            status = held[0] if held and held[0] >= 0x80 else running
            if not status:
                out.append((bytes([byte]), False, 1))
                continue
            held.append(byte)
            whole = bytes(held) if held[0] >= 0x80 else bytes([running]) + held
            length = LENGTHS[status >> 4] if status < 0xF0 else COMMON_LENGTHS[status]
            if len(whole) == length:
                out.append((whole, True, len(held)))
                held.clear()
    give_up()
    return out

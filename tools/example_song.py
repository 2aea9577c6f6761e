"""Make the example song anew: ``python -m tools.example_song``.

A little piece of our own that asks more of a small module than it has: programs and drum keys that
are not there, a pedal that is never lifted, a bend that floods the cable, a set-up burst.
"""

from __future__ import annotations

from pathlib import Path

from knobwright.core.song.quantity import write_quantity

PATH = Path(__file__).resolve().parents[1] / "examples" / "songs" / "low-tide.mid"
TICKS = 96
BAR = 4 * TICKS
N_BARS = 16
_CHORDS = ((45, 60, 64, 69), (41, 57, 60, 65), (48, 55, 64, 67), (43, 55, 59, 62))
_KICK, _SNARE, _HAT, _TOM = 36, 38, 42, 48

Event = tuple[int, bytes]


def control(channel: int, number: int, value: int) -> bytes:
    """Return a control change; channel 0 to 15."""
    return bytes((0xB0 | channel, number, value))


def note(channel: int, key: int, velocity: int, at: int, length: int) -> list[Event]:
    """Return a note's two events."""
    return [
        (at, bytes((0x90 | channel, key, velocity))),
        (at + length, bytes((0x80 | channel, key, 64))),
    ]


def start(channel: int, program: int, volume: int, pan: int) -> list[Event]:
    """Return what sets a part up, all on the first tick as songs do."""
    return [
        (0, bytes((0xC0 | channel, program))),
        *((0, control(channel, n, v)) for n, v in ((7, volume), (10, pan), (91, 50), (93, 10))),
        *(
            (0, control(channel, n, v))
            for n, v in ((101, 0), (100, 0), (6, 2), (101, 127), (100, 127))
        ),
    ]


def piano() -> list[Event]:
    """Return chords under a pedal that is put down once and never lifted."""
    events = [*start(0, 0, 100, 50), (0, control(0, 64, 127))]
    for bar in range(N_BARS):
        for beat in range(4):
            for key in _CHORDS[bar % 4]:
                events += note(0, key, 60 + 10 * (beat == 0), bar * BAR + beat * TICKS, TICKS - 8)
    return events


def bass() -> list[Event]:
    """Return a bass on a program that a small module may not have."""
    events = start(1, 33, 110, 64)
    for bar in range(N_BARS):
        root = _CHORDS[bar % 4][0]
        for eighth in range(8):
            events += note(
                1, root - 12 * (root > 44), 90, bar * BAR + eighth * TICKS // 2, TICKS // 2 - 4
            )
    return events


def lead() -> list[Event]:
    """Return a melody whose every note is bent in far more steps than are heard."""
    events = start(2, 81, 90, 78)
    keys = (76, 74, 72, 69)
    for bar in range(4, N_BARS):
        at = bar * BAR
        events += note(2, keys[bar % 4], 96, at, BAR - 12)
        for step in range(BAR // 2):
            value = 8192 + round(1500 * (step % 24 - 12) / 12)
            events.append((at + TICKS + step, bytes((0xE2, value & 0x7F, value >> 7))))
        events.append((at + BAR - 1, bytes((0xE2, 0, 64))))
    return events


def drums() -> list[Event]:
    """Return drums, with a tom that not every kit has."""
    events = start(9, 0, 115, 64)
    for bar in range(N_BARS):
        at = bar * BAR
        for beat in range(4):
            events += note(9, _SNARE if beat % 2 else _KICK, 100, at + beat * TICKS, 12)
        for eighth in range(8):
            events += note(9, _HAT, 70, at + eighth * TICKS // 2, 12)
        if bar % 4 == 3:
            for sixteenth in range(4):
                events += note(9, _TOM, 90, at + 3 * TICKS + sixteenth * TICKS // 4, 12)
    return events


def track(events: list[Event], name: str) -> bytes:
    """Return a track chunk; events of one tick keep their order, note-offs first."""
    text = name.encode("ascii")
    ordered = sorted(events, key=lambda event: (event[0], event[1][0] >> 4 != 8))
    body, at = b"\0\xff\x03" + write_quantity(len(text)) + text, 0
    for tick, message in ordered:
        body += write_quantity(tick - at) + message
        at = tick
    body += write_quantity(max(0, N_BARS * BAR - at)) + b"\xff\x2f\0"
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def song() -> bytes:
    """Return the song: a Standard MIDI File of format 1."""
    first = [
        (0, b"\xff\x51\x03" + (625_000).to_bytes(3, "big")),  # 96 quarter notes a minute
        (0, b"\xff\x58\x04\x04\x02\x18\x08"),
        (0, bytes.fromhex("F0 05 7E 7F 09 01 F7")),  # General MIDI on (RP-003), as files hold it
    ]
    tracks = [
        track(first, "Low tide"),
        track(piano(), "chords"),
        track(bass(), "bass"),
        track(lead(), "lead"),
        track(drums(), "drums"),
    ]
    head = b"MThd" + (6).to_bytes(4, "big") + b"".join(
        n.to_bytes(2, "big") for n in (1, len(tracks), TICKS)
    )  # fmt: skip
    return head + b"".join(tracks)


def main() -> None:
    """Write the song."""
    PATH.parent.mkdir(parents=True, exist_ok=True)
    PATH.write_bytes(song())
    print(f"{PATH.name}: {PATH.stat().st_size} bytes")


if __name__ == "__main__":
    main()

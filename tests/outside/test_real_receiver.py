"""A real receiver does what the standards say when it gets what we send over a real port.

Sheet, codec and port are ours; the JACK server, the synthesizer and the ear are not. Laws from
General MIDI 2 (RP-024: volume 3.3.4, pan by RP-036) and MIDI 1.0 (RPN 0, 1, 2; table IIIa).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from knobwright.adapters.files import standard
from knobwright.adapters.ports.table import open_out
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.interfaces import OutPort
from tests.instruments.jackd import jack_server
from tests.instruments.synth import MIDI_PORT, Ear, Sound, cents, level_db, pitch_hz, synthesizer

KEY = 69
A4_HZ = 440.0
SETTLES_S = 0.25
#: A steady tone: of the font's programs its pitch and level move least (measured, no source).
STEADY_PROGRAM = 79
CENTRE, TOP = 8_192, 16_383


class Stage:
    """The synthesizer as our port and codec see it, and the ear at its end."""

    def __init__(self, port: OutPort, ear: Ear, codec: Codec) -> None:
        self.port = port
        self.ear = ear
        self.codec = codec

    def set(self, key: str, value: int, channel: int = 1) -> None:
        for message in self.codec.encode(key, value, channel=channel):
            self.port.send(message)

    def hear(self, seconds: float = 0.4, channel: int = 1) -> Sound:
        """Return the steady part of a note."""
        self.port.send(bytes((0x90 | channel - 1, KEY, 100)))
        self.ear.record(SETTLES_S)
        sound = self.ear.record(seconds)
        self.port.send(bytes((0x80 | channel - 1, KEY, 64)))
        return sound


@pytest.fixture(scope="module")
def whole_stage() -> Iterator[Stage]:
    sheet = check_sheet(
        standard.text("general-midi-2"), name="general-midi-2", library=standard.text
    ).sheet
    assert sheet is not None
    with jack_server() as server, synthesizer(server) as ear:
        port = open_out(f"rtmidi:{MIDI_PORT}")
        try:
            ear.listen()
            yield Stage(port, ear, Codec(sheet))
        finally:
            ear.close()
            port.close()


@pytest.fixture
def stage(whole_stage: Stage) -> Stage:
    """Begin each test from the same state."""
    whole_stage.port.send(bytes.fromhex("B0 78 00"))  # all sound off
    whole_stage.port.send(bytes.fromhex("F0 7E 7F 09 01 F7"))  # General MIDI 1 on
    whole_stage.ear.record(0.15)
    whole_stage.port.send(bytes((0xC0, STEADY_PROGRAM)))
    return whole_stage


def test_volume_follows_the_square_law_within_half_a_decibel(stage: Stage) -> None:
    stage.set("volume", 127)
    full = level_db(stage.hear())
    assert full > -50
    # 40 log10(value / 127): General MIDI 2, 3.3.4; it prints -4.9, -11.9 and -23.9 for these.
    for value in (96, 64, 32):
        stage.set("volume", value)
        assert level_db(stage.hear()) - full == pytest.approx(
            40 * math.log10(value / 127), abs=0.5
        ), f"volume {value}"
    stage.set("volume", 0)
    assert level_db(stage.hear()) - full < -80


def test_pan_moves_the_sound_from_left_to_right(stage: Stage) -> None:
    loudness = {}
    for value in (0, 32, 64, 96, 127):
        stage.set("pan", value)
        sound = stage.hear()
        loudness[value] = level_db(sound[:, 0]), level_db(sound[:, 1])
    left, right = loudness[0]
    assert left - right > 35
    left, right = loudness[127]
    assert right - left > 35
    left, right = loudness[64]
    assert left == pytest.approx(right, abs=0.5)
    # RP-036: -0.665 dB and -8.475 dB at 32, the mirror of it at 96. This receiver's steps are its
    # font's (SoundFont 2.04, in 0.1 % of the way), so a decibel is allowed.
    for value, way in ((32, 0), (96, 1)):
        near, far = loudness[value][way], loudness[value][1 - way]
        assert near - far == pytest.approx(8.475 - 0.665, abs=1.0), f"pan {value}"


def test_the_bend_range_is_what_rpn_0_says_within_5_cents(stage: Stage) -> None:
    for semitones in (2, 7, 12):
        stage.set("bend.range", semitones)
        stage.set("bend", CENTRE)
        plain = pitch_hz(stage.hear(), A4_HZ)
        stage.set("bend", TOP)
        # Full bend is the range. This receiver's scale is that of its font's standard, SoundFont
        # 2.04, 8.4.10: 12 700 cents times range/128, so 127/128 of what RPN 0 says.
        wanted = 100 * semitones * 127 / 128 * (TOP - CENTRE) / CENTRE
        bent = pitch_hz(stage.hear(), A4_HZ * 2 ** (wanted / 1200))
        assert cents(bent, plain) == pytest.approx(wanted, abs=5), f"{semitones} semitones"
    stage.set("bend", CENTRE)


def test_fine_tuning_by_rpn_1_is_within_5_cents(stage: Stage) -> None:
    plain = pitch_hz(stage.hear(), A4_HZ)
    assert cents(plain, A4_HZ) == pytest.approx(0, abs=5)
    # 14 bits, 100/8192 cents a step around 40 00: MIDI 1.0, table IIIa.
    for value in (CENTRE + 4_096, CENTRE - 2_048):
        stage.set("tuning.fine", value)
        wanted = 100 * (value - CENTRE) / CENTRE
        assert cents(pitch_hz(stage.hear(), A4_HZ), plain) == pytest.approx(wanted, abs=5)
    stage.set("tuning.fine", CENTRE)


def test_coarse_tuning_by_rpn_2_is_within_5_cents(stage: Stage) -> None:
    plain = pitch_hz(stage.hear(), A4_HZ)
    for value in (64 + 5, 64 - 12):  # a semitone a step around 40: MIDI 1.0, table IIIa
        stage.set("tuning.coarse", value)
        wanted = 100 * (value - 64)
        found = pitch_hz(stage.hear(), A4_HZ * 2 ** (wanted / 1200))
        assert cents(found, plain) == pytest.approx(wanted, abs=5)
    stage.set("tuning.coarse", 64)


def test_a_setting_of_one_channel_leaves_another_alone(stage: Stage) -> None:
    stage.port.send(bytes((0xC1, STEADY_PROGRAM)))
    before = level_db(stage.hear(channel=2))
    stage.set("volume", 20, channel=1)
    assert level_db(stage.hear(channel=2)) == pytest.approx(before, abs=0.1)

"""What the standard sheets show for a raw value, against the published tables and formulas.

Printed values are the standards' own figures, with the tolerance that their rounding asks for;
*calc* marks a value worked out here from the published rule.
"""

from __future__ import annotations

import math

import pytest

from tests.core.sheet.standard_sheets import parameter, sent, shown

GM2 = "general-midi-2"
TUNING = "midi-tuning"


def cents(one: float, other: float) -> float:
    """Return the interval from ``other`` to ``one`` in cents; both in Hz."""
    return 1200 * math.log2(one / other)


# ---------------------------------------------------------------- reverb and chorus

# General MIDI 2, 4.4: type, value that the type sets, printed time in seconds
REVERBS = [(0, 44, 1.1), (1, 50, 1.3), (2, 56, 1.5), (3, 64, 1.8), (4, 64, 1.8), (8, 50, 1.3)]


@pytest.mark.parametrize(("kind", "value", "printed"), REVERBS)
def test_reverb_times_are_those_printed(kind: int, value: int, printed: float) -> None:
    assert shown(GM2, "reverb.time", value) == pytest.approx(printed, abs=0.05)
    assert kind in parameter(GM2, "reverb.type").choices


def test_reverb_types_are_the_six_with_their_gap() -> None:
    kinds = parameter(GM2, "reverb.type")
    assert kinds.choices == {
        0: "small room",
        1: "medium room",
        2: "large room",
        3: "medium hall",
        4: "large hall",
        8: "plate",
    }
    assert [kind for kind in range(128) if kinds.allows(kind)] == [0, 1, 2, 3, 4, 8]


def test_reverb_time_is_the_inverse_of_the_published_formula() -> None:
    for value in range(128):  # v = ln(t) / 0.025 + 40
        assert math.log(shown(GM2, "reverb.time", value)) / 0.025 + 40 == pytest.approx(value)


# General MIDI 2, 4.5: type, then value and printed figure of feedback (%), rate (Hz) and depth (ms)
CHORUSES = [
    (0, (0, 0), (3, 0.4), (5, 1.9)),
    (1, (5, 4), (9, 1.1), (19, 6.3)),
    (2, (8, 6), (3, 0.4), (19, 6.3)),
    (3, (16, 12), (9, 1.1), (16, 5.3)),
    (4, (64, 49), (2, 0.2), (24, 7.8)),
    (5, (112, 86), (1, 0.1), (5, 1.9)),  # the formula gives 85.46 %: printed 86 is not its rounding
]


@pytest.mark.parametrize(("kind", "feedback", "rate", "depth"), CHORUSES)
def test_chorus_figures_are_those_printed(
    kind: int, feedback: tuple[int, float], rate: tuple[int, float], depth: tuple[int, float]
) -> None:
    assert kind in parameter(GM2, "chorus.type").choices
    tolerance = 1.0 if kind == 5 else 0.5
    assert shown(GM2, "chorus.feedback", feedback[0]) == pytest.approx(feedback[1], abs=tolerance)
    assert shown(GM2, "chorus.rate", rate[0]) == pytest.approx(rate[1], abs=0.05)
    assert shown(GM2, "chorus.depth", depth[0]) == pytest.approx(depth[1], abs=0.051)


def test_the_starting_values_are_those_of_the_starting_types() -> None:
    reverb = parameter(GM2, "reverb.type").default
    time = next(value for kind, value, _ in REVERBS if kind == reverb)
    assert parameter(GM2, "reverb.time").default == time
    chorus = parameter(GM2, "chorus.type").default
    feedback, rate, depth = next(row[1:] for row in CHORUSES if row[0] == chorus)
    assert parameter(GM2, "chorus.feedback").default == feedback[0]
    assert parameter(GM2, "chorus.rate").default == rate[0]
    assert parameter(GM2, "chorus.depth").default == depth[0]
    assert parameter(GM2, "chorus.reverb").default == 0


# ---------------------------------------------------------------- single rows

ROWS: list[tuple[str, str, int, float, float, str]] = [
    # sheet, key, raw value, shown, tolerance, source
    ("midi-1", "tuning.fine", 0, -100, 0, "MIDI 1.0 p. 18"),
    ("midi-1", "tuning.fine", 8192, 0, 0, "MIDI 1.0 p. 18"),
    ("midi-1", "tuning.fine", 16383, 99.9878, 5e-5, "MIDI 1.0 p. 18: 100 * 8191 / 8192"),
    ("midi-1", "tuning.coarse", 0, -64, 0, "MIDI 1.0 p. 18"),
    ("midi-1", "tuning.coarse", 127, 63, 0, "MIDI 1.0 p. 18"),
    ("midi-1", "tuning.program", 0, 1, 0, "MIDI 1.0 p. 50: 1 to 128"),
    ("midi-1", "tuning.bank", 127, 128, 0, "MIDI 1.0 p. 50: 1 to 128"),
    ("midi-1", "bend", 0, -8192, 0, "MIDI 1.0 p. 19"),
    ("midi-1", "bend", 16383, 8191, 0, "MIDI 1.0 p. 19"),
    (GM2, "modulation.range", 8, 6.25, 0, "CA-026: 00 08 is 6.25 cents"),
    (GM2, "modulation.range", 64, 50, 0, "GM2 3.4.4: default 00 40 is 50 cents"),
    (GM2, "modulation.range", 1 << 7, 100, 0, "CA-026: the high part counts semitones"),
    (GM2, "master.tuning.fine", 0, -100, 0, "CA-025"),
    (GM2, "master.tuning.coarse", 64, 0, 0, "CA-025"),
    (GM2, "volume", 127, 0, 0, "GM2 3.3.4"),
    (GM2, "volume", 96, -4.9, 0.05, "GM2 3.3.4"),
    (GM2, "volume", 64, -11.9, 0.05, "GM2 3.3.4"),
    (GM2, "volume", 32, -23.9, 0.05, "GM2 3.3.4"),
    (GM2, "volume", 16, -36.0, 0.05, "GM2 3.3.4"),
    (GM2, "volume", 100, -4.152, 5e-4, "calc"),
    (GM2, "volume", 1, -84.152, 5e-4, "calc"),
    (GM2, "expression", 64, -11.9, 0.05, "GM2 3.3.6"),
    # master volume follows the same law (GM2 4.1), and 129 * 127 is 16383
    (GM2, "master.volume", 129 * 127, 0, 0, "GM2 4.1"),
    (GM2, "master.volume", 129 * 96, -4.9, 0.05, "GM2 4.1"),
    (GM2, "master.volume", 129 * 16, -36.0, 0.05, "GM2 4.1"),
    (GM2, "reverb.time", 0, 0.368, 5e-4, "calc"),
    (GM2, "reverb.time", 127, 8.802, 5e-4, "calc"),
    (GM2, "chorus.rate", 127, 15.494, 5e-4, "calc"),
    (GM2, "chorus.depth", 127, 40, 0, "calc"),
    (GM2, "chorus.feedback", 127, 96.90, 5e-3, "calc"),
    (GM2, "chorus.reverb", 127, 99.95, 5e-3, "calc"),
    (GM2, "pressure.pitch", 0x28, -24, 0, "GM2 4.6"),
    (GM2, "pressure.pitch", 0x58, 24, 0, "GM2 4.6"),
    (GM2, "pressure.pitch", 0x42, 2, 0, "GM2 4.6.1, example: pitch +2"),
    (GM2, "pressure.filter", 0x60, 4800, 0, "GM2 4.6.1, example: filter +4800 cents"),
    (GM2, "pressure.filter", 0, -9600, 0, "GM2 4.6"),
    (GM2, "pressure.filter", 127, 9450, 0, "GM2 4.6"),
    (GM2, "pressure.amplitude", 64, 100, 0, "GM2 4.6"),
    (GM2, "pressure.amplitude", 127, 198, 0.5, "GM2 4.6"),
    (GM2, "pressure.lfo.pitch", 127, 600, 0, "GM2 4.6"),
    (GM2, "pressure.lfo.filter", 127, 2400, 0, "GM2 4.6"),
    (GM2, "pressure.lfo.amplitude", 0x20, 25, 0.5, "GM2 4.6.1, example: amplitude 25 %"),
    (GM2, "sound.brightness", 64, 0, 0, "GM2 3.3: 64 is no change"),
    (TUNING, "tuning.octave", 0, -64, 0, "CA-021"),
    (TUNING, "tuning.octave", 64, 0, 0, "CA-021"),
    (TUNING, "tuning.octave", 127, 63, 0, "CA-021"),
    (TUNING, "tuning.degree.a", 0, -100, 0, "CA-021"),
    (TUNING, "tuning.degree.a", 8192, 0, 0, "CA-021"),
    (TUNING, "tuning.degree.a", 16383, 99.988, 5e-4, "CA-021"),
]


@pytest.mark.parametrize(
    ("name", "key", "raw", "expected", "tolerance", "source"),
    ROWS,
    ids=[f"{row[0]}:{row[1]}={row[2]}" for row in ROWS],
)
def test_a_raw_value_shows_what_the_standard_says(
    name: str, key: str, raw: int, expected: float, tolerance: float, source: str
) -> None:
    assert shown(name, key, raw) == pytest.approx(expected, abs=tolerance + 1e-9), source


@pytest.mark.parametrize("key", ["volume", "expression", "master.volume"])
def test_a_volume_of_0_is_silence_and_no_number(key: str) -> None:
    assert parameter(GM2, key).choices == {0: "silence"}  # GM2 3.3.4: minus infinity


# General MIDI 2, 3.3.6: channel volume, expression, printed gain of both in dB
BOTH = [(64, 64, -23.8), (32, 96, -28.8)]


@pytest.mark.parametrize(("volume", "expression", "printed"), BOTH)
def test_volume_and_expression_add_up(volume: int, expression: int, printed: float) -> None:
    gain = shown(GM2, "volume", volume) + shown(GM2, "expression", expression)
    assert gain == pytest.approx(printed, abs=0.05)


# ---------------------------------------------------------------- pitches of single keys

# CA-020 (and MIDI 1.0, p. 48, whose misprints 42/43 for 44/45 are left aside): word, printed Hz.
# Left out: 00 00 01, printed 8.2104 Hz in both texts. One step is 0.0061 cent, so that would be
# 7.3 cents too much: a known misprint. And 7F 7F 7F, which means no change.
WORDS = [
    ("00 00 00", 8.1758),
    ("01 00 00", 8.6620),
    ("0C 00 00", 16.3516),
    ("3C 00 00", 261.6256),
    ("3D 00 00", 277.1827),
    ("44 7F 7F", 439.9984),
    ("45 00 00", 440.0000),
    ("45 00 01", 440.0016),
    ("78 00 00", 8372.0190),
    ("78 00 01", 8372.0630),
    ("7F 00 00", 12543.8800),
    ("7F 00 01", 12543.9200),
    ("7F 7F 7E", 13289.7300),
]


def raw_of(word: str) -> int:
    """Return the 21-bit number of three seven-bit bytes."""
    high, middle, low = bytes.fromhex(word)
    return high << 14 | middle << 7 | low


@pytest.mark.parametrize(("word", "printed"), WORDS)
def test_a_frequency_word_is_the_printed_pitch(word: str, printed: float) -> None:
    assert abs(cents(shown(TUNING, "tuning.note", raw_of(word)), printed)) < 0.02
    expected = f"F0 7F 7F 08 02 00 01 45 {word} F7"  # MIDI 1.0, p. 49
    assert sent(TUNING, "tuning.note", raw_of(word), note=69).hex(" ").upper() == expected


def test_the_word_left_out_is_a_misprint() -> None:
    step = cents(shown(TUNING, "tuning.note", 1), shown(TUNING, "tuning.note", 0))
    assert step == pytest.approx(100 / 16384)  # MIDI 1.0, p. 48
    assert cents(8.2104, shown(TUNING, "tuning.note", 1)) > 7


# Key and pitch in equal temperament, key 69 at 440 Hz (General MIDI 2, 2.7.1); calc, 4 places
KEYS = [(21, 27.5), (36, 65.4064), (60, 261.6256), (64, 329.6276), (81, 880.0), (108, 4186.0090)]


@pytest.mark.parametrize(("key", "hertz"), KEYS)
def test_a_key_in_equal_temperament_is_its_number_times_16384(key: int, hertz: float) -> None:
    assert shown(TUNING, "tuning.note", key * 16384) == pytest.approx(hertz, abs=5e-5)


def test_442_hertz_is_the_word_worked_out_by_hand() -> None:
    # calc: 69 semitones and 7.8514 cents, 1286 steps
    word = raw_of("45 0A 06")
    off = [abs(shown(TUNING, "tuning.note", word + d) - 442) for d in (-1, 0, 1)]
    assert min(off) == off[1]


def test_no_change_is_never_sent_as_a_pitch() -> None:
    kept = parameter(TUNING, "tuning.note")
    assert not kept.allows(raw_of("7F 7F 7F"))  # reserved, MIDI 1.0 p. 48
    assert kept.allows(raw_of("7F 7F 7E"))


# ---------------------------------------------------------------- scale tunings and their channels

# CA-021: hh bits 0-6 are channels 1-7, gg bits 0-6 channels 8-14, ff bits 0-1 channels 15-16
CHANNELS = [
    (1, "00 00 01"),
    (7, "00 00 40"),
    (8, "00 01 00"),
    (10, "00 04 00"),
    (14, "00 40 00"),
    (15, "01 00 00"),
    (16, "02 00 00"),
]


@pytest.mark.parametrize(("channel", "mask"), CHANNELS)
def test_a_scale_tuning_names_its_channel(channel: int, mask: str) -> None:
    degrees = tuple(range(58, 70))
    tail = f"08 {mask} {bytes(degrees).hex(' ').upper()} F7"
    for name, head in (("general-midi-2", "F0 7E 7F 08"), ("midi-tuning", "F0 7F 7F 08")):
        message = sent(name, "tuning.octave", degrees, channel)
        assert message.hex(" ").upper() == f"{head} {tail}"
    fine = sent(TUNING, "tuning.degree.b", 16383, channel)
    assert fine.hex(" ").upper() == f"F0 7F 7F 08 09 {mask} " + "40 00 " * 11 + "7F 7F F7"


def test_all_channels_together_are_the_sum_of_the_single_ones() -> None:
    flat = (64,) * 12
    together = sent(TUNING, "tuning.octave.all", flat)
    masks = [sent(TUNING, "tuning.octave", flat, channel)[5:8] for channel in range(1, 17)]
    assert len(set(masks)) == 16
    assert bytes(map(sum, zip(*masks, strict=True))) == together[5:8] == bytes.fromhex("03 7F 7F")

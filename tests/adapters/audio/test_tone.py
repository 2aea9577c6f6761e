"""The built-in tone, listened to by measuring."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from knobwright.adapters.audio import roles as r
from knobwright.adapters.audio.curves import RATE_HZ, level_gain, pan_gains
from knobwright.adapters.audio.drums import drum
from knobwright.adapters.audio.score import Control, Played, PlayedNote, PlayedProgram, Score
from knobwright.adapters.audio.tone import SILENCE_S, play
from knobwright.core.errors import InputError
from tests.adapters.audio.listening import (
    Samples,
    centroid_hz,
    cents,
    fundamental_hz,
    level_db,
    one_note,
    part,
    peak,
)

SUSTAINED = PlayedProgram(0.0, 1, 80)  # the square colour: it does not fall
FULL = Control(0.0, 1, r.VOLUME, 127)

# f = 440 * 2 ** ((key - 69) / 12), A4 = 440 Hz: ISO 16 (from memory); General MIDI 2, 2.7.1.
KEYS_HZ = {21: 27.5, 60: 261.6256, 69: 440.0, 81: 880.0, 108: 4186.0090, 127: 12543.8540}


def sound(*events: Played, key: int = 69, end_s: float = 1.0, velocity: int = 127) -> Samples:
    score = one_note(SUSTAINED, FULL, *events, key=key, end_s=end_s, velocity=velocity)
    return play(score).samples


@pytest.mark.parametrize("key", KEYS_HZ)
def test_a_note_has_the_pitch_of_its_key(key: int) -> None:
    heard = part(sound(key=key, end_s=1.5), 0.2, 1.4)
    assert abs(cents(fundamental_hz(heard, KEYS_HZ[key]), KEYS_HZ[key])) < 2


# Key 69, so 440 Hz; cents worked out by hand from each standard's meaning.
PITCHES: dict[str, tuple[list[Control], float]] = {
    "bend up by its two semitones": ([Control(0, 1, r.BEND, 8191 / 8192)], 199.98),
    "bend down by half of twelve": (
        [Control(0, 1, r.BEND_RANGE, 12), Control(0, 1, r.BEND, -0.5)],
        -600,
    ),
    "fine tuning": ([Control(0, 1, r.FINE, 50)], 50),
    "coarse tuning": ([Control(0, 1, r.COARSE, -12)], -1200),
}


@pytest.mark.parametrize("row", PITCHES)
def test_pitch_controls_move_the_pitch(row: str) -> None:
    controls, wanted = PITCHES[row]
    near_hz = 440 * 2 ** (wanted / 1200)
    heard = part(sound(*controls), 0.2, 0.9)
    assert abs(cents(fundamental_hz(heard, near_hz), 440) - wanted) < 2


def test_a_bend_while_the_note_sounds_is_heard() -> None:
    heard = sound(Control(0, 1, r.BEND_RANGE, 12), Control(1.0, 1, r.BEND, 1.0), end_s=2.0)
    assert abs(cents(fundamental_hz(part(heard, 0.2, 0.9), 440), 440)) < 2
    assert abs(cents(fundamental_hz(part(heard, 1.2, 1.9), 880), 880)) < 2


# General MIDI 2 (RP-024) 3.3.4 and 3.3.6: 40 log10(value / 127) dB each; pairs as printed there.
LEVELS_DB = {
    (127, 127): 0.0,
    (100, 127): -4.152,
    (96, 127): -4.861,
    (64, 127): -11.905,
    (32, 127): -23.946,
    (16, 127): -35.987,
    (64, 64): -23.8,
    (32, 96): -28.8,
}


@pytest.mark.parametrize("pair", LEVELS_DB)
@pytest.mark.parametrize("roles", [(r.VOLUME, r.EXPRESSION), (r.MASTER, r.LEVEL)])
def test_levels_follow_the_law_of_general_midi_2(
    pair: tuple[int, int], roles: tuple[str, str]
) -> None:
    moves = [Control(0.0, 1, role, value) for role, value in zip(roles, pair, strict=True)]
    difference = level_db(part(sound(*moves), 0.2, 0.9)) - level_db(part(sound(), 0.2, 0.9))
    assert difference == pytest.approx(LEVELS_DB[pair], abs=0.2)


def test_volume_0_is_silence() -> None:
    assert not sound(Control(0.0, 1, r.VOLUME, 0)).any()


# RP-036: left, right in dB.
PANS_DB = {
    16: (-0.153, -14.614),
    32: (-0.665, -8.475),
    48: (-1.585, -5.146),
    64: (-3.010, -3.010),
    80: (-5.146, -1.585),
    112: (-14.614, -0.153),
}


@pytest.mark.parametrize("value", PANS_DB)
def test_pan_follows_rp_036(value: int) -> None:
    full = level_db(part(sound(Control(0.0, 1, r.PAN, 0)), 0.2, 0.9)[:, 0])
    heard = part(sound(Control(0.0, 1, r.PAN, value)), 0.2, 0.9)
    found = [level_db(heard[:, side]) - full for side in (0, 1)]
    assert found == pytest.approx(PANS_DB[value], abs=0.05)


@pytest.mark.parametrize(("value", "silent"), [(0, 1), (1, 1), (127, 0)])
def test_hard_left_and_hard_right_leave_the_other_side_silent(value: int, silent: int) -> None:
    heard = part(sound(Control(0.0, 1, r.PAN, value)), 0.2, 0.9)
    assert level_db(heard[:, silent]) < -200
    assert level_db(heard[:, 1 - silent]) > -20


def test_the_laws_in_numbers() -> None:
    assert 20 * np.log10(level_gain(64)) == pytest.approx(-11.905, abs=0.001)
    left, right = pan_gains(64)
    assert float(left) == pytest.approx(float(right))


def test_brightness_moves_the_centre_of_the_spectrum() -> None:
    found = [
        centroid_hz(part(sound(Control(0.0, 1, r.BRIGHTNESS, value)), 0.2, 0.9))
        for value in (0, 16, 32, 64, 96, 127)
    ]
    assert all(high > low * 1.02 for low, high in pairwise(found)), found
    assert found[-1] > 4 * found[0]


def test_brightness_moved_while_the_note_sounds_is_heard() -> None:
    heard = sound(Control(0.0, 1, r.BRIGHTNESS, 20), Control(1.0, 1, r.BRIGHTNESS, 110), end_s=2.0)
    assert centroid_hz(part(heard, 1.2, 1.9)) > 1.5 * centroid_hz(part(heard, 0.2, 0.9))


def test_resonance_lifts_the_partials_at_the_edge() -> None:
    dark = Control(0.0, 1, r.BRIGHTNESS, 40)
    plain = part(sound(dark), 0.2, 0.9)
    sharp = part(sound(dark, Control(0.0, 1, r.RESONANCE, 127)), 0.2, 0.9)
    assert centroid_hz(sharp) > 1.1 * centroid_hz(plain)


def rise_s(samples: Samples) -> float:
    """Return when the level first reaches nine tenths of its highest, over 5 ms windows."""
    windows = np.abs(samples[:, 0].astype(np.float64))[: len(samples) // 240 * 240]
    levels = windows.reshape(-1, 240).max(axis=1)
    return float(np.argmax(levels > 0.9 * levels.max())) * 240 / RATE_HZ


def test_attack_and_release_take_their_time() -> None:
    quick = rise_s(sound(Control(0.0, 1, r.ATTACK, 0)))
    slow = rise_s(sound(Control(0.0, 1, r.ATTACK, 120)))
    assert quick < 0.02 < 0.1 < slow
    short = len(sound(Control(0.0, 1, r.RELEASE, 20)))
    long = len(sound(Control(0.0, 1, r.RELEASE, 110)))
    assert long - short > 0.3 * RATE_HZ


@pytest.mark.parametrize("programs", [range(0, 128, 8), range(40, 48)], ids=["families", "one"])
def test_programs_differ_in_colour(programs: range) -> None:
    found = {
        round(
            centroid_hz(part(play(one_note(PlayedProgram(0.0, 1, program), FULL)).samples, 0, 0.5))
        )
        for program in programs
    }
    assert len(found) == len(programs)


def test_a_program_change_leaves_the_note_that_sounds_as_it_is() -> None:
    """General MIDI 2 (RP-024) recommends it."""
    score = Score((SUSTAINED, FULL, PlayedNote(0, 1, 69, 127), PlayedProgram(0.5, 1, 0),
                   PlayedNote(1, 1, 69, 0)))  # fmt: skip
    assert np.array_equal(play(score).samples, sound())
    assert not np.array_equal(sound(PlayedProgram(0.0, 1, 0)), sound())


def test_the_hold_pedal_keeps_a_note() -> None:
    pedal = (Control(0.0, 1, r.HOLD, 64), Control(1.5, 1, r.HOLD, 63))
    score = Score((SUSTAINED, FULL, pedal[0], PlayedNote(0, 1, 69, 127),
                   PlayedNote(0.5, 1, 69, 0), pedal[1]))  # fmt: skip
    heard = play(score).samples
    assert level_db(part(heard, 1.2, 1.4)) == pytest.approx(
        level_db(part(heard, 0.2, 0.4)), abs=0.1
    )
    assert level_db(part(heard, 1.8, 1.9)) < -100


def test_modulation_makes_the_pitch_move() -> None:
    heard = sound(Control(0.0, 1, r.MODULATION, 127), end_s=2.0)
    found = [
        cents(fundamental_hz(part(heard, at, at + 0.06), 440), 440)
        for at in np.arange(1, 1.8, 0.02)
    ]
    assert max(found) > 20
    assert min(found) < -20


def test_levels_are_low_and_nothing_is_cut_off() -> None:
    """Own choice: about -14 dBFS RMS for the loudest note, whole sound at most -3 dBFS."""
    loud = sound(Control(0.0, 1, r.PAN, 0))
    assert level_db(part(loud, 0.2, 0.9)[:, 0]) == pytest.approx(-14, abs=0.5)
    keys = range(36, 96, 2)
    many = play(Score((SUSTAINED, FULL, *(PlayedNote(0.0, 1, key, 127) for key in keys),
                       *(PlayedNote(1.0, 1, key, 0) for key in keys))))  # fmt: skip
    assert peak(many.samples) == pytest.approx(10 ** (-3 / 20), rel=1e-3)
    assert many.turned_down_db > 3
    assert play(one_note()).turned_down_db == 0


@pytest.mark.parametrize("program", [0, 27, 40, 60, 80, 127])
def test_no_dc_and_true_silence_at_the_end(program: int) -> None:
    heard = play(one_note(PlayedProgram(0.0, 1, program), FULL, key=40)).samples
    assert abs(float(heard.astype(np.float64).mean())) < 1 / 32_768  # a step of 16 bits
    assert not heard[-round(SILENCE_S * RATE_HZ) :].any()
    assert not heard[0].any()
    assert heard.dtype == np.float32
    assert np.isfinite(heard).all()


def test_nothing_folds_back_below_a_high_note() -> None:
    """Key 120 is 8372 Hz: nothing but its partials may sound, so nothing below it."""
    heard = part(sound(Control(0.0, 1, r.BRIGHTNESS, 127), key=120), 0.2, 0.9).sum(axis=1)
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    hz = np.fft.rfftfreq(len(heard), 1 / RATE_HZ)
    assert 20 * np.log10(spectrum[hz < 8_000].max() / spectrum.max()) < -100
    assert 20 * np.log10(spectrum[hz > 20_500].max() / spectrum.max()) < -100


def test_a_step_of_volume_makes_no_click() -> None:
    """Common practice, no source: a step spread over 10 ms leaves little above 10 kHz."""
    low = PlayedProgram(0.0, 1, 72)
    dark = Control(0.0, 1, r.BRIGHTNESS, 0)
    heard = play(Score((low, FULL, dark, PlayedNote(0, 1, 45, 127), Control(0.5, 1, r.VOLUME, 20),
                        PlayedNote(1, 1, 45, 0)))).samples  # fmt: skip
    around = part(heard, 0.45, 0.55)[:, 0]
    spectrum = np.abs(np.fft.rfft(around * np.hanning(len(around))))
    high = np.fft.rfftfreq(len(around), 1 / RATE_HZ) > 10_000
    assert 20 * np.log10(spectrum[high].max() / spectrum.max()) < -80


def test_drums_are_bursts_that_end_by_themselves() -> None:
    score = Score((PlayedNote(0.0, 10, 38, 127), PlayedNote(0.001, 10, 38, 0)))
    heard = play(score).samples
    assert level_db(part(heard, 0.0, 0.05)) > -40
    assert not heard[-round(SILENCE_S * RATE_HZ) :].any()
    assert peak(heard) < 10 ** (-12 / 20)


@pytest.mark.parametrize("key", [35, 38, 42, 46, 49, 61, 100, 0, 127])
def test_a_drum_is_the_same_every_time_and_has_no_dc(key: int) -> None:
    burst = drum(key, RATE_HZ)
    assert np.array_equal(burst, drum(key, RATE_HZ))
    assert abs(burst.mean()) < 1e-9
    assert np.max(np.abs(burst)) == pytest.approx(1)
    assert burst[0] == pytest.approx(0, abs=1e-6)
    assert burst[-1] == pytest.approx(0, abs=1e-6)


def test_a_low_drum_is_lower_than_a_hat() -> None:
    found = [centroid_hz(np.column_stack([drum(key, RATE_HZ)] * 2)) for key in (36, 38, 42)]
    assert found[0] < 300 < found[1] < 5_000 < found[2]


def test_a_drum_keys_own_level_counts() -> None:
    def hit(*events: Played) -> float:
        return peak(play(Score((*events, PlayedNote(0.0, 10, 38, 127)))).samples)

    quiet = hit(Control(0.0, 10, r.KEY_LEVEL, 64, 38), Control(0.0, 10, r.KEY_LEVEL, 9, 40))
    assert 20 * np.log10(quiet / hit()) == pytest.approx(-11.905, abs=0.01)


def test_nothing_to_play_is_silence() -> None:
    assert not play(Score(())).samples.any()


def test_too_much_is_refused() -> None:
    with pytest.raises(InputError, match="plays up to 600 s"):
        play(one_note(end_s=601.0))
    keys = range(100)
    many = (*(PlayedNote(0.0, 1, k, 9) for k in keys), *(PlayedNote(60.0, 1, k, 0) for k in keys))
    with pytest.raises(InputError, match="3000 s of notes"):
        play(Score(many))

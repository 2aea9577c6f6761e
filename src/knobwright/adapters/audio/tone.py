"""The built-in tone: an illustration of what parameters do, never the module's own sound.

Notes are sums of sine partials below 20 kHz, so that nothing folds back; drums are bursts of noise.
It hears volume, expression, level and master volume (40 log10 law), pan (RP-036), brightness as a
low pass over the number of partials, resonance, attack, decay, release, pitch bend with its range,
coarse and fine tuning, vibrato, modulation, the hold pedal, and a program as a colour. It does not
hear reverb, chorus, key groups of drums or pressure; velocity changes the level only.

Levels are kept low: one note at full velocity and volume is about -14 dBFS RMS before pan; the
whole is turned down where its peak would pass -3 dBFS.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.adapters.audio import roles as r
from knobwright.adapters.audio.curves import (
    HOP,
    RATE_HZ,
    Curves,
    level_gain,
    smoothed,
    to_samples,
)
from knobwright.adapters.audio.drums import burst_s, drum
from knobwright.adapters.audio.notes import Sounding, sounding
from knobwright.adapters.audio.score import Score
from knobwright.adapters.audio.waves import MAX_PARTIALS, Wave, partials, wave_of
from knobwright.core.errors import InputError

Floats = NDArray[np.float64]

#: Silence behind the last sound, in seconds.
SILENCE_S = 0.25
#: Longest whole, and most seconds of notes in it.
MAX_S = 600.0
MAX_NOTE_S = 3_000.0
#: Highest peak of the whole.
MAX_PEAK_DBFS = -3.0

# RMS of a note at full velocity and level, and peak of a drum: -14 and -9 dBFS.
_NOTE_RMS = 10 ** (-14 / 20)
_DRUM_PEAK = 10 ** (-9 / 20)
# A partial fades out between these: above the second there is none.
_FADE_FROM_HZ, _FADE_TO_HZ = 18_000.0, 20_000.0
# The number of the partial at which the low pass begins, with brightness 64, and steps an octave.
_PARTIALS_AT_REST, _STEPS_PER_OCTAVE = 10.0, 19.0
# Times at position 64, steps for twice as much, least and most.
_ATTACK = (0.006, 9.0, 0.002, 1.5)
_RELEASE = (0.15, 16.0, 0.005, 3.0)
_DECAY_STEPS = 16.0
# Modulation at 127 (General MIDI 2, RPN 5: 50 cents at rest) and the rate of vibrato: own choice.
_VIBRATO_CENTS, _VIBRATO_HZ, _RATE_STEPS = 50.0, 5.5, 32.0
_INAUDIBLE = 1e-5


class Played(NamedTuple):
    """The sound: float32 samples (n, 2) at 48 kHz, and by how many dB it was turned down."""

    samples: NDArray[np.float32]
    turned_down_db: float = 0.0


def play(score: Score) -> Played:
    """Return a score played by the built-in tone.

    Raises
    ------
    InputError
        The score is longer than ten minutes, or has more than 3 000 seconds of notes.
    """
    notes = sounding(score)
    _check_length(score, notes)
    drums = set(score.drum_channels)
    n_samples = round(_whole_s(score, notes) * RATE_HZ)
    curves = Curves(score, n_samples)
    whole = np.zeros((n_samples, 2))
    for channel in score.channels:
        mine = [note for note in notes if note.channel == channel]
        bus = (
            _drum_bus(mine, curves, n_samples)
            if channel in drums
            else _bus(mine, curves, n_samples)
        )
        left, right = curves.gains(channel, (r.VOLUME, r.EXPRESSION, r.LEVEL, r.MASTER), r.PAN)
        whole[:, 0] += bus * to_samples(left, 0, n_samples)
        whole[:, 1] += bus * to_samples(right, 0, n_samples)
    return turned_down(trimmed(whole))


def trimmed(samples: Floats) -> Floats:
    """Return samples without the silence at their end but for the last quarter of a second."""
    loud = np.flatnonzero(samples.any(axis=1))
    last = int(loud[-1]) + 1 if len(loud) else 0
    return samples[: last + round(SILENCE_S * RATE_HZ)]


def turned_down(samples: Floats | NDArray[np.float32]) -> Played:
    """Return samples as float32, turned down as a whole where their peak would pass -3 dBFS."""
    peak = float(np.max(np.abs(samples), initial=0.0))
    most = 10 ** (MAX_PEAK_DBFS / 20)
    if peak <= most:
        return Played(samples.astype(np.float32))
    return Played((samples * (most / peak)).astype(np.float32), float(20 * np.log10(peak / most)))


def _check_length(score: Score, notes: Iterable[Sounding]) -> None:
    note_s = sum(note.end_s - note.start_s for note in notes)
    if score.end_s > MAX_S or note_s > MAX_NOTE_S:
        raise InputError(
            f"the built-in tone plays up to {MAX_S:.0f} s with {MAX_NOTE_S:.0f} s of notes, "
            f"and this has {score.end_s:.0f} s with {note_s:.0f} s of notes",
            hint="play a shorter part",
        )


def _whole_s(score: Score, notes: Iterable[Sounding]) -> float:
    drums = set(score.drum_channels)
    ends = [score.end_s]  # every release could be the longest: the rest is cut off afterwards
    for note in notes:
        if note.channel in drums:
            ends.append(note.start_s + burst_s(note.key))
        else:
            ends.append(note.end_s + _RELEASE[3])
    return max(ends) + SILENCE_S


def _drum_bus(notes: Iterable[Sounding], curves: Curves, n_samples: int) -> Floats:
    """Return the drums of a channel; their end is not waited for (General MIDI 2, 2.8.1)."""
    bus = np.zeros(n_samples)
    bursts: dict[int, Floats] = {}
    for note in notes:
        if note.key not in bursts:
            bursts[note.key] = drum(note.key, RATE_HZ)
        start = round(note.start_s * RATE_HZ)
        sound = bursts[note.key][: n_samples - start]
        key_level = curves.at(note.channel, r.KEY_LEVEL, note.start_s, note.key)
        gain = float(level_gain(note.velocity) * level_gain(key_level)) * _DRUM_PEAK
        bus[start : start + len(sound)] += sound * gain
    return bus


def _bus(notes: Iterable[Sounding], curves: Curves, n_samples: int) -> Floats:
    """Return the notes of a channel without its volume and pan."""
    bus = np.zeros(n_samples)
    notes = list(notes)
    if not notes:
        return bus
    channel = notes[0].channel
    shift = smoothed(_pitch(curves, channel))
    bright = smoothed(curves.steps(channel, r.BRIGHTNESS))
    peak = smoothed(curves.steps(channel, r.RESONANCE))
    depth = smoothed(_vibrato_depth(curves, channel))
    for note in notes:
        start = round(note.start_s * RATE_HZ)
        wave = wave_of(note.program)
        shape = _envelope(note, wave, curves)[: n_samples - start]
        low = start // HOP
        part = slice(low, low + len(shape) // HOP + 3)
        wobble = _vibrato(curves, note, depth[part])
        offset = start - low * HOP
        sound = _partial_sum(
            note.key, wave, shift[part] + wobble, bright[part], peak[part], offset, len(shape)
        )
        gain = float(level_gain(note.velocity)) * _NOTE_RMS
        bus[start : start + len(shape)] += sound * shape * gain
    return bus


def _pitch(curves: Curves, channel: int) -> Floats:
    """Return the distance from the key in semitones at every hop."""
    bend = curves.steps(channel, r.BEND) * curves.steps(channel, r.BEND_RANGE)
    return bend + curves.steps(channel, r.COARSE) + curves.steps(channel, r.FINE) / 100


def _vibrato_depth(curves: Curves, channel: int) -> Floats:
    """Return the depth of vibrato in semitones at every hop: modulation and what is above 64."""
    own = np.maximum(curves.steps(channel, r.VIBRATO_DEPTH) - 64, 0) / 63
    return (curves.steps(channel, r.MODULATION) / 127 + own) * _VIBRATO_CENTS / 100


def _vibrato(curves: Curves, note: Sounding, depth: Floats) -> Floats:
    if not depth.any():
        return depth
    rate = _VIBRATO_HZ * 2 ** (
        (curves.at(note.channel, r.VIBRATO_RATE, note.start_s) - 64) / _RATE_STEPS
    )
    wait = max(curves.at(note.channel, r.VIBRATO_DELAY, note.start_s) - 64, 0) / 63
    t = np.arange(len(depth)) * HOP / RATE_HZ
    return depth * np.sin(2 * np.pi * rate * t) * np.clip((t - wait) / 0.2, 0, 1)


def _time_s(position: float, law: tuple[float, float, float, float]) -> float:
    at_rest, steps, least, most = law
    return float(min(max(at_rest * 2 ** ((position - 64) / steps), least), most))


def _envelope(note: Sounding, wave: Wave, curves: Curves) -> Floats:
    """Return a note's level over time, 0 to 1: rounded rise, fall to the sustain, rounded end."""
    attack_s = _time_s(curves.at(note.channel, r.ATTACK, note.start_s), _ATTACK)
    release_s = _time_s(curves.at(note.channel, r.RELEASE, note.end_s), _RELEASE)
    slow = 2 ** ((curves.at(note.channel, r.DECAY, note.start_s) - 64) / _DECAY_STEPS)
    n = round((note.end_s - note.start_s + release_s) * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(t / attack_s, 0, 1))
    after = np.maximum(t - attack_s, 0)
    fall = wave.sustain + (1 - wave.sustain) * np.exp(-after / (wave.decay_s * slow))
    gone = np.clip((t - (note.end_s - note.start_s)) / release_s, 0, 1)
    return np.asarray(rise * fall * (0.5 + 0.5 * np.cos(np.pi * gone)) ** 2, dtype=np.float64)


def _partial_sum(
    key: int, wave: Wave, shift: Floats, bright: Floats, peak: Floats, offset: int, n: int
) -> Floats:
    """Return the sum of a note's partials; the first hop is ``offset`` samples before it."""
    pitch_hz = 440.0 * 2.0 ** ((key - 69 + shift) / 12)
    n_partials = int(min(MAX_PARTIALS, _FADE_TO_HZ // float(pitch_hz.min())))
    if n_partials == 0 or n == 0:
        return np.zeros(n)
    first = _PARTIALS_AT_REST * 2 ** ((bright - 64) / _STEPS_PER_OCTAVE)
    first = np.maximum(first, 1.0)
    amplitudes = partials(wave, n_partials)
    phase = 2 * np.pi * np.cumsum(to_samples(pitch_hz, offset, n)) / RATE_HZ
    turn = np.exp(1j * phase)
    now = np.ones(n, dtype=np.complex128)
    total = np.zeros(n)
    for k in range(1, n_partials + 1):
        now *= turn
        weight = amplitudes[k - 1] * _weight(k, first, peak, pitch_hz)
        if weight.max() < _INAUDIBLE:
            continue
        total += now.imag * (weight[0] if np.ptp(weight) == 0 else to_samples(weight, offset, n))
    return total


def _weight(k: int, first: Floats, peak: Floats, pitch_hz: Floats) -> Floats:
    """Return what is left of partial ``k`` at every hop: low pass, resonance, end at 20 kHz."""
    low_pass = 1 / np.sqrt(1 + (k / first) ** 4)
    bump = 3 * np.maximum(peak - 64, 0) / 63 * np.exp(-(((k / first - 1) / 0.25) ** 2))
    inside = np.clip((_FADE_TO_HZ - k * pitch_hz) / (_FADE_TO_HZ - _FADE_FROM_HZ), 0, 1)
    return np.asarray(low_pass * (1 + bump) * inside, dtype=np.float64)

"""The set-up bar: how long it is, and at which of its ticks each message may stand.

A message stands at the first tick at which the line is free and the rests before it are over, so
that nothing in the bar is late. The bar is as long as the song's first bar (2 s where the time base
is frames); where one is not enough, there are several.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from knobwright.core.errors import InputError
from knobwright.core.song.checks import TEMPO, TIME_SIGNATURE, read_division
from knobwright.core.song.metas import metas
from knobwright.core.song.quantity import MAX_QUANTITY
from knobwright.core.song.records import Song
from knobwright.core.song.tempo import DEFAULT_TEMPO_US, tempo_map
from knobwright.core.timing.wire import Link

_NS = 1_000_000_000
#: Length of the bar where the time base is frames, in seconds.
FRAME_BAR_S = 2
#: Tempos that the bar takes over, microseconds a quarter note; with others it has 120 a minute.
TEMPOS_US = (60_000, 4_000_000)
_MS_NS = 1_000_000


class Step(NamedTuple):
    """Messages of the set-up that belong together, the rest behind them, and what they are for.

    ``rest_ms`` in milliseconds holds everything that comes behind (a reset).
    """

    messages: tuple[bytes, ...]
    words: str
    rest_ms: int = 0


class Placed(NamedTuple):
    """A message of the set-up at its tick in the bar, and what it is for.

    ``at_ns`` is the tick's time; ``end_ns`` when its last byte has left the line.
    """

    tick: int
    message: bytes
    words: str
    at_ns: int
    end_ns: int
    rest_ms: int = 0


class Bar(NamedTuple):
    """A bar of set-up.

    ``ticks`` is its length, ``tick_ns`` how long each lasts, exactly. ``tempo_us`` is the bar's own
    tempo in microseconds a quarter note where the song's can't be used, else ``None``.
    """

    ticks: int
    tick_ns: Fraction
    tempo_us: int | None = None


def bar_at(song: Song, tick: int = 0, *, track: int | None = None) -> Bar:
    """Return the bar that is put before a place of a song.

    Parameters
    ----------
    song : Song
        Of any format.
    tick : int
        Where the music begins: tempo and time signature in force there count.
    track : int from 0, optional
        The pattern of a format 2 song.

    Raises
    ------
    InputError
        The time base is none of the standard.
    """
    division = read_division(song.division)
    times = tempo_map(song, track=track)
    if division.frames:
        tick_ns = Fraction(times.rates[0] * 1000, times.scale)
        return Bar(-(-FRAME_BAR_S * _NS * tick_ns.denominator // tick_ns.numerator), tick_ns)
    beats, unit = signature_at(song, tick, track=track)
    ticks = max(1, -(-division.per_quarter * 4 * beats // unit))
    tempo_us = tempo_at(song, tick, track=track)
    own = None if TEMPOS_US[0] <= tempo_us <= TEMPOS_US[1] else DEFAULT_TEMPO_US
    return Bar(ticks, Fraction((own or tempo_us) * 1000, division.per_quarter), own)


def signature_at(song: Song, tick: int, *, track: int | None = None) -> tuple[int, int]:
    """Return beats a bar and the note of a beat in force at a tick; 4, 4 where none is given."""
    found, at = (4, 4), -1
    for meta in metas(song, TIME_SIGNATURE):
        good = len(meta.content) >= 2 and meta.content[0] and meta.content[1] <= 7
        if good and at <= meta.tick <= tick and track in (None, meta.track):
            found, at = (meta.content[0], 1 << meta.content[1]), meta.tick
    return found


def tempo_at(song: Song, tick: int, *, track: int | None = None) -> int:
    """Return the tempo in force at a tick in microseconds a quarter note."""
    found, at = DEFAULT_TEMPO_US, -1
    for meta in metas(song, TEMPO):
        tempo = int.from_bytes(meta.content[:3], "big") if len(meta.content) >= 3 else 0
        if tempo and at <= meta.tick <= tick and track in (None, meta.track):
            found, at = tempo, meta.tick
    return found


def place(steps: Sequence[Step], bar: Bar, link: Link) -> tuple[list[Placed], int]:
    """Return the messages with their ticks, and how many bars it takes.

    Parameters
    ----------
    steps : sequence of Step
        In the order in which they are sent.
    bar : Bar
        Whose ticks.
    link : Link
        Speed, and the rests after exclusive messages. Running status is never counted on.

    Raises
    ------
    InputError
        The set-up is too long for a song's longest time.
    """
    free_ns = exclusive_ns = 0
    out: list[Placed] = []
    for step in steps:
        for number, message in enumerate(step.messages, 1):
            is_exclusive = message[0] == 0xF0
            due_ns = max(free_ns, exclusive_ns) if is_exclusive else free_ns
            tick = -(-due_ns * bar.tick_ns.denominator // bar.tick_ns.numerator)
            at_ns = int(-(-tick * bar.tick_ns.numerator // bar.tick_ns.denominator))
            end_ns = at_ns + len(message) * link.byte_ns
            rest_ms = step.rest_ms if number == len(step.messages) else 0
            free_ns = end_ns + rest_ms * _MS_NS
            if is_exclusive:
                exclusive_ns = max(free_ns, end_ns + link.gap_ns)
                if link.gap_holds == "all":
                    free_ns = exclusive_ns
            out.append(Placed(tick, message, step.words, at_ns, end_ns, rest_ms))
    # The music may begin with an exclusive message, so that its rest counts at the end, too.
    done_ns = max(free_ns, exclusive_ns)
    bar_ns = bar.ticks * bar.tick_ns
    n_bars = max(1, -(-done_ns * bar_ns.denominator // bar_ns.numerator))
    if n_bars * bar.ticks > MAX_QUANTITY:
        raise InputError(
            f"the set-up lasts {done_ns / _NS:.1f} s, and no song has times as long as that",
            hint="set fewer parameters, or a song with fewer ticks a quarter note",
        )
    return out, n_bars

"""Bytes to a song: everything that players accept is read, and every fault is listed."""

from __future__ import annotations

from knobwright.core.errors import InputError
from knobwright.core.song.arrays import make_events
from knobwright.core.song.checks import check_events, check_head, read_division
from knobwright.core.song.containers import unwrap
from knobwright.core.song.records import Faults, Song
from knobwright.core.song.tempo import MAX_NS, event_ns
from knobwright.core.song.tracks import Walker, read_head

#: A tick lasts longest with the slowest tempo, FF FF FF microseconds a quarter note, or with the
#: fewest frames, 24 a second of one tick each.
_SLOWEST_US = 0xFFFFFF
_LONGEST_FRAME_US = 41_667


def read_song(data: bytes, name: str = "", *, strict: bool = False) -> Song:
    """Return the song in the bytes of a file.

    Parameters
    ----------
    data : bytes
        A Standard MIDI File, also inside gzip or RIFF (RMID); at most 32 MiB, packed or unpacked.
    name : str
        What to call it in errors.
    strict : bool
        Whether a fault is an error. Otherwise the song has its faults listed, each with its place
        and with what was done about it.

    Raises
    ------
    InputError
        It is no Standard MIDI File, ends inside its header, is too large or has more than
        4 000 000 events; with ``strict`` also for any fault: the first one is told.

    Examples
    --------
    >>> song = read_song(bytes.fromhex(
    ...     "4D546864 00000006 0000 0001 0060 4D54726B 0000000B 00903C40 60803C40 00FF2F00"
    ...     .replace("0000000B", "0000000C")))
    >>> song.events.tick.tolist(), song.faults
    ([0, 96, 96], ())
    """
    faults = Faults()
    inner, wrap = unwrap(data, name, faults)
    head = read_head(inner, name, faults)
    walker = Walker(inner, name, faults)
    walker.walk(head.end)
    events = make_events(inner, walker.places, faults)
    n_tracks = len(walker.places.starts)
    check_head(head, n_tracks, faults)
    check_events(inner, events, head.format, faults)
    song = Song(
        name, head.format, head.division, head.n_tracks, n_tracks, tuple(walker.chunks), events,
        inner, wrap, (), 0,
    )  # fmt: skip
    _check_length(song, faults)
    listed = faults.in_order()
    if strict and listed:
        more = f", and {faults.n - 1} more" if faults.n > 1 else ""
        raise InputError(
            f"the song does not keep to the standard: {listed[0].words()}{more}",
            where=name,
            hint="read it without --strict to hear it as players do",
        )
    return song._replace(faults=listed, n_faults=faults.n)


def _check_length(song: Song, faults: Faults) -> None:
    """Say that a song is longer than any time that is told."""
    division = read_division(song.division)
    if not division.is_known or not song.n_events:
        return
    longest_us = _LONGEST_FRAME_US if division.frames else _SLOWEST_US // division.per_quarter + 1
    # Hardly any song needs its times to be worked out for that.
    if int(song.events.tick.max()) * longest_us * 1000 < MAX_NS:
        return
    if int(event_ns(song).max()) >= MAX_NS:
        done = "what comes later counts as coming then, and its figures mean nothing"
        faults.add(12, 0, "the song lasts longer than 146 years", done)

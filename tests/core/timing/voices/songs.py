"""Small songs for the tests of voices: lines of ``MILLISECONDS BYTES``, a tick being 1 ms."""

from __future__ import annotations

from typing import Any

from knobwright.core.song.read import read_song
from knobwright.core.song.records import Event, Song
from knobwright.core.song.write import new_song
from knobwright.core.timing.voices.cuts import DEFAULT_RULE
from knobwright.core.timing.voices.front import Voices, voices_of
from knobwright.core.timing.voices.module import Choices, Polyphony

MS = 1_000_000
#: At 500 ticks a quarter note and the default tempo, a tick is a millisecond.
DIVISION = 500


def events_of(lines: str) -> list[Event]:
    """Return the events that lines tell; blank lines are passed over.

    ``F7`` in front of a message puts it into an escape, as in files.
    """
    rows = (line.split(maxsplit=1) for line in lines.strip().splitlines() if line.strip())
    return [Event(int(ms), bytes.fromhex(text)) for ms, text in rows]


def song_of(*tracks: str, length_ms: int = 1000) -> Song:
    """Return a song of the given tracks, each of which ends at ``length_ms`` or with its last."""
    made = []
    for lines in tracks:
        events = events_of(lines)
        end = max(length_ms, events[-1].tick if events else 0)
        made.append([*events, Event(end, b"\xff\x2f")])
    return read_song(new_song(made, song_format=int(len(made) > 1), division=DIVISION), "made.mid")


def heard(
    *tracks: str,
    module: Polyphony | None = None,
    rule: str = DEFAULT_RULE,
    length_ms: int = 1000,
    **choices: Any,
) -> Voices:
    """Return the voices of a small song; ``choices`` are those of ``Choices``."""
    chosen = (module or Polyphony())._replace(choices=Choices(**choices))
    return voices_of(song_of(*tracks, length_ms=length_ms), chosen, rule=rule)


def ends_ms(voices: Voices) -> list[float]:
    """Return when the notes fall silent, in milliseconds, in the order in which they begin."""
    return [ns / MS for ns in voices.notes.ends.ns.tolist()]

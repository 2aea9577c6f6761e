"""Every song of the Debian packages against symusic, a general-purpose library that reads scores.

It keeps notes, not messages: a note is a note-on joined with the next note-off of its key. So its
notes are compared as (tick, key, velocity) and its ends as (tick, key), its tempos as they stand.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
import symusic

from knobwright.core.song.read import read_song
from knobwright.core.song.records import META
from knobwright.core.song.write import track_events
from knobwright.core.wire import is_note_on
from tests.oracle import midifile

_TEMPO = b"\xff\x51"


@pytest.mark.parametrize("package", midifile.PACKAGES)
def test_symusic_agrees_on_notes_ticks_and_tempos(package: str) -> None:
    midifile.require(package)
    n_notes = n_theirs = 0
    for name, data in midifile.songs(package):
        song = read_song(data, name)
        score: Any = symusic.Score.from_midi(data, ttype="tick")
        events = [row for track in range(song.n_tracks) for row in track_events(song, track)]
        ours = Counter((tick, d[1], d[2]) for tick, d in events if d[0] != META and is_note_on(d))
        theirs = Counter(
            (note.time, note.pitch, note.velocity) for track in score.tracks for note in track.notes
        )
        # A note-on whose note-off never comes is none of its notes; everything else is one of ours.
        assert not theirs - ours, name
        n_notes += ours.total()
        n_theirs += theirs.total()
        assert score.tpq == song.division, name
        tempos = {tick: int.from_bytes(d[-3:], "big") for tick, d in events if d[:2] == _TEMPO}
        found = {tempo.time: tempo.mspq for tempo in score.tempos}
        assert found == tempos or (not tempos and found == {0: 500_000}), name
    assert n_theirs >= 0.999 * n_notes

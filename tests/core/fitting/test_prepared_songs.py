"""Real songs prepared for the 28-voice module: mido and an independent listener agree."""

from __future__ import annotations

import pytest

from knobwright.core.fitting.prepare import Order, prepare
from knobwright.core.song.read import read_song
from knobwright.core.timing.wire import Link
from tests.core.fitting.made import Heard, general_midi, is_note, larkfield, played
from tests.oracle import midifile

LINK = Link(gap_ns=20_000_000)


def mended(data: bytes) -> bytes:
    """Return a song that mido reads: a key signature of 255 is made 0."""
    return midifile._ODD_KEY.sub(lambda found: found[0][:-1] + b"\x00", data)


def states(data: bytes) -> list[dict[object, object]]:
    heard = Heard()
    found = (heard.take(row.message) for row in played(data))
    return [state for state in found if state is not None]


@pytest.mark.parametrize("package", midifile.PACKAGES)
@pytest.mark.parametrize("drops", [False, True], ids=["whole", "without repeats"])
def test_real_songs_stay_the_same_music(package: str, drops: bool) -> None:
    midifile.require(package)
    for name, data in midifile.songs(package)[3 * drops :: 40]:
        done = prepare(
            read_song(data, name), larkfield(), general_midi(), Order(LINK, drops_repeats=drops)
        )
        before, after = played(mended(data)), played(mended(done.data))
        bars = done.bars[0]
        shift = bars.n_bars * bars.bar_ticks
        notes = [(r.tick + shift, r.track, r.message) for r in before if is_note(r.message)]
        assert notes == [(r.tick, r.track, r.message) for r in after if is_note(r.message)], name
        later = {
            b.time_s - a.time_s
            for a, b in zip(
                (r for r in before if is_note(r.message)),
                (r for r in after if is_note(r.message)),
                strict=True,
            )
        }
        assert len(later) == 1, name
        for wanted, there in zip(states(mended(data)), states(mended(done.data)), strict=True):
            wanted = {k: v for k, v in wanted.items() if k not in (0, 32)}
            assert wanted.items() <= there.items(), (name, wanted, there)


def test_the_heaviest_songs_lose_their_long_waits() -> None:
    """Longest waits at 320 us a byte, full status: 446.4, 334.1 and 329.6 ms as published."""
    midifile.require("freedoom")
    songs = {name.partition(":")[2]: data for name, data in midifile.songs("freedoom")}
    for name, wait_ms in {"D_E3M8": 446.4, "D_E2M4": 334.1, "D_E3M1": 329.6}.items():
        done = prepare(
            read_song(songs[name]), larkfield(), general_midi(), Order(LINK, drops_repeats=True)
        )
        assert longest_wait_ms(songs[name]) == pytest.approx(wait_ms, abs=0.1)
        assert longest_wait_ms(done.data) < 35


def longest_wait_ms(data: bytes) -> float:
    """Return the longest time from a message's place to its end on a DIN cable; no rests."""
    free, longest = 0.0, 0.0
    for row in played(data):
        due = float(row.time_s) * 1000
        free = max(free, due) + 0.32 * len(row.message)
        longest = max(longest, free - due)
    return longest

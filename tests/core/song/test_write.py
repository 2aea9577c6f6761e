"""Songs that are written: round trips, and what is refused."""

from __future__ import annotations

import io

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import DecodeError, EncodeError
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Event
from knobwright.core.song.write import new_song, rewrite, track_events, write_song, write_track
from tests.core.song.made import END, EXAMPLE_1, head, song, track

DATA = st.integers(0, 127)


def _channel(status: int, first: int, second: int) -> bytes:
    data = bytes((status, first, second))
    return data[:2] if status >> 4 in (0xC, 0xD) else data


MESSAGES = st.one_of(
    st.builds(_channel, st.integers(0x80, 0xEF), DATA, DATA),
    # Texts and makers' own: mido keeps their bytes (of unknown types it loses the time).
    st.builds(lambda kind, content: bytes((0xFF, kind)) + content,
              st.sampled_from((1, 3, 5, 0x7F)), st.binary(max_size=200)),
    st.builds(lambda content: b"\xf0" + content + b"\xf7",
              st.lists(DATA, max_size=200).map(bytes)),
)  # fmt: skip
STEPS = st.one_of(st.integers(0, 200), st.integers(0, 0x0FFFFFFF))


@st.composite
def tracks(draw: st.DrawFn) -> list[Event]:
    """Return the events of a track, with its end."""
    tick, out = 0, []
    for step, data in draw(st.lists(st.tuples(STEPS, MESSAGES), max_size=20)):
        tick += step
        out.append(Event(tick, data))
    return [*out, Event(tick + draw(STEPS), b"\xff\x2f")]


SONGS = st.lists(tracks(), min_size=1, max_size=4)


@given(SONGS, st.booleans(), st.integers(1, 0x7FFF))
def test_what_is_written_is_read_again(
    made: list[list[Event]], running_status: bool, division: int
) -> None:
    data = new_song(made, division=division, running_status=running_status)
    found = read_song(data, strict=True)
    assert (found.format, found.division, found.n_tracks) == (1, division, len(made))
    assert [track_events(found, number) for number in range(len(made))] == made
    assert write_song(found) == data


@given(SONGS, st.booleans())
def test_mido_reads_what_is_written(made: list[list[Event]], running_status: bool) -> None:
    file = mido.MidiFile(file=io.BytesIO(new_song(made, running_status=running_status)))
    assert len(file.tracks) == len(made)
    for theirs, ours in zip(file.tracks, made, strict=True):
        tick, found = 0, []
        for message in theirs:
            tick += message.time
            found.append((tick, message))
        assert [at for at, _ in found] == [event.tick for event in ours]
        for (_, message), event in zip(found, ours, strict=True):
            if not message.is_meta:
                assert bytes(message.bytes()) == event.data
            else:
                # mido writes type, length and content: type and content must be the same.
                theirs_data = bytes(message.bytes())
                n = len(event.data) - 2
                assert theirs_data[1] == event.data[1]
                assert theirs_data[len(theirs_data) - n :] == event.data[2:]


@given(SONGS, st.integers(0, 3), tracks())
def test_other_tracks_and_chunks_stay_byte_for_byte(
    made: list[list[Event]], number: int, new: list[Event]
) -> None:
    number %= len(made)
    strange = b"XFIH\0\0\0\x03abc"
    data = new_song(made, running_status=True) + strange
    again = rewrite(read_song(data), {number: new})
    assert again.endswith(strange)
    read = read_song(again, strict=True)
    expected = [*made[:number], new, *made[number + 1 :]]
    assert [track_events(read, n) for n in range(len(made))] == expected
    assert rewrite(read_song(data), {}) == data


def test_faults_outside_a_new_track_stay_too() -> None:
    odd = head(9, song_format=1) + track(f"00 C0 01 {END}") + track("00 90 3C 40") + b"rest"
    again = rewrite(read_song(odd), {0: [Event(0, b"\xc0\x02")]})
    assert again == odd.replace(b"\xc0\x01", b"\xc0\x02")


def test_a_track_that_can_not_be_read_whole_is_not_written_anew() -> None:
    found = read_song(song(f"00 90 3C C0 00 90 3E 40 {END}"), "odd.mid")
    with pytest.raises(DecodeError, match="track 1 has an event that can't be read") as caught:
        track_events(found, 0)
    assert caught.value.where == "odd.mid, byte 24"


@pytest.mark.parametrize(
    ("events", "words"),
    [([Event(5, b"\xc0\1"), Event(4, b"\xc0\1")], "event 2 stands at tick 4, behind one at tick 5"),
     ([Event(2**28, b"\xc0\1")], "the step is 0 to 268435455 ticks"),
     ([Event(0, b"\xff\x2f"), Event(0, b"\xc0\1")],
      "event 1 is an end of track, and it must be the last of 3"),
     ([Event(0, b"\x90\x3c")], "expected 2 data bytes after 90"),
     ([Event(0, b"\x90\x3c\x80")], "expected data bytes 00 to 7F"),
     ([Event(0, b"\xf8")], "no event of a song begins with F8"),
     ([Event(0, b"")], "no event of a song begins with nothing"),
     ([Event(0, b"\xff\x80")], "no event of a song begins with FF 80")],
)  # fmt: skip
def test_what_is_no_track_is_refused(events: list[Event], words: str) -> None:
    with pytest.raises(EncodeError) as caught:
        write_track(events)
    assert words in caught.value.message


def test_an_empty_track_has_its_end() -> None:
    assert write_track([]) == bytes.fromhex(END)
    assert write_track([Event(3, b"\xc0\x01")]) == bytes.fromhex(f"03 C0 01 {END}")


def test_running_status_ends_at_meta_and_exclusive_events() -> None:
    """RP-001: they cancel running status."""
    note, text = Event(0, b"\x90\x3c\x40"), Event(0, b"\xff\x01A")
    packet = Event(0, b"\xf7\xf8")
    data = write_track([note, note, text, note, packet, note], running_status=True)
    expected = f"00 90 3C 40 00 3C 40 00 FF 01 01 41 00 90 3C 40 00 F7 01 F8 00 90 3C 40 {END}"
    assert data == bytes.fromhex(expected)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [({"song_format": 3}, "the formats are 0, 1 and 2"),
     ({"song_format": 0}, "a song of format 0 can't have 2 tracks"),
     ({"division": 0}, "a time base is 1 to 65535")],
)  # fmt: skip
def test_a_header_that_can_not_be_is_refused(arguments: dict[str, int], words: str) -> None:
    with pytest.raises(EncodeError, match=words):
        new_song([[], []], **arguments)  # type: ignore[arg-type]


def test_a_track_that_is_not_there_is_refused() -> None:
    with pytest.raises(EncodeError, match="the song has 4 tracks, and none is 5"):
        rewrite(read_song(EXAMPLE_1), {4: []})

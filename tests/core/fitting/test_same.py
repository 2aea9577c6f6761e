"""The proof finds what was changed without being listed; repeats and messages of a song."""

from __future__ import annotations

import pytest

from knobwright.core.fitting.bar import Step, bar_at, place, signature_at, tempo_at
from knobwright.core.fitting.prepare import Order, prepare
from knobwright.core.fitting.rebuild import Cut
from knobwright.core.fitting.repeats import repeats_in
from knobwright.core.fitting.same import Change, same_music
from knobwright.core.fitting.told import Told, told
from knobwright.core.song.read import read_song
from knobwright.core.timing.wire import Link
from tests.core.fitting.made import general_midi, larkfield
from tests.core.song import made

BODY = (
    "00 FF 51 03 07 A1 20 00 C0 05 10 90 3C 40 20 B0 07 50 20 80 3C 40 20 FF 06 01 41 00 FF 2F 00"
)


def shifted(body: str, ticks: str = "83 00") -> bytes:
    """Return the song with its first message 384 ticks (83 00) later; the tempo stays in front."""
    tempo = "00 FF 51 03 07 A1 20"
    assert body.startswith(tempo + " 00 ")
    return made.song(f"{tempo} {ticks} {body[len(tempo) + 4 :]}")


BEFORE = read_song(made.song(BODY))
CUT = Cut(0, 384, bar_at(BEFORE))
NONE: dict[int, tuple[bytes, ...]] = {}


def differences(body: str, **change: object) -> list[str]:
    whole = {"track": None, "cut": CUT, "dropped": frozenset(), "replaced": NONE, **change}
    return same_music(BEFORE, read_song(shifted(body)), Change(**whole))  # type: ignore[arg-type]


def test_the_same_music_a_bar_later_has_no_differences() -> None:
    assert differences(BODY) == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("90 3C 40", "90 3C 41", "note"),
        ("10 90 3C", "11 90 3C", "note"),
        ("80 3C 40", "80 3D 40", "note"),
        ("90 3C 40", "91 3C 40", "note"),
        ("B0 07 50", "B0 07 51", "message"),
        ("B0 07 50", "B0 0A 50", "message"),
        ("C0 05", "C0 06", "message"),
        ("20 B0 07 50 ", "20 B0 07 50 00 B0 07 50 ", "2 messages|messages are wanted"),
        ("FF 06 01 41", "FF 06 01 42", "meta event"),
        ("20 FF 06 01 41", "21 FF 06 01 41", "meta event"),
    ],
)  # fmt: skip
def test_any_change_that_is_not_listed_is_found(old: str, new: str, words: str) -> None:
    assert BODY.count(old) == 1
    found = differences(BODY.replace(old, new))
    assert any(word in line for line in found for word in words.split("|")), found


def test_a_change_of_tempo_is_found() -> None:
    after = read_song(shifted(BODY).replace(bytes.fromhex("07 A1 20"), bytes.fromhex("07 A1 21")))
    found = same_music(BEFORE, after, Change(None, CUT, frozenset(), NONE))
    assert any("times have changed" in line for line in found)


def test_a_list_that_leaves_out_or_changes_a_note_is_not_believed() -> None:
    note = 2  # tempo, program, note
    body = BODY.replace("10 90 3C 40 20 B0", "30 B0")
    assert any("note" in line for line in differences(body, dropped=frozenset((note,))))
    other = BODY.replace("90 3C 40", "90 3D 40")
    replaced = {note: (bytes.fromhex("90 3D 40"),)}
    assert any("note" in line for line in differences(other, replaced=replaced))


def test_a_note_in_the_set_up_is_found() -> None:
    data = shifted("00 FF 51 03 07 A1 20 00 90 3C 40 00 80 3C 40 " + BODY[21:], "00")
    found = same_music(BEFORE, read_song(data), Change(None, CUT, frozenset(), NONE))
    assert any("in the set-up" in line for line in found)


# -- messages of a song ----------------------------------------------------------------------------


def test_messages_know_their_events() -> None:
    song = read_song(
        made.song(
            "00 90 3C 40 00 F0 02 7D 01 10 F7 02 02 F7 00 F7 02 F8 F6 00 F7 01 55 00 FF 2F 00"
        )
    )
    rows, loose = told(song)
    assert rows == [
        Told(0, 0, (0,), bytes.fromhex("90 3C 40")),
        Told(16, 0, (1, 2), bytes.fromhex("F0 7D 01 02 F7")),
        Told(16, 0, (3,), b"\xf8"),
        Told(16, 0, (3,), b"\xf6"),
    ]
    assert [(row.event, row.data) for row in loose] == [(4, b"\x55")]


# -- the bar ----------------------------------------------------------------------------------


def test_messages_stand_where_line_and_rests_are_over() -> None:
    """Worked by hand: 320 us a byte (MIDI 1.0, p. 1); a tick of 1 ms (25 frames of 40, RP-001)."""
    song = read_song(made.head(1, division=0xE728) + made.track("00 90 3C 40 00 FF 2F 00"))
    bar = bar_at(song)
    assert (bar.ticks, int(bar.tick_ns * 1000)) == (2000, 1_000_000_000)
    exclusive = bytes.fromhex("F0 7D 01 02 F7")  # five bytes: 1.6 ms
    control = bytes.fromhex("B0 07 40")  # 0.96 ms
    steps = [Step((exclusive,), "a", 100), Step((exclusive, control), "b"), Step((exclusive,), "c")]
    placed, n_bars = place(steps, bar, Link(gap_ns=20_000_000))
    # a: 0 to 1.6, rest until 101.6; b: 102 to 103.6; its control change at once; c: 20 ms later.
    assert [row.tick for row in placed] == [0, 102, 104, 124]
    assert n_bars == 1
    placed, _ = place(steps, bar, Link(gap_ns=20_000_000, gap_holds="all"))
    assert [row.tick for row in placed] == [0, 102, 124, 125]


def test_signature_and_tempo_are_those_in_force() -> None:
    song = read_song(
        made.song(
            "00 FF 58 04 03 02 18 08 60 FF 51 03 03 0D 40 00 FF 58 04 06 03 24 08 00 FF 2F 00"
        )
    )
    assert (signature_at(song, 0), signature_at(song, 95)) == ((3, 4), (3, 4))
    assert signature_at(song, 96) == (6, 8)
    assert (tempo_at(song, 95), tempo_at(song, 96)) == (500_000, 200_000)


# -- repeats ----------------------------------------------------------------------------------


def kept(text: str, set_up: str = "") -> list[str]:
    """Return the messages of a song that are left when repeats go; ``;`` parts messages."""
    rows = [Told(0, 0, (i,), bytes.fromhex(m)) for i, m in enumerate(text.split(";"))]
    before = [bytes.fromhex(m) for m in set_up.split(";") if m]
    gone = repeats_in(rows, {}, before)
    return [row.message.hex(" ").upper() for row in rows if row not in gone]


@pytest.mark.parametrize(
    ("song", "left"),
    [
        ("B0 07 40;B0 07 40;B0 07 41", "B0 07 40;B0 07 41"),
        ("B0 07 40;B1 07 40", "B0 07 40;B1 07 40"),
        ("E0 00 40;E0 00 40;D0 10;D0 10", "E0 00 40;D0 10"),
        # A high part that comes again sets the low part back to 0 (MIDI 1.0, page 12).
        ("B0 07 40;B0 27 05;B0 07 40", "B0 07 40;B0 27 05;B0 07 40"),
        ("B0 07 40;B0 27 00;B0 07 40", "B0 07 40"),
        # Switches, banks and what is for the next note are never left out.
        ("B0 40 7F;B0 40 7F", "B0 40 7F;B0 40 7F"),
        ("B0 00 01;B0 00 01", "B0 00 01;B0 00 01"),
        ("B0 54 3C;B0 54 3C", "B0 54 3C;B0 54 3C"),
        ("C0 05;C0 05", "C0 05"),
        ("C0 05;B0 00 01;C0 05", "C0 05;B0 00 01;C0 05"),
        # RPN 0 = 12 twice; another value; the selection is kept.
        ("B0 65 00;B0 64 00;B0 06 0C;B0 65 00;B0 64 00;B0 06 0C", "B0 65 00;B0 64 00;B0 06 0C"),
        ("B0 65 00;B0 64 00;B0 06 0C;B0 65 00;B0 64 01;B0 06 0C",
         "B0 65 00;B0 64 00;B0 06 0C;B0 64 01;B0 06 0C"),
        ("B0 06 0C;B0 06 0C", "B0 06 0C;B0 06 0C"),
        # Steps and resets make unknown what is set.
        ("B0 07 40;B0 60 00;B0 07 40", "B0 07 40;B0 60 00;B0 07 40"),
        ("B0 07 40;B0 79 00;B0 07 40", "B0 07 40;B0 79 00;B0 07 40"),
        ("B0 07 40;F0 7D 01 F7;B0 07 40", "B0 07 40;F0 7D 01 F7;B0 07 40"),
        # A non-registered parameter may be another way to a controller.
        ("B0 4A 40;B0 63 01;B0 62 02;B0 06 05;B0 4A 40",
         "B0 4A 40;B0 63 01;B0 62 02;B0 06 05;B0 4A 40"),
        ("A0 3C 40;A0 3C 40", "A0 3C 40;A0 3C 40"),
    ],
)  # fmt: skip
def test_only_what_is_set_already_is_a_repeat(song: str, left: str) -> None:
    assert kept(song) == left.split(";")


def test_what_the_set_up_sends_counts_as_set() -> None:
    assert kept("B0 07 40;C0 05;B0 0A 40", "B0 07 40;B0 00 00;B0 20 00;C0 05") == ["B0 0A 40"]


def test_a_song_that_would_not_be_the_same_is_not_handed_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The proof is asked before anything is handed out: a wrong writer is caught."""
    from knobwright.core.errors import InputError
    from knobwright.core.fitting import prepare as module
    from knobwright.core.fitting import rebuild

    right = rebuild.track_anew

    def wrong(*arguments: object) -> object:
        head, rest = right(*arguments)  # type: ignore[arg-type]
        return head, [e._replace(tick=e.tick + 1) if e.data[0] == 0x80 else e for e in rest]

    monkeypatch.setattr(module, "track_anew", wrong)
    with pytest.raises(InputError, match="not be the same music"):
        prepare(BEFORE, larkfield(), general_midi(), Order())


def test_many_escapes_take_no_longer_each() -> None:
    """Each escape by itself is a message; none is looked for in those before it."""
    n = 20_000
    song = read_song(made.song("00 F7 01 F6 " * n + "00 FF 2F 00"))
    rows, loose = told(song)
    assert [row.events for row in rows] == [(i,) for i in range(n)]
    assert not loose

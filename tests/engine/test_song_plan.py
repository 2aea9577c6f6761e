"""What of a song is played, what is asked about, and what the sheet does not know."""

from __future__ import annotations

from knobwright.core.song.read import read_song
from knobwright.core.state.trust import Trust
from knobwright.engine.song_plan import RESET_REST_NS, Plan, plan
from tests.core.song.made import END, song
from tests.engine.small_sheets import WREN, codec_of

GM_ON = "F0 7E 7F 09 01 F7"


def planned(*tracks: str, allow: tuple[str, ...] = (), song_format: int | None = None) -> Plan:
    """Return the plan of a song for the invented module, its sheet trusted."""
    codec = codec_of(WREN)
    return plan(read_song(song(*tracks, song_format=song_format)), codec, Trust(codec, allow))


def exclusive(message: str) -> str:
    """Return the event of an exclusive message in hex, without its delta time."""
    data = bytes.fromhex(message)
    return f"F0 {len(data) - 1:02X} {data[1:].hex(' ')}"


def sent(made: Plan) -> list[str]:
    return [message.hex(" ").upper() for message in made.messages]


def test_exclusive_messages_that_the_sheet_explains_are_sent() -> None:
    """Checksum by hand: 30 + 05 + 40 (hex) is 75, and 75 + 0B is 80."""
    line = "F0 7D 10 42 30 05 40 0B F7"
    made = planned(f"00 {exclusive(GM_ON)} 00 {exclusive(line)} 00 90 3C 40 {END}")
    assert sent(made) == [GM_ON, line, "90 3C 40"]
    assert made.untrusted == ()


def test_what_nobody_explains_is_counted_and_asked_about() -> None:
    """7D 10 42 31 05 7F 4C: the checksum is wrong by one (31 + 05 + 7F + 4B = 100 hex)."""
    wrong, strange = "F0 7D 10 42 31 05 7F 4C F7", "F0 00 20 7F 01 02 03 04 F7"
    made = planned(
        f"00 {exclusive(strange)} 60 {exclusive(strange)} 00 {exclusive(wrong)} 00 90 3C 40 {END}"
    )
    assert sent(made) == ["90 3C 40"]
    assert made.n_untrusted == 3
    first, second = made.untrusted
    assert (first.first, first.n, first.n_bytes, first.first_ns) == (strange, 2, 9, 0)
    assert first.allow == "F0 00 20 7F 01 02"
    assert (second.first, second.n, second.first_ns) == (wrong, 1, 500_000_000)
    assert first.why
    assert second.why


def test_what_the_user_allows_is_sent() -> None:
    strange = "F0 00 20 7F 01 02 03 04 F7"
    made = planned(f"00 {exclusive(strange)} {END}", allow=("F0 00 20 7F 01",))
    assert sent(made) == [strange]


def test_without_a_sheet_no_exclusive_message_is_sent() -> None:
    found = read_song(song(f"00 {exclusive(GM_ON)} 00 90 3C 40 {END}"))
    made = plan(found, None, None)
    assert sent(made) == ["90 3C 40"]
    assert made.untrusted[0].why == "no sheet is given that could explain it"
    assert made.unknown == ()


def test_a_reset_gets_its_rest() -> None:
    """The sheet's own rest for General MIDI On; 100 ms after General MIDI 2 On (RP-024, 4.9.1)."""
    made = planned(END)
    assert made.rests_ns[bytes.fromhex(GM_ON)] == 100_000_000
    assert made.rests_ns[bytes.fromhex("F0 7E 10 09 03 F7")] == RESET_REST_NS == 100_000_000


def test_what_the_sheet_does_not_know_is_listed_by_how_often_it_comes() -> None:
    made = planned(
        "00 B0 47 10 00 B1 47 20 00 B0 07 64 00 B0 63 01 00 62 02 00 06 40"
        f"00 C0 00 00 C2 05 00 E0 00 40 00 90 3C 40 00 B0 78 00 {END}"
    )
    first, *rest = made.unknown
    assert (first.words, first.channels, first.n) == (
        "controller 71 (timbre/harmonic intensity)",
        (1, 2),
        2,
    )
    words = [row.words for row in rest]
    assert "program 6 of bank 0/0" in words
    assert any(
        "1" in text and "2" in text and row.n == 1 for row, text in zip(rest, words, strict=True)
    )
    assert not any("volume" in text or "program 1 " in text for text in words)
    assert len(made.messages) == 11  # all of it is sent all the same


def test_several_ports_are_told_and_all_is_sent_to_one_link() -> None:
    made = planned(f"00 FF 21 01 00 00 90 3C 40 {END}", f"00 FF 21 01 01 00 91 3C 40 {END}")
    assert made.ports == ((0, (1,)), (1, (2,)))
    assert sent(made) == ["90 3C 40", "91 3C 40"]
    assert planned(f"00 FF 21 01 00 {END}").ports == ()


def test_the_plan_of_a_format_2_song_says_how_many_patterns_there_are() -> None:
    made = planned(f"00 90 3C 40 {END}", f"00 91 3C 40 {END}", song_format=2)
    assert made.n_patterns == 2
    assert sent(made) == ["90 3C 40"]


def test_faults_and_length_are_told() -> None:
    made = planned("00 90 3C 40 60 80 3C 40")
    assert (made.n_faults, made.length_ns) == (1, 500_000_000)

"""Playing: each message at its exact time, from any place, and silence at the end."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from fractions import Fraction

import pytest

from knobwright.core.errors import InputError
from knobwright.core.song.read import read_song
from knobwright.core.timing.items import NOTE, Item
from knobwright.engine.player import ClockAlarm, Played, Player
from knobwright.engine.song_plan import Plan, plan
from tests.core.song.made import END, song
from tests.engine.virtual_time import VirtualTime

START = 5_000_000_000
QUARTER = 500_000_000  # at 120 a minute
#: A quarter note of C, then a quarter note of E (96 ticks each).
TWO_NOTES = f"00 90 3C 40 60 80 3C 40 00 90 40 40 60 80 40 40 {END}"


class Stage:
    """A player on virtual time that writes down what it pushes."""

    def __init__(
        self, events: str, *, late_ns: int = 0, byte_ns: int = 0, division: int = 96
    ) -> None:
        self.time = VirtualTime(START, late_ns=late_ns)
        self.plan: Plan = plan(read_song(song(events, division=division)), None, None)
        self.sent: list[tuple[int, str]] = []
        self.items: list[Item] = []
        self.player = Player(
            self.plan, self.push, clock=self.time.clock, alarm=self.time, byte_ns=byte_ns
        )

    def push(self, items: Sequence[Item]) -> None:
        for item in items:
            self.items.append(item)
            for message in item.messages:
                self.sent.append((self.time.now_ns - START, message.hex(" ").upper()))

    def play(self, **arguments: int) -> Played:
        return self.player.play(**arguments)

    def at(self, at_ns: int, action: Callable[[], object]) -> None:
        self.time.at(START + at_ns, action)


def test_every_message_is_sent_at_its_time() -> None:
    stage = Stage(TWO_NOTES)
    played = stage.play()
    assert stage.sent == [
        (0, "90 3C 40"), (QUARTER, "80 3C 40"), (QUARTER, "90 40 40"), (2 * QUARTER, "80 40 40"),
    ]  # fmt: skip
    assert played == Played(True, 2 * QUARTER, 4, 0, 0, 0, 0, 0)


def test_times_do_not_drift_however_late_each_wake_is() -> None:
    """Each wake is 300 us late; the thousandth message is 300 us late, too, not 300 ms."""
    stage = Stage("07 C0 01 " * 1_000 + END, late_ns=300_000, division=7 * 96 + 1)
    played = stage.play()
    exact = [7 * n * 500_000_000 // (7 * 96 + 1) for n in range(1, 1_001)]
    assert [at_ns for at_ns, _ in stage.sent] == [at_ns + 300_000 for at_ns in exact]
    assert played.worst_late_ns == 300_000


def test_a_chord_is_pushed_in_one_go() -> None:
    stage = Stage(f"60 90 3C 40 00 40 40 00 43 40 60 3C 00 00 40 00 00 43 00 {END}")
    stage.play()
    assert stage.time.n_waits == 2


@pytest.mark.parametrize("speed", [Fraction(1, 3), Fraction(2), Fraction(7, 5)])
def test_a_speed_divides_the_times(speed: Fraction) -> None:
    stage = Stage(TWO_NOTES)
    stage.player.set_speed(speed)
    stage.play()
    assert [at_ns for at_ns, _ in stage.sent] == [
        -(-at_ns * speed.denominator // speed.numerator) for at_ns in (0, QUARTER, QUARTER, 10**9)
    ]


def test_the_speed_can_change_while_playing() -> None:
    stage = Stage(TWO_NOTES)
    stage.at(QUARTER // 2, lambda: stage.player.set_speed(2))
    stage.play()
    assert [at_ns for at_ns, _ in stage.sent] == [0, 375_000_000, 375_000_000, 625_000_000]


@pytest.mark.parametrize("speed", [0, -1, 17, Fraction(1, 17), float("nan"), float("inf")])
def test_a_speed_that_is_none_is_refused(speed: float) -> None:
    with pytest.raises(InputError, match="a speed is 1/16 to 16 times"):
        Stage(TWO_NOTES).player.set_speed(speed)


def test_stop_leaves_silence() -> None:
    stage = Stage(f"00 B0 40 7F 00 90 3C 40 00 90 3C 40 81 40 80 3C 40 {END}")
    stage.at(100, stage.player.stop)
    played = stage.play()
    assert stage.sent[3:] == [(100, "B0 40 00"), (100, "80 3C 40"), (100, "80 3C 40")]
    assert not played.is_whole
    assert played.at_ns == 100
    assert played.n_messages == 3


def test_what_a_song_leaves_hanging_is_let_go_and_counted() -> None:
    stage = Stage(f"00 90 3C 40 00 91 3E 40 60 FF 01 00 {END}")
    played = stage.play()
    assert stage.sent[2:] == [(QUARTER, "80 3C 40"), (QUARTER, "81 3E 40")]
    assert played.n_hanging == 2
    assert played.is_whole


def test_silence_is_left_also_when_something_fails() -> None:
    stage = Stage(TWO_NOTES)

    def fail() -> None:
        raise OSError("gone")

    stage.at(1, fail)
    with pytest.raises(OSError, match="gone"):
        stage.play()
    assert stage.sent[-1] == (1, "80 3C 40")


def test_a_pause_is_silent_and_goes_on_from_its_place() -> None:
    stage = Stage(f"00 B0 40 7F 00 90 3C 40 60 80 3C 40 00 90 40 40 60 80 40 40 00 B0 40 00 {END}")
    stage.at(100, stage.player.pause)
    stage.at(150, lambda: places.append(stage.player.at_ns))
    stage.at(1_100, stage.player.go_on)
    places: list[int] = []
    played = stage.play()
    assert places == [100]
    assert stage.sent == [
        (0, "B0 40 7F"), (0, "90 3C 40"),
        (100, "B0 40 00"), (100, "80 3C 40"),  # the pause
        (1_100, "B0 40 7F"),  # the pedal is down again
        (QUARTER + 1_000, "80 3C 40"), (QUARTER + 1_000, "90 40 40"),
        (2 * QUARTER + 1_000, "80 40 40"), (2 * QUARTER + 1_000, "B0 40 00"),
    ]  # fmt: skip
    assert played.is_whole


def test_a_pause_can_end_in_stop() -> None:
    stage = Stage(TWO_NOTES)
    stage.at(100, stage.player.pause)
    stage.at(200, stage.player.stop)
    played = stage.play()
    assert stage.sent == [(0, "90 3C 40"), (100, "80 3C 40")]
    assert (played.is_whole, played.at_ns) == (False, 100)


def test_playing_ends_before_its_end_place() -> None:
    stage = Stage(TWO_NOTES)
    played = stage.play(end_ns=QUARTER)
    assert stage.sent == [(0, "90 3C 40"), (QUARTER, "80 3C 40")]  # let go, not played
    assert (played.n_messages, played.n_hanging, played.at_ns) == (1, 1, QUARTER)


SET_UP = (
    "00 F0 05 7E 7F 09 01 F7 00 B0 00 01 00 20 02 00 C0 05 00 B0 07 64 00 E0 00 50"
    "00 B0 65 00 00 64 00 00 06 0C 00 40 7F"
)


def test_starting_in_the_middle_sends_ahead_what_was_set_before() -> None:
    song_events = (
        f"{SET_UP} 30 B0 07 32 00 90 3C 40 30 C0 07 00 B0 40 00 60 90 40 40 60 80 40 40 {END}"
    )
    stage = Stage(song_events)
    played = stage.play(start_ns=QUARTER + 1)
    assert [text for at_ns, text in stage.sent if at_ns == 0] == [
        # the reset is untrusted without a sheet; the volume stands as it was last set
        "B0 00 01", "B0 20 02", "E0 00 50", "B0 65 00", "B0 64 00", "B0 06 0C", "B0 07 32",
        "B0 00 01", "B0 20 02", "C0 07", "B0 40 00",
    ]  # fmt: skip
    assert stage.sent[-2:] == [(QUARTER - 1, "90 40 40"), (2 * QUARTER - 1, "80 40 40")]
    assert played.n_chased == 7
    assert played.n_messages == 2


def test_what_is_sent_ahead_is_given_time_on_the_line() -> None:
    """17 bytes at 320 us each."""
    stage = Stage(
        f"00 B0 07 64 00 B0 0A 40 00 C0 05 60 90 3C 40 60 80 3C 40 {END}", byte_ns=320_000
    )
    stage.play(start_ns=QUARTER)
    assert stage.sent[-2][0] == (3 + 3 + 2) * 320_000


def test_data_after_the_start_go_to_the_parameter_selected_before_it() -> None:
    stage = Stage(f"00 B0 63 01 00 62 02 60 06 40 {END}")
    stage.play(start_ns=QUARTER)
    assert [text for _, text in stage.sent] == ["B0 63 01", "B0 62 02", "B0 06 40"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [({"start_ns": -1}, "is not in it"),
     ({"start_ns": 3 * QUARTER}, "the song lasts 1.000 s, and 1.500 s is not in it"),
     ({"start_ns": 5, "end_ns": 5}, "playing ends behind where it starts")],
)  # fmt: skip
def test_a_place_outside_the_song_is_refused(arguments: dict[str, int], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Stage(TWO_NOTES).play(**arguments)


def test_after_a_long_stall_the_song_goes_on_instead_of_hurrying() -> None:
    stage = Stage("60 90 3C 40 60 3C 00 " * 4 + END)
    stage.at(QUARTER + 1, lambda: stage.time.__setattr__("now_ns", START + 60 * QUARTER))
    played = stage.play()
    times = [at_ns for at_ns, _ in stage.sent]
    assert times == [QUARTER, *range(60 * QUARTER, 67 * QUARTER, QUARTER)]
    assert played.n_stalls == 1


def test_an_empty_song_lasts_its_length() -> None:
    stage = Stage("60 FF 2F 00")
    assert stage.play() == Played(True, QUARTER, 0, 0, 0, 0, 0, 0)
    assert stage.time.now_ns == START + QUARTER


def test_notes_come_as_items_with_their_source() -> None:
    stage = Stage(TWO_NOTES)
    stage.play()
    assert {(item.sort, item.source) for item in stage.items} == {(NOTE, "song")}


def test_on_the_real_clock_stop_from_another_thread_ends_it_soon() -> None:
    made = plan(read_song(song(f"00 90 3C 40 FF 7F 80 3C 40 {END}")), None, None)
    sent: list[bytes] = []
    alarm = ClockAlarm(time.monotonic_ns)
    player = Player(
        made, lambda items: sent.extend(item.messages[0] for item in items),
        clock=time.monotonic_ns, alarm=alarm,
    )  # fmt: skip
    thread = threading.Timer(0.05, player.stop)
    thread.start()
    begun = time.monotonic()
    played = player.play()
    assert time.monotonic() - begun < 20  # the song lasts 85 s
    assert sent == [b"\x90\x3c\x40", b"\x80\x3c\x40"]
    assert not played.is_whole
    thread.join()

"""Zones: where notes go, and that each ends where it began whatever changes meanwhile."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.surface.keyboard import MAX_STACKED, Keyboard, Routed
from knobwright.core.surface.zones import TAKES, Zone, velocities, zone_faults


def play(keyboard: Keyboard, *messages: str) -> list[str]:
    """Return what messages become: ``link: bytes`` in hex."""
    found: list[Routed] = []
    for message in messages:
        routed = keyboard.feed(bytes.fromhex(message))
        assert routed is not None
        found += routed
    return [f"{link}: {data.hex(' ').upper()}" for link, data in found]


def test_without_zones_everything_passes_on() -> None:
    keyboard = Keyboard()
    for message in ("90 3C 40", "A0 3C 10", "80 3C 40", "B0 40 7F", "B0 40 00", "E0 00 40", "F8"):
        assert keyboard.feed(bytes.fromhex(message)) is None


def test_a_split_sends_low_and_high_keys_to_their_channels() -> None:
    keyboard = Keyboard([Zone(keys=(0, 59), channels=(2,)), Zone(keys=(60, 127), channels=(3,))])
    assert play(keyboard, "90 3B 40", "90 3C 41", "80 3B 00", "90 3C 00") == [
        "0: 91 3B 40",
        "0: 92 3C 41",
        "0: 81 3B 00",
        "0: 92 3C 00",
    ]


def test_layers_transposition_and_the_second_link() -> None:
    keyboard = Keyboard([Zone(channels=(1, 17)), Zone(channels=(32,), transpose=-12)])
    assert play(keyboard, "90 3C 40") == ["0: 90 3C 40", "1: 90 3C 40", "1: 9F 30 40"]
    assert play(keyboard, "80 3C 22") == ["0: 80 3C 22", "1: 80 3C 22", "1: 8F 30 22"]


def test_velocity_chooses_the_zone_and_the_note_off_finds_it() -> None:
    keyboard = Keyboard(
        [Zone(velocities=(1, 80), channels=(1,)), Zone(velocities=(81, 127), channels=(2,))]
    )
    assert play(keyboard, "90 3C 50", "80 3C 00") == ["0: 90 3C 50", "0: 80 3C 00"]
    assert play(keyboard, "90 3C 51", "80 3C 00") == ["0: 91 3C 51", "0: 81 3C 00"]


def test_a_zone_listens_to_its_channels_and_keeps_the_channel_where_none_is_named() -> None:
    keyboard = Keyboard([Zone(listens=(3,), channels=())])
    assert play(keyboard, "92 3C 40") == ["0: 92 3C 40"]
    assert play(keyboard, "90 3C 40", "80 3C 40") == []
    assert keyboard.n_outside == 1


@pytest.mark.parametrize(
    ("zone", "wanted"),
    [
        (Zone(), {1: 1, 64: 64, 127: 127}),
        (Zone(fixed=100), {1: 100, 127: 100}),
        (Zone(loudness=(40, 90)), {1: 40, 127: 90}),
        (Zone(curve="exponential"), {1: 1, 64: 26, 127: 127}),  # (16^0.5 - 1) / 15 = 0.2
        (Zone(curve="points", points=((0.5, 0.0),)), {1: 1, 64: 1, 127: 127}),
    ],
)
def test_velocity_response(zone: Zone, wanted: dict[int, int]) -> None:
    table = velocities(zone)
    assert table[0] == 0
    assert {stroke: table[stroke] for stroke in wanted} == wanted
    assert all(1 <= loud <= 127 for loud in table[1:])
    assert list(table) == sorted(table)


def test_keys_transposed_out_of_range_are_left_out_with_their_note_off_and_counted() -> None:
    keyboard = Keyboard([Zone(transpose=12)])
    assert play(keyboard, "90 74 40", "80 74 40", "90 73 40") == ["0: 90 7F 40"]
    assert (keyboard.n_out_of_range, keyboard.n_stray) == (1, 0)


def test_a_note_off_goes_where_its_note_on_went_after_the_zones_changed() -> None:
    keyboard = Keyboard([Zone(channels=(1,), transpose=2)])
    assert play(keyboard, "90 3C 40") == ["0: 90 3E 40"]
    keyboard.change([Zone(channels=(5,), transpose=-7, keys=(0, 10))])
    assert play(keyboard, "A0 3C 33", "80 3C 40") == ["0: A0 3E 33", "0: 80 3E 40"]
    assert keyboard.n_held == 0


def test_a_note_that_passed_on_for_want_of_zones_ends_the_same_way() -> None:
    keyboard = Keyboard()
    assert keyboard.feed(b"\x90\x3c\x40") is None
    keyboard.change([Zone(channels=(5,))])
    assert keyboard.feed(b"\xa0\x3c\x11") is None
    assert keyboard.feed(b"\x80\x3c\x40") is None
    assert keyboard.feed(b"\x80\x3c\x40") == []
    assert keyboard.n_stray == 1


def test_two_keys_of_one_sound_keep_it_until_both_are_let_go() -> None:
    keyboard = Keyboard([Zone(keys=(0, 59), transpose=12), Zone(keys=(60, 127))])
    assert play(keyboard, "90 30 40", "90 3C 41") == ["0: 90 3C 40", "0: 90 3C 41"]
    assert play(keyboard, "80 30 40") == []
    assert play(keyboard, "80 3C 22") == ["0: 80 3C 22", "0: 80 3C 22"]


def test_a_sound_struck_again_gets_the_note_offs_due_before() -> None:
    keyboard = Keyboard([Zone(keys=(0, 59), transpose=12), Zone(keys=(60, 127))])
    play(keyboard, "90 30 40", "90 3C 41", "80 3C 22")
    assert play(keyboard, "90 3C 50") == ["0: 80 3C 40", "0: 90 3C 50"]


def test_a_layer_on_the_same_channel_strikes_a_note_once() -> None:
    keyboard = Keyboard([Zone(), Zone(fixed=100)])
    assert play(keyboard, "90 3C 40", "80 3C 40") == ["0: 90 3C 40", "0: 80 3C 40"]


def test_a_key_struck_again_and_again_does_not_fill_the_memory() -> None:
    keyboard = Keyboard([Zone()])
    sent = play(keyboard, *["90 3C 40"] * (MAX_STACKED + 3))
    assert sent.count("0: 80 3C 40") == 3
    assert keyboard.n_held == MAX_STACKED


def test_pedals_bend_and_pressure_go_to_the_zones_that_take_them() -> None:
    keyboard = Keyboard([Zone(channels=(1,)), Zone(channels=(2,), takes=("bend",))])
    assert play(keyboard, "B0 40 7F") == ["0: B0 40 7F"]
    assert play(keyboard, "E0 01 02") == ["0: E0 01 02", "0: E1 01 02"]
    assert play(keyboard, "D0 05") == ["0: D0 05"]
    assert keyboard.feed(b"\xb0\x07\x40") is None
    assert keyboard.feed(b"\xc0\x05") is None


def test_controls_and_programs_go_where_a_zone_takes_them() -> None:
    keyboard = Keyboard([Zone(channels=(4,), takes=tuple(TAKES))])
    assert play(keyboard, "B0 07 40", "C0 05", "B0 7B 00") == [
        "0: B3 07 40",
        "0: C3 05",
        "0: B3 7B 00",
    ]


def test_what_is_away_from_rest_is_taken_back_where_it_was_set() -> None:
    keyboard = Keyboard([Zone(channels=(1,))])
    play(keyboard, "B0 40 7F", "E0 00 50", "D0 20")
    keyboard.change([Zone(channels=(2,))])
    assert play(keyboard, "B0 40 00") == ["0: B1 40 00", "0: B0 40 00"]
    assert play(keyboard, "E0 00 40", "D0 00") == [
        "0: E1 00 40",
        "0: E0 00 40",
        "0: D1 00",
        "0: D0 00",
    ]
    assert play(keyboard, "B0 40 00") == ["0: B1 40 00"]  # once is enough


def test_let_go_ends_everything_that_is_held() -> None:
    keyboard = Keyboard([Zone(channels=(1, 20))])
    play(keyboard, "90 3C 40", "90 3C 41", "B0 40 7F", "E0 00 50", "D0 20")
    ended = Counter(keyboard.let_go())
    assert ended == Counter(
        Routed(link, bytes.fromhex(data))
        for link, channel in ((0, 0), (1, 3))
        for data in (
            f"8{channel} 3C 40",
            f"8{channel} 3C 40",
            f"B{channel} 40 00",
            f"E{channel} 00 40",
            f"D{channel} 00",
        )
    )
    assert keyboard.let_go() == []


KEYS = st.integers(58, 62)  # few keys, so that they meet
ZONES = st.lists(
    st.builds(
        Zone,
        keys=st.tuples(st.integers(56, 60), st.integers(60, 63)),
        velocities=st.sampled_from([(1, 127), (1, 64), (65, 127)]),
        channels=st.sampled_from([(1,), (2,), (1, 2), (17,), ()]),
        listens=st.sampled_from([(), (1,)]),
        transpose=st.sampled_from([0, 1, -1, 2, 70, -60]),
    ),
    max_size=3,
)
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("on"), KEYS, st.integers(1, 127), st.integers(0, 1)),
        st.tuples(st.just("off"), KEYS, st.integers(0, 127), st.integers(0, 1)),
        st.tuples(st.just("pedal"), st.sampled_from([0, 127]), st.just(0), st.integers(0, 1)),
        ZONES,
    ),
    max_size=60,
)


@given(ZONES, STEPS)
def test_no_note_and_no_pedal_hangs_whatever_the_zones_do(
    zones: list[Zone], steps: list[list[Zone] | tuple[str, int, int, int]]
) -> None:
    """Note-ons and note-offs are counted by a plain receiver: every voice must have ended."""
    keyboard = Keyboard(zones)
    sounding: Counter[tuple[int, int, int]] = Counter()
    pedals: set[tuple[int, int]] = set()
    held: list[tuple[int, int]] = []

    def play_on(message: bytes) -> None:
        routed = keyboard.feed(message)
        for link, data in [Routed(0, message)] if routed is None else routed:
            kind, channel = data[0] & 0xF0, data[0] & 0x0F
            assert all(byte < 0x80 for byte in data[1:])
            if kind == 0x90 and data[2]:
                sounding[link, channel, data[1]] += 1
            elif kind in (0x80, 0x90):
                sounding[link, channel, data[1]] -= 1
                assert sounding[link, channel, data[1]] >= 0
            elif kind == 0xB0 and data[1] == 64:
                (pedals.add if data[2] >= 64 else pedals.discard)((link, channel))

    for step in steps:
        if isinstance(step, list):
            keyboard.change(step)
            continue
        what, key, value, channel = step
        if what == "on":
            held.append((channel, key))
            play_on(bytes((0x90 | channel, key, value)))
        elif what == "off":
            if (channel, key) in held:
                held.remove((channel, key))
                play_on(bytes((0x80 | channel, key, value)))
        else:
            play_on(bytes((0xB0 | channel, 64, key)))
    for channel, key in held:
        play_on(bytes((0x80 | channel, key, 64)))
    for channel in (0, 1):
        play_on(bytes((0xB0 | channel, 64, 0)))
    assert not +sounding
    assert not pedals
    assert keyboard.n_held == 0


def test_a_zone_that_can_not_be_is_named() -> None:
    rows = {
        "keys": Zone(keys=(60, 20)),
        "velocities": Zone(velocities=(0, 127)),
        "loudness": Zone(loudness=(1, 200)),
        "fixed": Zone(fixed=128),
        "transpose": Zone(transpose=200),
        "listens": Zone(listens=(17,)),
        "channels": Zone(channels=(33,)),
        "takes": Zone(takes=("all",)),
        "curve": Zone(curve="u"),
    }
    for key, zone in rows.items():
        assert [at for at, *_ in zone_faults(zone)] == [key]
    assert list(zone_faults(Zone())) == []

"""Thinning with a sheet: tolerances in the parameter's own unit, by whatever message it is set."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Event, Song
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import new_song, rewrite
from knobwright.core.timing.thinning import Thinned, Tolerances, thin

#: An invented sheet; `hall.time` is shown in seconds, exp((v - 40) / 40) of them.
SHEET = """
format = 1
[module]
name = "Invented"
maker_id = "7D"
channels = "1-16"
[checksum.body]
rule = "negated-sum-7"
[[parameter]]
key = "tone"
per = ["channel"]
line = "Bn 63 05 62 12 06 vv"
[[parameter.route]]
line = "Bn 4A vv"
prefer = false
[[parameter]]
key = "wide"
per = ["channel"]
line = "Bn 63 05 62 13 06 vh 26 vl"
range = [0, 16383]
[[parameter]]
key = "hall.time"
line = "F0 7D 10 [ 30 05 vv ] cs F7"
checksum = "body"
range = [0, 127]
default = 99
shown = { formula = "exp((v - 40) * 0.025)", unit = "s" }
[[parameter]]
key = "hall.kind"
line = "F0 7D 10 [ 30 06 vv ] cs F7"
checksum = "body"
choices = { 0 = "room", 1 = "stage", 2 = "plate" }
[[parameter]]
key = "pedal"
per = ["channel"]
line = "Bn 40 vv"
"""


def codec() -> Codec:
    checked = check_sheet(SHEET)
    assert checked.sheet is not None, checked.faults
    return Codec(checked.sheet)


def hall_time(value: int) -> bytes:
    """Return F0 7D 10 30 05 vv cs F7, worked by hand: 30, 05, vv and cs add up to 0 in 7 bits."""
    return bytes((0xF0, 0x7D, 0x10, 0x30, 0x05, value, -(0x30 + 0x05 + value) & 0x7F, 0xF7))


def hall_kind(value: int) -> bytes:
    return bytes((0xF0, 0x7D, 0x10, 0x30, 0x06, value, -(0x30 + 0x06 + value) & 0x7F, 0xF7))


def made(messages: list[bytes], step: int = 10) -> Song:
    events = [Event(step * number, message) for number, message in enumerate(messages)]
    return read_song(new_song([events], song_format=0))


def left_of(before: Song, thinned: Thinned) -> list[bytes]:
    return timeline(read_song(rewrite(before, thinned.tracks))).messages


def seconds(value: int) -> float:
    return math.exp((value - 40) * 0.025)


def test_exclusive_values_are_thinned_in_their_own_unit() -> None:
    sweep = list(range(41, 127))
    before = made([hall_time(value) for value in sweep])
    thinned = thin(before, Tolerances(by_parameter={"hall.time": 0.5}), codec=codec())
    left = [message[5] for message in left_of(before, thinned)]
    held = left[0]
    for value in sweep:
        held = value if value in left else held
        assert abs(seconds(value) - seconds(held)) <= 0.5 + 1e-9
    # Half a second is many steps where times are short, and few where they are long.
    # exp(17 / 40) is 1.53: 57 is the first that is more than 0.5 s above 41.
    assert [value for value in left if value < 60] == [41, 57]
    assert len([value for value in left if value > 110]) >= 6
    (row,) = thinned.removed
    assert (row.name, row.channel, row.unit, row.tolerance) == ("hall.time", 0, "s", 0.5)
    assert 0.3 < row.worst <= 0.5
    assert row.n_bytes == 8 * row.n_removed
    # Without a tolerance of its own it is thinned in steps.
    in_steps = thin(before, codec=codec()).removed[0]
    assert (in_steps.unit, in_steps.tolerance) == ("steps", 1)


def test_without_a_sheet_no_exclusive_message_is_touched() -> None:
    before = made([hall_time(50)] * 5)
    assert thin(before).n_messages == 0
    assert thin(before, codec=codec()).n_messages == 4


def test_a_choice_between_may_have_set_the_value_too() -> None:
    before = made([hall_time(50), hall_kind(1), hall_time(50)])
    assert thin(before, codec=codec()).n_messages == 0


def test_two_routes_to_one_parameter_are_one_stream() -> None:
    nrpn = [bytes((0xB0, n, v)) for n, v in ((99, 5), (98, 18), (6, 90))]
    direct = bytes((0xB0, 0x4A, 50))
    before = made([direct, *nrpn, direct, direct])
    thinned = thin(before, codec=codec())
    # The second value by controller 74 sets the tone back: it stays; the third says it again.
    assert left_of(before, thinned) == [direct, *nrpn, direct]
    assert [row.name for row in thinned.removed] == ["tone"]


def test_with_a_sheet_an_nrpn_of_another_parameter_cuts_no_controller() -> None:
    wide = [bytes((0xB0, n, v)) for n, v in ((99, 5), (98, 19), (6, 90), (38, 1))]
    volume = bytes((0xB0, 7, 100))
    before = made([volume, *wide, volume])
    assert thin(before).n_messages == 0
    assert left_of(before, thin(before, codec=codec())) == [volume, *wide]


def test_a_value_of_two_halves_goes_whole() -> None:
    rows = [bytes((0xB0, n, v)) for value in range(8000, 8100, 5)
            for n, v in ((99, 5), (98, 19), (6, value >> 7), (38, value & 127))]  # fmt: skip
    before = made(rows)
    thinned = thin(before, Tolerances(by_parameter={"wide": 20}), codec=codec())
    left = left_of(before, thinned)
    assert [message[1] for message in left] == [99, 98, 6, 38] * (len(left) // 4)
    values = [left[i + 2][2] << 7 | left[i + 3][2] for i in range(0, len(left), 4)]
    assert values == [8000, 8025, 8050, 8075, 8095]


def test_a_low_half_alone_leaves_the_parameter_as_it_is() -> None:
    rows = [bytes((0xB0, n, v)) for n, v in
            ((99, 5), (98, 19), (6, 50), (38, 1), (6, 50), (38, 2), (38, 3), (6, 50), (38, 4))
            ]  # fmt: skip
    assert thin(made(rows), codec=codec()).n_messages == 0
    del rows[6]
    assert thin(made(rows), codec=codec()).n_messages > 0


def test_a_switch_of_the_sheet_is_never_touched() -> None:
    before = made([bytes((0xB0, 0x40, value)) for value in (127, 127, 0, 0)])
    assert thin(before, Tolerances(steps=200), codec=codec()).n_messages == 0


def test_an_exclusive_message_in_two_packets_stays() -> None:
    whole = hall_time(50)
    events = [Event(0, whole), Event(10, whole[:4]), Event(20, b"\xf7" + whole[4:]),
              Event(30, whole)]  # fmt: skip
    before = read_song(new_song([events], song_format=0))
    thinned = thin(before, codec=codec())
    assert left_of(before, thinned) == [whole, whole, whole]


class Module:
    """The invented module, worked by hand; it does not model what the kind of hall does."""

    def __init__(self) -> None:
        self.values: dict[str, float] = {}
        self.selected = [127, 127]
        self.high = 0

    def take(self, message: bytes) -> None:
        if message[0] == 0xF0:
            self.values["hall time" if message[4] == 5 else "hall kind"] = message[5]
        elif message[0] == 0xB0:
            self.control(message[1], message[2])

    def control(self, number: int, value: int) -> None:
        if number in (98, 99):
            self.selected[99 - number] = value
        elif number == 0x4A or (number == 6 and self.selected == [5, 18]):
            self.values["tone"] = value
        elif number == 6:
            self.high = value
        elif number == 38 and self.selected == [5, 19]:
            # One step of 127 over the whole range of 0 to 16383.
            self.values["wide"] = (self.high * 128 + value) * 127 / 16383


def nrpn(low: int, *data: int) -> list[bytes]:
    rows = [(99, 5), (98, low), *zip((6, 38), data, strict=False)]
    return [bytes((0xB0, *row)) for row in rows]


GROUPS = st.one_of(
    st.integers(40, 46).map(lambda v: nrpn(18, v)),
    st.integers(40, 46).map(lambda v: [bytes((0xB0, 0x4A, v))]),
    st.tuples(st.integers(40, 41), st.integers(0, 127)).map(lambda v: nrpn(19, *v)),
    st.integers(40, 46).map(lambda v: [hall_time(v)]),
    st.integers(0, 2).map(lambda v: [hall_kind(v)]),
    st.sampled_from([[b"\xc0\x05"], [b"\x90\x3c\x40"], [b"\xb0\x40\x7f"]]),
)


@given(groups=st.lists(GROUPS, max_size=25), step=st.sampled_from([1, 10, 300]))
def test_the_module_never_leaves_the_tolerance(groups: list[list[bytes]], step: int) -> None:
    before = made([message for group in groups for message in group], step)
    thinned = thin(before, Tolerances(steps=2), codec=codec())
    left = left_of(before, thinned)
    one, other, at = Module(), Module(), 0
    for group in groups:
        for message in group:
            one.take(message)
            if at < len(left) and left[at] == message:
                other.take(message)
                at += 1
        assert one.values.keys() == other.values.keys()
        assert all(abs(one.values[key] - other.values[key]) <= 2 + 1e-9 for key in one.values)
    assert at == len(left)
    assert one.values == other.values

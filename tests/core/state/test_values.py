"""What is known of a module: unknown, sent, heard, and what to send again after power-off."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.events import Dump, Event, Note, ProgramSet, Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError, NamingError
from knobwright.core.state.values import HEARD, SENT, UNKNOWN, Known, KnownProgram, Values

SHEET = """
format = 1
[module]
name = "Wren 1"
channels = "1-3"
[[kit]]
number = 1
names = { 36 = "low drum", 38 = "snare" }
[[parameter]]
key = "volume"
per = ["channel"]
line = "Bn 07 vv"
default = 100
[[parameter]]
key = "hall"
line = "F0 7D 01 vv F7"
[[parameter]]
key = "drum.level"
per = ["key"]
line = "B9 63 1A 62 kk 06 vv"
[[parameter]]
key = "notes.off"
per = ["channel"]
line = "Bn 7B 00"
[[parameter]]
key = "store"
line = "F0 7D 05 vv F7"
danger = "it writes over the user's sounds"
[[parameter]]
key = "bend.semitones"
per = ["channel"]
line = "Bn 65 00 64 00 06 vv 26 {bend.cents}"
[[parameter]]
key = "bend.cents"
per = ["channel"]
line = "Bn 65 00 64 00 06 {bend.semitones} 26 vv"
range = [0, 99]
"""


@pytest.fixture
def values() -> Values:
    return Values(check_sheet(SHEET).require())


def test_at_first_everything_is_unknown_and_nothing_is_owed(values: Values) -> None:
    assert values.get("volume", 2) == Known("volume", 2, None, UNKNOWN, None, 0)
    assert values.program(1) == KnownProgram(1, UNKNOWN)
    assert values.lookup("volume", 2, None) is None  # a default is no knowledge
    assert list(values.known()) == []
    assert list(values.should_have()) == []


def test_a_value_is_sent_or_heard_with_its_time(values: Values) -> None:
    values.sent("volume", 90, 2, at_ns=5)
    assert values.get("volume", 2) == Known("volume", 2, None, SENT, 90, 5)
    assert values.get("volume", 1).state == UNKNOWN
    values.heard("volume", 91, 2, at_ns=6)
    assert values.get("volume", 2) == Known("volume", 2, None, HEARD, 91, 6)
    assert values.lookup("volume", 2, None) == 91


def test_what_the_parameter_is_not_per_does_not_matter(values: Values) -> None:
    values.sent("hall", 3, channel=7, note=40)
    assert values.lookup("hall", None, None) == 3
    assert values.get("hall", 1).raw == 3


def test_keys_are_kept_apart(values: Values) -> None:
    values.sent("drum.level", 10, note=36)
    values.sent("drum.level", 11, note=38)
    assert [values.lookup("drum.level", None, note) for note in (36, 38, 40)] == [10, 11, None]


@pytest.mark.parametrize("channel", [None, 0, 17])
def test_a_channel_that_is_none_is_refused(values: Values, channel: int | None) -> None:
    with pytest.raises(InputError, match="volume has a value for each channel, 1 to 16"):
        values.sent("volume", 1, channel)


@pytest.mark.parametrize("note", [None, -1, 128])
def test_a_key_number_that_is_none_is_refused(values: Values, note: int | None) -> None:
    with pytest.raises(InputError, match="a value for each key, 0 to 127"):
        values.sent("drum.level", 1, 10, note)


def test_a_parameter_that_is_none_is_refused(values: Values) -> None:
    with pytest.raises(NamingError, match="no parameter has the key 'volumes'"):
        values.get("volumes", 1)


def test_known_is_in_the_order_of_last_set(values: Values) -> None:
    values.sent("volume", 1, 1, at_ns=1)
    values.sent("hall", 2, at_ns=2)
    values.program_sent(1, 5, (0, 1), at_ns=3)
    values.sent("volume", 3, 1, at_ns=4)
    assert list(values.known()) == [
        Known("hall", None, None, SENT, 2, 2),
        KnownProgram(1, SENT, 5, (0, 1), 3),
        Known("volume", 1, None, SENT, 3, 4),
    ]


def test_a_program_change_leaves_values_known(values: Values) -> None:
    values.sent("volume", 1, 1)
    values.program_sent(1, 5)
    values.program_heard(2, 6, at_ns=9)
    assert values.lookup("volume", 1, None) == 1
    assert values.program(2) == KnownProgram(2, HEARD, 6, (0, 0), 9)


def test_switched_off_everything_is_unknown_and_is_owed_in_the_order_of_last_set(
    values: Values,
) -> None:
    values.sent("volume", 1, 1)
    values.program_sent(1, 5)
    values.sent("hall", 2)
    values.sent("notes.off", 0, 1)
    values.sent("store", 0)
    values.sent("volume", 3, 1)
    values.off()
    assert list(values.known()) == []
    assert values.get("volume", 1).state == UNKNOWN
    owed = list(values.should_have())
    assert owed == [
        KnownProgram(1, SENT, 5),
        Known("hall", None, None, SENT, 2),
        Known("volume", 1, None, SENT, 3),
    ]
    values.sent("hall", 2)
    assert [v for v in values.should_have() if isinstance(v, Known)] == [owed[2]]
    values.off()  # a second time: still owed, in the order of last set
    assert list(values.should_have()) == [owed[0], owed[2], Known("hall", None, None, SENT, 2)]


def test_after_a_reset_nothing_is_known_and_nothing_is_owed(values: Values) -> None:
    values.sent("volume", 1, 1)
    values.reset()
    assert list(values.known()) == []
    assert list(values.should_have()) == []


def test_missing_names_every_place_without_actions(values: Values) -> None:
    values.sent("volume", 1, 2)
    missing = [(v.key, v.channel, v.note) for v in values.missing()]
    assert missing[:5] == [
        ("volume", 1, None),
        ("volume", 3, None),
        ("hall", None, None),
        ("drum.level", None, 36),
        ("drum.level", None, 38),
    ]
    assert len(missing) == 5 + 1 + 2 * 3  # the store, and two bend parameters on three channels
    assert "notes.off" not in {key for key, _, _ in missing}


def test_a_decoders_events_are_taken(values: Values) -> None:
    events: list[Event] = [
        Setting("volume", 9, 1),
        Note(1, 60, 100),
        ProgramSet(2, 7, (0, 0)),
        Dump("all", b"", (Setting("hall", 4),)),
    ]
    values.take(events, 8, state=HEARD)
    assert values.get("volume", 1) == Known("volume", 1, None, HEARD, 9, 8)
    assert values.program(2).number == 7
    assert values.get("hall").state == HEARD


def test_a_setting_that_is_not_sure_makes_the_value_unknown(values: Values) -> None:
    values.sent("volume", 9, 1)
    values.take([Setting("volume", 5, 1, sure=False)])
    assert values.get("volume", 1).state == UNKNOWN
    assert list(values.should_have()) == []


def test_the_lookup_serves_the_codec() -> None:
    """Bend range, MIDI 1.0 page 18: semitones by data entry 6, cents by 38, in one message."""
    sheet = check_sheet(SHEET).require()
    values = Values(sheet)
    values.sent("bend.cents", 50, 1)
    sent = Codec(sheet).encode("bend.semitones", 12, 1, current=values.lookup)
    assert b"".join(sent).hex(" ") == "b0 65 00 b0 64 00 b0 06 0c b0 26 32"


@given(
    st.lists(st.tuples(st.sampled_from(["volume", "hall", "off"]), st.integers(1, 3)), max_size=20)
)
def test_known_and_owed_are_what_a_plain_list_says(moves: list[tuple[str, int]]) -> None:
    values = Values(check_sheet(SHEET).require())
    known: dict[tuple[str, int | None], int] = {}
    wanted: dict[tuple[str, int | None], int] = {}
    for at, (key, channel) in enumerate(moves):
        if key == "off":
            values.off()
            known.clear()
            continue
        values.sent(key, at, channel)
        place = (key, channel if key == "volume" else None)
        for book in (known, wanted):
            book.pop(place, None)
            book[place] = at
    found = [(v.key, v.channel, v.raw) for v in values.known() if isinstance(v, Known)]
    assert found == [(*place, raw) for place, raw in known.items()]
    owed = [(v.key, v.channel, v.raw) for v in values.should_have() if isinstance(v, Known)]
    assert owed == [(*place, raw) for place, raw in wanted.items() if place not in known]


def test_what_was_remembered_is_owed_again_after_a_restart(values: Values) -> None:
    values.sent("volume", 1, 1, at_ns=5)
    values.program_sent(1, 5, (0, 1))
    values.sent("hall", 2)
    values.sent("store", 0)
    kept = list(values.remembered())
    later = Values(check_sheet(SHEET).require())
    assert later.restore(kept) == 0
    assert list(later.known()) == []
    assert later.lookup("volume", 1, None) is None
    assert list(later.should_have()) == kept == list(later.remembered())
    assert [getattr(value, "key", "program") for value in kept] == ["volume", "program", "hall"]


def test_what_is_set_since_counts_more_than_what_is_restored(values: Values) -> None:
    values.sent("volume", 9, 1, at_ns=5)
    values.restore([Known("volume", 1, None, SENT, 1), Known("hall", None, None, SENT, 2)])
    assert [(v.key, v.raw) for v in values.remembered() if isinstance(v, Known)] == [
        ("hall", 2),
        ("volume", 9),
    ]
    assert [v.key for v in values.should_have() if isinstance(v, Known)] == ["hall"]


def test_what_the_sheet_has_no_more_is_left_out_and_counted(values: Values) -> None:
    n_left_out = values.restore(
        [
            Known("gone", 1, None, SENT, 1),
            Known("volume", 99, None, SENT, 1),
            Known("volume", 1, None, SENT, None),
            KnownProgram(17, SENT, 5),
            KnownProgram(1, SENT, None),
            Known("hall", 3, None, SENT, 7),  # it was per channel once
        ]
    )
    assert n_left_out == 5
    assert list(values.remembered()) == [Known("hall", None, None, SENT, 7)]

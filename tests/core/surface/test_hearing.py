"""Hear a control: what is written down, and what is asked instead of guessed.

How controllers behave while they are moved is common practice, no source.
"""

from __future__ import annotations

import random
from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError, QuestionError
from knobwright.core.surface.check import check_surface
from knobwright.core.surface.heard import Heard, described
from knobwright.core.surface.hearing import Hearing
from knobwright.core.surface.judge import ASKS, LIKELY, SURE
from knobwright.core.surface.moves import PART
from knobwright.core.surface.recognise import Recogniser
from knobwright.core.surface.relative import RELATIVE
from knobwright.core.wire import Message, Splitter
from tests.core.surface.surfaces import HEAD, every_form

MS = 1_000_000
SWEEP = [*range(64, 128), *range(126, -1, -1), *range(1, 65)]
WIDE = [*range(0, 16384, 90), 16383, *range(16300, -1, -100)]


def hear(messages: Iterable[str | bytes], every_ms: int = 10) -> Hearing:
    """Return a hearing of messages (hex or bytes), so many milliseconds apart."""
    hearing = Hearing()
    for i, message in enumerate(messages):
        data = bytes.fromhex(message) if isinstance(message, str) else message
        hearing.feed(data, i * every_ms * MS)
    return hearing


def text(heard: Heard, name: str = "a") -> str:
    """Return the described control; it must be a control that checks without a fault."""
    table = described(heard, name)
    assert check_surface(HEAD + "\n" + table).faults == ()
    return table


def controls(values: Iterable[int], number: int = 0x10) -> list[bytes]:
    return [bytes((0xB0, number, value)) for value in values]


def steps(coding: str, *counts: int) -> list[bytes]:
    row = RELATIVE[coding]
    return controls(row.to_byte(count) for count in counts)


SLOW_BOTH_WAYS = (1,) * 12 + (2,) * 3 + (-1,) * 12 + (-2,) * 2


def test_a_knob_turned_both_ways_is_a_knob() -> None:
    heard = hear(controls(SWEEP)).heard()
    assert (heard.level, heard.kind, heard.form, heard.channel) == (SURE, "knob", "control", 1)
    assert 'sends = "B0 10 vv"' in text(heard)
    assert 'sends = "Bn 10 vv"' in described(heard, "a", any_channel=True)


def test_a_knob_that_does_not_reach_its_ends_is_likely_and_says_its_range() -> None:
    heard = hear(controls([*range(2, 120), *range(118, 1, -1)])).heard()
    assert (heard.level, heard.range) == (LIKELY, (2, 119))
    assert heard.needs == ("turn it fully both ways",)
    table = text(heard)
    assert "range = [2, 119]" in table
    assert "# likely" in table


def test_a_knob_that_moved_only_a_little_is_asked_about() -> None:
    heard = hear(controls([63, 64, 65, 66, 65, 64])).heard()
    assert heard.level == ASKS
    with pytest.raises(QuestionError) as error:
        described(heard, "a")
    assert "turn it" in error.value.hint


@pytest.mark.parametrize("coding", RELATIVE)
def test_an_encoder_turned_both_ways_is_told_by_its_coding(coding: str) -> None:
    heard = hear(steps(coding, *SLOW_BOTH_WAYS)).heard()
    assert (heard.level, heard.kind, heard.relative) == (SURE, "encoder", coding)
    assert f'relative = "{coding}"' in text(heard)


@pytest.mark.parametrize("coding", RELATIVE)
def test_an_encoder_turned_one_way_only_is_asked_about(coding: str) -> None:
    heard = hear(steps(coding, *[1] * 20)).heard()
    assert heard.level == ASKS
    assert heard.needs == ("turn it the other way too",)
    (ask,) = heard.asks
    assert coding in ask.answers


def test_an_encoder_that_was_turned_down_first_asks_which_way_it_was() -> None:
    hearing = hear(steps("twos", *[-1] * 10, *[1] * 10))
    assert [ask.name for ask in hearing.heard().asks] == ["first"]
    hearing.answer("first", "up")
    assert "reverse = true" in text(hearing.heard())
    plain = hear(steps("twos", *[-1] * 10, *[1] * 10))
    plain.answer("first", "down")
    assert "reverse" not in text(plain.heard())


def test_single_steps_to_and_fro_could_be_anything_and_are_asked_about() -> None:
    heard = hear(controls([1, 127] * 10)).heard()
    assert heard.level == ASKS
    assert {"twos", "absolute", "button"} <= set(heard.asks[0].answers)
    hearing = hear(controls([1, 127] * 10))
    hearing.answer("sends", "twos")
    assert hearing.heard().relative == "twos"


@given(st.sampled_from(sorted(RELATIVE)), st.integers(0, 1 << 30))
def test_whatever_an_encoder_does_it_is_never_taken_for_another_coding(
    coding: str, seed: int
) -> None:
    chance = random.Random(seed)
    counts = [chance.choice([1, 1, 1, 2, 3, 5]) * chance.choice([1, -1]) for _ in range(60)]
    heard = hear(steps(coding, *counts)).heard()
    assert heard.level == ASKS or heard.relative == coding


@given(st.lists(st.integers(0, 127), min_size=1, max_size=80), st.integers(0, 127))
def test_a_knob_in_any_walk_is_never_surely_an_encoder(ends: list[int], start: int) -> None:
    values, at = [start], start
    for end in ends:
        way = 1 if end > at else -1
        values += range(at + way, end + way, way) if end != at else []
        at = end
    heard = hear(controls(values)).heard()
    assert not (heard.relative and heard.level != ASKS)


def test_a_pair_is_fourteen_bits_in_the_order_it_came() -> None:
    high_first = [m for v in WIDE for m in (bytes((0xB0, 1, v >> 7)), bytes((0xB0, 33, v & 127)))]
    heard = hear(high_first, every_ms=1).heard()
    assert (heard.level, heard.form, heard.range) == (SURE, "control-14", (0, 16383))
    assert 'sends = ["B0 01 vh", "B0 21 vl"]' in text(heard)
    low_first = [m for v in WIDE for m in (bytes((0xB0, 33, v & 127)), bytes((0xB0, 1, v >> 7)))]
    assert 'sends = ["B0 21 vl", "B0 01 vh"]' in text(hear(low_first, every_ms=1).heard())
    assert 'sends = ["B0 01 vh", "B0 21 vl"]' in text(hear(high_first, every_ms=0).heard())


def test_numbers_are_written_with_their_selection() -> None:
    select = ["B0 63 05", "B0 62 12"]
    heard = hear([*select, *controls(SWEEP, 6)]).heard()
    assert (heard.level, heard.form) == (SURE, "nrpn")
    assert 'sends = "B0 63 05 62 12 06 vv"' in text(heard)
    wide = [m for v in WIDE for m in (bytes((0xB0, 6, v >> 7)), bytes((0xB0, 38, v & 127)))]
    assert 'sends = "B0 64 01 65 00 06 vh 26 vl"' in text(
        hear(["B0 64 01", "B0 65 00", *wide]).heard()
    )
    each = [m for v in SWEEP for m in (b"\xb0\x63\x05", b"\xb0\x62\x12", bytes((0xB0, 6, v)))]
    assert 'sends = "B0 63 05 62 12 06 vv"' in text(hear(each).heard())
    assert 'kind = "encoder"' in text(hear([*select, "B0 60 00", "B0 60 00", "B0 61 00"]).heard())


def test_data_without_its_selection_is_asked_about() -> None:
    heard = hear(controls(SWEEP, 6)).heard()
    assert heard.level == ASKS
    assert "selected before" in heard.needs[0]


@pytest.mark.parametrize(
    ("presses", "messages", "wanted"),
    [
        (2, ["B0 40 7F", "B0 40 00"] * 2, 'sends = "B0 40 vv"'),
        (2, ["B0 40 7F", "B0 40 00"], 'action = "toggle"'),
        (2, ["B0 40 7F"] * 2, 'sends = "B0 40 7F"'),
        (2, ["90 24 7F", "80 24 40"] * 2, 'sends = "90 24 vv"'),
        (2, ["90 24 7F", "90 24 00"], 'action = "toggle"'),
        (2, ["FA"] * 2, 'sends = "FA"'),
        (3, ["C0 05"] * 3, 'sends = "C0 05"'),
        (2, ["F0 7D 01 F7", "F0 7D 02 F7"] * 2, 'release = "F0 7D 02 F7"'),
    ],
)
def test_a_button_is_told_by_how_often_it_was_pressed(
    presses: int, messages: list[str], wanted: str
) -> None:
    hearing = hear(messages, every_ms=300)
    assert hearing.heard().level == ASKS
    assert [ask.name for ask in hearing.heard().asks] == ["presses"]
    hearing.answer("presses", str(presses))
    heard = hearing.heard()
    assert heard.level == SURE
    assert wanted in text(heard)
    assert 'kind = "button"' in text(heard)


def test_a_count_of_presses_that_does_not_fit_is_said() -> None:
    hearing = hear(["B0 40 7F", "B0 40 00"] * 2)
    hearing.answer("presses", "3")
    assert hearing.heard().level == ASKS
    assert "4 messages do not fit 3 presses" in hearing.heard().needs[0]


def test_a_pad_is_told_by_its_force_and_its_pressure_belongs_to_it() -> None:
    hearing = hear(["99 24 64", "A9 24 30", "A9 24 20", "89 24 40", "99 24 31", "89 24 40"])
    hearing.answer("presses", "2")
    heard = hearing.heard()
    assert (heard.level, heard.kind) == (SURE, "pad")
    assert heard.also == ("pressure of one key 36 on channel 10",)
    assert 'sends = "99 24 vv"' in text(heard)


def test_a_keyboard_is_no_control() -> None:
    heard = hear(["90 24 64", "80 24 40", "90 26 64", "80 26 40"]).heard()
    assert heard.level == ASKS
    assert "several keys" in heard.needs[0]


def test_two_controls_at_once_are_sent_back() -> None:
    both = [m for v in SWEEP for m in (bytes((0xB0, 16, v)), bytes((0xB0, 17, 127 - v)))]
    heard = hear(both).heard()
    assert heard.level == ASKS
    assert "several controls moved" in heard.needs[0]
    assert "control change of 7 bits 16 on channel 1" in heard.needs[0]


def test_a_touch_of_another_control_is_named_beside() -> None:
    heard = hear([*controls(SWEEP), "B0 11 40"]).heard()
    assert heard.level == SURE
    assert heard.also == ("control change of 7 bits 17 on channel 1",)


def test_wheels_pressure_dials_and_exclusives_are_told() -> None:
    bends = [bytes((0xE0, v & 127, v >> 7)) for v in WIDE]
    assert 'sends = "E0 vl vh"' in text(hear(bends).heard())
    coarse = [bytes((0xE0, 0, v)) for v in SWEEP]
    assert 'sends = "E0 00 vv"' in text(hear(coarse).heard())
    assert 'kind = "sensor"' in text(hear([bytes((0xD0, v)) for v in SWEEP]).heard())
    assert 'sends = "C0 pp"' in text(hear([bytes((0xC0, v)) for v in SWEEP]).heard())
    exclusives = [bytes((0xF0, 0x7D, 1, v, 0xF7)) for v in SWEEP]
    assert 'sends = "F0 7D 01 vv F7"' in text(hear(exclusives).heard())
    summed = [bytes((0xF0, 0x7D, 1, v, -v & 127, 0xF7)) for v in SWEEP]
    heard = hear(summed).heard()
    assert heard.level == ASKS
    assert "bytes 4, 5" in heard.needs[0]


def test_nothing_heard_says_what_to_do_and_clock_does_not_count() -> None:
    hearing = hear(["F8", "FE"])
    assert hearing.n_messages == 0
    assert "turn it slowly" in hearing.heard().needs[0]
    assert "nothing to go by" in hearing.heard().words


def test_an_answer_to_nothing_is_refused() -> None:
    hearing = hear(controls([1, 127] * 5))
    with pytest.raises(InputError):
        hearing.answer("presses", "2")
    with pytest.raises(InputError, match="no answer"):
        hearing.answer("sends", "sideways")


def test_names_and_labels_are_written_safely() -> None:
    table = described(hear(controls(SWEEP)).heard(), "a", label='Say "x"\n[[control]]')
    checked = check_surface(HEAD + "\n" + table)
    assert [row.label for row in checked.require().controls] == ['Say "x"\n[[control]]']


def test_what_was_heard_is_recognised_again() -> None:
    """Every control of the example that stands: heard, written down, and recognised the same."""
    sources = {
        "knob-1": controls(SWEEP),
        "wheel-1": [bytes((0xE0, v & 127, v >> 7)) for v in WIDE],
        "dial": [bytes((0xC0, v)) for v in SWEEP],
        "after": [bytes((0xD0, v)) for v in SWEEP],
    }
    for name, messages in sources.items():
        again = check_surface(HEAD + "\n" + text(hear(messages).heard(), "again")).require()
        one, two = Recogniser(every_form()), Recogniser(again)
        for message in messages:
            first, second = one.feed(message), two.feed(message)
            assert first is not None
            assert second is not None
            assert first.control.name == name
            assert (first.what, first.value) == (second.what, second.value)
            assert first.what != PART


@given(st.binary(max_size=200))
def test_whatever_comes_it_is_asked_or_written_as_a_valid_control(data: bytes) -> None:
    hearing = Hearing()
    for i, record in enumerate(Splitter().feed(data)):
        if isinstance(record, Message):
            hearing.feed(record.data, i * MS)
    heard = hearing.heard()
    assert heard.words
    if heard.level == ASKS:
        with pytest.raises(QuestionError):
            described(heard, "a")
    else:
        text(heard)

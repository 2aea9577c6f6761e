"""What is sent before a song that begins in its middle, against a module that heard it all."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.timing.chase import Chase
from knobwright.core.timing.merge import Merge
from tests.engine.small_sheets import WREN
from tests.oracle.receiver import Receiver


def chased(messages: list[bytes]) -> list[bytes]:
    """Return what stands for the messages."""
    merge, chase = Merge(), Chase()
    for message in messages:
        chase.take(merge.feed(message))
    return [message for item in chase.items() for message in item.messages]


def rows(*texts: str) -> list[bytes]:
    return [bytes.fromhex(text) for text in texts]


def test_the_last_of_each_controller_stays_where_it_stood() -> None:
    messages = rows("B0 07 01", "B0 0A 02", "B1 07 03", "B0 07 04")
    assert chased(messages) == rows("B0 0A 02", "B1 07 03", "B0 07 04")


def test_notes_clock_and_what_ends_notes_are_left_out() -> None:
    assert chased(rows("90 3C 40", "F8", "FA", "B0 7B 00", "B0 78 00", "80 3C 40")) == []


def test_steps_stay_all() -> None:
    selection = rows("B0 63 01", "B0 62 02")
    step = bytes.fromhex("B0 60 00")
    found = chased([*selection, bytes.fromhex("B0 06 10"), step, step])
    assert found.count(step) == 2
    assert found[:3] == [*selection, bytes.fromhex("B0 06 10")]


def test_a_reset_takes_back_what_came_before_it() -> None:
    gm_on = bytes.fromhex("F0 7E 7F 09 01 F7")
    assert chased([*rows("B0 07 01", "C0 05"), gm_on, bytes.fromhex("B0 0A 02")]) == [
        gm_on, bytes.fromhex("B0 0A 02")]  # fmt: skip


def test_modes_that_undo_each_other_leave_the_last() -> None:
    messages = rows("B0 7C 00", "B0 7E 01", "B0 7D 00", "B0 7F 00")
    assert chased(messages) == rows("B0 7D 00", "B0 7F 00")


def test_programs_keep_their_bank() -> None:
    found = chased(rows("B0 00 01", "B0 20 02", "C0 03", "B0 00 04", "C0 05"))
    assert found[-3:] == rows("B0 20 02", "B0 00 04", "C0 05")


VALUE = st.integers(0, 127)
CHANNEL = st.integers(0, 1)
MESSAGES = st.one_of(
    st.builds(lambda n, number, v: [bytes((0xB0 | n, number, v))],
              CHANNEL, st.sampled_from((1, 7, 11)), VALUE),
    st.builds(lambda n, v: [bytes((0xE0 | n, 0, v))], CHANNEL, VALUE),
    st.builds(lambda n, bank, v: [bytes((0xB0 | n, 0, 0)), bytes((0xB0 | n, 32, bank)),
                                  bytes((0xC0 | n, v))],
              CHANNEL, st.integers(0, 1), st.sampled_from((0, 3))),
    st.builds(lambda n, v: [bytes((0xB0 | n, 99, 5)), bytes((0xB0 | n, 98, 18)),
                            bytes((0xB0 | n, 6, v))], CHANNEL, VALUE),
    st.builds(lambda n, k, v: [bytes((0xB0 | n, 99, 26)), bytes((0xB0 | n, 98, k)),
                               bytes((0xB0 | n, 6, v))], CHANNEL, st.integers(36, 38), VALUE),
    st.builds(lambda v: [bytes((0xF0, 0x7D, 0x10, 0x42, 0x30, 5, v, -(0x35 + v) % 128, 0xF7))],
              VALUE),
    st.builds(lambda n, key: [bytes((0x90 | n, key, 64))], CHANNEL, VALUE),
)  # fmt: skip


@given(st.lists(MESSAGES, max_size=40))
def test_a_module_has_the_same_values_as_if_it_had_heard_everything(
    groups: list[list[bytes]],
) -> None:
    messages = [message for group in groups for message in group]
    all_heard, begun_later = Receiver(WREN), Receiver(WREN)
    for receiver, stream in ((all_heard, messages), (begun_later, chased(messages))):
        receiver.receive(b"".join(stream))
    assert begun_later.memory == all_heard.memory
    assert begun_later.programs == all_heard.programs
    assert len(chased(messages)) <= len(messages) + 2 * len(groups)

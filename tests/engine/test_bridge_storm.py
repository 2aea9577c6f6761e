"""Anything may come from anywhere, at any time: nothing raises, and no note is left hanging."""

from __future__ import annotations

import threading
from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.core.timing.items import Item
from knobwright.core.wire import Message, Splitter, is_note_off, is_note_on
from tests.engine.benches import TWO_LINKS, Rig, assignment

TABLES = (
    assignment("knob-1", "tone.brightness", 'channels = [1, 17]\nmeet = "stretch"')
    + assignment("knob-2", "echo.time", 'meet = "wait"')
    + assignment("knob-2", "hall.kind", 'layer = "button-1"')
    + assignment("fader-1", "channel.fine-tune")
    + """
[[keys]]
input = "keys"
keys = [0, 60]
channels = [2, 18]
transpose = -5
[[keys]]
input = "keys"
keys = [50, 127]
channels = []
takes = ["pedals", "bend", "pressure", "controls", "programs"]
"""
)
_MESSAGES = st.one_of(
    st.binary(min_size=1, max_size=12),
    st.builds(
        lambda status, a, b: bytes((status, a, b)),
        st.sampled_from([0x80, 0x90, 0x91, 0xB0, 0xB1, 0xE0]),
        st.sampled_from([0, 1, 6, 16, 17, 33, 36, 38, 48, 60, 64, 98, 99, 100, 101, 121, 127]),
        st.integers(0, 127),
    ),
    st.sampled_from(
        [
            bytes.fromhex("F0 7D 10 42 30 05 40 0B F7"),
            bytes.fromhex("F0 7E 7F 09 01 F7"),
            bytes.fromhex("F0 43 10 4C F7"),
        ]
    ),
)
_STEPS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["desk", "keys", "other", "module", "page"]), _MESSAGES),
        st.tuples(
            st.sampled_from(["tick", "off", "resend", "reset", "hear", "lost"]), st.just(b"")
        ),
    ),
    max_size=60,
)


def notes_left(items: list[Item]) -> Counter[tuple[int, int]]:
    """Return the notes that are on after items, with how many note-offs are owed."""
    left: Counter[tuple[int, int]] = Counter()
    splitter = Splitter()
    for item in items:
        for message in item.messages:
            (record,) = splitter.feed(message)
            assert isinstance(record, Message)
            if is_note_on(message):
                left[message[0] & 15, message[1]] += 1
            elif is_note_off(message) and left[message[0] & 15, message[1]]:
                left[message[0] & 15, message[1]] -= 1
    return +left


def step(rig: Rig, who: str, data: bytes) -> None:
    """Do one thing to the bridge."""
    bridge = rig.bridge
    if who == "tick":
        rig.hand_over()
    elif who == "off":
        bridge.off()
    elif who == "resend":
        bridge.resend(setup=True)
    elif who == "reset":
        bridge.reset()
    elif who == "hear":
        bridge.hear("desk", on=rig.now_ns % 2 == 0)
    elif who == "lost":
        bridge.lost_input("keys")
    elif who == "module":
        bridge.receive_from_module(0, data, rig.now_ns)
    elif who == "page":
        bridge.play(data)
    else:
        bridge.receive(who, data, rig.now_ns)
    rig.now_ns += 1_000_001


@settings(max_examples=60)
@given(_STEPS)
def test_whatever_comes_is_carried_counted_or_told(steps: list[tuple[str, bytes]]) -> None:
    rig = Rig(TABLES, links=TWO_LINKS)
    for who, data in steps:
        step(rig, who, data)
    for source in ("desk", "keys", "other", "page"):
        rig.bridge.lost_input(source)
    rig.hand_over()
    rig.tick(1000)
    for items in rig.links:
        assert notes_left(items) == Counter()
    assert rig.bridge.restore(rig.bridge.remembered()) == 0


def test_several_threads_may_use_it_at_once() -> None:
    rig = Rig(TABLES, links=TWO_LINKS)
    errors: list[BaseException] = []

    def run(source: str, data: bytes) -> None:
        try:
            for i in range(300):
                rig.bridge.receive(source, data[:2] + bytes((i & 127,)), i)
                if i % 50 == 0:
                    rig.bridge.set("tone.attack", i & 127, 1 + i % 32)
                    rig.bridge.sent(0, rig.links[0][-20:], i)
                    rig.bridge.tick(i)
        except BaseException as error:
            errors.append(error)
            raise

    work = [
        ("desk", b"\xb0\x10\x00"),
        ("keys", b"\x90\x3c\x00"),
        ("other", b"\xb0\x4a\x00"),
    ]
    threads = [threading.Thread(target=run, args=row) for row in work]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    assert errors == []
    assert sum(item.source == "other" for item in rig.links[0]) == 300

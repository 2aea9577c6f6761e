"""Three ways to meet a stored value: what each promises, for any hand and any value."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.surface.meeting import APART, MEETINGS, MET, Hand, Meet, Meeting

STEP = 1 / 127
WAYS = st.integers(0, 127).map(lambda n: n / 127)
HANDS = st.lists(WAYS, min_size=1, max_size=60)


def follow(
    meet: Meet, hands: list[float], value: float, near: float = STEP
) -> list[tuple[Hand, float, float | None]]:
    """Return for each move the hand, the value before it, and what was sent."""
    state: Meeting = APART
    before: float | None = None
    seen = []
    for now in hands:
        hand = Hand(now, before)
        state, sent = meet(state, hand, value, near)
        seen.append((hand, value, sent))
        value = value if sent is None else sent
        before = now
    return seen


def test_the_ways_are_these_three() -> None:
    assert list(MEETINGS) == ["at-once", "wait", "stretch"]


@given(HANDS, WAYS)
def test_at_once_sends_where_the_hand_is(hands: list[float], value: float) -> None:
    assert [sent for *_, sent in follow(MEETINGS["at-once"].meet, hands, value)] == hands


@given(HANDS, WAYS)
def test_wait_never_jumps_further_than_the_hand_or_one_step(
    hands: list[float], value: float
) -> None:
    for hand, stored, sent in follow(MEETINGS["wait"].meet, hands, value):
        if sent is not None:
            moved = 0.0 if hand.before is None else abs(hand.now - hand.before)
            assert abs(sent - stored) <= max(moved, STEP) + STEP + 1e-12
            assert sent == hand.now


@given(WAYS, WAYS, WAYS)
def test_a_hand_in_single_steps_never_jumps_more_than_one_step(
    start: float, end: float, value: float
) -> None:
    a, b = round(start * 127), round(end * 127)
    walk = [n / 127 for n in (range(a, b + 1) if a <= b else range(a, b - 1, -1))]
    for _, stored, sent in follow(MEETINGS["wait"].meet, walk, value):
        if sent is not None:
            assert abs(sent - stored) <= STEP + 1e-12


@given(WAYS, WAYS)
def test_wait_is_met_from_both_sides_once_the_hand_goes_all_the_way(
    start: float, value: float
) -> None:
    for end in (0.0, 1.0):
        seen = follow(MEETINGS["wait"].meet, [start, end, 1.0 - end], value)
        assert seen[-1][2] == 1.0 - end


def test_wait_sends_nothing_until_it_is_met() -> None:
    seen = follow(MEETINGS["wait"].meet, [0.1, 0.2, 0.3, 0.49, 0.51, 0.6], 0.5)
    assert [sent for *_, sent in seen] == [None, None, None, None, 0.51, 0.6]


def test_wait_stays_met_when_the_hand_goes_away_again() -> None:
    meet = MEETINGS["wait"].meet
    assert meet(MET, Hand(0.9, 0.5), 0.1, STEP) == (MET, 0.9)


@given(HANDS, WAYS)
def test_stretch_moves_the_value_the_way_the_hand_moves(hands: list[float], value: float) -> None:
    for hand, stored, sent in follow(MEETINGS["stretch"].meet, hands, value):
        if sent is None or hand.before is None:
            continue
        assert 0.0 <= sent <= 1.0
        # Where the two come within half a step they are joined: that much it may go back.
        if hand.now > hand.before:
            assert sent >= stored - STEP / 2 - 1e-12
        if hand.now < hand.before:
            assert sent <= stored + STEP / 2 + 1e-12


@given(WAYS, WAYS, st.booleans())
def test_stretch_reaches_the_end_it_moves_to_from_any_start(
    start: float, value: float, up: bool
) -> None:
    a = round(start * 127)
    walk = [n / 127 for n in (range(a, 128) if up else range(a, -1, -1))]
    seen = follow(MEETINGS["stretch"].meet, walk, value)
    if len(walk) > 1:
        assert seen[-1][2] == (1.0 if up else 0.0)
        sent = [way for *_, way in seen if way is not None]
        joined = STEP / 2 + 1e-12
        ordered = sent if up else sent[::-1]
        assert all(a <= b + joined for a, b in itertools.pairwise(ordered))


@given(WAYS, WAYS)
def test_stretch_goes_with_the_hand_once_an_end_was_reached(start: float, value: float) -> None:
    walk = [start, 0.5, 1.0, 0.7, 0.2]
    seen = follow(MEETINGS["stretch"].meet, walk, value)
    assert [sent for *_, sent in seen[-2:]] == [0.7, 0.2]


@given(WAYS, WAYS)
def test_stretch_takes_the_first_message_as_a_place_only(start: float, value: float) -> None:
    (_, stored, sent), *_ = follow(MEETINGS["stretch"].meet, [start], value)
    assert sent is None or abs(sent - stored) <= STEP / 2


def test_stretch_scales_as_worked_by_hand() -> None:
    # Hand 0.5, value 0.2. Up by 0.25: 1 - 0.8 * 0.25 / 0.5 = 0.6. Down to 0.5: 0.6 * 0.5 / 0.75.
    seen = follow(MEETINGS["stretch"].meet, [0.5, 0.75, 0.5], 0.2)
    sent = [way for *_, way in seen]
    assert sent[0] is None
    assert [round(way or 0, 9) for way in sent[1:]] == [0.6, 0.4]

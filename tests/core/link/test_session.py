"""The session by itself: what it plans, and what it makes of what came back."""

from __future__ import annotations

import pytest

from knobwright.core.link.content import Numbers
from knobwright.core.link.faults import FAULTS
from knobwright.core.link.records import NOT_ON_THIS_PORT, UNKNOWN, WORKS, Run, Stage
from knobwright.core.link.session import Session, estimate_s
from knobwright.core.wire import Message, Splitter


def through_ideal(session: Session) -> list[Stage]:
    """Run a session over a way that changes nothing and takes no time; return its stages."""
    stages = []
    now_us = 0
    while (stage := session.stage) is not None:
        stages.append(stage)
        sent = tuple((now_us + piece.at_us) * 1_000 for piece in stage.pieces)
        came = tuple((at_ns, piece.data) for at_ns, piece in zip(sent, stage.pieces, strict=True))
        now_us += stage.length_us + stage.quiet_us
        session.take(Run(sent, came))
    return stages


@pytest.mark.parametrize("is_stream", [True, False])
@pytest.mark.parametrize("is_quick", [True, False])
def test_an_ideal_way_has_no_findings(is_stream: bool, is_quick: bool) -> None:
    session = Session(is_stream=is_stream, is_quick=is_quick)
    through_ideal(session)
    result = session.result()
    assert result.findings == ()
    assert result.is_whole
    assert result.running_status == (WORKS if is_stream else NOT_ON_THIS_PORT)


def test_the_time_is_said_beforehand_and_kept_within_bounds() -> None:
    # At the speed of a MIDI cable, 31 250 baud (page 1).
    assert 20 < estimate_s(is_stream=True) < 60
    assert estimate_s(is_stream=True, is_quick=True) < 10
    assert estimate_s(is_stream=False, is_quick=True) < 10


def test_stages_are_laid_out_at_the_speed_of_the_line() -> None:
    for stage in through_ideal(Session(is_stream=True)):
        free_us = 0.0
        for piece in stage.pieces:
            assert piece.at_us >= free_us - 1  # whole microseconds
            free_us = piece.at_us + 320 * len(piece.data)  # 10 bits at 31 250 baud
        assert stage.length_us >= free_us - 1


def test_what_is_expected_is_what_a_receiver_makes_of_the_bytes() -> None:
    splitter = Splitter()
    for stage in through_ideal(Session(is_stream=True)):
        records = splitter.feed(b"".join(piece.data for piece in stage.pieces))
        got = [record.data for record in records if isinstance(record, Message)]
        want = [sent.data for sent in stage.messages]
        real_time = [data for data in got if data[0] >= 0xF8]
        if stage.marks:
            assert real_time == [mark.data for mark in stage.marks]
        if stage.name != "single messages":  # where real time is among the messages themselves
            got = [data for data in got if data[0] < 0xF8]
        assert got == want
    assert splitter.n_pending == 0


def test_a_message_port_gets_whole_messages_only() -> None:
    for stage in through_ideal(Session(is_stream=False)):
        for piece in stage.pieces:
            records = Splitter().feed(piece.data)
            assert [record.data for record in records] == [piece.data]


def test_the_ports_own_limit_is_kept() -> None:
    session = Session(is_stream=False, longest_exclusive=300)
    stages = through_ideal(session)
    assert max(len(piece.data) for stage in stages for piece in stage.pieces) <= 300
    assert session.result().tried_exclusive <= 300
    assert session.result().longest_exclusive == 0


def test_a_run_of_another_stage_is_refused() -> None:
    session = Session(is_stream=True)
    with pytest.raises(ValueError, match="no run of the stage"):
        session.take(Run((1, 2, 3), ()))
    through_ideal(session)
    with pytest.raises(ValueError, match="no run of the stage"):
        session.take(Run((), ()))


def test_a_test_that_was_broken_off_says_so_and_claims_nothing() -> None:
    session = Session(is_stream=True)
    session.take(Run((), ()))
    result = session.result()
    assert not result.is_whole
    assert (result.running_status, result.real_time) == (UNKNOWN, UNKNOWN)
    assert result.latency is None


def test_no_two_messages_of_a_stage_are_the_same_where_they_carry_a_number() -> None:
    for stage in through_ideal(Session(is_stream=True)):
        seen = [m.data for m in stage.messages if m.data[0] < 0xF6 and m.group != "bits"]
        assert len(set(seen)) == len(seen), stage.name


def test_notes_are_played_softly_and_exclusives_carry_the_identifier_for_nobody() -> None:
    for stage in through_ideal(Session(is_stream=True)):
        for sent in stage.messages:
            if sent.data[0] & 0xF0 == 0x90:
                assert sent.data[2] <= 7
            if sent.data[0] == 0xF0:
                assert sent.data[1] == 0x7D  # non-commercial use, page 34
            assert sent.data != b"\xff"  # system reset is never sent


def test_exclusives_of_a_length_have_it_and_differ() -> None:
    numbers = Numbers()
    made = [numbers.exclusive(n) for n in (6, 6, 7, 100, 4_096)]
    assert [len(data) for data in made] == [6, 6, 7, 100, 4_096]
    assert len(set(made)) == 5
    assert all(data[1:-1].isascii() for data in made)


def test_every_fault_says_what_it_is_and_what_to_do_next() -> None:
    for name, fault in FAULTS.items():
        assert name == fault.name
        assert fault.words.endswith(".")
        assert fault.words[0].isupper()
        assert fault.step
        assert not fault.step.endswith(".")

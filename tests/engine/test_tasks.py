"""Setting values on a stand-in: what was sent, what it heard, what it ignored."""

from __future__ import annotations

import pytest

from knobwright.core.errors import EncodeError, QuestionError
from knobwright.core.state.values import SENT, UNKNOWN, Values
from knobwright.engine.standin import StandIn
from knobwright.engine.tasks import Wanted, choose_on_standin, set_on_standin
from tests.engine.small_sheets import WREN, codec_of


def test_values_are_sent_and_heard_as_they_were_sent() -> None:
    codec = codec_of(WREN)
    outcome = set_on_standin(
        codec,
        [Wanted("brightness", 33, 2), Wanted("hall.time", 0x40), Wanted("drum.level", 9, 10, 36)],
    )
    assert outcome.module == "Wren 2"
    assert [value.lines for value in outcome.values] == [
        ("B1 63 05", "B1 62 12", "B1 06 21"),
        ("F0 7D 10 42 30 05 40 0B F7",),
        ("B9 63 1A", "B9 62 24", "B9 06 09"),
    ]
    assert [value.heard for value in outcome.values] == [33, 0x40, 9]
    assert outcome.all_the_same
    # Hall time has its default, so only two differ.
    assert [value.key for value in outcome.report.values] == ["brightness", "drum.level"]


def test_times_are_those_of_the_wire_and_its_rests() -> None:
    """320 us a byte at 31 250 baud (MIDI 1.0, page 1); 20 ms of rest behind the exclusive."""
    codec = codec_of(WREN.replace("replies = true", "gap_ms = 20"))
    outcome = set_on_standin(
        codec, [Wanted("volume", 1), Wanted("hall.time", 2), Wanted("volume", 3)], start_ns=1_000
    )
    first, second, third = (value.at_ns for value in outcome.values)
    assert first == 1_000 + 3 * 320_000
    assert second == first + 9 * 320_000 + 20_000_000
    assert third == outcome.end_ns == second + 3 * 320_000


def test_what_did_not_take_effect_is_seen() -> None:
    outcome = set_on_standin(codec_of(WREN), [Wanted("echo.time", 500), Wanted("volume", 1)])
    assert [(value.same, value.heard) for value in outcome.values] == [(False, 300), (True, 1)]
    assert [record.reason.split(":")[0] for record in outcome.ignored] == ["echo.time"]
    assert not outcome.all_the_same


def test_a_stand_in_goes_on_from_call_to_call() -> None:
    codec = codec_of(WREN)
    module, known = StandIn(codec), Values(codec.sheet)
    set_on_standin(codec, [Wanted("echo.kind", 2)], standin=module, values=known)
    outcome = set_on_standin(codec, [Wanted("echo.time", 500)], standin=module, values=known)
    assert outcome.all_the_same
    assert known.get("echo.time").state == SENT
    assert known.lookup("echo.kind", None, None) == 2


def test_a_value_that_cannot_be_sent_stops_everything_before_the_first_byte() -> None:
    codec = codec_of(WREN)
    module = StandIn(codec)
    with pytest.raises(EncodeError, match=r"outside the range 0 (to|\.\.) 127|128 is outside"):
        set_on_standin(codec, [Wanted("volume", 1), Wanted("volume", 128)], standin=module)
    with pytest.raises(QuestionError, match="colour is not sent"):
        set_on_standin(codec, [Wanted("volume", 1), Wanted("colour", 1)], standin=module)
    assert module.report().n_bytes == 0


def test_an_action_counts_as_heard_when_it_was_done() -> None:
    codec = codec_of(WREN)
    module = StandIn(codec)
    module.receive(bytes.fromhex("90 3C 40"))
    outcome = set_on_standin(codec, [Wanted("notes.off", 0)], standin=module)
    assert outcome.all_the_same
    assert outcome.values[0].shown == "do"
    assert outcome.report.held == ()
    module.off()
    again = set_on_standin(codec, [Wanted("notes.off", 0)], standin=module)
    assert (again.values[0].same, again.n_ignored) == (False, 1)


def test_a_reset_that_is_asked_for_makes_what_was_sent_unknown() -> None:
    sheet = WREN + '\n[[parameter]]\nkey = "gm.on"\nline = "F0 7E 7F 09 01 F7"\n'
    codec = codec_of(sheet)
    known = Values(codec.sheet)
    outcome = set_on_standin(codec, [Wanted("volume", 1), Wanted("gm.on", 0)], values=known)
    assert outcome.values[1].same
    assert outcome.report.values == ()
    assert known.get("volume", 1).state == UNKNOWN


def test_a_program_is_chosen() -> None:
    codec = codec_of(WREN)
    module = StandIn(codec)
    end_ns = choose_on_standin(codec, codec.sheet.program[1], module, channel=3, start_ns=7)
    chosen = module.program(3)
    assert chosen is not None
    assert (chosen.number, chosen.bank, chosen.name) == (4, (0, 1), "Bright")
    assert end_ns == 7 + 8 * 320_000  # two control changes and a program change: 8 bytes

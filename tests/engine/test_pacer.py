"""The pacer: at once where it may, in time where it must wait, and nothing left sounding."""

from __future__ import annotations

import threading
import time
from itertools import pairwise

import pytest

from knobwright.core.errors import PortLostError
from knobwright.core.timing.merge import Merge
from knobwright.core.timing.pacing import Pacing
from knobwright.engine.pacer import STALL_NS, Pacer
from tests.engine.pacer_world import DIN_BYTE_NS, Clock, Notebook, Plug, World

LONG_EXCLUSIVE = "f0 7d " + "01 " * 4000 + "f7"


def test_a_message_on_a_free_line_is_handed_over_in_the_call_that_brings_it() -> None:
    world = World()
    world.play("90 3c 40")
    assert world.messages == ["90 3c 40"]
    assert world.tapped == [bytes.fromhex("90 3c 40")]
    assert [item.messages for item in world.told] == [(bytes.fromhex("90 3c 40"),)]


def test_the_second_message_waits_until_the_line_is_free() -> None:
    world = World()
    world.play("90 3c 40 90 3e 40")
    assert world.messages == ["90 3c 40"]
    world.pass_ms(0.95)
    assert world.messages == ["90 3c 40"]
    world.pass_ms(0.05)
    assert world.messages == ["90 3c 40", "90 3e 40"]
    times = [at_ns for at_ns, _ in world.plug.sent]
    assert times[1] - times[0] >= 3 * DIN_BYTE_NS


def test_a_note_on_is_in_the_ledger_before_its_bytes_and_a_note_off_leaves_it_after() -> None:
    world = World(byte_ns=0)
    seen: list[tuple[bytes, list[tuple[int, int, int]], list[tuple[int, int]]]] = []
    world.plug.before = lambda data: seen.append((data, world.ledger.owed(), world.ledger.pedals()))
    world.play("91 3c 40 b1 40 7f 81 3c 40 b1 40 00")
    assert [(owed, pedals) for _, owed, pedals in seen] == [
        ([(1, 60, 1)], []),
        ([(1, 60, 1)], [(1, 64)]),
        ([(1, 60, 1)], [(1, 64)]),
        ([], [(1, 64)]),
    ]
    assert (world.ledger.owed(), world.ledger.pedals()) == ([], [])


def test_a_note_on_with_velocity_0_takes_a_note_out() -> None:
    world = World(byte_ns=0)
    world.play("90 3c 40 90 3c 00")
    assert world.ledger.owed() == []


def test_pushing_while_the_port_sends_neither_waits_nor_is_forgotten() -> None:
    """A port that calls back into the program while it sends must not stop it."""
    world = World(byte_ns=0)
    echoes = iter(["b0 07 01", "b0 07 02"])

    def again(data: bytes) -> None:
        text = next(echoes, None)
        if text is not None:
            world.play(text, "echo")

    world.plug.before = again
    world.play("90 3c 40")
    assert world.messages == ["90 3c 40", "b0 07 01", "b0 07 02"]


def test_quiet_lifts_pedals_and_lets_go_before_anything_that_waits() -> None:
    world = World()
    world.play("90 3c 40 b0 40 7f 92 40 40")
    world.pass_ms(5)
    world.play("c0 05 90 3e 40 b3 07 11")
    n_before = len(world.messages)
    world.pacer.quiet()
    assert not world.pacer.wait_quiet(0)
    world.pass_ms(40)
    assert world.pacer.wait_quiet(0)
    assert world.messages[n_before:] == [
        "b0 40 00",
        "80 3c 40",
        "82 40 40",
        "b0 78 00",
        "b0 7b 00",
        "b2 78 00",
        "b2 7b 00",
        "b3 07 11",
    ]
    assert world.ledger.owed() == []


def test_quiet_everywhere_reaches_all_sixteen_channels() -> None:
    world = World(byte_ns=0)
    world.pacer.quiet(all_channels=True)
    assert world.messages == [
        f"b{channel:x} {mode:02x} 00" for channel in range(16) for mode in (120, 123)
    ]


def test_a_short_exclusive_under_way_is_finished_before_quiet() -> None:
    world = World()
    world.play("90 3c 40")
    world.pass_ms(1)
    exclusive = "f0 7d " + "01 " * 40 + "f7"
    world.play(exclusive)
    world.pass_ms(2)
    world.pacer.quiet()
    world.pass_ms(40)
    assert world.messages == ["90 3c 40", exclusive, "80 3c 40", "b0 78 00", "b0 7b 00"]


def test_a_long_exclusive_under_way_is_ended_for_quiet_and_said() -> None:
    world = World()
    world.play("90 3c 40")
    world.pass_ms(1)
    world.play(LONG_EXCLUSIVE)
    world.pass_ms(2)
    start_ns = world.clock.now_ns
    world.pacer.quiet()
    world.pass_ms(120)
    first, exclusive, *rest = world.messages
    assert first == "90 3c 40"
    assert exclusive.endswith("01 f7")
    assert len(exclusive.split()) < 500
    assert rest == ["80 3c 40", "b0 78 00", "b0 7b 00"]
    assert world.troubles == ["an exclusive message was cut short for quiet"]
    off_ns = next(at_ns for at_ns, data in world.plug.sent if data[0] == 0x80)
    assert off_ns - start_ns < 110_000_000


def test_notes_played_after_quiet_sound() -> None:
    world = World()
    world.pacer.quiet()
    world.play("90 3c 40")
    world.pass_ms(10)
    assert world.messages[-1] == "90 3c 40"


def test_letting_go_keeps_the_speed_of_the_line() -> None:
    ledger = Notebook()
    for key in range(40, 60):
        ledger.note_on(0, key)
    world = World(ledger=ledger)
    world.play("90 3c 40")
    world.pass_ms(40)
    times = [at_ns for at_ns, _ in world.plug.sent]
    assert len(times) == 21
    assert all(b - a >= 3 * DIN_BYTE_NS for a, b in pairwise(times))
    assert world.messages[-1] == "90 3c 40"


def test_what_an_earlier_engine_left_sounding_is_let_go_first() -> None:
    ledger = Notebook()
    ledger.note_on(4, 50)
    ledger.note_on(4, 50)
    ledger.pedal(4, 64, 127)
    world = World(ledger=ledger, is_open=False)
    assert world.pacer.n_found == 2
    world.play("b0 07 11")
    assert world.messages == []
    world.pacer.back(world.plug)
    world.pass_ms(20)
    assert world.messages == ["b4 40 00", "84 32 40", "84 32 40", "b0 07 11"]
    assert world.pacer.n_owed == 0


def test_a_cable_that_is_pulled_and_put_back_leaves_no_note_and_loses_no_program() -> None:
    world = World(byte_ns=0)
    world.play("90 3c 40 b0 40 7f")
    world.plug.is_pulled = True
    world.play("c0 07")
    assert not world.pacer.is_there
    assert world.failures == ["plug: the plug was pulled"]
    world.play("80 3c 40 90 3e 40 80 3e 40 b0 07 50 b0 07 51 b0 40 00")
    second = Plug(world.clock)
    world.pacer.back(second)
    messages = second.messages
    assert messages[:2] == ["b0 40 00", "80 3c 40"]
    assert messages.count("c0 07") == 1
    assert "90 3e 40" not in messages
    assert "b0 07 51" in messages
    assert world.ledger.owed() == []


def test_a_cable_pulled_in_the_middle_of_an_exclusive_brings_it_whole_afterwards() -> None:
    world = World()
    exclusive = "f0 7d " + "02 " * 30 + "f7"
    world.play(exclusive)
    world.pass_ms(3)
    assert 4 <= len(world.plug.data) < 33
    world.plug.is_pulled = True
    world.pass_ms(3)
    assert not world.pacer.is_there
    second = Plug(world.clock)
    world.pacer.back(second)
    world.pass_ms(30)
    assert second.messages == [exclusive]


def test_quiet_while_the_cable_is_out_is_done_when_it_is_back() -> None:
    world = World(byte_ns=0)
    world.play("95 3c 40")
    world.pacer.lost("gone")
    world.pacer.quiet()
    assert world.pacer.wait_quiet(0)
    second = Plug(world.clock)
    world.pacer.back(second)
    assert second.messages == ["85 3c 40", "b5 78 00", "b5 7b 00"]


def test_what_the_port_can_not_carry_is_said_and_the_rest_goes_on() -> None:
    world = World(byte_ns=0, stream=False)
    world.plug.refuses = bytes.fromhex("f0 7d")
    world.play("f0 7d 01 f7 90 3c 40")
    assert world.messages == ["90 3c 40"]
    assert world.troubles == ["plug: too long for this plug"]
    assert world.pacer.counts().n_limits == 1
    assert all(item.messages[0][0] != 0xF0 for item in world.told)


def test_a_process_that_stood_still_leaves_out_late_notes_but_no_note_off() -> None:
    world = World()
    world.play("90 3c 40 80 3c 40 90 3e 40 80 3e 40 c0 05")
    world.clock.now_ns += 5 * STALL_NS
    world.pass_ms(10)
    assert world.messages == ["90 3c 40", "80 3c 40", "80 3e 40", "c0 05"]
    assert world.pacer.counts().n_stalls == 1
    assert world.troubles == ["the machine or the port stood still: 1 late notes were left out"]


def test_a_machine_that_slept_while_its_clock_stood_leaves_out_late_notes() -> None:
    world = World()
    world.play("90 3c 40 90 3e 40 80 3e 40")
    world.slept_ns += 60 * STALL_NS
    world.pass_ms(10)
    assert world.messages == ["90 3c 40", "80 3e 40"]


def test_a_sleep_while_nothing_waited_costs_no_note() -> None:
    world = World()
    world.slept_ns += 60 * STALL_NS
    world.play("90 3c 40 90 3e 40")
    world.pass_ms(10)
    assert world.messages == ["90 3c 40", "90 3e 40"]


def test_a_port_that_was_stuck_does_not_burst_with_old_notes() -> None:
    world = World(byte_ns=0)

    def stuck(data: bytes) -> None:
        if data[1] == 0x3C:
            world.play("90 40 40 80 40 40", "b")
            world.clock.now_ns += 3 * STALL_NS

    world.plug.before = stuck
    world.play("90 3c 40")
    assert world.messages == ["90 3c 40", "80 40 40"]


def test_an_input_that_vanishes_lets_go_of_its_own_notes_and_pedals_only() -> None:
    world = World(byte_ns=0)
    world.play("90 3c 40 b0 40 7f", "keys")
    world.play("90 3c 40 91 40 40", "pads")
    world.play("91 41 40 91 41 00", "keys")
    n_before = len(world.messages)
    world.pacer.let_go("keys")
    assert world.messages[n_before:] == ["b0 40 00", "80 3c 40"]
    assert world.ledger.owed() == [(0, 60, 1), (1, 64, 1)]
    world.pacer.let_go("keys")
    assert len(world.messages) == n_before + 2


def test_active_sensing_does_not_keep_letting_go_from_ending() -> None:
    world = World(active_sensing=True)
    world.play("90 3c 40")
    world.pass_ms(2)
    world.pacer.quiet()
    world.pass_ms(20)
    assert world.pacer.wait_quiet(0)
    world.play("90 3e 40")
    world.pass_ms(600)
    assert "fe" in world.messages
    assert "90 3e 40" in world.messages


def test_a_flood_into_a_stuck_port_is_bounded_and_keeps_every_note_off(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("knobwright.engine.pacer.MAX_INBOX", 50)
    world = World(byte_ns=0)

    def stuck(data: bytes) -> None:
        world.plug.before = None
        for key in range(40, 70):
            world.play(f"90 {key:02x} 40 b0 10 {key:02x} 80 {key:02x} 40", "flood")

    world.plug.before = stuck
    world.play("b1 07 01")
    assert world.pacer.counts().n_spilled > 0
    assert len([m for m in world.messages if m.startswith("80")]) == 30
    assert world.ledger.owed() == []
    assert world.troubles


# -- with its thread and the real clock ------------------------------------------------------------


def test_the_thread_hands_over_at_the_deadline_and_ends() -> None:
    plug = Plug(Clock())
    came = threading.Event()
    plug.before = lambda data: came.set() if data[1] == 0x45 else None
    pacer = Pacer(
        lambda: Pacing(byte_ns=DIN_BYTE_NS, stream=True),
        Notebook(),
        clock=time.monotonic_ns,
        byte_ns=DIN_BYTE_NS,
    )
    pacer.start()
    try:
        pacer.back(plug)
        merge = Merge("a")
        start = time.monotonic()
        for key in range(0x3C, 0x46):
            pacer.push(merge.feed(bytes((0x90, key, 64))))
        assert came.wait(20)
        assert time.monotonic() - start >= 9 * 3 * DIN_BYTE_NS / 1e9
        assert len(plug.messages) == 10
    finally:
        pacer.close()
    pacer.close()


def test_many_threads_may_push_at_once_and_nothing_is_lost() -> None:
    plug = Plug(Clock())
    pacer = Pacer(lambda: Pacing(byte_ns=0, stream=True), Notebook(), clock=time.monotonic_ns)
    pacer.start()
    pacer.back(plug)

    def play(channel: int) -> None:
        merge = Merge(str(channel))
        for n in range(300):
            pacer.push(merge.feed(bytes((0xC0 | channel, n & 0x7F))))

    threads = [threading.Thread(target=play, args=(channel,)) for channel in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    deadline = time.monotonic() + 20
    while not pacer.is_idle and time.monotonic() < deadline:
        time.sleep(0.002)
    pacer.close()
    assert len(plug.messages) == 1200
    for channel in range(4):
        sent = [m for m in plug.messages if m.startswith(f"c{channel}")]
        assert sent == [f"c{channel} {n & 0x7F:02x}" for n in range(300)]


def test_the_port_error_of_the_world_is_one_that_may_come_back() -> None:
    plug = Plug(Clock())
    plug.is_pulled = True
    with pytest.raises(PortLostError):
        plug.send(b"\xf8")

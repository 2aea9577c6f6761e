"""Hard cases of pacer and order rules: what must never be lost, and what quiet must not break.

Rules are those of ``docs/reference/order.md``; messages are of the MIDI 1.0 Detailed Specification
4.2.1 (controllers: table III; channel mode: table V).
"""

from __future__ import annotations

from collections import Counter

from knobwright.core.timing.items import KEPT, VALUE, Item
from knobwright.core.timing.merge import Merge
from knobwright.core.timing.pacing import Pacing
from knobwright.core.wire import Splitter
from knobwright.engine.pacer import MAX_INBOX
from tests.engine.pacer_world import DIN_BYTE_NS, Notebook, World

PEDAL_DOWN, PEDAL_UP = b"\xb0\x40\x7f", b"\xb0\x40\x00"


def pacing(*, max_items: int = 4096, **more: int) -> Pacing:
    return Pacing(byte_ns=DIN_BYTE_NS, stream=True, max_items=max_items, **more)  # type: ignore[arg-type]


def everything(machine: Pacing, now_ns: int = 0) -> list[bytes]:
    """Return all messages that a machine hands over, time passing as it asks."""
    found = []
    while True:
        hand = machine.due(now_ns)
        if hand is not None:
            if hand.message:
                found.append(hand.message)
            continue
        next_ns = machine.next_ns
        if next_ns is None:
            return found
        now_ns = next_ns


def feed(machine: Pacing, source: Merge, text: str) -> None:
    for record in Splitter().feed(bytes.fromhex(text)):
        for item in source.feed(record[0]):
            machine.push(item, 0)


# -- order ----------------------------------------------------------------------------------------


def test_a_command_to_store_that_is_an_nrpn_stores_what_was_set_before_it() -> None:
    # Rule 4: only a program or a channel mode lets an older value be left out; anything else that
    # sets or does more than one thing could read it.
    value = [b"\xb0\x63\x05", b"\xb0\x62\x12"]
    store = Item((b"\xb0\x63\x7e", b"\xb0\x62\x01", b"\xb0\x06\x00"), KEPT, 1, n_selection=2)

    def bright(raw: int) -> Item:
        messages = (*value, bytes((0xB0, 6, raw)))
        return Item(messages, VALUE, 1, key="bright", base="bright", n_selection=2)

    machine = pacing()
    for item in (bright(9), bright(10), store, bright(20)):
        machine.push(item, 0)
    data = [message[2] for message in everything(machine) if message[1] == 6]
    assert data == [10, 0, 20]


def test_a_value_before_a_program_is_left_out_for_the_one_behind_it() -> None:
    machine = pacing()
    feed(machine, Merge("a"), "B0 4A 0A C0 05 B0 4A 14")
    assert everything(machine) == [b"\xc0\x05", b"\xb0\x4a\x14"]


def test_a_flood_of_clocks_does_not_silence_the_notes() -> None:
    # A clock each 200 us is more than the line carries (320 us a byte).
    machine, source = pacing(), Merge("a")
    sent: list[tuple[int, bytes]] = []
    for now_ns in range(0, 200_000_000, 40_000):
        if not now_ns % 200_000:
            machine.push(source.feed(b"\xf8")[0], now_ns)
        if now_ns == 20_000_000:
            machine.push(source.feed(b"\x80\x3c\x40")[0], now_ns)
        hand = machine.due(now_ns)
        if hand is not None:
            sent.append((now_ns, hand.message))
    (at_ns,) = [at_ns for at_ns, message in sent if message != b"\xf8"]
    # Eight bytes of real time and the one on the wire.
    assert at_ns <= 20_000_000 + 9 * DIN_BYTE_NS + 40_000


def test_a_clock_inside_an_exclusive_still_waits_for_one_piece_only() -> None:
    machine, source = pacing(), Merge("a")
    for item in source.feed(b"\xf0\x7d" + bytes(200) + b"\xf7"):
        machine.push(item, 0)
    due_ns: dict[int, int] = {}
    n_clocks = 0
    for now_ns in range(0, 60_000_000, 40_000):
        if now_ns and not now_ns % 8_000_000:
            machine.push(source.feed(b"\xf8")[0], now_ns)
            due_ns[len(due_ns)] = now_ns
        hand = machine.due(now_ns)
        if hand is not None and hand.message == b"\xf8":
            assert now_ns - due_ns[n_clocks] <= 4 * DIN_BYTE_NS
            n_clocks += 1
    assert n_clocks == len(due_ns)


# -- bounds ---------------------------------------------------------------------------------------


def test_a_pedal_lift_is_never_refused_for_a_pedal_that_was_taken() -> None:
    machine = pacing(max_items=8)
    source = Merge("a")
    feed(machine, source, "B0 40 7F")
    feed(machine, source, "B0 60 00 " + "B0 63 05 62 12 " + "B0 60 00 " * 40)  # steps: all kept
    before = machine.counts.n_refused_other
    assert before > 0  # it is full
    feed(machine, source, "B0 40 00")
    feed(machine, source, "B0 40 00")  # one that nobody asked for
    sent = everything(machine)
    assert [m for m in sent if m[1] == 0x40] == [PEDAL_DOWN, PEDAL_UP]
    assert machine.counts.n_refused_other == before + 1


def test_a_pedal_that_is_refused_is_not_followed_by_a_lift_for_ever() -> None:
    machine = pacing(max_items=8)
    source = Merge("a")
    feed(machine, source, "B0 63 05 62 12 " + "B0 60 00 " * 40)
    for _ in range(100):
        feed(machine, source, "B0 40 7F 40 00")
    assert machine.n_waiting == 16


def test_pedals_that_move_while_the_link_is_lost_do_not_pile_up() -> None:
    machine = pacing()
    source = Merge("a")
    feed(machine, source, "90 3C 40")
    everything(machine)
    machine.lost(0)
    for _ in range(9000):
        feed(machine, source, "B0 40 7F 40 00 B1 42 7F")
    feed(machine, source, "B0 43 7F B0 40 00 80 3C 40")
    machine.back(0)
    # Only how they stand at last matters: no note begins meanwhile.
    assert [m.hex(" ") for m in everything(machine)] == [
        "b0 43 7f",
        "b0 40 00",
        "80 3c 40",
        "b1 42 7f",
    ]
    assert machine.counts.n_refused_other == 0


def test_a_step_or_program_is_not_left_out_while_the_link_is_lost() -> None:
    machine = pacing()
    source = Merge("a")
    machine.lost(0)
    feed(machine, source, "B0 63 05 62 12 60 00 60 00 C0 05 C0 06 B0 00 01 B0 00 02")
    machine.back(0)
    sent = [m.hex(" ") for m in everything(machine)]
    assert sent.count("b0 60 00") == 2
    assert [m for m in sent if m.startswith(("c0", "b0 00"))] == [
        "c0 05",
        "c0 06",
        "b0 00 01",
        "b0 00 02",
    ]


# -- letting go -----------------------------------------------------------------------------------


def test_what_a_button_of_a_lost_input_holds_is_let_go_with_it() -> None:
    world = World()
    world.play("B0 40 7F", source="desk/pedal")
    world.play("B1 40 7F", source="desk-2/pedal")
    world.pass_ms(5)
    world.pacer.let_go("desk")
    world.pass_ms(5)
    assert world.messages == ["b0 40 7f", "b1 40 7f", "b0 40 00"]


def test_a_parameter_that_sends_a_note_is_held_like_a_note() -> None:
    world = World()
    world.pacer.push([Item((b"\x90\x3c\x40",), KEPT, 1, source="desk/button-1")])
    world.pass_ms(5)
    assert world.ledger.owed() == [(0, 60, 1)]
    world.pacer.quiet()
    world.pass_ms(50)
    assert "80 3c 40" in world.messages
    assert world.pacer.n_owed == 0


def test_quiet_lets_go_of_more_than_may_wait_at_once() -> None:
    ledger = Notebook()
    world = World(byte_ns=0, ledger=ledger)
    for key in range(128):
        ledger.notes[0, key] = 100
    ledger.down[3, 64] = 127
    world.pacer.quiet(all_channels=True)
    world.pass_ms(20)
    sent = Counter(world.messages)
    assert {sent[f"80 {key:02x} 40"] for key in range(128)} == {100}
    assert sent["b3 40 00"] == 1
    assert sent["b0 78 00"] == sent["bf 7b 00"] == 1
    assert world.pacer.n_owed == 0
    assert world.pacer.wait_quiet(0)


def test_a_group_that_quiet_interrupts_selects_anew() -> None:
    world = World(quiet=(121, 123))
    world.play("B0 63 05 62 12 06 40")
    assert world.messages == ["b0 63 05"]
    world.play("90 3C 40")
    world.pass_ms(1)
    assert world.messages == ["b0 63 05", "90 3c 40"]
    world.pacer.quiet()  # with 121 the module forgets what is selected (RP-015)
    world.pass_ms(30)
    sent = world.messages
    assert sent[2:5] == ["80 3c 40", "b0 79 00", "b0 7b 00"]
    assert sent[5:] == ["b0 63 05", "b0 62 12", "b0 06 40"]


def test_pedal_lifts_are_kept_while_the_port_is_stuck() -> None:
    world = World(byte_ns=0)
    world.play("B0 40 7F 90 3C 40")
    world.pass_ms(1)
    merge = Merge("a")

    def meanwhile(_: bytes) -> None:
        world.plug.before = None
        world.pacer.push(merge.feed(b"\xb1\x07\x01") * (MAX_INBOX + 10))
        world.pacer.push(merge.feed(b"\x80\x3c\x40"))
        world.pacer.push(merge.feed(b"\xb0\x40\x00"))

    world.plug.before = meanwhile
    world.play("B2 07 01")
    world.pass_ms(5)
    assert world.messages[-3:] == ["80 3c 40", "b0 40 00", "b1 07 01"]
    assert world.pacer.counts().n_spilled > 0
    assert world.troubles


def test_quiet_keeps_the_rest_that_a_module_needs_before_anything() -> None:
    world = World(gap_ns=20_000_000, gap_holds="all")
    world.play("90 3C 40")
    world.pass_ms(2)
    world.play("F0 7D 01 F7")
    world.pass_ms(3)
    world.pacer.quiet()
    world.pass_ms(60)
    times = {data: at_ns for at_ns, data in world.plug.sent}
    end_ns = times[b"\xf0\x7d\x01\xf7"] + 4 * DIN_BYTE_NS
    assert times[b"\x80\x3c\x40"] >= end_ns + 20_000_000

"""Open Sound Control over UDP on this machine, against its published examples and by hand."""

from __future__ import annotations

import contextlib
import itertools
import logging
import math
import socket
import struct
import time
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythonosc import osc_message, udp_client

from knobwright.adapters.ports import osc, osc_packet
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.osc import OscIn, OscOut
from knobwright.adapters.ports.osc_packet import Taken, take_apart
from knobwright.core.errors import DecodeError, PortError, PortLimitError
from tests.contracts.rig import Arrived, becomes

#: Open Sound Control 1.0, "Examples": the first packet's bytes as printed, the second's arguments.
FREQUENCY = bytes.fromhex(
    "2F 6F 73 63 69 6C 6C 61 74 6F 72 2F 34 2F 66 72 65 71 75 65 6E 63 79 002C 66 00 00 43 DC 00 00"
)
FOO = bytes.fromhex(
    "2F 66 6F 6F 00 00 00 00 2C 69 69 73 66 66 00 00 00 00 03 E8 FF FF FF FF"
    "68 65 6C 6C 6F 00 00 00 3F 9D F3 B6 40 B5 B2 2D"
)
NOTE = bytes.fromhex("90 3C 40")
NOTE_MESSAGE = b"/midi\0\0\0,m\0\0\x00\x90\x3c\x40"
NOW = struct.pack(">Q", 1)


def text(words: str) -> bytes:
    """Return a text as the standard writes it: ended by 0, filled up to a multiple of 4."""
    raw = words.encode() + b"\0"
    return raw + bytes(-len(raw) % 4)


def bundle(timetag: bytes, *elements: bytes) -> bytes:
    return b"#bundle\0" + timetag + b"".join(struct.pack(">i", len(e)) + e for e in elements)


def ntp(seconds_ahead: float) -> bytes:
    """Return the time tag of now and some seconds: seconds since 1900 (RFC 5905: 2 208 988 800)."""
    return struct.pack(">Q", int((time.time() + 2_208_988_800 + seconds_ahead) * (1 << 32)))


# -- packets -------------------------------------------------------------------------------------


def test_the_first_published_example_is_read_and_made() -> None:
    assert take_apart(FREQUENCY) == [Taken(1, (), (("/oscillator/4/frequency", 440.0),))]
    assert osc_packet.number_datagram("/oscillator/4/frequency", 440.0) == FREQUENCY


def test_the_second_published_example_is_read() -> None:
    (taken,) = take_apart(FOO)
    assert [name for name, _ in taken.numbers] == ["/foo", "/foo 2", "/foo 3", "/foo 4"]
    assert [value for _, value in taken.numbers] == pytest.approx([1000, -1, 1.234, 5.678])
    assert taken.n_unused == 1  # the text


@pytest.mark.parametrize(
    ("message", "datagram"),
    [
        (NOTE, NOTE_MESSAGE),
        # "m": port id, status, data1, data2, from most to least significant (Open Sound Control
        # 1.0, table of other types); what a shorter message leaves is 0 (common practice).
        (bytes.fromhex("C5 07"), b"/midi\0\0\0,m\0\0\x00\xc5\x07\x00"),
        (b"\xf8", b"/midi\0\0\0,m\0\0\x00\xf8\x00\x00"),
        (bytes.fromhex("F0 7D 01 F7"), b"/midi\0\0\0,b\0\0\0\0\0\x04\xf0\x7d\x01\xf7"),
        (bytes.fromhex("F0 7D F7"), b"/midi\0\0\0,b\0\0\0\0\0\x03\xf0\x7d\xf7\0"),
    ],
)
def test_midi_messages_become_datagrams_and_come_back(message: bytes, datagram: bytes) -> None:
    assert osc_packet.midi_datagram(message) == datagram
    assert take_apart(datagram) == [Taken(1, (message,))]


def test_numbers_of_every_sort_are_read() -> None:
    data = text("/a") + text(",ifdhTF") + struct.pack(">ifdq", -7, 0.5, 0.1, 1 << 40)
    (taken,) = take_apart(data)
    assert [value for _, value in taken.numbers] == [-7, 0.5, 0.1, 1 << 40, 1, 0]


def test_numbers_are_sent_as_what_they_are() -> None:
    for value, tag in ((3, "i"), (0.5, "f"), (1 << 40, "f"), (True, "T"), (False, "F")):
        datagram = osc_packet.number_datagram("/a", value)
        assert datagram[4:8] == text(f",{tag}")
        assert take_apart(datagram)[0].numbers == (("/a", float(value)),)


@pytest.mark.parametrize("value", [math.nan, math.inf, 1e39])
def test_a_number_that_can_t_be_carried_is_refused(value: float) -> None:
    with pytest.raises(DecodeError, match="number"):
        osc_packet.number_datagram("/a", value)


def test_bundles_in_bundles_are_read_in_order_with_their_times() -> None:
    inner = bundle(struct.pack(">Q", 9), NOTE_MESSAGE)
    assert take_apart(bundle(struct.pack(">Q", 5), FREQUENCY, inner)) == [
        Taken(5, (), (("/oscillator/4/frequency", 440.0),)),
        Taken(9, (NOTE,)),
    ]


def deep(n: int) -> bytes:
    data = NOTE_MESSAGE
    for _ in range(n):
        data = bundle(NOW, data)
    return data


HOSTILE = {
    "nothing": b"",
    "no multiple of 4": FREQUENCY[:-1],
    "no slash": text("midi") + text(",i") + bytes(4),
    "no end of the path": b"/aaa",
    "no comma": text("/a") + text("i") + bytes(4),
    "argument missing": text("/a") + text(",ff") + bytes(4),
    "a sort that the library would step over": text("/a") + text(",ci") + bytes(8),
    "arrays": text("/a") + text(",[i]") + bytes(4),
    "blob too long": text("/midi") + text(",b") + struct.pack(">i", 400) + bytes(4),
    "blob of negative size": text("/midi") + text(",b") + struct.pack(">i", -4) + bytes(4),
    "blob without size": text("/midi") + text(",b"),
    "bytes left over": text("/a") + text(",i") + bytes(8),
    "bundle without time": b"#bundle\0",
    "bundle of negative size": b"#bundle\0" + NOW + struct.pack(">i", -8) + bytes(8),
    "bundle of no size": b"#bundle\0" + NOW + bytes(4),
    "bundle too long": b"#bundle\0" + NOW + struct.pack(">i", 64) + bytes(4),
    "bundles too deep": deep(2_000),
    "inner bundle due before the outer": bundle(
        struct.pack(">Q", 9), bundle(struct.pack(">Q", 5), NOTE_MESSAGE)
    ),
    "a pattern for a path": text("/midi*") + text(",i") + bytes(4),
    "a blank in the path": text("/a b") + text(",i") + bytes(4),
    "control characters in the path": text("/a\x1b[2J") + text(",i") + bytes(4),
    "not ASCII": text("/ä") + text(",i") + bytes(4),
    "endless path": text("/" + "a" * 4_000) + text(",i") + bytes(4),
    "no number": text("/a") + text(",f") + struct.pack(">f", math.nan),
    "infinite": text("/a") + text(",d") + struct.pack(">d", math.inf),
    "data byte for a status": text("/midi") + text(",m") + bytes.fromhex("00 3C 40 00"),
    "status among the data": text("/midi") + text(",m") + bytes.fromhex("00 90 90 40"),
    "exclusive in four bytes": text("/midi") + text(",m") + bytes.fromhex("00 F0 7D 01"),
    "exclusive without its end": text("/midi") + text(",b") + struct.pack(">i", 4) + b"\xf0\1\2\3",
    "good message with a bad one": bundle(NOW, NOTE_MESSAGE, text("/midi") + text(",m") + bytes(4)),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_datagrams_are_refused_whole(name: str) -> None:
    with pytest.raises(DecodeError):
        take_apart(HOSTILE[name])


@given(st.binary(max_size=120) | st.builds(lambda d, e: b"/a\0\0," + d + e, *[st.binary()] * 2))
def test_no_datagram_raises_anything_but_our_own_error(data: bytes) -> None:
    with contextlib.suppress(DecodeError):
        for taken in take_apart(data):
            assert all(math.isfinite(value) for _, value in taken.numbers)


@given(st.integers(0, len(FOO) - 1), st.integers(0, 255))
def test_one_wrong_byte_never_raises_anything_but_our_own_error(at: int, byte: int) -> None:
    changed = bytearray(bundle(NOW, FOO, NOTE_MESSAGE))
    changed[at] = byte
    with contextlib.suppress(DecodeError):
        take_apart(bytes(changed))


# -- ports ---------------------------------------------------------------------------------------


class Listening:
    """An in-port of a free UDP port, and a socket that sends to it."""

    def __init__(self, *senders: str, sender: str = "127.0.0.1", numbers: bool = True) -> None:
        self.arrived = Arrived()
        self.numbers: list[tuple[str, float]] = []
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind((sender, 0))
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            self.number = probe.getsockname()[1]
        self.port = OscIn(
            f"127.0.0.1:{self.number}",
            senders,
            time.monotonic_ns,
            self.arrived,
            self._take if numbers else None,
        )

    def _take(self, path: str, value: float, at_ns: int) -> None:
        self.numbers.append((path, value))

    def send(self, *datagrams: bytes) -> None:
        for datagram in datagrams:
            self.socket.sendto(datagram, ("127.0.0.1", self.number))

    def close(self) -> None:
        self.port.close()
        self.socket.close()


@pytest.fixture
def listening() -> Iterator[Listening]:
    made = Listening()
    yield made
    made.close()


def test_numbers_and_messages_arrive_each_at_its_receiver(listening: Listening) -> None:
    listening.send(FREQUENCY, NOTE_MESSAGE)
    assert listening.arrived.wait(3)
    assert listening.arrived.data == NOTE
    assert listening.numbers == [("/oscillator/4/frequency", 440.0)]
    assert listening.port.counts.n_taken == 2


def test_another_library_is_understood_and_understands(listening: Listening) -> None:
    client = udp_client.SimpleUDPClient("127.0.0.1", listening.number)
    client.send_message("/fader/1", 0.25)
    client.send_message("/midi", [(0, 0x90, 0x3C, 0x40)])
    client._sock.close()
    assert listening.arrived.wait(3)
    assert listening.arrived.data == NOTE
    assert listening.numbers == [("/fader/1", 0.25)]
    message = osc_message.OscMessage(osc_packet.midi_datagram(NOTE))
    assert (message.address, message.params) == ("/midi", [(0, 0x90, 0x3C, 0x40)])


def test_only_listed_senders_are_taken_and_the_others_are_counted_and_said(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.WARNING, "knobwright.osc")
    made = Listening("192.0.2.7")  # an address of the documentation's range (RFC 5737)
    try:
        made.send(NOTE_MESSAGE, NOTE_MESSAGE)
        assert becomes(lambda: made.port.counts.n_refused == 2)
        assert made.arrived.data == b""
    finally:
        made.close()
    assert len(caplog.records) == 1, "said once, not each time"
    assert "127.0.0.1" in caplog.text
    assert "not listed" in caplog.text


def test_a_range_of_senders_can_be_listed() -> None:
    made = Listening("127.0.0.0/29", sender="127.0.0.6")
    try:
        made.send(NOTE_MESSAGE)
        assert made.arrived.wait(3)
    finally:
        made.close()
    made = Listening("127.0.0.0/29", sender="127.0.0.9")
    try:
        made.send(NOTE_MESSAGE)
        assert becomes(lambda: made.port.counts.n_refused == 1)
    finally:
        made.close()


def test_hostile_datagrams_are_counted_and_the_next_good_one_is_taken(
    listening: Listening, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING, "knobwright.osc")
    listening.send(*(HOSTILE[name] for name in HOSTILE if len(HOSTILE[name]) < 60_000))
    listening.send(NOTE_MESSAGE)
    assert listening.arrived.wait(3)
    assert listening.arrived.data == NOTE
    assert listening.port.counts.n_wrong == len(HOSTILE)
    assert len(caplog.records) == 2, "said at the first and at the tenth"


def test_numbers_that_nobody_asked_for_are_counted() -> None:
    made = Listening(numbers=False)
    try:
        made.send(FREQUENCY, NOTE_MESSAGE)
        assert made.arrived.wait(3)
        assert made.port.counts.n_unused == 1
    finally:
        made.close()


def test_a_bundle_due_later_waits_for_its_time_and_what_is_due_now_goes_first(
    listening: Listening,
) -> None:
    off = bytes.fromhex("80 3C 40")
    sent_ns = time.monotonic_ns()
    listening.send(bundle(ntp(0.15), osc_packet.midi_datagram(off)), NOTE_MESSAGE)
    assert listening.arrived.wait(6)
    assert [data for data, _ in listening.arrived.pieces] == [NOTE, off]
    assert listening.arrived.times[1] - sent_ns >= 145_000_000  # the wall clock may be slewed


def test_a_bundle_due_before_now_or_far_ahead_is_given_at_once(listening: Listening) -> None:
    listening.send(bundle(ntp(-60), NOTE_MESSAGE), bundle(ntp(3_600), NOTE_MESSAGE))
    assert listening.arrived.wait(6)
    assert listening.port.counts.n_ahead == 1


def test_datagrams_that_the_system_throws_away_are_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(osc, "BUFFER_BYTES", 4_096)
    made = Listening()
    gate = made.arrived._changed  # the receiver waits for this lock, and so does the reader
    try:
        with gate:
            for _ in range(400):
                made.send(NOTE_MESSAGE)

        def is_counted() -> bool:
            made.send(NOTE_MESSAGE)  # the system tells it with the next one that comes
            return made.port.counts.n_thrown_away > 0

        assert becomes(is_counted)
    finally:
        made.close()


def test_a_port_that_listens_may_be_closed_from_within_its_call() -> None:
    made = Listening()
    calls = itertools.count()

    def take(path: str, value: float, at_ns: int) -> None:
        next(calls)
        made.port.close()

    made.port._receive_number = take
    try:
        made.send(bundle(NOW, FREQUENCY, FREQUENCY))
        assert becomes(lambda: not made.port.is_there())
        assert next(calls) == 1
    finally:
        made.close()


def test_without_an_address_only_this_machine_is_listened_to() -> None:
    assert osc.parse_name("9000") == ("127.0.0.1", 9_000)
    assert osc.parse_name("[::1]:9000") == ("::1", 9_000)
    assert osc.parse_name("0.0.0.0:9000") == ("0.0.0.0", 9_000)


@pytest.mark.parametrize("name", ["", "x", "127.0.0.1", "127.0.0.1:0", "127.0.0.1:65536", "a:b:c"])
def test_a_name_that_is_no_address_is_refused_with_an_example(name: str) -> None:
    with pytest.raises(PortError, match="ADDRESS:PORT") as caught:
        osc.parse_name(name)
    assert "127.0.0.1:9000" in caught.value.hint


def test_a_port_that_another_program_listens_at_is_said(listening: Listening) -> None:
    with pytest.raises(PortError, match="can't be listened at") as caught:
        osc.open_in(
            f"127.0.0.1:{listening.number}", PortSettings(), Surroundings(), lambda *_: None
        )
    assert "another" in caught.value.hint


def test_a_sender_that_is_no_address_is_refused() -> None:
    with pytest.raises(PortError, match="a sender is an address"):
        OscIn("9", ("tablet",), time.monotonic_ns, Arrived(), None)


def test_sending_to_nobody_is_said_once_and_the_first_heard_afterwards_arrives(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.WARNING, "knobwright.osc")
    made = Listening()
    made.port.close()
    out = OscOut(f"127.0.0.1:{made.number}")
    try:
        for _ in range(5):
            out.send(NOTE)
        assert [record.message for record in caplog.records] == [
            f"osc:127.0.0.1:{made.number}: nobody listens there"
        ]
        arrived = Arrived()
        again = OscIn(f"127.0.0.1:{made.number}", (), time.monotonic_ns, arrived, None)
        try:
            out.send(NOTE)
            assert arrived.wait(3)
        finally:
            again.close()
    finally:
        out.close()
        made.close()


def test_numbers_are_sent_and_bad_paths_are_refused(listening: Listening) -> None:
    out = OscOut(f"127.0.0.1:{listening.number}")
    try:
        out.send_number("/led/1", 0.5)
        assert becomes(lambda: listening.numbers == [("/led/1", 0.5)])
        for path in ("led", "/led 1", "/led*", "/\x07"):
            with pytest.raises(PortLimitError, match="path"):
                out.send_number(path, 1)
        with pytest.raises(PortLimitError, match="one whole message"):
            out.send(b"\x90\x3c")
    finally:
        out.close()

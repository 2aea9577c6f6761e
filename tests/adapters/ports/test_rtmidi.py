"""MIDI ports of the system, on a real JACK server with the dummy driver."""

from __future__ import annotations

import builtins
import os
import sys
import threading
import time
from collections.abc import Iterator
from typing import Any

import mido
import pytest

from knobwright.adapters.ports import rtmidi_, rtmidi_driver
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.rtmidi_ import Room, identity_of
from knobwright.adapters.ports.table import list_ports, open_in, open_out
from knobwright.core.errors import PortError, PortLimitError, PortLostError
from knobwright.core.interfaces import InPort
from tests.contracts.rig import Arrived, becomes
from tests.instruments.jackd import JackServer, jack_server, relay
from tests.instruments.synth import client_of

OURS = "rtmidi:+knobs"
OURS_SEEN = "rtmidi:Knobwright:knobs"
NOTE = bytes.fromhex("90 3C 40")


@pytest.fixture
def server() -> Iterator[JackServer]:
    with jack_server() as made:
        yield made


@pytest.fixture
def no_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take every driver away: no ALSA device, no server of this name."""
    monkeypatch.setattr(rtmidi_driver, "ALSA_DEVICE", "/nowhere/seq")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "kw-nobody")


# -- without a driver ----------------------------------------------------------------------------


@pytest.mark.usefixtures("no_system")
def test_without_a_driver_one_sentence_says_so_and_the_library_is_silent(
    capfd: pytest.CaptureFixture[str],
) -> None:
    (trouble,) = list_ports(["rtmidi"]).troubles
    assert "neither an ALSA device nor a running JACK server" in trouble.message
    assert "start a JACK server" in trouble.hint
    with pytest.raises(PortError, match="no MIDI driver here"):
        open_out(OURS)
    assert capfd.readouterr() == ("", "")
    assert not [name for name in os.listdir("/dev/shm") if "kw-nobody" in name], "none was started"


def test_a_library_of_the_system_that_is_missing_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    true_import = builtins.__import__

    def failing(name: str, *rest: Any) -> Any:
        if name == "rtmidi":  # what the loader says, word for word
            raise ImportError(
                "libasound.so.2: cannot open shared object file: No such file or directory",
                name="rtmidi._rtmidi",
            )
        return true_import(name, *rest)

    monkeypatch.setattr(builtins, "__import__", failing)
    (trouble,) = list_ports(["rtmidi"]).troubles
    assert "libasound.so.2" in trouble.message
    assert "libasound2" in trouble.hint


def test_the_driver_that_is_not_installed_is_named_with_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    (trouble,) = list_ports(["rtmidi"]).troubles
    assert trouble.hint == "pip install 'knobwright[ports]'"


def test_a_system_that_the_driver_does_not_know_is_refused_with_those_it_knows() -> None:
    with pytest.raises(PortError, match="no MIDI system 'tape' here") as caught:
        open_out(OURS, PortSettings(api="tape"))
    assert "jack" in caught.value.hint


# -- bytes ---------------------------------------------------------------------------------------


def through(messages: list[bytes]) -> list[bytes]:
    """Send messages from one port of ours to another over the server; return what arrives."""
    arrived = Arrived()
    source = open_in(OURS, receive=arrived)
    out = open_out(OURS_SEEN, PortSettings(api="jack"))
    try:
        for message in messages:
            out.send(message)
        arrived.wait(sum(map(len, messages)))
    finally:
        out.close()
        source.close()
    return [data for data, _ in arrived.pieces]


def test_every_sort_of_message_arrives_byte_for_byte(server: JackServer) -> None:
    # One of each status of MIDI 1.0, table I and following; what drivers filter by habit
    # (exclusive, clock, active sensing) is among them.
    texts = (
        "80 3C 40, 9F 3C 7F, A0 3C 01, B3 63 05, C0 7F, D2 00, E0 7F 7F, F0 7D 01 F7, F0 F7, F1 35,"
        "F2 01 02, F3 04, F6, F8, FA, FB, FC, FE, F0 7E 7F 09 01 F7"
    )
    sent = [bytes.fromhex(text) for text in texts.split(",")]
    assert through(sent) == sent


@pytest.mark.parametrize("period", [64, 256])
def test_the_longest_exclusive_arrives_whole_at_this_period(period: int) -> None:
    longest = b"\xf0\x7d" + bytes(i * 11 % 128 for i in range(rtmidi_.LONGEST - 3)) + b"\xf7"
    assert len(longest) == rtmidi_.LONGEST
    with jack_server(period):
        assert through([longest, NOTE, longest]) == [longest, NOTE, longest]


def test_more_than_the_driver_holds_arrives_in_order_and_nothing_stands_still(
    server: JackServer,
) -> None:
    # 100 000 bytes at once: beyond 16 383 the driver would wait and hold the interpreter, so that
    # the reader could never make room; beyond 32 KiB in a period the server would drop the rest.
    sent = [b"\xf0" + bytes((i & 127, i >> 7)) + bytes(16) + b"\xf7" for i in range(5_000)]
    start_ns = time.monotonic_ns()
    assert through(sent) == sent
    assert time.monotonic_ns() - start_ns < 5_000_000_000


@pytest.mark.parametrize("text", ["90 3C", "3C 40", "F0 01", "90 3C 40 90 3E 40", "F7", "F4"])
def test_what_is_not_one_whole_message_is_refused(server: JackServer, text: str) -> None:
    source = open_in(OURS, receive=Arrived())
    out = open_out(OURS_SEEN)
    try:
        with pytest.raises(PortLimitError, match="one whole message"):
            out.send(bytes.fromhex(text))
    finally:
        out.close()
        source.close()


def test_mido_reads_what_we_send_and_sends_what_we_read(server: JackServer) -> None:
    messages = [
        mido.Message("note_on", channel=3, note=60, velocity=64),
        mido.Message("control_change", channel=15, control=99, value=5),
        mido.Message("pitchwheel", channel=0, pitch=-8192),
        mido.Message("program_change", channel=9, program=127),
        mido.Message("sysex", data=(0x7D, 1, 2, 3)),
        mido.Message("songpos", pos=1_000),
        mido.Message("clock"),
        mido.Message("note_off", channel=3, note=60, velocity=0),
    ]
    backend = mido.Backend("mido.backends.rtmidi/UNIX_JACK")
    arrived = Arrived()
    with relay(server):
        out, source = open_out("rtmidi:far:in"), open_in("rtmidi:far:out", receive=arrived)
        # Its reader runs in the server's own thread, so everything is open before bytes go round.
        theirs_in, theirs_out = backend.open_input("far:out"), backend.open_output("far:in")
        heard: list[Any] = []

        def all_heard() -> bool:
            heard.extend(theirs_in.iter_pending())
            return heard == messages

        try:
            for message in messages:
                out.send(bytes(message.bytes()))
            assert becomes(all_heard)
            assert becomes(lambda: len(arrived.pieces) == len(messages))
            arrived.pieces.clear()
            for message in messages:
                theirs_out.send(message)
            assert becomes(lambda: len(arrived.pieces) == len(messages))
            got = [mido.Message.from_bytes(data) for data, _ in arrived.pieces]
            assert got == messages
        finally:
            for port in (theirs_in, theirs_out, out, source):
                port.close()
            theirs_in._rt.delete()  # it leaves its clients in the server otherwise
            theirs_out._rt.delete()


# -- coming and going ----------------------------------------------------------------------------


def test_a_port_of_our_own_is_seen_by_other_programs(server: JackServer) -> None:
    source, out = open_in(OURS, receive=Arrived()), open_out("rtmidi:+sounds")
    watcher = client_of(server, "watcher")
    try:
        names = {port.name for port in watcher.get_ports(is_midi=True)}
        assert any(n.startswith("Knobwright") and n.endswith(":knobs") for n in names)
        assert any(n.startswith("Knobwright") and n.endswith(":sounds") for n in names)
        assert out.name == "+sounds"
        assert out.is_there()
    finally:
        watcher.close()
        out.close()
        source.close()


@pytest.mark.parametrize("name", ["+", "+ ", "+" + "x" * 300])
def test_a_port_of_our_own_needs_a_name_of_a_proper_length(server: JackServer, name: str) -> None:
    with pytest.raises(PortError, match="1 to 200 bytes"):
        rtmidi_.open_out(name, PortSettings(), Surroundings())


def test_a_port_that_is_not_there_is_said(server: JackServer) -> None:
    with pytest.raises(PortLostError, match="not there"):
        rtmidi_.open_out("gone:in", PortSettings(), Surroundings())


def test_a_server_that_does_not_join_us_is_said(
    server: JackServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    true_survey = rtmidi_driver.survey_jack
    with relay(server):
        open_out("rtmidi:far:in").close()
        source = open_in("rtmidi:far:out", receive=Arrived())
        survey = true_survey("far:out")
        assert survey is not None
        assert [name.partition(":")[2] for name in survey.joined] == ["in"]
        source.close()
        # What the server says when nothing is joined.
        monkeypatch.setattr(
            rtmidi_driver, "survey_jack", lambda port="": true_survey(port and "far:in")
        )
        with pytest.raises(PortLostError, match="does not join"):
            open_in("rtmidi:far:out", receive=Arrived())


def test_a_far_end_that_ends_is_noticed_though_the_server_takes_everything(
    server: JackServer,
) -> None:
    with relay(server) as far:
        out = open_out("rtmidi:far:in")
        source = open_in("rtmidi:far:out", receive=Arrived())
        try:
            far.stop()
            assert becomes(lambda: not out.is_there() and not source.is_there())

            def refuses() -> bool:
                try:
                    out.send(NOTE)
                except PortLostError:
                    return True
                return False

            assert becomes(refuses)
        finally:
            out.close()
            source.close()


@pytest.mark.parametrize("late", [False, True], ids=["closed at once", "closed when it is back"])
def test_a_server_that_is_killed_is_lost_at_once_and_works_again_when_it_is_back(
    server: JackServer, capfd: pytest.CaptureFixture[str], late: bool
) -> None:
    for _ in range(3):
        arrived = Arrived()
        source, out = open_in(OURS, receive=arrived), open_out(OURS_SEEN)
        out.send(NOTE)
        assert arrived.wait(len(NOTE))
        server.kill()
        assert becomes(lambda out=out: not out.is_there())  # type: ignore[misc]
        with pytest.raises(PortLostError):
            out.send(NOTE)
        assert not source.is_there()
        if not late:
            out.close()
            source.close()
        assert list_ports(["rtmidi"]).troubles
        server.start()
        assert through([NOTE]) == [NOTE]
        out.close()
        source.close()
    assert capfd.readouterr() == ("", ""), "the library wrote on its own"


def test_closing_from_within_the_call_while_bytes_pour_in_ends_the_reader(
    server: JackServer,
) -> None:
    ports: list[InPort] = []
    ready, closed = threading.Event(), threading.Event()

    def receive(data: bytes, at_ns: int) -> None:
        ready.wait(10)
        ports[0].close()
        closed.set()

    ports.append(open_in(OURS, receive=receive))
    out = open_out(OURS_SEEN)
    ready.set()
    try:
        for _ in range(500):
            out.send(NOTE)
        assert closed.wait(20)
        assert becomes(lambda: not out.is_there()), "the port of our own is gone with its reader"
    finally:
        out.close()


# -- pieces --------------------------------------------------------------------------------------

#: raw name, system, identity. Common practice of the systems, no source.
IDENTITIES = [
    ("Larkfield:Larkfield MIDI 1 20:0", "alsa", "Larkfield:Larkfield MIDI 1"),
    ("Larkfield T4 3", "winmm", "Larkfield T4"),
    ("bridge:Larkfield [24] (playback): MIDI 1", "jack", "bridge:Larkfield (playback): MIDI 1"),
    ("keys-01:out", "jack", "keys:out"),
    ("Larkfield T4 3", "coremidi", "Larkfield T4 3"),
]


@pytest.mark.parametrize(("name", "system", "identity"), IDENTITIES)
def test_identity_leaves_out_what_the_system_numbers_anew(
    name: str, system: str, identity: str
) -> None:
    assert identity_of(name, system) == identity


def test_ports_whose_identity_would_be_the_same_keep_their_raw_names() -> None:
    found = rtmidi_._listed("alsa", "out", ["Larkfield 20:0", "Larkfield 24:0", "Other 28:0"])
    assert [port.identity for port in found] == ["Larkfield 20:0", "Larkfield 24:0", "Other"]


def test_room_lets_a_message_wait_until_the_ones_before_have_left() -> None:
    room = Room(period_ns=5_000_000)
    start_ns = time.monotonic_ns()
    n_checks = 0

    def check() -> None:
        nonlocal n_checks
        n_checks += 1

    room.take(16_000, check)
    assert n_checks == 0
    room.take(16_000, check)  # 4 bytes more for each: together beyond what the driver holds
    assert n_checks >= 1
    assert time.monotonic_ns() - start_ns >= 3 * 5_000_000


def test_room_gives_up_when_the_server_is_gone() -> None:
    room = Room(period_ns=0)
    for _ in range(Room.MAX_MESSAGES):
        room.take(1, lambda: None)

    def gone() -> None:
        raise PortLostError("gone")

    with pytest.raises(PortLostError):
        room.take(1, gone)


def test_only_the_usual_complaints_are_kept_from_standard_error(
    capfd: pytest.CaptureFixture[str],
) -> None:
    with rtmidi_driver.quiet():
        os.write(2, b"ALSA lib seq_hw.c:466:(snd_seq_hw_open) open /dev/snd/seq failed\n")
        os.write(2, b"a thread of ours has something to say\n")
    assert capfd.readouterr().err == "a thread of ours has something to say\n"

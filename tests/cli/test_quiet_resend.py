"""``quiet`` and ``resend`` in processes of their own, with a bridge at work and without one."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.instruments.benches import Cables, left_sounding
from tests.instruments.command import engine_of, running

BRIDGED = "Larkfield is bridged"
#: All sound off and all notes off on all channels (MIDI 1.0 Detailed Specification, page 21).
SILENCE = [f"b{channel:x} {mode} 00" for channel in range(16) for mode in ("78", "7b")]
BRIGHTNESS = ["b0 63 05", "b0 62 12", "b0 06 4a"]  # +10, by hand from the leaflet


@pytest.fixture
def cables(tmp_path: Path) -> Iterator[Cables]:
    made = Cables(tmp_path)
    yield made
    made.close()


def set_brightness(cables: Cables) -> None:
    """Run a bridge that sets the brightness of channel 1 to +10 and ends."""
    with running("bridge", cables.folder) as bridge:
        bridge.wait_for(BRIDGED)
        bridge.type("brightness=+10 1")
        cables.module.wait_for(BRIGHTNESS[-1])
        bridge.type("stop")
        assert bridge.end(cables.module.read) == 0
    cables.module.messages.clear()


class TestQuiet:
    def test_it_reaches_a_running_bridge_which_goes_on(self, cables: Cables) -> None:
        with running("bridge", cables.folder) as bridge:
            bridge.wait_for(BRIDGED)
            cables.keys.send("90 3c 40")
            cables.module.wait_for("90 3c 40")
            with running("quiet", cables.folder) as quiet:
                assert quiet.end(cables.module.read) == 0
                assert quiet.out == ["The running bridge was told to be quiet."]
            cables.module.wait_for(SILENCE[-1])
            assert cables.module.messages[1] == "80 3c 40"
            assert set(SILENCE) <= set(cables.module.messages)
            cables.keys.send("90 3e 40")
            cables.module.wait_for("90 3e 40")

    def test_without_a_bridge_the_links_of_the_bench_are_opened(self, cables: Cables) -> None:
        with running("quiet", cables.folder) as quiet:
            assert quiet.end(cables.module.read) == 0
            assert quiet.out == [f"{cables.module.address}: quiet on all channels"]
        assert sorted(cables.module.messages)[: len(SILENCE)] == sorted(SILENCE)

    def test_it_lets_go_of_what_a_crash_left_sounding(self, cables: Cables) -> None:
        with running("bridge", cables.folder) as bridge:
            bridge.wait_for(BRIDGED)
            cables.keys.send("92 3c 40")
            cables.module.wait_for("92 3c 40")
            engine = engine_of(bridge)
            os.kill(engine, signal.SIGSTOP)  # so that it can't let go when its parent is gone
            bridge.kill()
            os.kill(engine, signal.SIGKILL)
            bridge.process.wait()
        cables.module.read(0.1)
        assert left_sounding(cables.module.messages) == [(2, 60)]
        with running("quiet", cables.folder) as quiet:
            assert quiet.end(cables.module.read) == 0
            assert "1 note of an earlier run was let go" in quiet.err
        assert left_sounding(cables.module.messages) == []

    def test_ports_can_be_named_instead(self, cables: Cables) -> None:
        def both_read() -> None:
            cables.module.read()
            cables.keys.read()

        with running("quiet", "--to", cables.module.address, "--to", cables.keys.address) as quiet:
            assert quiet.end(both_read) == 0
        assert set(SILENCE) <= set(cables.module.messages)
        assert set(SILENCE) <= set(cables.keys.messages)

    @pytest.mark.parametrize("words", [(), ("BENCH", "--to", "x")])
    def test_either_a_bench_or_ports_are_named(self, cables: Cables, words: tuple[str]) -> None:
        given = [cables.folder if word == "BENCH" else word for word in words]
        with running("quiet", *given) as quiet:
            assert quiet.end() == 2
            assert "name either a bench or ports" in quiet.err[0]

    def test_a_port_that_is_not_there_is_said(self, tmp_path: Path) -> None:
        with running("quiet", "--to", f"serial:{tmp_path / 'none'}") as quiet:
            assert quiet.end() == 3
            assert "there is no such device" in " ".join(quiet.err)
            assert quiet.out == []


class TestResend:
    def test_what_the_last_bridge_kept_is_sent_again(self, cables: Cables) -> None:
        set_brightness(cables)
        with running("resend", cables.folder) as resend:
            assert resend.end(cables.module.read) == 0
            assert resend.out == ["3 messages sent again."]
        assert cables.module.messages[:3] == BRIGHTNESS

    def test_the_reset_comes_first_where_it_is_asked_for(self, cables: Cables) -> None:
        set_brightness(cables)
        with running("resend", "--setup", cables.folder) as resend:
            assert resend.end(cables.module.read) == 0
        # General MIDI on (RP-003) is what the leaflet calls the reset.
        first = cables.module.messages.index("f0 7e 7f 09 01 f7")
        assert first < cables.module.messages.index(BRIGHTNESS[-1])

    def test_a_running_bridge_is_told(self, cables: Cables) -> None:
        with running("bridge", cables.folder, "--values") as bridge:
            bridge.wait_for(BRIDGED)
            bridge.type("brightness=+10 1")
            cables.module.wait_for(BRIGHTNESS[-1])
            with running("resend", cables.folder) as resend:
                assert resend.end(cables.module.read) == 0
                assert resend.out == ["The running bridge sends everything again."]
            cables.module.wait_for(BRIGHTNESS[-1], after=3)
            assert cables.module.messages[3:6] == BRIGHTNESS

    def test_nothing_known_is_said(self, cables: Cables) -> None:
        with running("resend", cables.folder) as resend:
            assert resend.end(cables.module.read) == 0
            assert resend.out == ["Nothing to send: no value of this bench's module is known."]
        assert cables.module.messages == []

"""A general-purpose synthesizer on a JACK server as a far end that sounds, and an ear for it."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.instruments.jackd import RATE, JackServer, bound_to_us, silence, wait_until

FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
#: Raw names of its ports.
MIDI_PORT = "far:midi_00"
AUDIO_PORTS = ("far:left", "far:right")

#: Shape (n, 2), left and right.
Sound = NDArray[np.float64]


class Ear:
    """Records what the synthesizer plays, every frame of it, while it is asked to."""

    def __init__(self, server: JackServer) -> None:
        import jack

        silence(jack)
        self.client = client_of(server, "ear")
        self._ports = [self.client.inports.register(name) for name in ("left", "right")]
        self._blocks: list[NDArray[np.float32]] = []
        self._is_on = False
        self._lock = threading.Lock()
        self.client.set_process_callback(self._process)

    def listen(self) -> None:
        """Begin to hear the synthesizer.

        From now on the server waits, each period, for this interpreter. So whatever makes or lets
        go a port of the driver, which waits for the server and holds the interpreter meanwhile,
        must be done before, or after :meth:`close`.
        """
        self.client.activate()
        for port, into in zip(AUDIO_PORTS, self._ports, strict=True):
            self.client.connect(port, into)

    def _process(self, _frames: int) -> None:
        with self._lock:
            if self._is_on:
                self._blocks.append(np.stack([port.get_array() for port in self._ports], axis=1))

    def record(self, seconds: float) -> Sound:
        """Return the sound of the coming seconds."""
        n_wanted = round(seconds * RATE)
        with self._lock:
            self._blocks.clear()
            self._is_on = True
        wait_until(lambda: sum(map(len, self._blocks)) >= n_wanted, "no sound came", 60)
        with self._lock:
            self._is_on = False
            return np.concatenate(self._blocks)[:n_wanted].astype(np.float64)

    def names(self) -> set[str]:
        """Return the raw names of all ports on the server."""
        return {port.name for port in self.client.get_ports()}

    def close(self) -> None:
        """Leave the server; a second time does nothing."""
        self.client.deactivate()
        self.client.close()


def client_of(server: JackServer, name: str) -> Any:
    """Return a client of the test's own; a server refuses one now and then while others come."""
    import jack

    for _ in range(50):
        try:
            return jack.Client(name, servername=server.name, no_start_server=True)
        except jack.JackError:
            time.sleep(0.05)
    pytest.fail("the JACK server refuses to be joined")


@contextlib.contextmanager
def synthesizer(server: JackServer) -> Iterator[Ear]:
    """Run the synthesizer without its effects, with an ear that does not listen yet."""
    program = shutil.which("fluidsynth")
    if program is None or not FONT.exists():
        pytest.skip(
            "fluidsynth and its font are needed (apt install fluidsynth timgm6mb-soundfont)"
        )
    ear = Ear(server)
    try:
        with _running(program, server, ear):
            yield ear
    finally:
        ear.close()


@contextlib.contextmanager
def _running(program: str, server: JackServer, ear: Ear) -> Iterator[None]:
    command = [*bound_to_us(), program, "-q", "-m", "jack", "-a", "jack", "-r", str(RATE)]
    for kind in ("midi", "audio"):
        command += ["-o", f"{kind}.jack.id=far", "-o", f"{kind}.jack.server={server.name}"]
    command += ["-R", "0", "-C", "0", "-g", "0.5", str(FONT)]
    process = _started(command, server, ear)
    try:
        yield
    finally:
        _end(process)


def _started(command: list[str], server: JackServer, ear: Ear) -> subprocess.Popen[bytes]:
    """Return the running synthesizer; the server may refuse its clients, so it is tried again."""
    wanted = {MIDI_PORT, *AUDIO_PORTS}
    for _ in range(5):
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "JACK_DEFAULT_SERVER": server.name, "JACK_NO_START_SERVER": "1"},
        )
        end_ns = time.monotonic_ns() + 15_000_000_000
        while process.poll() is None and time.monotonic_ns() < end_ns:
            if wanted <= ear.names():
                return process
            time.sleep(0.02)
        _end(process)
    pytest.fail("the synthesizer did not come up")


def _end(process: subprocess.Popen[bytes]) -> None:
    assert process.stdin is not None
    with contextlib.suppress(BrokenPipeError):
        process.stdin.write(b"quit\n")
        process.stdin.flush()
    with contextlib.suppress(BrokenPipeError):
        process.stdin.close()
    try:
        process.wait(2)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(10)


def level_db(sound: NDArray[np.float64]) -> float:
    """Return the RMS level in dB of full scale."""
    with np.errstate(divide="ignore"):
        return float(10 * np.log10(np.mean(sound**2)))


def pitch_hz(sound: Sound, near_hz: float) -> float:
    """Return the frequency of the first partial, looked for within 80 cents of ``near_hz``.

    A windowed spectrum, padded eight times; the peak of a parabola through the logarithms of the
    highest three bins (common practice, no source).
    """
    mono = sound.sum(axis=1)
    n = 8 * len(mono)
    spectrum = np.abs(np.fft.rfft(mono * np.hanning(len(mono)), n))
    low, high = (round(near_hz * 2 ** (cents / 1200) * n / RATE) for cents in (-80, 80))
    at = low + int(np.argmax(spectrum[low:high]))
    before, top, after = np.log(spectrum[at - 1 : at + 2])
    return float((at + (before - after) / (2 * (before - 2 * top + after))) * RATE / n)


def cents(found_hz: float, wanted_hz: float) -> float:
    """Return the distance of two frequencies in cents."""
    return float(1200 * np.log2(found_hz / wanted_hz))

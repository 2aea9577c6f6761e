"""The MIDI driver's library, tamed: imported late, kept quiet, its sudden ends noticed.

Three habits of the libraries below are dealt with here, each seen on a running system:

* they write their complaints straight to standard error (file descriptor 2);
* a client of a JACK server that has ended goes on taking messages, which then reach nobody; the
  socket to the server tells it at once;
* JACK's library frees the clients of an ended server by itself as soon as a new one is made, and
  freeing such a client again ends the whole process. So they are never freed by us.
"""

from __future__ import annotations

import atexit
import ctypes
import itertools
import os
import re
import select
import socket
import stat
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from knobwright.core.errors import PortError
from knobwright.core.interfaces import IN, OUT

ALSA = "alsa"
JACK = "jack"
CORE_MIDI = "coremidi"
WIN_MM = "winmm"
#: The systems that the library can stand on, by our name, with the name of its own constant.
SYSTEMS = {
    ALSA: "API_LINUX_ALSA",
    JACK: "API_UNIX_JACK",
    CORE_MIDI: "API_MACOSX_CORE",
    WIN_MM: "API_WINDOWS_MM",
}

#: What other programs see as the owner of our ports.
CLIENT_NAME = "Knobwright"
#: Messages that may wait for our reader. At 5 000 a second that is 13 seconds of a reader at rest.
QUEUE_MESSAGES = 65_536
ALSA_DEVICE = "/dev/snd/seq"
SOCKETS = "/dev/shm"  # where JACK on Linux keeps them
JACK_TRIES = 5
JACK_PAUSE_S = 0.02

LOCK = threading.RLock()
_CLIENTS: list[Client] = []
_LOOKER = b"Knobwright look"
_IS_INPUT, _IS_OUTPUT = 1, 2  # flags of JACK's ports
_NO_START = 1  # JackNoStartServer: never start a server of our own accord


def library() -> Any:
    """Return the module ``rtmidi``, imported at the first call.

    Raises
    ------
    ImportError
        It is not installed.
    PortError
        It is installed and can't be loaded, since a library of the system is missing.
    """
    try:
        import rtmidi
    except ModuleNotFoundError:
        raise
    except ImportError as error:
        missing = re.search(r"([\w.+-]+\.so[\w.]*)", str(error))
        alsa = missing is not None and missing[1].startswith("libasound")
        raise PortError(
            f"the MIDI driver needs {missing[1] if missing else 'a library of the system'}, "
            "which is not here",
            where="rtmidi",
            hint="install ALSA's library: apt install libasound2 (or libasound2t64)"
            if alsa
            else "install that library with the system's package manager",
        ) from error
    _calm_jack()
    return rtmidi


def systems(asked: str = "") -> tuple[str, ...]:
    """Return which systems may be tried here, best first; ``asked`` narrows them to one.

    Raises
    ------
    PortError
        The one that was asked for is not known, or the library was built without it.
    """
    rtmidi = library()
    built = rtmidi.get_compiled_api()
    able = tuple(name for name, constant in SYSTEMS.items() if getattr(rtmidi, constant) in built)
    if asked and asked not in able:
        raise PortError(
            f"there is no MIDI system {asked!r} here",
            where="rtmidi",
            hint=f"these can be chosen: {', '.join(able)}",
        )
    wanted = (asked,) if asked else able
    # Asking ALSA without its device makes noise and no port.
    has_alsa = os.access(ALSA_DEVICE, os.R_OK | os.W_OK)
    return tuple(name for name in wanted if name != ALSA or has_alsa)


class Client:
    """One native object, in or out, of one system; calls of it never run at once.

    Attributes
    ----------
    native : Any
        The library's ``MidiIn`` or ``MidiOut``; ``None`` once it was let go.
    complaints : list of str
        What the library said since the list was last emptied.
    is_lost : bool
        It is known to be of no use any more.
    """

    def __init__(self, native: Any, system: str, sockets: list[socket.socket]) -> None:
        self.native: Any = native
        self.system = system
        self.lock = threading.RLock()
        self.complaints: list[str] = []
        self.is_lost = False
        self._sockets = sockets
        self._poll: Any = None
        if sockets:
            self._poll = select.poll()
        for each in sockets:
            self._poll.register(each, select.POLLHUP)
        native.set_error_callback(lambda _kind, words, _data=None: self.complaints.append(words))

    @property
    def is_alive(self) -> bool:
        """Return whether it was not let go and its server, if it has one, still runs; quick."""
        if self.native is None or self.is_lost:
            return False
        return self._poll is None or not self._poll.poll(0)

    def names(self) -> list[str]:
        """Return the raw names of the ports that it could be joined to; empty once it is gone."""
        with self.lock:
            if not self.is_alive:
                return []
            return [name or "" for name in self.native.get_ports()]

    def release(self) -> None:
        """Let the native object go; a second time does nothing.

        One whose server has ended is not freed, only forgotten: JACK's library frees its client
        when the next one is made, and the driver would stand still for a second, with all threads,
        waiting for a period that never comes.
        """
        with LOCK, self.lock:
            was_alive = self.is_alive
            native, self.native = self.native, None
            if native is None:
                return
            _CLIENTS.remove(self)
            if was_alive:
                with quiet():
                    native.delete()
            else:  # kept from being freed when Python forgets it
                ctypes.pythonapi.Py_IncRef(ctypes.py_object(native))
            for each in self._sockets:
                each.close()


def make_client(direction: str, system: str) -> Client | None:
    """Return a new native object; ``None`` where the system does not answer.

    JACK refuses a new client now and then while another comes or goes at the same moment (seen in
    5 of 100 with three servers at work), so a server that seems to be there is asked again.
    """
    with LOCK:
        client = _make_once(direction, system)
        tries = JACK_TRIES if client is None and system == JACK else 1
        while client is None and (tries := tries - 1) and _server_seems_there():
            time.sleep(JACK_PAUSE_S * (JACK_TRIES - tries))
            client = _make_once(direction, system)
        return client


def _make_once(direction: str, system: str) -> Client | None:
    rtmidi = library()
    if system == JACK:
        forget_the_dead()
    before = descriptors() if system == JACK else frozenset()
    constant = getattr(rtmidi, SYSTEMS[system])
    try:
        with quiet():
            if direction == IN:
                native = rtmidi.MidiIn(constant, CLIENT_NAME, QUEUE_MESSAGES)
            else:
                native = rtmidi.MidiOut(constant, CLIENT_NAME)
    except (rtmidi.RtMidiError, RuntimeError):
        native = None
    if system == JACK:  # a server that ended meanwhile: the library has freed its clients
        forget_the_dead()
    if native is None:
        return None
    client = Client(native, system, server_sockets(before) if system == JACK else [])
    _CLIENTS.append(client)
    return client


def _server_seems_there() -> bool:
    """Return whether a JACK server's socket is where it usually is; a crash leaves it behind."""
    start = f"jack_{os.environ.get('JACK_DEFAULT_SERVER') or 'default'}_"
    try:
        return any(name.startswith(start) for name in os.listdir(SOCKETS))
    except OSError:
        return False


def borrowed(direction: str, system: str) -> Client | None:
    """Return a client that is open already and can be asked for names, if there is one."""
    rtmidi = library()
    wanted = rtmidi.MidiIn if direction == IN else rtmidi.MidiOut
    with LOCK:
        for client in _CLIENTS:
            if client.system == system and isinstance(client.native, wanted) and client.is_alive:
                return client
    return None


class Survey(NamedTuple):
    """What a JACK server told: its period in nanoseconds, and the raw names of its MIDI ports.

    ``names`` is by our direction: ``"out"`` holds the ports that can be sent to. ``joined`` are the
    ports that the one that was asked about is joined to.
    """

    period_ns: int
    names: dict[str, list[str]]
    joined: tuple[str, ...] = ()


def can_survey() -> bool:
    """Return whether JACK's own library can be reached."""
    return jack_library() is not None


def survey_jack(port: str = "") -> Survey | None:
    """Ask the JACK server through its own library, also about one port; other threads go on.

    The driver's own way takes longer and holds the interpreter meanwhile. Returns
    ``None`` where no server answers, or the library can't be reached.
    """
    lib = jack_library()
    if lib is None:
        return None
    status = ctypes.c_int()
    with LOCK, quiet():
        for attempt in range(JACK_TRIES):
            forget_the_dead()
            client = lib.jack_client_open(_LOOKER, _NO_START, ctypes.byref(status))
            forget_the_dead()
            if client:
                break
            if attempt + 1 == JACK_TRIES or not _server_seems_there():
                return None
            time.sleep(JACK_PAUSE_S * (attempt + 1))
        try:
            frames, rate = lib.jack_get_buffer_size(client), lib.jack_get_sample_rate(client)
            names = {
                OUT: _midi_ports(lib, client, _IS_INPUT),
                IN: _midi_ports(lib, client, _IS_OUTPUT),
            }
            handle = lib.jack_port_by_name(client, port.encode()) if port else None
            joined: tuple[str, ...] = ()
            if handle:
                joined = texts(lib, lib.jack_port_get_all_connections(client, handle))
        finally:
            lib.jack_client_close(client)
    return Survey(int(frames * 1_000_000_000 // rate) if rate else 0, names, joined)


def _midi_ports(lib: Any, client: Any, flags: int) -> list[str]:
    return list(texts(lib, lib.jack_get_ports(client, None, b"8 bit raw midi", flags)))


def texts(lib: Any, rows: Any) -> tuple[str, ...]:
    """Return the texts of a list that JACK's library made, and free the list."""
    if not rows:
        return ()
    try:
        found = itertools.takewhile(lambda row: row is not None, rows)
        return tuple(name.decode(errors="ignore") for name in found)
    finally:
        lib.jack_free(rows)


@contextmanager
def quiet() -> Iterator[None]:
    """Keep native code from writing to standard error; all threads are concerned, so be quick.

    What Python itself writes there meanwhile is written again afterwards. So is what native code
    wrote, unless it is one of the drivers' usual complaints, which our own errors tell in words.
    """
    with LOCK:
        try:
            kept = os.dup(2)
        except OSError:  # no standard error at all
            yield
            return
        with tempfile.TemporaryFile() as caught:
            os.dup2(caught.fileno(), 2)
            try:
                yield
            finally:
                os.dup2(kept, 2)
                os.close(kept)
                caught.seek(0)
                rest = [line for line in caught.readlines() if not _USUAL.search(line)]
                if rest:
                    os.write(2, b"".join(rest))


_USUAL = re.compile(
    rb"^\s*$|ALSA lib|[Jj]ack|Cannot (connect|read|write|open)|Server is not|client"
)


def forget_the_dead() -> None:
    """Let go all JACK clients as soon as one has lost its server: the library frees all of them."""
    with LOCK:
        ours = [client for client in _CLIENTS if client.system == JACK]
        if any(not client.is_alive for client in ours):
            for client in ours:
                client.is_lost = True
                client.release()


def release_all() -> None:
    """Let every native object go: a server waits seconds for one that was left behind."""
    for client in list(_CLIENTS):
        client.release()


atexit.register(release_all)


def descriptors() -> frozenset[int]:
    """Return the numbers of all that this process has open."""
    folder = "/proc/self/fd" if sys.platform == "linux" else "/dev/fd"
    try:
        return frozenset(int(name) for name in os.listdir(folder))
    except OSError:
        return frozenset()


def server_sockets(before: frozenset[int]) -> list[socket.socket]:
    """Return our own handles of the sockets that lead to the server since ``before``."""
    found = []
    for number in sorted(descriptors() - before):
        try:
            if not stat.S_ISSOCK(os.fstat(number).st_mode):
                continue
            each = socket.socket(fileno=os.dup(number))
        except OSError:  # closed meanwhile
            continue
        try:
            peer = str(each.getpeername()) if each.family == socket.AF_UNIX else ""
        except OSError:
            peer = ""
        if "jack" in peer or "pipewire" in peer:
            found.append(each)
        else:
            each.close()
    return found


def jack_library() -> Any:
    """Return the JACK library that the driver has loaded; ``None`` where there is none."""
    try:
        with open("/proc/self/maps", encoding="utf-8", errors="replace") as maps:
            paths = {line.split(None, 5)[-1].strip() for line in maps if "libjack" in line}
    except OSError:  # not Linux
        return None
    beside = os.path.dirname(os.path.dirname(os.path.abspath(library_path())))
    for path in sorted(paths, key=lambda path: not path.startswith(beside)):
        try:
            lib = ctypes.CDLL(path, mode=os.RTLD_NOLOAD | os.RTLD_NOW)
            lib.jack_client_open.restype = ctypes.c_void_p
            for name in ("jack_get_buffer_size", "jack_get_sample_rate", "jack_client_close"):
                getattr(lib, name).argtypes = [ctypes.c_void_p]
            texts = ctypes.c_char_p
            lib.jack_get_ports.argtypes = [ctypes.c_void_p, texts, texts, ctypes.c_ulong]
            lib.jack_get_ports.restype = ctypes.POINTER(texts)
            lib.jack_port_by_name.argtypes = [ctypes.c_void_p, texts]
            lib.jack_port_by_name.restype = ctypes.c_void_p
            lib.jack_port_get_all_connections.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
            lib.jack_port_get_all_connections.restype = ctypes.POINTER(texts)
            lib.jack_free.argtypes = [ctypes.c_void_p]
        except (OSError, AttributeError):
            continue
        return lib
    return None


def library_path() -> str:
    """Return the path of the loaded module."""
    return str(sys.modules["rtmidi"].__file__ or "")


_calmed = False


def _calm_jack() -> None:
    """Give JACK's library a function for its complaints that does nothing.

    It calls that function from threads of its own whenever a server ends, so it must not be
    Python's: ``strlen`` takes the same argument and changes nothing.
    """
    global _calmed
    if _calmed:
        return
    _calmed = True
    lib = jack_library()
    if lib is None:
        return
    nothing = ctypes.cast(ctypes.CDLL(None).strlen, ctypes.c_void_p)
    for name in ("jack_set_error_function", "jack_set_info_function"):
        setter = getattr(lib, name)
        setter.argtypes = [ctypes.c_void_p]
        setter.restype = None
        setter(nothing)

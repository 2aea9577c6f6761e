"""A running bridge can be reached by other commands of the same user.

The bridge listens on a local socket (a named pipe on Windows) and writes where, with a random key,
to the file ``.running`` of its bench folder, readable by its owner only. Who can't read that file
can't give orders: both ends prove that they know the key. Orders and answers are the records of
``engine/messages.py``, never pickled objects.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import tempfile
import threading
import time
from multiprocessing import AuthenticationError
from multiprocessing.connection import (
    Client,
    Connection,
    Listener,
    answer_challenge,
    deliver_challenge,
)
from pathlib import Path
from typing import Protocol, Self

import msgspec

from knobwright.adapters.files.safe import write_bytes
from knobwright.core.errors import InputError, KnobwrightError, PortError
from knobwright.engine.messages import (
    Ask,
    Off,
    Order,
    Quiet,
    Resend,
    Set,
    Stats,
    Stop,
    Trouble,
    read_order,
    read_report,
    write,
)

RUNNING = ".running"
#: What another command may order.
ALLOWED = (Ask, Off, Quiet, Resend, Set, Stop)
_MAX_BYTES = 1 << 16
_KEY_BYTES = 32
#: How long either end waits for the other.
_PATIENCE_S = 5.0
_LOOK_S = 0.1
_HUNG_UP = (EOFError, OSError, AuthenticationError, AssertionError)
#: So many commands are served at once.
_MAX_CLIENTS = 16


class Engine(Protocol):
    """What orders are passed on to: the supervisor."""

    def send(self, order: Order) -> bool:
        """Send an order; return whether there was an engine to take it."""
        ...

    def ask(self, timeout_s: float = 2.0) -> Stats:
        """Return what was counted; raises ``PortError``."""
        ...


class _Where(msgspec.Struct, frozen=True):
    """The file ``.running``."""

    pid: int
    address: str
    key: str


class Controlled:
    """The side of the running bridge.

    Parameters
    ----------
    folder : path
        The bench folder.
    engine : Engine
        Takes the orders.

    Notes
    -----
    Use it in a ``with`` statement. A ``Stop`` goes to the engine like any other order: its last
    report, ``Stopped``, is what ends the bridge.

    Raises
    ------
    PortError
        A bridge runs in this folder already.
    StoreError
        The folder can't be written to.
    """

    def __init__(self, folder: str | os.PathLike[str], engine: Engine) -> None:
        self._file = Path(folder) / RUNNING
        self._engine = engine
        if _is_alive(self._file):
            raise PortError(
                "a bridge is running with this bench already",
                where=os.fspath(folder),
                hint="stop that one first",
            )
        self._key = secrets.token_bytes(_KEY_BYTES)
        self._place = tempfile.mkdtemp(prefix="knobwright-")  # for its owner only
        self._listener = Listener(_address(self._place))
        self._closing = threading.Event()
        self._clients: set[threading.Thread] = set()
        self._thread = threading.Thread(target=self._accept, name="control", daemon=True)
        try:
            _write_private(self._file, os.getpid(), str(self._listener.address), self._key)
        except BaseException:
            self._listener.close()
            shutil.rmtree(self._place, ignore_errors=True)
            raise
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop listening and remove the file; a second time does nothing."""
        if self._closing.is_set():
            return
        self._closing.set()
        with contextlib.suppress(OSError):
            self._file.unlink()
        with contextlib.suppress(OSError):
            Client(self._listener.address).close()  # wakes the thread that accepts
        self._thread.join()
        self._listener.close()
        for thread in list(self._clients):
            thread.join(timeout=_PATIENCE_S)
        shutil.rmtree(self._place, ignore_errors=True)

    def _accept(self) -> None:
        while not self._closing.is_set():
            try:
                connection = self._listener.accept()
            except OSError:
                continue
            if self._closing.is_set() or len(self._clients) >= _MAX_CLIENTS:
                connection.close()
                continue
            thread = threading.Thread(
                target=self._serve, args=(connection,), name="control client", daemon=True
            )
            self._clients.add(thread)
            thread.start()

    def _serve(self, connection: Connection) -> None:
        """Answer one command; it may give several orders, and is not waited for long."""
        try:
            with connection, contextlib.suppress(*_HUNG_UP):
                if not self._waits(connection):
                    return
                connection.recv_bytes(8)  # the far end has something to say: it will answer, too
                deliver_challenge(connection, self._key)
                answer_challenge(connection, self._key)
                while self._waits(connection):
                    data = connection.recv_bytes(_MAX_BYTES)
                    connection.send_bytes(write(self._answer(data)))
        finally:
            self._clients.discard(threading.current_thread())

    def _waits(self, connection: Connection) -> bool:
        """Wait until something has come; ``False`` when that takes too long or this is closing."""
        deadline = time.monotonic() + _PATIENCE_S
        while not self._closing.is_set() and time.monotonic() < deadline:
            if connection.poll(_LOOK_S):
                return True
        return False

    def _answer(self, data: bytes) -> Stats | Trouble:
        try:
            order = read_order(data)
            if not isinstance(order, ALLOWED):
                raise InputError("a running bridge does not take this order from another command")
            if isinstance(order, Ask):
                return msgspec.structs.replace(self._engine.ask(), number=order.number)
            if not self._engine.send(order):
                raise PortError("the engine is being started anew", hint="try again")
        except KnobwrightError as error:
            return Trouble(error.message, error.where, error.hint)
        return Stats(0, {})


def reach(folder: str | os.PathLike[str], order: Order) -> dict[str, int]:
    """Give an order to the bridge that runs with a bench; return counts where they were asked for.

    Parameters
    ----------
    folder : path
        The bench folder.
    order : Order
        One of ``ALLOWED``.

    Raises
    ------
    PortError
        No bridge runs there, or it does not answer.
    InputError
        It does not take the order.
    """
    file = Path(folder) / RUNNING
    where = _read(file)
    if where is None:
        raise _not_running(folder)
    try:
        with Client(where.address) as connection:
            if not _prove(connection, bytes.fromhex(where.key)):
                raise _not_running(folder)
            connection.send_bytes(write(order))
            if not connection.poll(_PATIENCE_S):
                raise PortError("the bridge does not answer", where=os.fspath(folder))
            answer = read_report(connection.recv_bytes(_MAX_BYTES))
    except (OSError, EOFError, ValueError) as error:
        raise _not_running(folder) from error
    if isinstance(answer, Trouble):
        raise InputError(answer.words, where=answer.where, hint=answer.hint)
    return answer.counts if isinstance(answer, Stats) else {}


def is_running(folder: str | os.PathLike[str]) -> bool:
    """Return whether a bridge runs with this bench; a file that one left behind does not count."""
    return _is_alive(Path(folder) / RUNNING)


def _prove(connection: Connection, key: bytes) -> bool:
    try:
        connection.send_bytes(b"here")
        answer_challenge(connection, key)
        deliver_challenge(connection, key)
    except (AuthenticationError, AssertionError):  # the latter for what is no challenge at all
        return False
    return True


def _is_alive(file: Path) -> bool:
    where = _read(file)
    if where is None:
        return False
    try:
        with Client(where.address) as connection:
            return _prove(connection, bytes.fromhex(where.key))
    except (OSError, EOFError, ValueError):
        return False


def _read(file: Path) -> _Where | None:
    """Return what the file says, ``None`` where there is none or it is no such file."""
    try:
        with file.open("rb") as stream:
            return msgspec.json.decode(stream.read(_MAX_BYTES), type=_Where)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError):
        return None


def _write_private(file: Path, pid: int, address: str, key: bytes) -> None:
    """Write the file, readable by its owner only from its first moment on."""
    with contextlib.suppress(OSError):
        file.unlink()  # what a bridge that was killed left; its rights may be others
    before = os.umask(0o077)
    try:
        write_bytes(file, msgspec.json.encode(_Where(pid, address, key.hex())))
    finally:
        os.umask(before)


def _address(place: str) -> str:
    if os.name == "nt":
        return rf"\\.\pipe\{Path(place).name}"
    return os.path.join(place, "bridge")


def _not_running(folder: str | os.PathLike[str]) -> PortError:
    return PortError(
        "no bridge is running with this bench",
        where=os.fspath(folder),
        hint="start it with: knobwright bridge",
    )

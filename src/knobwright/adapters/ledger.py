"""The ledger of held notes and pedals in a memory-mapped file, which a killed engine leaves behind.

One file a link. Its pages belong to the system, so what was entered is there for the next engine
however the last one ended (``SIGKILL`` included); only a power cut may lose it.

Layout: 16 bytes of header (``MAGIC`` and zeros), then one byte for each of 16 times 128 notes (how
many note-offs are owed), then one byte for each of 16 times 3 pedals (the value last sent). One
entry is one byte and every change writes one byte, so there is no instruction at which a crash
could leave half an entry. The header is written last when a file is made.

A file that is not such a ledger (wrong length, wrong header, an impossible pedal value) tells
nothing about what sounds. So everything counts as sounding: every note owes one note-off and every
pedal is down, until :meth:`MappedLedger.clear`.
"""

from __future__ import annotations

import contextlib
import importlib
import mmap
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

from knobwright.core.errors import StoreError

MAGIC = b"KWledger\x01"
_N_HEADER = 16
_HEADER = MAGIC.ljust(_N_HEADER, b"\0")
_N_CHANNELS = 16
_N_KEYS = 128
#: Pedals that hold notes: damper, sostenuto, hold 2 (MIDI 1.0, table of controllers).
PEDALS = (64, 66, 69)
_PEDAL_PLACES = {number: place for place, number in enumerate(PEDALS)}
_NOTES = _N_HEADER
_PEDALS = _NOTES + _N_CHANNELS * _N_KEYS
_N_BYTES = _PEDALS + _N_CHANNELS * len(PEDALS)
#: A count that stays: so many note-ons without a note-off are no longer told apart.
_FULL = 255
_DOWN = 64

fcntl: ModuleType | None = None
with contextlib.suppress(ImportError):  # not on Windows: the file is not locked there
    fcntl = importlib.import_module("fcntl")


class MappedLedger:
    """What sounds on one link, in a file; implements ``core.interfaces.Ledger``.

    Parameters
    ----------
    path : path
        The file: made if it is missing, readable by its owner only.

    Raises
    ------
    StoreError
        The file can't be made or mapped, or another engine has it open.

    Notes
    -----
    ``was_unreadable`` tells that the file was there and was no ledger. For one thread at a time.
    """

    __slots__ = ("_file", "_map", "path", "was_unreadable")

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        try:
            self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | _CLOSE_ON_EXEC, 0o600)
        except OSError as error:
            raise _trouble(self.path, error) from error
        try:
            self._lock()
            self.was_unreadable = self._prepare()
            self._map = mmap.mmap(self._file, _N_BYTES)
        except OSError as error:
            os.close(self._file)
            raise _trouble(self.path, error) from error
        except StoreError:
            os.close(self._file)
            raise

    def _lock(self) -> None:
        """Keep other engines away from the file as long as this process lives."""
        if fcntl is None:
            return
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise StoreError(
                "another bridge is at work on this link",
                where=os.fspath(self.path),
                hint="stop that one first",
            ) from error

    def _prepare(self) -> bool:
        """Make the file a ledger where it is none; return whether it held something else."""
        found = os.read(self._file, _N_BYTES + 1)
        if _is_ledger(found):
            return False
        unreadable = bool(found)
        fill = (
            (b"\x01" * (_PEDALS - _NOTES) + b"\x7f" * (_N_BYTES - _PEDALS)) if unreadable else b""
        )
        os.lseek(self._file, 0, os.SEEK_SET)
        os.ftruncate(self._file, 0)
        # The header goes last: a crash before it leaves a file that is no ledger.
        os.write(self._file, bytes(_N_HEADER) + fill.ljust(_N_BYTES - _N_HEADER, b"\0"))
        os.lseek(self._file, 0, os.SEEK_SET)
        os.write(self._file, _HEADER)
        return unreadable

    def note_on(self, channel: int, key: int) -> None:
        """Enter a note: one note-off more is owed."""
        place = _NOTES + (channel << 7) + key
        n = self._map[place]
        if n < _FULL:
            self._map[place] = n + 1

    def note_off(self, channel: int, key: int) -> None:
        """Take a note out; nothing happens where none is owed."""
        place = _NOTES + (channel << 7) + key
        n = self._map[place]
        # A full count is no longer exact: it stays, for the ledger must never know too little.
        if 0 < n < _FULL:
            self._map[place] = n - 1

    def pedal(self, channel: int, controller: int, value: int) -> None:
        """Enter the state of a pedal: controller 64, 66 or 69, value 0 to 127."""
        self._map[_PEDALS + channel * len(PEDALS) + _PEDAL_PLACES[controller]] = value

    def owed(self) -> Iterator[tuple[int, int, int]]:
        """Return ``(channel, key, how many note-offs)`` for all that sounds."""
        notes = self._map[_NOTES:_PEDALS]
        for place, n in enumerate(notes):
            if n:
                yield place >> 7, place & 0x7F, n

    def pedals(self) -> Iterator[tuple[int, int]]:
        """Return ``(channel, controller)`` of each pedal that is down (value 64 or more)."""
        for place, value in enumerate(self._map[_PEDALS:]):
            if value >= _DOWN:
                yield place // len(PEDALS), PEDALS[place % len(PEDALS)]

    def clear(self) -> None:
        """Forget everything."""
        self._map[_NOTES:] = bytes(_N_BYTES - _NOTES)

    def close(self) -> None:
        """Let go of the file, which stays; a second time does nothing."""
        if not self._map.closed:
            self._map.close()
            os.close(self._file)

    def remove(self) -> None:
        """Close it and delete the file: for a link on which nothing is owed."""
        self.close()
        with contextlib.suppress(OSError):
            self.path.unlink()


_CLOSE_ON_EXEC = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NOFOLLOW", 0)


def ledger_path(folder: str | os.PathLike[str] | None, link: str) -> Path:
    """Return where the ledger of a link lies.

    Parameters
    ----------
    folder : path or None
        The bench folder; ``None`` where there is no bench: then a folder of this user for temporary
        files, the same one at every start, so that what a killed engine left is found.
    link : str
        The link's address; any characters.

    Raises
    ------
    StoreError
        The temporary folder can't be made, or belongs to somebody else.
    """
    name = "".join(c if c.isascii() and c.isalnum() else "-" for c in link)[:60] or "link"
    # Two addresses that differ only in such characters must not share a ledger.
    code = f"{_checksum(link):08x}"
    if folder is not None:
        return Path(folder) / f".held-{name}-{code}"
    return _own_folder() / f"held-{name}-{code}"


def _checksum(text: str) -> int:
    value = 0x811C9DC5  # the 32-bit FNV-1a hash: the same in every process, unlike hash()
    for byte in text.encode("utf-8", "surrogatepass"):
        value = ((value ^ byte) * 0x01000193) & 0xFFFFFFFF
    return value


def _own_folder() -> Path:
    """Return this user's own folder for temporary files, made if it is missing."""
    user = getattr(os, "getuid", lambda: 0)()
    folder = Path(tempfile.gettempdir()) / f"knobwright-{user}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
    except OSError as error:
        raise _trouble(folder, error) from error
    if hasattr(os, "getuid") and (found.st_uid != user or folder.is_symlink()):
        raise StoreError(
            "belongs to another user",
            where=os.fspath(folder),
            hint="set TMPDIR to a folder of your own",
        )
    return folder


def _is_ledger(found: bytes) -> bool:
    if len(found) != _N_BYTES or found[:_N_HEADER] != _HEADER:
        return False
    return all(value < 0x80 for value in found[_PEDALS:])


def _trouble(path: Path, error: OSError) -> StoreError:
    return StoreError(
        f"the ledger of held notes can't be kept here: {error.strerror or error}",
        where=os.fspath(path),
        hint="check the folder and its rights",
    )

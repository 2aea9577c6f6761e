"""Files written whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import tempfile
from pathlib import Path

from knobwright.core.errors import StoreError

_HINTS: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", "make room on the disk, or name a file on another one"),
    errno.EDQUOT: ("the disk quota is used up", "make room, or name a file on another disk"),
    errno.EACCES: ("the folder may not be written to", "name a file in a folder of your own"),
    errno.EPERM: ("the folder may not be written to", "name a file in a folder of your own"),
    errno.EROFS: ("the disk can only be read", "name a file on another disk"),
    errno.ENAMETOOLONG: ("the name is too long", "name a shorter one"),
    errno.ENOENT: ("the folder does not exist", "make the folder first, or name another one"),
    errno.ENOTDIR: ("part of the path is a file, not a folder", "check the path"),
}


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write ``text`` as UTF-8 with ``\\n`` line ends to ``path``, whole or not at all.

    Raises
    ------
    StoreError
        As `write_bytes`; and for text that has no UTF-8 form (a lone surrogate).
    """
    try:
        data = text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise StoreError(
            f"the text has a character without UTF-8 form at position {error.start}",
            where=os.fspath(path),
            hint="nothing was written; take that character out",
        ) from error
    write_bytes(path, data)


def write_bytes(path: str | os.PathLike[str], data: bytes) -> None:
    """Write ``data`` to ``path``, whole or not at all.

    The bytes go into a temporary file of the same folder, reach the disk, and then take the name
    in one step, so that a crash or a full disk leaves the file that was there. An existing file
    keeps its mode, and a symbolic link stays one; a new file has the usual mode.

    Parameters
    ----------
    path : path
        Where to; its folder must exist.
    data : bytes
        The whole content.

    Raises
    ------
    StoreError
        The folder is missing or can't be written to, the path is a folder, or the disk is full.
    """
    name = os.fspath(path)
    try:
        target = Path(os.path.realpath(path))
        mode = _mode_for(target, name)
        _replace(target, data, mode)
    except (OSError, ValueError) as error:
        raise _trouble(error, name) from error


def _mode_for(target: Path, name: str) -> int:
    """Return the mode that the written file shall have."""
    try:
        found = target.stat()
    except FileNotFoundError:
        return 0o666 & ~_umask()
    if stat.S_ISDIR(found.st_mode):
        raise StoreError("is a folder, not a file", where=name, hint="name a file in it")
    if not stat.S_ISREG(found.st_mode):
        raise StoreError("is a device or pipe, not a file", where=name, hint="name another file")
    if not os.access(target, os.W_OK):
        raise StoreError(
            "is there and may not be written to", where=name, hint="name another file, or allow it"
        )
    return stat.S_IMODE(found.st_mode)


def _umask() -> int:
    """Return the process's mask for new files (which can only be read by setting it)."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _replace(target: Path, data: bytes, mode: int) -> None:
    """Write a temporary file beside ``target``, then give it the name."""
    handle, temporary = tempfile.mkstemp(prefix=".", suffix=".part", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, mode)
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    _sync_folder(target.parent)


def _sync_folder(folder: Path) -> None:
    """Bring the folder's entry to the disk, where the system can (not on Windows)."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _trouble(error: OSError | ValueError, name: str) -> StoreError:
    number = error.errno if isinstance(error, OSError) and error.errno is not None else 0
    reason, hint = _HINTS.get(number, ("", ""))
    if not reason:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        hint = "check the name and the disk"
    return StoreError(f"can't be written: {reason}", where=name, hint=hint)

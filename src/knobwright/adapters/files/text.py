"""A text file that a person writes: ordinary, of a bounded size, UTF-8."""

from __future__ import annotations

import stat
from pathlib import Path

from knobwright.core.errors import InputError, StoreError


def read_text(path: str, what: str, max_bytes: int) -> str:
    """Return the text of a file, a byte order mark left out.

    Parameters
    ----------
    path : str
    what : str
        What the file is, for messages: ``surface``.
    max_bytes : int
        Largest file that is read.

    Raises
    ------
    StoreError
        It can't be read.
    InputError
        It is no ordinary file, too large, or not UTF-8.
    """
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):
            raise InputError(f"a {what} is an ordinary file, and this is none", where=path)
        with open(path, "rb") as file:
            data = file.read(max_bytes + 1)
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or error
        raise StoreError(f"the {what} can't be read: {words}", where=path) from error
    if len(data) > max_bytes:
        raise InputError(f"a {what} has at most {max_bytes >> 20} MiB", where=path)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"the {what} is not UTF-8", where=path) from error

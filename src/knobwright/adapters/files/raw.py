"""Raw bytes from a file: a .syx file, a dump of a stream, or hex text."""

from __future__ import annotations

from knobwright.core.codec.explain import read_bytes
from knobwright.core.errors import InputError, StoreError


def read_raw(path: str, max_bytes: int) -> bytes:
    """Return the bytes of a file; a file of hex text is read as the bytes that it spells.

    Raises
    ------
    StoreError
        The file can't be read.
    InputError
        It is empty, larger than ``max_bytes``, or a Standard MIDI File.
    """
    try:
        with open(path, "rb") as file:
            data = file.read(max_bytes + 1)
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or error
        raise StoreError(f"the file can't be read: {words}", where=path) from error
    if len(data) > max_bytes:
        raise InputError(
            f"the file is larger than {max_bytes >> 20} MiB", where=path, hint="give a part of it"
        )
    if not data:
        raise InputError("the file is empty", where=path)
    if data.startswith(b"MThd"):
        raise InputError(
            "this is a Standard MIDI File, and raw bytes or a .syx file are wanted here",
            where=path,
            hint='a song is played with "knobwright play"',
        )
    if data.isascii() and (spelled := read_bytes(data.decode("ascii"))) is not None:
        return spelled
    return data

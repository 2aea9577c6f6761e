"""Load a surface, and add a control to one; comments are kept."""

from __future__ import annotations

from pathlib import Path

from knobwright.adapters.files.safe import write_text
from knobwright.core.errors import InputError, StoreError
from knobwright.core.surface.check import CheckedSurface, check_surface

SUFFIX = ".surface.toml"
#: Largest surface in bytes.
MAX_BYTES = 4 << 20


def load(path: str) -> CheckedSurface:
    """Return the checked surface of a file.

    Raises
    ------
    StoreError
        It can't be read.
    InputError
        It is too large or not UTF-8.
    """
    return check_surface(_read(path), name=path)


def add_control(path: str, table: str) -> None:
    """Add a ``[[control]]`` table to the end of a surface; the file is made where there is none.

    Raises
    ------
    InputError
        The surface would have a fault afterwards (a name twice, the same messages twice): nothing
        is written.
    StoreError
        The file can't be read or written; what was there before is unharmed.
    """
    if not path.endswith(SUFFIX):
        raise InputError(f"the name of a surface ends in {SUFFIX}", where=path)
    if Path(path).exists():
        before = _read(path)
    else:
        name = Path(path).name.removesuffix(SUFFIX)
        before = f'format = 1\n\n[surface]\nname = "{name}"\n'
    text = before.rstrip("\n") + "\n\n" + table.rstrip("\n") + "\n"
    check_surface(text, name=path).require()
    write_text(path, text)


def _read(path: str) -> str:
    try:
        with open(path, "rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or error
        raise StoreError(f"the surface can't be read: {words}", where=path) from error
    if len(data) > MAX_BYTES:
        raise InputError(f"a surface has at most {MAX_BYTES >> 20} MiB", where=path)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("the surface is not UTF-8", where=path) from error

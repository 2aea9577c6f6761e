"""Load a surface, and add a control to one; comments are kept."""

from __future__ import annotations

from pathlib import Path

from knobwright.adapters.files.safe import write_text
from knobwright.adapters.files.text import read_text
from knobwright.core.errors import InputError
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
    return check_surface(read_text(path, "surface", MAX_BYTES), name=path)


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
        before = read_text(path, "surface", MAX_BYTES)
    else:
        name = Path(path).name.removesuffix(SUFFIX)
        before = f'format = 1\n\n[surface]\nname = "{name}"\n'
    text = before.rstrip("\n") + "\n\n" + table.rstrip("\n") + "\n"
    check_surface(text, name=path).require()
    write_text(path, text)

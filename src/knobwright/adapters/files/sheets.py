"""Load sheets from files, with what they include; save them whole or not at all."""

from __future__ import annotations

import stat
from pathlib import Path

from knobwright.adapters.files.safe import write_text
from knobwright.adapters.files.standard import MAX_BYTES, library, names, text
from knobwright.core.codec.check import Checked, check_sheet
from knobwright.core.errors import InputError, StoreError


def read(path: str) -> str:
    """Return the text of a sheet file.

    Raises
    ------
    StoreError
        The file can't be read.
    InputError
        It is no ordinary file, is larger than 4 MiB or is not UTF-8.
    """
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):
            raise InputError("a sheet is an ordinary file, and this is none", where=path)
        with Path(path).open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise InputError(
            "there is no such sheet",
            where=path,
            hint="draft one with: knobwright draft LEAFLET -o NAME.sheet.toml",
        ) from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise StoreError(f"the sheet can't be read: {reason}", where=path) from error
    if len(data) > MAX_BYTES:
        raise InputError("a sheet has at most 4 MiB, and this file is larger", where=path)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"the sheet is not UTF-8: byte {data[error.start]:02X} in line {line}",
            where=f"{path}:{line}",
            hint="save it as UTF-8",
        ) from error


def load(path: str) -> Checked:
    """Return the checked sheet of a file, or of a standard sheet named where no such file is."""
    if path in names() and not Path(path).exists():
        return check_sheet(text(path), name=path, library=library())
    return check_text(read(path), path)


def check_text(source: str, path: str) -> Checked:
    """Return the checked sheet of a text that stands (or will stand) at ``path``."""
    return check_sheet(source, name=path, library=library(Path(path).absolute().parent))


def save(path: str, source: str) -> None:
    """Write a sheet's text to a file, whole or not at all.

    Raises
    ------
    StoreError
        The file can't be written; what was there before is unharmed.
    """
    write_text(Path(path), source)

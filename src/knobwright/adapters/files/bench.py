"""Load a bench from its folder, and save what was found, assigned and set.

Everything that a ``bench.toml`` names lies in its folder or below it.
"""

from __future__ import annotations

import contextlib
import stat
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from knobwright.adapters.files import sheets
from knobwright.adapters.files.safe import write_text
from knobwright.core.bench.change import with_allowed, with_assignment, with_proven
from knobwright.core.bench.check import CheckedBench, check_bench
from knobwright.core.bench.known import MAX_BYTES as MAX_KNOWN_BYTES
from knobwright.core.bench.known import LinkValues, read_known, write_known
from knobwright.core.codec.check import Checked
from knobwright.core.errors import InputError, StoreError
from knobwright.core.state.values import Known, KnownProgram
from knobwright.core.surface.assignment import Assignment
from knobwright.core.surface.check import CheckedSurface, check_surface

BENCH = "bench.toml"
KNOWN = "known.json"
#: Largest ``bench.toml`` and surface in bytes.
MAX_BYTES = 4 << 20


def folder_of(path: str) -> Path:
    """Return the folder of a bench: ``path`` is the folder itself or its ``bench.toml``."""
    given = Path(path)
    return given.parent if given.name == BENCH else given


def load(path: str) -> CheckedBench:
    """Return the checked bench of a folder, with its sheet and surfaces.

    Parameters
    ----------
    path : str
        The folder, or its ``bench.toml``.

    Raises
    ------
    InputError
        There is no bench, or it is not UTF-8.
    StoreError
        It can't be read.
    """
    folder = folder_of(path)
    return _checked(folder, _read(folder / BENCH, MAX_BYTES))


def save_proven(path: str, link: int, proven: Mapping[str, object]) -> None:
    """Write what the link test found of a link (numbered from 0) into the bench.

    Raises
    ------
    InputError
        There is no such link, or the bench would have a fault afterwards: nothing is written.
    StoreError
        The file can't be read or written; what was there before is unharmed.
    """
    _change(path, lambda text: with_proven(text, link, proven))


def save_assignment(path: str, assignment: Assignment) -> None:
    """Write one more assignment into the bench; errors as in :func:`save_proven`."""
    _change(path, lambda text: with_assignment(text, assignment))


def save_allowed(path: str, beginning: str) -> None:
    """Let exclusive messages that begin so pass; errors as in :func:`save_proven`."""
    _change(path, lambda text: with_allowed(text, beginning))


def load_known(path: str, sheet: str) -> list[LinkValues]:
    """Return what the module should have, of each link; empty where nothing was kept.

    ``sheet`` is the sheet's name in the bench: what was kept for another sheet is left alone.

    Raises
    ------
    InputError, StoreError
        The file is there and can't be read.
    """
    file = folder_of(path) / KNOWN
    if not file.exists():
        return []
    kept_for, values = read_known(_read(file, MAX_KNOWN_BYTES), where=str(file))
    return values if kept_for == sheet else []


def save_known(path: str, sheet: str, links: Sequence[Sequence[Known | KnownProgram]]) -> None:
    """Write what the module should have, whole or not at all.

    Raises
    ------
    StoreError
        The file can't be written; what was there before is unharmed.
    """
    write_text(folder_of(path) / KNOWN, write_known(sheet, links))


def _change(path: str, change: Callable[[str], str]) -> None:
    file = folder_of(path) / BENCH
    text = change(_read(file, MAX_BYTES))
    _checked(file.parent, text).require()
    write_text(file, text)


def _checked(folder: Path, text: str) -> CheckedBench:
    def sheet(name: str) -> Checked:
        file = _inside(folder, name)
        return sheets.load(name if _is_standard(name, file) else str(file))

    def surface(name: str) -> CheckedSurface:
        file = _inside(folder, name)
        return check_surface(_read(file, MAX_BYTES), name=str(file))

    return check_bench(text, name=str(folder / BENCH), sheet=sheet, surface=surface)


def _is_standard(name: str, file: Path) -> bool:
    return not file.exists() and "/" not in name and not name.endswith(".toml")


def _inside(folder: Path, name: str) -> Path:
    """Return the path of a file that a bench names; nothing outside its folder is ever read.

    Raises
    ------
    InputError
        The name leads out of the folder.
    """
    root = folder.resolve()
    try:
        file = (root / name).resolve()
    except (OSError, ValueError, RuntimeError) as error:
        raise InputError(f"{name!r} is no name of a file") from error
    if not file.is_relative_to(root):
        raise InputError(
            f"{name!r} leads out of the bench's folder", hint="copy the file into the folder"
        )
    return folder / name


def _read(file: Path, most: int) -> str:
    try:
        if not stat.S_ISREG(file.stat().st_mode):
            raise InputError("an ordinary file is expected, and this is none", where=str(file))
        with file.open("rb") as stream:
            data = stream.read(most + 1)
    except (FileNotFoundError, NotADirectoryError) as error:
        hint = ""
        if file.name == BENCH:
            hint = "a bench is a folder with a bench.toml: docs/reference/bench.md"
        raise InputError("there is no such file", where=str(file), hint=hint) from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise StoreError(f"can't be read: {reason}", where=str(file)) from error
    if len(data) > most:
        raise InputError(f"has more than {most >> 20} MiB", where=str(file))
    with contextlib.suppress(UnicodeDecodeError):
        return data.decode("utf-8-sig")
    raise InputError("is not UTF-8", where=str(file), hint="save it as UTF-8")

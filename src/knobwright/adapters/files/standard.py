"""The sheets that an ``include`` names: the standard ones we ship, and files beside the sheet.

To ship another standard sheet, put its ``NAME.sheet.toml`` into ``core/sheet/standard/``; it is
found by its name.

An ``include`` comes from a stranger's file: it never reaches outside the folder of the sheet that
says it, and never reads anything but an ordinary file of bounded size.
"""

from __future__ import annotations

import stat
from functools import cache
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING

from knobwright.core.errors import InputError, NamingError, StoreError, printable

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from knobwright.core.interfaces import Library

#: How a sheet's file name ends.
SUFFIX = ".sheet.toml"

#: Largest sheet file that is read, in bytes (4 MiB).
MAX_BYTES = 4 * 1024 * 1024

#: Longest name that an ``include`` may have, in characters.
MAX_NAME = 255


def names() -> tuple[str, ...]:
    """Return the names of the standard sheets we ship, in alphabetical order."""
    return tuple(sorted(_shipped()))


def text(name: str) -> str:
    """Return the TOML text of a standard sheet.

    Parameters
    ----------
    name : str
        One of :func:`names`, such as ``midi-1``.

    Raises
    ------
    NamingError
        There is no standard sheet of that name.
    """
    sheet = _shipped().get(name)
    if sheet is None:
        raise NamingError(
            f"there is no standard sheet {_quoted(name)}",
            hint=_advice(name, "the standard sheets are " + ", ".join(names())),
            candidates=names(),
        )
    return sheet.read_text(encoding="utf-8")


def library(folder: Path | None = None) -> Library:
    """Return what resolves the names of an ``include``.

    A standard sheet's name wins; any other name is a sheet file in ``folder`` or below it, with or
    without ``.sheet.toml`` at its end.

    Parameters
    ----------
    folder : Path, optional
        The folder of the sheet that includes; ``None`` where the sheet is no file: then only
        standard sheets are found.

    Returns
    -------
    callable
        Name to TOML text. It raises ``NamingError`` for a name that fits nothing, ``InputError``
        for a name that would leave the folder, a file that is no ordinary one, is larger than
        4 MiB or is not UTF-8, and ``StoreError`` where the system refuses to read.
    """

    def resolve(name: str) -> str:
        if name in _shipped():
            return text(name)
        relative = _inside_name(name)
        if folder is None:
            raise _unknown(name, "the sheet is no file, so it can include standard sheets only")
        return _read(_inside_path(folder, relative, name), name)

    return resolve


@cache
def _shipped() -> dict[str, Traversable]:
    # Imported late: it costs several milliseconds, and most commands need no standard sheet.
    from importlib.resources import files

    folder = files("knobwright.core.sheet") / "standard"
    return {
        entry.name.removesuffix(SUFFIX): entry
        for entry in folder.iterdir()
        if entry.name.endswith(SUFFIX)
    }


def _inside_name(name: str) -> PurePosixPath:
    """Return the name as a path below the folder, or refuse it by its spelling alone."""
    if not 0 < len(name) <= MAX_NAME or not name.isprintable():
        raise InputError(
            f"an include is a printable name of 1 to {MAX_NAME} characters, not {_quoted(name)}",
            where="include",
        )
    windows = PureWindowsPath(name)
    if "\\" in name or ":" in name or windows.anchor or PurePosixPath(name).is_absolute():
        raise _leaves(name, "it is a full path")
    if ".." in PurePosixPath(name).parts:
        raise _leaves(name, "it goes up with '..'")
    return PurePosixPath(name if name.endswith(SUFFIX) else name + SUFFIX)


def _inside_path(folder: Path, relative: PurePosixPath, name: str) -> Path:
    """Return the real path of the file, links followed; refuse one that leaves the folder."""
    try:
        root = folder.resolve(strict=True)
        path = root.joinpath(relative).resolve(strict=True)
    except (FileNotFoundError, NotADirectoryError):
        raise _unknown(
            name, f"no standard sheet has that name, and there is no file {relative} here"
        ) from None
    except (OSError, RuntimeError) as error:  # RuntimeError: links that go round in a circle
        raise _unreadable(name, error) from error
    if not path.is_relative_to(root):
        raise _leaves(name, "a link in it points outside")
    return path


def _read(path: Path, name: str) -> str:
    try:
        # Looked at before it is opened: opening a pipe would wait for its writer.
        if not stat.S_ISREG(path.stat().st_mode):
            raise InputError(
                "an included sheet must be an ordinary file, and this is none", where=name
            )
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise _unreadable(name, error) from error
    if len(data) > MAX_BYTES:
        raise InputError(
            f"an included sheet has at most {MAX_BYTES} bytes (4 MiB), and this one is larger",
            where=name,
            hint="a sheet is text of some kilobytes; is this the right file?",
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"an included sheet is text in UTF-8, and byte {error.start} of this one is not",
            where=name,
            hint="save it as UTF-8, or take the right file",
        ) from error


def _unknown(name: str, why: str) -> NamingError:
    return NamingError(
        f"nothing to include under the name {_quoted(name)}: {why}",
        where="include",
        hint=_advice(name, "standard sheets: " + ", ".join(names())),
        candidates=names(),
    )


def _leaves(name: str, why: str) -> InputError:
    return InputError(
        f"the include {_quoted(name)} would leave the sheet's folder: {why}",
        where="include",
        hint="put the included sheet into the same folder or below it",
    )


def _unreadable(name: str, error: OSError | RuntimeError) -> StoreError:
    reason = (error.strerror if isinstance(error, OSError) else None) or "its links go in a circle"
    return StoreError(
        f"the included sheet can't be read: {reason}",
        where=name,
        hint="check the file and who may read it",
    )


def _advice(name: str, otherwise: str) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name.lower().removesuffix(SUFFIX), names(), n=1)
    return f"did you mean {close[0]!r}?" if close else otherwise


def _quoted(name: str) -> str:
    shown = printable(name)
    return f"'{shown[:77]}...'" if len(shown) > 80 else f"'{shown}'"

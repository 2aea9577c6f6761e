"""What the module should have, as text that outlives the program: ``known.json`` of a bench.

Nothing in it is known to be so when it is read again: the module may have been switched off since.
It is what ``resend`` sends.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
from msgspec.structs import replace

from knobwright.core.errors import InputError
from knobwright.core.state.values import Known, KnownProgram

FORMAT = "knobwright-known"
VERSION = 1
#: Largest text that is read, in bytes.
MAX_BYTES = 16 << 20

#: The values of one link, in the order in which they were last set.
LinkValues = tuple[Known | KnownProgram, ...]


class _File(msgspec.Struct, frozen=True):
    """The file: ``links`` holds the values of each link."""

    format: str
    version: int
    sheet: str
    links: tuple[LinkValues, ...]


def write_known(sheet: str, links: Sequence[Sequence[Known | KnownProgram]]) -> str:
    """Return the text for the values of each link; ``sheet`` is the sheet's name in the bench.

    Times are left out: the monotonic clock means nothing after a restart.
    """
    timeless = tuple(tuple(replace(value, at_ns=0) for value in values) for values in links)
    data = msgspec.json.encode(_File(FORMAT, VERSION, sheet, timeless))
    return msgspec.json.format(data, indent=1).decode() + "\n"


def read_known(text: str | bytes, *, where: str = "known.json") -> tuple[str, list[LinkValues]]:
    """Return the name of the sheet and the values of each link.

    Raises
    ------
    InputError
        It is not what :func:`write_known` writes, or of a later version.
    """
    if len(text) > MAX_BYTES:
        raise InputError(f"it has at most {MAX_BYTES >> 20} MiB, and this is larger", where=where)
    try:
        found = msgspec.json.decode(text, type=_File)
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        words = str(error)[:200]
        hint = "move it away: what the module should have is then learned anew"
        raise InputError(f"it can't be read: {words}", where=where, hint=hint) from error
    if (found.format, found.version) != (FORMAT, VERSION):
        raise InputError(
            f"it is {found.format!r} version {found.version}, not {FORMAT!r} version {VERSION}",
            where=where,
            hint="use the version of Knobwright that wrote it, or move it away",
        )
    return found.sheet, list(found.links)

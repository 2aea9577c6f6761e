"""Load the sheet that a command names."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from knobwright.core.codec.check import Checked
    from knobwright.core.codec.plan import Codec


def load_checked(path: str) -> Checked:
    """Return the checked sheet at a path, or a standard sheet's by name."""
    from knobwright.adapters.files.sheets import load

    return load(path)


def load_codec(path: str, device: str | None = None) -> Codec:
    """Return the codec of the sheet at a path; ``device`` is a hex id to send instead of its first.

    Raises
    ------
    SheetError
        The sheet has faults.
    EncodeError
        The device id is none.
    """
    from knobwright.core.codec.plan import Codec
    from knobwright.core.errors import EncodeError

    sheet = load_checked(path).require()
    if device is None:
        return Codec(sheet)
    try:
        number = int(device, 16)
    except ValueError:
        number = -1
    if not 0 <= number <= 0x7F:
        raise EncodeError(f"a device id is two hex digits, 00 to 7F, not {device!r}")
    return Codec(sheet, device=number)

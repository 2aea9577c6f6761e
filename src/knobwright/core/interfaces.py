"""What the pure core asks of the world around it.

The core opens no file and reads no clock: whoever uses it hands these in.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

#: Resolves the name of an included sheet to its text; raises ``KnobwrightError`` when it can't.
Library = Callable[[str], str]


class Lookup(Protocol):
    """Answers what a parameter is set to now.

    Called with the parameter's key, the channel (1 to 16, or ``None``) and the key number
    (0 to 127, or ``None``); returns the raw value, or ``None`` where it is not known.
    """

    def __call__(self, key: str, channel: int | None, note: int | None) -> object | None:
        """Return the raw value or ``None``."""
        ...

"""What every export of messages takes: a message and the rest that must follow it."""

from __future__ import annotations

from typing import NamedTuple


class Timed(NamedTuple):
    """One whole message and the rest in milliseconds before the next may be sent.

    ``words`` says what it is for: ``hall.time = 64``.
    """

    data: bytes
    rest_ms: int = 0
    words: str = ""

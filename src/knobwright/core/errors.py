"""Every error that Knobwright raises on purpose, in one tree.

::

    KnobwrightError            message, where, hint
    |-- InputError             what the user gave is wrong        (exit status 2)
    |   |-- LeafletError       a leaflet that can't be read
    |   |-- LineError          a line template that can't be understood
    |   |-- SheetError         a sheet with faults: carries all of them
    |   |-- NamingError         a name that fits nothing, or several things
    |   `-- EncodeError        a value that can't be sent: the caller is to blame
    |-- DecodeError            bytes that can't be understood: the far end is to blame
    |-- QuestionError          an open question stands in the way (exit status 2)
    |-- PortError              a port or link is in trouble      (exit status 3)
    |   |-- PortLostError      it was there and is gone: it may come back
    |   `-- PortLimitError     the kind of port can't carry this: nothing of it was sent
    `-- StoreError             a file or store is in trouble     (exit status 3)

``where`` is a path or a source position; ``hint`` is one next step. The surfaces catch
``KnobwrightError`` only and print it with :func:`one_line`.
"""

from __future__ import annotations


class KnobwrightError(Exception):
    """An error with its place and a next step.

    Parameters
    ----------
    message : str
        What was expected and what was found, in one sentence.
    where : str, optional
        A path, a position such as ``x.sheet.toml:12`` or a name; empty where there is none.
    hint : str, optional
        One next step; empty where there is none.
    """

    exit_status = 2

    def __init__(self, message: str, *, where: str = "", hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.where = where
        self.hint = hint

    def __str__(self) -> str:
        return one_line(self)


class InputError(KnobwrightError):
    """What the user gave can't be taken."""


class LeafletError(InputError):
    """A leaflet that can't be read."""


class LineError(InputError):
    """A line template that can't be understood."""


class SheetError(InputError):
    """A sheet with faults; ``faults`` holds every one of them as text."""

    def __init__(
        self, message: str, *, where: str = "", hint: str = "", faults: tuple[str, ...] = ()
    ) -> None:
        super().__init__(message, where=where, hint=hint)
        self.faults = faults


class NamingError(InputError):
    """A name that fits nothing, or more than one thing; ``candidates`` lists them."""

    def __init__(
        self, message: str, *, where: str = "", hint: str = "", candidates: tuple[str, ...] = ()
    ) -> None:
        super().__init__(message, where=where, hint=hint)
        self.candidates = candidates


class EncodeError(InputError):
    """A value that can't be sent."""


class DecodeError(KnobwrightError):
    """Bytes from the far end that can't be understood."""


class QuestionError(KnobwrightError):
    """Something that is not settled yet: an open question of the sheet stands in the way."""


class PortError(KnobwrightError):
    """A port or a link is in trouble."""

    exit_status = 3


class PortLostError(PortError):
    """A port that was open is gone (cable pulled, program ended); it may come back."""


class PortLimitError(PortError):
    """The kind of port can't carry this (an exclusive that is too long); nothing of it was sent."""


class StoreError(KnobwrightError):
    """A file or a store is in trouble."""

    exit_status = 3


def printable(text: str) -> str:
    """Return ``text`` with every control character written out as ``\\xNN`` or ``\\uNNNN``.

    Names come from strangers' files: a terminal must never obey them.
    """
    if text.isprintable():
        return text
    return "".join(
        c if c.isprintable() else (f"\\x{ord(c):02x}" if ord(c) < 256 else f"\\u{ord(c):04x}")
        for c in text
    )


def one_line(error: KnobwrightError) -> str:
    """Return ``where: message (hint)`` with control characters made harmless."""
    place = f"{printable(error.where)}: " if error.where else ""
    hint = f" ({printable(error.hint)})" if error.hint else ""
    return f"{place}{printable(error.message)}{hint}"

"""The records of a checked surface: named controls and what each sends."""

from __future__ import annotations

from msgspec import Struct

from knobwright.core.errors import NamingError
from knobwright.core.sheet.line import Line
from knobwright.core.surface.kinds import CONTROL, KINDS, MOMENTARY

#: Every channel, 1 to 16.
ALL = tuple(range(1, 17))


class Control(Struct, frozen=True):
    """A control.

    Attributes
    ----------
    name, label : str
        The name in files; what people read (the name where none is given).
    kind : str
        A row of ``KINDS``.
    form : str
        One of ``FORMS``: how it sends.
    line : Line, optional
        What it sends; ``None`` for a path.
    release : Line, optional
        What a button with a fixed message sends when it is let go.
    channels : tuple of int, 1 to 16
        Channels on which it is understood; ``fixed_channel`` says whether its line names one.
    n_bits : int
        Bits of the raw number.
    range : tuple of int
        Lowest and highest raw number that it really sends: the two ends of its way.
    relative : str
        A row of ``RELATIVE`` for an encoder that sends steps, else empty.
    reverse : bool
        The way is the other way round: its highest number is its low end.
    acceleration : tuple of (milliseconds, factor)
        Ticks that far apart count so many times; ascending times, straight between them.
    action : str
        ``momentary`` (sends when pressed and when let go) or ``toggle`` (keeps its own state).
    path, numbers : str, tuple of float
        Open Sound Control path, and its numbers at the low and the high end.
    echo : Line, optional
        The line by which the control is shown a value, where that is not its own.
    echoes : bool
        It can be shown a value.
    shows : tuple of int, optional
        Raw numbers at the two ends of what it is shown, where these are not those that it sends.
    follows : bool
        Showing it a value moves it: a motor fader, or a value that the surface keeps.
    on, off : int
        Raw numbers that light a button, and that put it out.
    """

    name: str
    label: str = ""
    kind: str = "knob"
    form: str = CONTROL
    line: Line | None = None
    release: Line | None = None
    channels: tuple[int, ...] = ALL
    n_bits: int = 7
    range: tuple[int, int] = (0, 127)
    relative: str = ""
    reverse: bool = False
    acceleration: tuple[tuple[float, float], ...] = ()
    action: str = MOMENTARY
    path: str = ""
    numbers: tuple[float, float] = (0.0, 1.0)
    echo: Line | None = None
    echoes: bool = False
    shows: tuple[int, int] | None = None
    follows: bool = False
    on: int = 127
    off: int = 0
    note: str = ""

    @property
    def presses(self) -> bool:
        """Return whether it is pressed; else it is turned or pushed."""
        return KINDS[self.kind].presses

    @property
    def words(self) -> str:
        """Return what people call it: its label, or its name where it has none."""
        return self.label or self.name


class Surface(Struct, frozen=True):
    """A checked surface: the controls in the order of the file."""

    name: str
    maker: str = ""
    note: str = ""
    controls: tuple[Control, ...] = ()

    def control(self, name: str) -> Control:
        """Return the control of this name.

        Raises
        ------
        NamingError
            There is none; ``candidates`` lists the names that there are.
        """
        for control in self.controls:
            if control.name == name:
                return control
        names = tuple(control.name for control in self.controls)
        raise NamingError(
            f"the surface {self.name!r} has no control {name!r}",
            hint=f"it has {', '.join(names[:12])}{', ...' if len(names) > 12 else ''}",
            candidates=names,
        )

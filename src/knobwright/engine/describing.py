"""Finding out what the controls of an input send, while a person moves one of them."""

from __future__ import annotations

from collections.abc import Callable

from knobwright.core.errors import QuestionError
from knobwright.core.surface.heard import Heard, described
from knobwright.core.surface.hearing import Hearing
from knobwright.engine.told import Answer, ControlHeard, Told

#: What the control is called in the table that is told: the person gives it its name.
UNNAMED = "control"


class Describing:
    """Listens to one input and tells what it has found whenever that is something new.

    Parameters
    ----------
    source : str
        The input's name.
    """

    def __init__(self, source: str) -> None:
        self._source = source
        self._hearing = Hearing()
        self._is_new = True
        self._told: ControlHeard | None = None

    def feed(self, message: bytes, at_ns: int) -> None:
        """Take one whole message of the input."""
        self._hearing.feed(message, at_ns)
        self._is_new = True

    def answer(self, name: str, value: str) -> None:
        """Take the person's answer to something that was asked.

        Raises
        ------
        InputError
            Nothing of this name is asked, or this is no answer to it.
        """
        self._hearing.answer(name, value)
        self._is_new = True

    def tell(self, tell: Callable[[Told], None]) -> None:
        """Tell what is known of the control now, if it is another thing than before."""
        if not self._is_new:
            return
        self._is_new = False
        now = self._as_told(self._hearing.heard())
        if now != self._told:
            self._told = now
            tell(now)

    def _as_told(self, heard: Heard) -> ControlHeard:
        try:
            table = described(heard, UNNAMED)
        except QuestionError:  # it can't be told yet: what is needed is told with it
            table = ""
        asks = tuple(Answer(ask.name, ask.words, dict(ask.answers)) for ask in heard.asks)
        return ControlHeard(self._source, heard.words, table, heard.needs, asks)

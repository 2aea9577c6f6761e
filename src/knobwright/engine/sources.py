"""One input of the bridge: its running status, its selections, its controls, its keys."""

from __future__ import annotations

from knobwright.core.bench.records import Bench, Input
from knobwright.core.codec.plan import Codec
from knobwright.core.surface.assignments import Assignments
from knobwright.core.surface.echo import Echo
from knobwright.core.surface.keyboard import Keyboard
from knobwright.core.surface.recognise import Recogniser
from knobwright.core.surface.records import Surface
from knobwright.core.timing.items import Item
from knobwright.core.timing.merge import PlaceOf
from knobwright.core.wire import Splitter
from knobwright.engine.describing import Describing
from knobwright.engine.feedback import Feedback, PushEcho, PushNumber
from knobwright.engine.passing import SELECTING, Passer
from knobwright.engine.tally import Tally


class Source:
    """What is kept of one input.

    Parameters
    ----------
    row : Input
        The bench's row.
    surface : Surface, optional
        Its controls.
    bench, codec, places, tally
        What all inputs share.
    """

    def __init__(
        self,
        row: Input,
        surface: Surface | None,
        bench: Bench,
        codec: Codec,
        places: PlaceOf,
        tally: Tally,
        *,
        push_echo: PushEcho | None = None,
        push_number: PushNumber | None = None,
    ) -> None:
        self.name = row.name
        self.link = min(row.link, max(1, len(bench.links))) - 1
        self.splitter = Splitter()
        self.passer = Passer(
            row.name,
            bench.passing,
            codec,
            places,
            tally,
            n_links=max(1, len(bench.links)),
            passes=row.passes,
        )
        zones = bench.zones(row.name)
        self.keyboard = Keyboard(zones) if zones else None
        self.hearing: Describing | None = None
        self.recogniser: Recogniser | None = None
        self.assignments: Assignments | None = None
        self.feedback: Feedback | None = None
        if surface is not None:
            self.recogniser = Recogniser(surface)
            own = {control.name for control in surface.controls}
            assigned = [a for a in bench.assigned(row.name) if a.control in own]
            self.assignments = Assignments(surface, assigned, codec.parameters)
            if push_echo is not None or push_number is not None:
                echo = Echo(surface, self.recogniser)
                self.feedback = Feedback(
                    row.name, surface, echo, self.assignments, push_echo, push_number
                )

    def learn(self, message: bytes, at_ns: int) -> None:
        """Take note of what a message selects, while its controls are only heard."""
        if message[0] >> 4 != 0xB or message[1] not in SELECTING:
            return
        if self.recogniser is not None:
            self.recogniser.feed(message, at_ns)
        routed = self.keyboard.feed(message) if self.keyboard is not None else None
        for link, data in routed if routed is not None else ((self.link, message),):
            self.passer.learn(data, link)

    def let_go(self) -> list[tuple[int, list[Item]]]:
        """Return what ends its notes and lifts its pedals, each with its link."""
        found: list[tuple[int, list[Item]]] = []
        if self.keyboard is not None:
            for link, data in self.keyboard.let_go():
                found.append((link, self.passer.routed(data, link)))
        return found + self.passer.let_go()

    def forget(self) -> None:
        """Forget where its controls are and what it has selected: it is gone."""
        self.passer.forget()
        if self.recogniser is not None:
            self.recogniser.forget()
        if self.assignments is not None:
            self.assignments.forget()

"""What is known otherwise now: controls meet it anew, surfaces show it, and it is told."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from knobwright.core.state.values import Known, KnownProgram, Place
from knobwright.engine.known import Change, LinkState
from knobwright.engine.sources import Source
from knobwright.engine.told import Changed, Told

#: Values told in one record.
MAX_TOLD = 500


class News:
    """Carries changes of values to whoever must know of them.

    Parameters
    ----------
    states : sequence of LinkState
        Of each link.
    sources : sequence of Source
        The inputs.
    """

    def __init__(self, states: Sequence[LinkState], sources: Sequence[Source]) -> None:
        self._states = states
        self._sources = tuple(sources)
        self._changed: dict[tuple[int, Place | int], None] = {}

    def note(self, link: int, changes: Sequence[Change], now_ns: int) -> None:
        """Let every control and display know that values are other ones now."""
        for place, cause in changes:
            self._changed[link, place] = None
            if isinstance(place, int):
                continue
            key, channel, note = place
            at = None if channel is None else channel + 16 * link
            raw = self._states[link].values.lookup(*place)
            for source in self._sources:
                if source.assignments is None:
                    continue
                if not cause.startswith(f"{source.name}/"):
                    source.assignments.changed(key, at, note)
                if source.feedback is not None and raw is not None:
                    source.feedback.changed(key, raw, at, note, cause, now_ns)

    def tell(self, tell: Callable[[Told], None]) -> None:
        """Tell what has changed since last told, each place once and as it is now."""
        by_link: dict[int, list[Known | KnownProgram]] = {}
        for link, place in self._changed:
            values = self._states[link].values
            now = values.program(place) if isinstance(place, int) else values.get(*place)
            by_link.setdefault(link, []).append(now)
        self._changed.clear()
        for link, found in by_link.items():
            for start in range(0, len(found), MAX_TOLD):
                tell(Changed(link, tuple(found[start : start + MAX_TOLD])))

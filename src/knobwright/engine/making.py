"""Items of parameters that are set again and again: how they may be moved is found out once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from knobwright.core.sheet.records import Parameter
from knobwright.core.timing.items import BEND, VALUE, Item
from knobwright.core.timing.merge import from_setting

#: Kinds of settings remembered; one more, and all are found out anew.
_MAX_KNOWN = 4096


class Maker:
    """Makes the items of encoded parameters, as ``from_setting`` does.

    Parameters
    ----------
    shared : mapping of str to str
        As ``shared_bases`` gives it for the sheet.
    """

    def __init__(self, shared: Mapping[str, str]) -> None:
        self._shared = shared
        self._known: dict[tuple[str, int | None, int | None, str], Item] = {}

    def item(
        self,
        parameter: Parameter,
        messages: Sequence[bytes],
        channel: int | None,
        note: int | None,
        source: str,
    ) -> Item:
        """Return the item of a parameter; channel 1 to 16 and key as in ``from_setting``."""
        name = (parameter.key, channel, note, source)
        known = self._known.get(name)
        if known is not None and _same_form(known.messages, messages):
            return known._replace(messages=tuple(messages))
        found = from_setting(parameter, messages, channel, note, shared=self._shared, source=source)
        if found.sort in (VALUE, BEND):
            if len(self._known) >= _MAX_KNOWN:
                self._known.clear()
            self._known[name] = found
        return found


def _same_form(ones: Sequence[bytes], others: Sequence[bytes]) -> bool:
    """Return whether messages are of the same status and controller, one by one."""
    return len(ones) == len(others) and all(
        a[:2] == b[:2] for a, b in zip(ones, others, strict=True)
    )

"""Other programs that send bytes: each is a source of its own on each link, as an input is."""

from __future__ import annotations

from collections.abc import Callable

from knobwright.core.bench.records import Input
from knobwright.core.errors import InputError
from knobwright.engine.sources import Source

#: So many programs may send: a stream of made-up names must not fill the memory.
MAX_PROGRAMS = 64


class Programs:
    """The programs that have sent bytes so far: running status and selections of each.

    Parameters
    ----------
    make : callable
        Makes the source of a row.
    n_links : int
        Of the bench.
    """

    def __init__(self, make: Callable[[Input], Source], n_links: int) -> None:
        self._make = make
        self._n_links = n_links
        self._sources: dict[tuple[str, int], Source] = {}

    def source(self, name: str, link: int) -> Source:
        """Return the source of a program on a link (0 is the first).

        Raises
        ------
        InputError
            There is no such link, or too many programs have sent already.
        """
        found = self._sources.get((name, link))
        if found is not None:
            return found
        if not 0 <= link < self._n_links:
            raise InputError(
                f"there is no link {link + 1}: the bench has {self._n_links}",
                hint="add a [[link]] to bench.toml",
            )
        if len(self._sources) >= MAX_PROGRAMS:
            raise InputError(
                f"{MAX_PROGRAMS} programs have sent already", hint="start the bridge anew"
            )
        found = self._sources[name, link] = self._make(Input(name, "", link=link + 1))
        return found

    def of(self, name: str) -> tuple[Source, ...]:
        """Return the sources of one program, one for each link that it has sent to."""
        return tuple(source for (own, _), source in self._sources.items() if own == name)

    @property
    def all(self) -> tuple[Source, ...]:
        """Return the sources of all programs."""
        return tuple(self._sources.values())


def link_and_channel(channel: int | None) -> tuple[int, int | None]:
    """Return the link (from 0) and the channel on it (1 to 16) of a channel 1 to 32.

    Raises
    ------
    InputError
        It is none of these.
    """
    if channel is None:
        return 0, None
    if not 1 <= channel <= 32:
        raise InputError(f"a channel is 1 to 32, not {channel}")
    return (channel - 1) >> 4, ((channel - 1) & 15) + 1

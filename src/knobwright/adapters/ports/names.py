"""Which port a name means: the exact name, then a part that only one has, else the candidates."""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.core.errors import NamingError, printable
from knobwright.core.interfaces import Found

#: How many candidates a message shows; the error carries all of them.
MAX_SHOWN = 8


def match(name: str, found: Sequence[Found]) -> Found:
    """Return the one port that a name means.

    In this order, the first that fits anything decides: the exact name; the exact identity; a part
    of the name, whatever its capitals. A port is never guessed: where two fit equally well, both
    are named.

    Parameters
    ----------
    name : str
        What the user typed; at least one character.
    found : sequence of Found
        The ports to choose among, of one direction.

    Raises
    ------
    NamingError
        Nothing fits, or more than one; ``candidates`` holds the raw names (all that are there
        when nothing fits), with the identity where the names alone are equal.
    """
    if not name.strip():
        raise NamingError("a port needs a name", candidates=_spelled(found), hint=_listed(found))
    part = name.casefold()
    for fitting in (
        [port for port in found if port.name == name],
        [port for port in found if port.identity == name],
        [port for port in found if part in port.name.casefold()],
    ):
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            raise NamingError(
                f"{name!r} fits {len(fitting)} ports",
                candidates=_spelled(fitting),
                hint=f"name one of them in full: {_shown(_spelled(fitting))}",
            )
    raise NamingError(
        f"no port is called {name!r}", candidates=_spelled(found), hint=_listed(found)
    )


def _listed(found: Sequence[Found]) -> str:
    return f"these are there: {_shown(_spelled(found))}" if found else "no port is there now"


def _spelled(found: Sequence[Found]) -> tuple[str, ...]:
    """Return what can be typed for each port: its raw name, where that tells it apart.

    The identity stands in place of a name that two have, and the kind in front where there are
    ports of several.
    """
    if len({port.kind for port in found}) > 1:
        return tuple(
            f"{kind}:{name}"
            for kind in dict.fromkeys(port.kind for port in found)
            for name in _spelled([port for port in found if port.kind == kind])
        )
    names = [port.name for port in found]
    return tuple(
        port.name if names.count(port.name) == 1 or not port.identity else port.identity
        for port in found
    )


def _shown(names: Sequence[str]) -> str:
    more = f" and {len(names) - MAX_SHOWN} more" if len(names) > MAX_SHOWN else ""
    return ", ".join(f'"{printable(name)}"' for name in names[:MAX_SHOWN]) + more

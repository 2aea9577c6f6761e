"""Where the examples are: inside the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

from knobwright.core.errors import StoreError

_PACKAGE = Path(__file__).resolve().parents[2]
_PLACES = (_PACKAGE / "examples", _PACKAGE.parents[1] / "examples")


def path(*parts: str) -> Path:
    """Return the path of an example's file, such as ``path("larkfield-t4", "leaflet.pdf")``.

    Raises
    ------
    StoreError
        The examples were not installed.
    """
    for place in _PLACES:
        found = place.joinpath(*parts)
        if found.exists():
            return found
    raise StoreError(f"the example {'/'.join(parts)} is not installed")

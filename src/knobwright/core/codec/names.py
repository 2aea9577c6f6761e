"""Find a parameter by what a person calls it: key, label, or a unique part of one."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from difflib import get_close_matches

from knobwright.core.errors import NamingError, printable
from knobwright.core.sheet.records import Parameter


def fold(text: str) -> str:
    """Return a name without case, accents, and signs, words parted by single blanks."""
    decomposed = unicodedata.normalize("NFKD", text)  # first: it can bring up capital letters
    plain = unicodedata.normalize("NFKD", decomposed.casefold())
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return " ".join(re.split(r"[\W_]+", plain)).strip()


def find(parameters: Sequence[Parameter], name: str) -> Parameter:
    """Return the parameter that ``name`` means.

    Tried in this order, and the first step with any hit decides: the key itself; the label (alone
    or behind its section); words that begin words of key, section or label; any part of key or
    label.

    Raises
    ------
    NamingError
        Nothing fits, or several parameters do; ``candidates`` lists them.
    """
    wanted = fold(name)
    for step in (_exact_key, _exact_label, _section_label, _word_starts, _part):
        hits = [p for p in parameters if step(p, name, wanted)]
        if len(hits) == 1:
            return hits[0]
        if hits:
            raise _ambiguous(name, hits)
    raise _unknown(parameters, name, wanted)


def _exact_key(parameter: Parameter, name: str, wanted: str) -> bool:
    return parameter.key == name.strip().casefold()


def _exact_label(parameter: Parameter, name: str, wanted: str) -> bool:
    return fold(parameter.label) == wanted != ""


def _section_label(parameter: Parameter, name: str, wanted: str) -> bool:
    return fold(f"{parameter.section} {parameter.label}") == wanted


def _word_starts(parameter: Parameter, name: str, wanted: str) -> bool:
    have = fold(f"{parameter.key} {parameter.section} {parameter.label}").split()
    words = wanted.split()
    return bool(words) and all(any(h.startswith(word) for h in have) for word in words)


def _part(parameter: Parameter, name: str, wanted: str) -> bool:
    return bool(wanted) and (wanted in fold(parameter.key) or wanted in fold(parameter.label))


def _ambiguous(name: str, hits: Sequence[Parameter]) -> NamingError:
    listed = ", ".join(p.key for p in hits[:8])
    more = f" and {len(hits) - 8} more" if len(hits) > 8 else ""
    return NamingError(
        f"{printable(name)!r} fits {len(hits)} parameters: {listed}{more}",
        hint="give more of the name, or the key",
        candidates=tuple(p.key for p in hits),
    )


def _unknown(parameters: Sequence[Parameter], name: str, wanted: str) -> NamingError:
    names = {p.key: p.key for p in parameters}
    names.update({fold(p.label): p.key for p in parameters})
    close = get_close_matches(wanted or name, list(names), n=3, cutoff=0.5)
    keys = tuple(dict.fromkeys(names[c] for c in close))
    hint = f"did you mean {' or '.join(keys)}?" if keys else "'knobwright params' lists the names"
    return NamingError(f"no parameter is called {printable(name)!r}", hint=hint, candidates=keys)

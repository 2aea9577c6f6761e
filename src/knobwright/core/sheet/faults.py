"""What is wrong with a sheet: faults, questions and notes, each with its line in the file."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import NamedTuple

from knobwright.core.errors import SheetError, printable
from knobwright.core.sheet.places import Path, Places

FAULT = "fault"
QUESTION = "question"
NOTE = "note"

#: Longest message in characters; a value of a stranger's sheet may be much longer.
MAX_MESSAGE = 600
#: How many names are compared for suggestions in one check, taken together.
MAX_COMPARED = 100_000


class Fault(NamedTuple):
    """One finding: ``level`` is fault, question or note; ``line`` counts from 1."""

    level: str
    line: int
    about: str
    message: str
    hint: str = ""

    def __str__(self) -> str:
        about = f"{printable(self.about)}: " if self.about else ""
        hint = f" ({printable(self.hint)})" if self.hint else ""
        return f"line {self.line}: {self.level}: {about}{printable(self.message)}{hint}"


def refusal(name: str, faults: Sequence[Fault], hint: str = "") -> SheetError:
    """Return the error for a file that has faults: the first is told, all are carried.

    Parameters
    ----------
    name : str
        What the file is called: its path.
    faults : sequence of Fault
        At least one.
    hint : str, optional
        The next step; by default the command that lists all of them.
    """
    n = len(faults)
    more = f" (and {n - 1} more)" if n > 1 else ""
    return SheetError(
        f"{faults[0]}{more}",
        where=name,
        hint=hint or f"knobwright check {name}",
        faults=tuple(str(fault) for fault in faults),
    )


class Findings:
    """Collects findings with the line of the key path that each is about."""

    def __init__(self, places: Places) -> None:
        self._places = places
        self._all: dict[Fault, None] = {}  # in order, each once
        self._n_faults = 0
        self._left_to_compare = MAX_COMPARED

    def fault(self, path: Path, message: str, hint: str = "", about: str = "") -> None:
        """Add a fault: the sheet can't be used until it is mended."""
        self._add(FAULT, path, message, hint, about)

    def question(self, path: Path, message: str, hint: str = "", about: str = "") -> None:
        """Add an open question: the parameters that it is about are not sent."""
        self._add(QUESTION, path, message, hint, about)

    def note(self, path: Path, message: str, hint: str = "", about: str = "") -> None:
        """Add a note: worth knowing, nothing to mend."""
        self._add(NOTE, path, message, hint, about)

    def close(self, name: str, known: Iterable[str], otherwise: str) -> str:
        """Return ``did you mean ...?`` for a name close to one of ``known``, else ``otherwise``.

        After very many comparisons ``otherwise`` is all that is given: a hostile sheet must not
        take minutes.
        """
        names = list(known)
        self._left_to_compare -= len(names)
        if self._left_to_compare < 0 or len(name) > 100:
            return otherwise
        found = get_close_matches(name.lower(), names, n=1, cutoff=0.55)
        return f"did you mean {found[0]!r}?" if found else otherwise

    def _add(self, level: str, path: Path, message: str, hint: str, about: str) -> None:
        if len(message) > MAX_MESSAGE:
            message = f"{message[: MAX_MESSAGE - 3]}..."
        line = self._places.line(path)
        fault = Fault(level, line, about or words(path), message, hint[:MAX_MESSAGE])
        if fault not in self._all:
            self._all[fault] = None
            self._n_faults += level == FAULT

    @property
    def n_faults(self) -> int:
        """Return the number of faults (not questions, not notes) so far."""
        return self._n_faults

    def of(self, *levels: str) -> tuple[Fault, ...]:
        """Return the findings of these levels in the order of the file."""
        chosen = [fault for fault in self._all if fault.level in levels]
        return tuple(sorted(chosen, key=lambda fault: fault.line))


def words(path: Path) -> str:
    """Return a key path as a person reads it: ``parameter 3, range``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f" {part + 1}"
        else:
            text += (", " if text and text[-1].isdigit() else "." if text else "") + part
    return text

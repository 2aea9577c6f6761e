"""Questions: from the doubts about a parameter to what the sheet asks, with what each answer
writes."""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.found import Choice, Doubt, Tree

LEAVE_OUT = "leave-out"


class Question(NamedTuple):
    """One question: ``about`` what, ``place`` in the leaflet, what was ``understood``, the
    ``choices``.

    ``gives`` says what each choice writes; ``also`` names other parameters that the answer
    settles, ``takes``
    what may be typed instead. ``label`` and ``section`` are the print's, for people and tests.
    """

    about: str
    place: str
    understood: str
    choices: dict[str, str]
    gives: dict[str, Tree] = {}  # noqa: RUF012 (a named tuple: never changed)
    also: tuple[str, ...] = ()
    takes: str = ""
    label: str = ""
    section: str = ""

    def tree(self) -> Tree:
        """Return the question as the sheet's ``[[question]]`` table."""
        out: Tree = {
            "about": self.about,
            "place": self.place,
            "understood": self.understood,
            "choices": dict(self.choices),
        }
        if self.takes:
            out["takes"] = self.takes
        if self.also:
            out["also"] = list(self.also)
        if self.gives:
            out["gives"] = {name: dict(given) for name, given in self.gives.items()}
        return out


def ask(
    key: str,
    label: str,
    section: str,
    place: str,
    doubts: list[Doubt],
    whole: Tree | None,
    used: set[str],
) -> list[Question]:
    """Return the questions that the doubts about one parameter make.

    Parameters
    ----------
    whole : dict or None
        The parameter's table as far as it is known, for one that is only asked about: an answer
        must
        write all of it. None where the parameter stands in the sheet already.
    used : set of str
        Names of questions given out so far; the new ones are added.
    """
    out: list[Question] = []
    for doubt in _merge(doubts, whole is not None):
        about = _name(key, doubt.topic, used)
        choices = [*doubt.choices]
        names = {c.name: c.meaning for c in choices}
        gives = {c.name: given for c in choices if (given := _given(c, whole))}
        names[LEAVE_OUT] = "leave it out of the sheet"
        takes = doubt.takes or ("line" if not gives and whole is not None else "")
        out.append(
            Question(about, place, doubt.understood, names, gives, (), takes, label, section)
        )
    return out


def _merge(doubts: list[Doubt], only: bool) -> list[Doubt]:
    """Join the doubts about something that is only asked about into one question."""
    if not only or len(doubts) < 2:
        return doubts
    first = next((d for d in doubts if d.only), doubts[0])
    texts = dict.fromkeys(d.understood for d in [first, *(d for d in doubts if d is not first)])
    return [first._replace(understood="; ".join(texts))]


def _given(choice: Choice, whole: Tree | None) -> Tree:
    """Return what a choice writes: its own keys, and the whole parameter where there is none
    yet.
    """
    if not choice.gives:
        return dict(whole) if whole is not None and "line" in whole else {}
    if _HINTS & set(choice.gives):
        return _in_order(choice.gives.get("order"), whole)
    if whole is None:
        return dict(choice.gives)
    joined = {**whole, **choice.gives}
    return joined if "line" in joined else {}


_HINTS = {"order", "append", "cs", "two"}
"""What a choice may say of the line that no line was made of yet: only an order makes one here."""

_VALUE_WORD = re.compile(r"(?<![\w:])(?:v[hl]|v\d|v:\d{1,2}-\d{1,2})(?![\w:-])")


def _in_order(order: list[int] | None, whole: Tree | None) -> Tree:
    """Return a parameter whose line has the parts of its value in another order.

    Parameters
    ----------
    order : list of int or None
        The place of each part in the order of print, 0 for the lowest. The line so far has the
        highest part first.
    """
    if not order or whole is None or "line" not in whole:
        return {}
    words = _VALUE_WORD.findall(whole["line"])
    if len(words) != len(order):
        return {}
    parts = iter(words[len(words) - 1 - place] for place in order)
    return {**whole, "line": _VALUE_WORD.sub(lambda _: next(parts), whole["line"])}


def _name(key: str, topic: str, used: set[str]) -> str:
    """Return a name that no other question has: the key, or the key with a topic behind it."""
    about = key
    if about in used:
        about = f"{key}/{topic or 'line'}"
    n = 2
    while about in used:
        about, n = f"{key}/{topic or 'line'}-{n}", n + 1
    used.add(about)
    return about

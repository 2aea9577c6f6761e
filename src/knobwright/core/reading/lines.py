"""From messages to a line of the sheet: what each field stands for, and what that leaves open.

:func:`build` gives a :class:`Built`: the words of the notation, which of them carry the value,
what kind
of message it is, and the doubts about its fields. Brackets and checksum rules come later, once
all rows are known (:mod:`knobwright.core.reading.checksums`).
"""

from __future__ import annotations

import re

from knobwright.core.reading.built import Built, role_of, write
from knobwright.core.reading.context import Context
from knobwright.core.reading.exclusive import build_exclusive
from knobwright.core.reading.found import Choice, Doubt, Found
from knobwright.core.reading.messages import Fault, Messages, read_messages, selector_faults
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import KEY_WORDS, fold, has_word


def build(found: Found, context: Context) -> Built:
    """Return the line that a row's bytes make, with what is in doubt about it."""
    found = soft_halves(found, context)
    messages = read_messages(found)
    if messages.faults:
        return _broken(found, context, messages)
    items = messages.items
    if items[0][0].value == 0xF0 and items[0][0].kind == "byte":
        return build_exclusive(found, items, context)
    return _channel(found, items, context)


_SOFT = re.compile(r"(?:\$|0x)?([0-9A-F])([a-flo])[hH]?\Z")


def soft_halves(found: Found, context: Context) -> Found:
    """Read ``0dh`` as a half byte where hex letters are printed large and the leaflet explains
    ``d``."""
    if not any(tok.kind in ("byte", "slip") and _SOFT.match(tok.text) for tok in found.toks):
        return found
    toks: list[Tok] = []
    for tok in found.toks:
        match = _SOFT.match(tok.text) if tok.kind in ("byte", "slip") else None
        legend = (
            context.legends.find(match[2], found.row_index, found.section, found.rows)
            if match
            else []
        )
        if (
            match
            and legend
            and legend[0].role in ("device", "channel", "part", "value", "high", "low")
        ):
            tok = tok._replace(kind="half", value=int(match[1], 16), word=match[2])
        toks.append(tok)
    return found._replace(toks=tuple(toks))


def _broken(found: Found, context: Context, messages: Messages) -> Built:
    """Return a line that was not understood, with the likely reading where there is one."""
    likely = None
    for fault in messages.faults:
        if fault.likely:
            again = build(found._replace(toks=fault.likely), context)
            likely = again if again.kind in ("parameter", "action") and not again.faults else None
    return Built("broken", faults=messages.faults, likely=likely)


def _channel(found: Found, items: tuple[tuple[Tok, ...], ...], context: Context) -> Built:
    """Build a line of channel messages."""
    status = items[0][0]
    digit = status.value if status.kind == "half" else status.value >> 4
    if len(items) == 1 and status.kind == "byte" and status.value >= 0xF6:
        return Built("realtime", ((f"{status.value:02X}",),))
    if digit in (8, 9):
        return Built("note")
    if digit == 0xC:
        return Built("program", tuple(_status_words(m, ("pp",)) for m in items))
    if any(_digit(m) not in (0xB, 0xE, 0xD, 0xA) for m in items):
        if all(_digit(m) in (0xB, 0xC) for m in items):
            return Built("program")
        return Built("broken", faults=(Fault("the row mixes messages that make no parameter"),))
    builder = _Channel(found, context)
    return builder.build(items)


def _digit(message: tuple[Tok, ...]) -> int:
    status = message[0]
    return status.value if status.kind == "half" else status.value >> 4


def _status_words(message: tuple[Tok, ...], data: tuple[str, ...]) -> tuple[str, ...]:
    status = message[0]
    word = f"{status.value:X}n" if status.kind == "half" else f"{status.value:02X}"
    return (word, *data)


class _Channel:
    """Builds one line of control changes, pitch bend or pressure."""

    def __init__(self, found: Found, context: Context) -> None:
        self.found = found
        self.context = context
        self.doubts: list[Doubt] = []
        self.faults: list[Fault] = []
        self.fields: list[tuple[int, int, Tok, str]] = []
        self.per: set[str] = set()

    def build(self, items: tuple[tuple[Tok, ...], ...]) -> Built:
        if items[0][0].kind == "half":
            self.per.add("channel")
        digit = _digit(items[0])
        if digit == 0xE:
            return self._bend(items)
        if digit in (0xD, 0xA):
            return self._pressure(items)
        if any(m[1].kind != "byte" for m in items):
            return Built("shape")
        faults = selector_faults(items)
        if faults:
            return Built("broken", faults=tuple(faults))
        words = [self._control(k, m) for k, m in enumerate(items)]
        if self.faults:
            return Built("broken", faults=tuple(self.faults))
        if any(cell == "??" for w in words for cell in w):
            return Built("shape")
        ccs = [m[1].value for m in items]
        if set(ccs) <= {0, 32}:
            return Built("bank", tuple(tuple(w) for w in words))
        return self._finish(words, ccs)

    def _control(self, k: int, message: tuple[Tok, ...]) -> list[str]:
        """Return the words of one control change; a value field is kept for later."""
        cc, data = message[1], message[2]
        words = list(_status_words(message, (f"{cc.value:02X}",)))
        if data.kind == "byte":
            return [*words, f"{data.value:02X}"]
        role, text = role_of(data, self.found, self.context)
        if cc.value in (98, 99, 100, 101):
            return [*words, self._selector(data, role)]
        if role == "ignored":
            return [*words, "00"]
        if data.kind == "half":
            self.faults.append(Fault(f"{data.text}: half a byte of a value is printed"))
        self.fields.append((k, 2, data, text))
        return [*words, "vv"]

    def _selector(self, data: Tok, role: str) -> str:
        """Return the word for a field inside a parameter number: a key, or a shape's blank."""
        hint = fold(
            f"{self.found.section} {self.found.label} "
            + " ".join(t for _, _, t in self.found.texts)
        )
        if role == "key" or (role in ("key?", "value?") and has_word(hint, KEY_WORDS)):
            self.per.add("key")
            return "kk"
        if data.kind == "half" and role == "channel":
            self.faults.append(Fault(f"{data.text} stands in the parameter number"))
        return "??"

    def _finish(self, words: list[list[str]], ccs: list[int]) -> Built:
        """Give the value fields their bits and return the line."""
        n = len(self.fields)
        if n == 0:
            return self._built("action", words, (), 0)
        if n > 2:
            return Built("broken", faults=(Fault("more than two values stand in the row"),))
        parts: list[tuple[int, int, str, int]] = []
        if n == 1:
            k, cell, tok, _ = self.fields[0]
            parts.append((k, cell, tok.word or tok.text, 7))
            return self._built("parameter", words, tuple(parts), 7)
        first, second = (ccs[self.fields[0][0]], ccs[self.fields[1][0]])
        low_first = (first, second) == (38, 6) or (first == second + 32)
        for (k, cell, tok, _), word in zip(
            self.fields, ("vl", "vh") if low_first else ("vh", "vl"), strict=True
        ):
            words[k][cell] = word
            parts.append((k, cell, tok.word or tok.text, 7))
        paired = {first, second} == {6, 38} or abs(first - second) == 32
        if not paired and self.found.shape != "paired":
            return Built(
                "broken",
                faults=(
                    Fault(
                        f"controllers {first} and {second} are printed as a pair, but they are none"
                    ),
                ),
            )
        return self._built("parameter", words, tuple(parts), 14)

    def _built(
        self,
        kind: str,
        words: list[list[str]],
        parts: tuple[tuple[int, int, str, int], ...],
        bits: int,
    ) -> Built:
        return Built(
            kind,
            tuple(tuple(w) for w in words),
            parts,
            frozenset(self.per),
            doubts=tuple(self.doubts),
            n_bits=bits,
        )

    def _bend(self, items: tuple[tuple[Tok, ...], ...]) -> Built:
        """Build a pitch bend: its low part comes first (MIDI 1.0 4.2.1, p. 19)."""
        if len(items) != 1 or any(t.kind != "field" for t in items[0][1:]):
            return Built("broken", faults=(Fault("a pitch bend with fixed bytes"),))
        roles = [role_of(t, self.found, self.context)[0] for t in items[0][1:]]
        if roles == ["high", "low"]:
            self.doubts.append(
                Doubt(
                    "order",
                    "the row prints the high part of the pitch bend first; MIDI sends "
                    "the low part first",
                    (
                        Choice("low-first", "the low part is sent first", {}),
                        Choice(
                            "high-first",
                            "the high part is sent first",
                            {"line": write((_status_words(items[0], ("vh", "vl")),))},
                        ),
                    ),
                    only=False,
                )
            )
        words = _status_words(items[0], ("vl", "vh"))
        parts = ((0, 1, items[0][1].word, 7), (0, 2, items[0][2].word, 7))
        return Built(
            "parameter", (words,), parts, frozenset(self.per), doubts=tuple(self.doubts), n_bits=14
        )

    def _pressure(self, items: tuple[tuple[Tok, ...], ...]) -> Built:
        """Build a pressure message: what a player does, still something a line sets."""
        data = items[0][1:]
        if len(items) != 1 or any(t.kind != "field" for t in data):
            return Built("broken", faults=(Fault("a pressure message with fixed bytes"),))
        if len(data) == 2:
            words = _status_words(items[0], ("kk", "vv"))
            per = frozenset(self.per | {"key"})
            return Built("pressure", (words,), ((0, 2, data[1].word, 7),), per, n_bits=7)
        words = _status_words(items[0], ("vv",))
        return Built(
            "pressure", (words,), ((0, 1, data[0].word, 7),), frozenset(self.per), n_bits=7
        )

"""Exclusive messages: maker, device, address, values and checksum of one printed row."""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.reading.built import Built, role_of
from knobwright.core.reading.context import Context
from knobwright.core.reading.found import Choice, Doubt, Found
from knobwright.core.reading.messages import Fault
from knobwright.core.reading.statements import said_order
from knobwright.core.reading.sums import rule_of
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import fold, has_word

REQUEST_WORDS = (
    "request",
    "asked for",
    "ask for",
    "anforder",
    "abruf",
    "abfrage",
    "demande",
    "requete",
    "solicitud",
    "peticion",
    "richiesta",
    "aanvraag",
    "yokyu",
    "youkyu",
    "要求",
    "rikuesuto",
)


class _Value(NamedTuple):
    """One field of the value: its cell, token, role and the legend's text."""

    cell: int
    tok: Tok
    role: str
    text: str


def build_exclusive(found: Found, items: tuple[tuple[Tok, ...], ...], context: Context) -> Built:
    """Return the line of a row that begins with an exclusive message."""
    message = items[0]
    if len(items) > 1:
        if all(t.kind == "byte" for m in items for t in m):
            words = tuple(tuple(f"{t.value:02X}" for t in m) for m in items)
            return Built("action", words)
        return Built(
            "broken", faults=(Fault("more than one message with fields stands in the row"),)
        )
    return _Exclusive(found, message, context).build()


class _Exclusive:
    """Builds one exclusive line; collects what is in doubt."""

    def __init__(self, found: Found, message: tuple[Tok, ...], context: Context) -> None:
        self.found = found
        self.context = context
        self.message = message
        self.words: list[str] = []
        self.values: list[_Value] = []
        self.per: set[str] = set()
        self.letters: list[tuple[str, str]] = []
        self.doubts: list[Doubt] = []
        self.faults: list[Fault] = []
        self.address_at: list[int] = []
        self.check_at = -1
        self.size = -1
        self.run = ""
        self.maker_end = (
            4 if len(message) > 4 and message[1].kind == "byte" and message[1].value == 0 else 2
        )
        self.universal = message[1].kind == "byte" and message[1].value in (0x7E, 0x7F)

    def build(self) -> Built:
        for k, tok in enumerate(self.message):
            self.words.append(self._word(k, tok))
        if self.faults:
            return Built("broken", faults=tuple(self.faults))
        if self.address_at:
            return self._built("shape")
        if self.size >= 0 and not self.values:
            return self._built("dump")
        if self.universal and (special := self._universal()):
            return special
        self._order_values()
        if self.faults:
            return Built("broken", faults=tuple(self.faults))
        if self.size >= 0:
            return Built("broken", faults=(Fault("a dump with a value field of its own"),))
        if self.run and not self.values:
            return self._built("parameter")
        if not self.values:
            hint = fold(f"{self.found.label} " + " ".join(t for _, _, t in self.found.texts))
            if has_word(fold(self.found.label), REQUEST_WORDS):
                return self._built("request")
            if not self.found.label and has_word(hint, REQUEST_WORDS):
                return self._built("request")
            return self._built("action")
        return self._built("parameter")

    def _built(self, kind: str) -> Built:
        parts = tuple(
            (0, v.cell, v.tok.word or v.tok.text, 4 if v.tok.kind == "half" else 7)
            for v in self.values
        )
        return Built(
            kind,
            (tuple(self.words),),
            parts,
            frozenset(self.per),
            self.check_at,
            tuple(self.letters),
            tuple(self.doubts),
            n_bits=sum(p[3] for p in parts),
            address_at=tuple(self.address_at),
            size=max(0, self.size),
            run=self.run,
        )

    def _universal(self) -> Built | None:
        """Return the line of the universal messages that are no parameters (MIDI 1.0 4.2.1, p.
        40)."""
        if len(self.message) < 6:
            return None
        subs = [t.value if t.kind == "byte" else -1 for t in self.message[3:5]]
        if self.message[1].value == 0x7E and subs[0] == 6:
            return self._built("identity")
        return None

    def _word(self, k: int, tok: Tok) -> str:
        """Return the notation word of one token."""
        if tok.kind == "byte":
            return f"{tok.value:02X}"
        if tok.kind == "data" and tok.word in ("text", "list"):
            self.run = tok.word
            return f"t*{tok.value}"
        if tok.kind == "data":
            self.size = tok.value
            return "data*"
        if k < self.maker_end:
            self.faults.append(Fault(f"{tok.text} stands in the place of the maker's id"))
            return "??"
        role, text = role_of(tok, self.found, self.context)
        if tok.kind == "half":
            return self._half(k, tok, role, text)
        return self._field(k, tok, role, text)

    def _half(self, k: int, tok: Tok, role: str, text: str) -> str:
        """Return the word of a half byte: device, channel, mapped part or a piece of the value."""
        digit = f"{tok.value:X}"
        if role == "device":
            return digit + "i"
        if (
            tok.word in self.context.map_letters
            and role in ("", "channel", "part", "value?", "address")
            and k > self.maker_end
        ):
            self.per.add("channel")
            letter = tok.word if tok.word not in "nvi" else "p"
            self.letters.append((letter, text))
            return digit + letter
        if role == "channel":
            if k == self.maker_end:
                self._doubt_device(tok)
            self.per.add("channel")
            return digit + "n"
        if role == "part":
            self.per.add("channel")
            if is_plain_part(text):
                return digit + "n"
            letter = tok.word if tok.word not in "nvi" else "p"
            self.letters.append((letter, text))
            return digit + letter
        if role == "address":
            self.address_at.append(k)
            return "??"
        if tok.value == 0 and role in ("value", "high", "low", "value?", ""):
            if role == "" and tok.word[0] not in "abcdhlvwxyzm":
                self.faults.append(Fault(f"nothing says what {tok.word} in {tok.text} stands for"))
            self.values.append(
                _Value(k, tok, role or {"h": "high", "l": "low"}.get(tok.word, ""), text)
            )
            return "??"
        self.faults.append(Fault(f"nothing says what {tok.word} in {tok.text} stands for"))
        return "??"

    def _doubt_device(self, tok: Tok) -> None:
        """Ask whether a letter in the device byte's place is really the channel."""
        here = self.context.legends.find(
            tok.text.lower().rstrip("h"), self.found.row_index, self.found.section
        )
        if here or self.universal:
            return
        letters = self.context.legends.find(tok.word, self.found.row_index, self.found.section)
        if any(g.section == self.found.section for g in letters):
            return
        if letters and self.context.says_above(tok.word, self.found.section):
            return
        self.doubts.append(
            Doubt(
                "",
                f"{tok.text} stands where the device number usually is, the leaflet calls "
                f"{tok.word} the channel",
                only=True,
            )
        )

    def _field(self, k: int, tok: Tok, role: str, text: str) -> str:
        """Return the word of a field that takes a whole byte."""
        last = k == len(self.message) - 2
        if (
            last
            and role in ("", "low", "high", "value", "address", "value?")
            and rule_of(fold(text))
        ):
            role = "checksum"
        if role == "checksum":
            if last:
                self.check_at = k
                return "cs"
            self.faults.append(Fault(f"the checksum {tok.text} is not the last byte before F7"))
            return "??"
        if role == "device":
            return "id"
        if role == "address":
            self.address_at.append(k)
            return "??"
        if role in ("key", "key?"):
            return self._key(k, tok, role, text)
        if role in ("channel", "part"):
            return self._channel_byte(tok, role, text)
        if role == "ignored":
            return "00"
        if k == self.maker_end and role in ("", "value?") and not last:
            self.faults.append(
                Fault(f"nothing says what {tok.text} behind the maker's id stands for")
            )
            return "??"
        self.values.append(_Value(k, tok, role, text))
        return "??"

    def _key(self, k: int, tok: Tok, role: str, text: str) -> str:
        """Return the word of a key number, or keep the field as a value where it is one."""
        others = [t for t in self.message[k + 1 : -1] if t.kind in ("field", "half")]
        if role == "key?":
            hint = fold(
                f"{self.found.section} {self.found.label} "
                + " ".join(t for _, _, t in self.found.texts)
            )
            from_words = has_word(
                hint,
                (
                    "key",
                    "note",
                    "drum",
                    "taste",
                    "tecla",
                    "nota",
                    "touche",
                    "percu",
                    "schlag",
                    "trommel",
                    "toets",
                    "タイコ",
                    "doramu",
                    "ドラム",
                ),
            )
            if not from_words:
                self.values.append(_Value(k, tok, "value?", text))
                return "??"
        if not others or (
            len(others) == 1 and role_of(others[0], self.found, self.context)[0] == "checksum"
        ):
            self.values.append(_Value(k, tok, "value", text))
            return "??"
        self.per.add("key")
        return "kk"

    def _channel_byte(self, tok: Tok, role: str, text: str) -> str:
        """Return the word of a channel or part number that takes a whole byte."""
        self.per.add("channel")
        if role == "channel" or is_plain_part(text):
            return "nn"
        letter = tok.word[0] if tok.word[0] in "ghjklmopqrstuwxyz" else "p"
        self.letters.append((letter, text))
        return letter * 2

    def _order_values(self) -> None:
        """Give each value field its bits, by what the print says of their order."""
        values = self.values
        if not values:
            return
        kinds = {v.tok.kind for v in values}
        if len(kinds) > 1:
            self.faults.append(Fault("whole and half bytes of a value are mixed"))
            return
        if len(values) > 1 and self._may_be_checksum():
            return
        bits = 4 if "half" in kinds else 7
        order = self._order()
        if not order:
            return
        n = len(values)
        if n > 2 and bits == 7:
            self.doubts.append(
                Doubt(
                    "",
                    f"the value takes {n} bytes, and nothing says how many bits each carries",
                    only=True,
                    takes="line",
                )
            )
        for value, place in zip(values, order, strict=True):
            self.words[value.cell] = _slice_word(value.tok, place, n, bits)

    def _may_be_checksum(self) -> bool:
        """Ask about an unexplained last field that may be a value or a checksum."""
        last = self.values[-1]
        if (
            last.cell != len(self.message) - 2
            or last.role not in ("value?", "")
            or last.tok.kind == "half"
        ):
            return False
        same = any(v.tok.word == last.tok.word for v in self.values[:-1])
        if same or self.context.no_checksum(self.found.section):
            return False
        self.doubts.append(
            Doubt(
                "",
                f"nothing says what {last.tok.text} stands for: a checksum, or a part of the value",
                only=True,
                choices=(
                    Choice("checksum", f"{last.tok.text} is the checksum", {"cs": True}),
                    Choice("value", f"{last.tok.text} is the low part of the value", {"two": True}),
                ),
            )
        )
        for value in self.values:
            self.words[value.cell] = "vh"
        self.words[self.values[-1].cell] = "vl"
        return True

    def _order(self) -> list[int]:
        """Return the place of each value field counted from the lowest, in order of print."""
        values = self.values
        n = len(values)
        if n == 1:
            return [0]
        roles = [v.role for v in values]
        if n == 2 and set(roles) == {"high", "low"}:
            return self._named_order(roles)
        digits = [v.tok.word[-1] for v in values]
        if len(set(digits)) == n and all(d.isdigit() for d in digits) and "0" in digits:
            ranks = sorted(digits)
            return [ranks.index(d) for d in digits]
        stated = self._by_statement(n)
        if stated:
            return stated
        first = values[0].tok.word
        same = all(v.tok.word == first for v in values)
        what = "printed twice" if same and n == 2 else "several bytes"
        printed = " ".join(v.tok.text for v in values)
        self.doubts.append(
            Doubt(
                "",
                f"the value {printed} is {what}, and nothing says which part comes first",
                only=True,
                choices=(
                    Choice(
                        "high-first",
                        "the high part comes first",
                        {"order": list(range(n - 1, -1, -1))},
                    ),
                    Choice("low-first", "the low part comes first", {"order": list(range(n))}),
                ),
            )
        )
        return list(range(n - 1, -1, -1))

    def _named_order(self, roles: list[str]) -> list[int]:
        """Return the order that the fields' names give; ask where the leaflet states the other
        order."""
        stated = "" if self.universal else self._stated()
        if stated and stated != roles[0]:
            self.doubts.append(
                Doubt(
                    "",
                    f"the row prints the {roles[0]} part first, the leaflet says that the "
                    f"{stated} part comes first",
                    only=False,
                    choices=(Choice("as-printed", f"the {roles[0]} part comes first", {}),),
                )
            )
        return [1, 0] if roles[0] == "high" else [0, 1]

    def _stated(self) -> str:
        """Return which part comes first as the row itself, its section or the leaflet says; empty:
        nothing."""
        own = said_order(
            "; ".join((*(t for _, _, t in self.found.texts), *(v.text for v in self.values)))
        )
        if len(own) == 1:
            return own.pop()
        return self.context.order(self.found.section)

    def _by_statement(self, n: int) -> list[int]:
        """Return the order that the leaflet states for values of several bytes, or nothing."""
        stated = self._stated()
        if not stated:
            return []
        return list(range(n - 1, -1, -1)) if stated == "high" else list(range(n))


def _slice_word(tok: Tok, place: int, n: int, bits: int) -> str:
    """Return the notation word for the part of a value at ``place`` (0: lowest) of ``n`` parts."""
    if bits == 4:
        if n == 1:
            return "0v"
        return f"v{place}"
    if n == 1:
        return "vv"
    if n == 2:
        return ("vl", "vh")[place]
    return f"v:{7 * place + 6}-{7 * place}"


def is_plain_part(text: str) -> bool:
    """Return whether a legend says that the digit is the channel or part number less one."""
    folded = fold(text)
    return has_word(
        folded,
        (
            "minus 1",
            "minus one",
            "less one",
            "less 1",
            "- 1",
            "weniger 1",
            "moins un",
            "moins 1",
            "menos 1",
            "menos uno",
            "meno 1",
            "meno uno",
            "min 1",
            "-1",
        ),
    ) or ("0 = " in folded and ("1" in folded.split("0 = ", 1)[1][:14]))

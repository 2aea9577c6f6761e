"""Byte tokens of a leaflet's text, in every style makers print them, each with its position.

One pass over the text cuts it into chunks, one look at each chunk says what it may be. No
pattern here nests quantifiers and long chunks are cut off, so the time is linear in the text.

=========  =============================================================  =====================
kind       printed as                                                     carries
=========  =============================================================  =====================
``byte``   ``B0H $B0 0xB0 b0h B0 01100011``                               value; sure when marked
``half``   ``BnH $Bn 0xbn 1011nnnn 4p``                                   first digit, letter
``field``  ``vv vvH <value> cs v1 0vvvvvvv``                              the word, lower case
``twin``   ``aa CC dd``: a doubled hex letter, a field or a status byte   value and word
``number`` ``5 127 +12``: digits that are no pair                         value (decimal)
``wide``   ``0512h 3FFFH``: four hex digits                               value
``slip``   ``O5 1l 7G``: nearly a byte                                    what was printed
``dots``   ``... ..``                                                     nothing
``word``   anything else                                                  the text
=========  =============================================================  =====================
"""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.words import FIELD_WORDS, fold

MAX_TEXT = 4000
"""Longest text of one cell that is looked at; a longer one is no table cell."""

MAX_CHUNK = 120

_CHUNK = re.compile(r"[01][01a-z]{3} (?:[01]{4}|[a-z]{4})(?!\w)|\.{2,}|…|[^\s,;|/=:()\[\]<>{}…]+")
_MARKED = re.compile(r"(?:0x|\$|#|&h?|x')([0-9a-f]{1,2})'?|([0-9a-f]{2}|[0-9])h", re.I)
_PAIR = re.compile(r"[0-9a-f]{2}", re.I)
_HALF = re.compile(r"(?:0x|\$|#|&)?([0-9a-f])([g-z])h?", re.I)
_SOFT_HALF = re.compile(r"(?:0x|\$|#|&)([0-9A-F])([a-f])|([0-9A-F])([a-f])H")
_BITS = re.compile(r"[01]{1,8}[a-z]{0,7}|[01][01a-z]{7}", re.I)
_WIDE = re.compile(r"(?:0x|\$)([0-9a-f]{4})|([0-9a-f]{4})h", re.I)
_RUN_SUFFIX = re.compile(r"(?:[0-9a-z]{2}h){2,40}", re.I)
_RUN_PREFIX = re.compile(r"(?:\$[0-9a-z]{2}){2,40}|(?:0x[0-9a-z]{2}){2,40}", re.I)
_RUN_BARE = re.compile(
    r"(?:F0(?:[0-9A-F]{2}|[a-z]{2}){2,60}F7|[89A-E][n0-9A-F](?:[0-9A-F]{2}){2,20}"
    r"(?:[a-z]{2}){0,2})"
)
_FIELD = re.compile(r"([a-z])\1|[a-z]|[a-z]\d|[a-z][hlm]|\1\d", re.I)
_SLIP = re.compile(r"[0-9A-FOoQIlSGZ|]{2}[Hh]?")
_NUMBER = re.compile(r"[+\-−]?\d{1,6}")


class Tok(NamedTuple):
    """One token: ``kind`` of the table above, printed ``text``, its place in the text.

    ``value`` is 0 to 255 for a byte (0 to 65535 for a wide one, the first digit for a half);
    ``word`` the field word or the half byte's letter; ``sure`` says that the token is hex beyond
    doubt: it is marked as such, is binary, or holds a hex letter.
    """

    kind: str
    text: str
    start: int
    end: int
    value: int = -1
    word: str = ""
    sure: bool = False

    @property
    def is_byte_like(self) -> bool:
        """Return whether the token can stand for one byte of a message."""
        return self.kind in ("byte", "half", "field", "twin", "slip")

    @property
    def is_status(self) -> bool:
        """Return whether the token can begin a message."""
        if self.kind == "byte":
            return self.value >= 0x80
        if self.kind == "half":
            return self.value >= 8
        return self.kind == "twin" and self.text.rstrip("Hh").isupper()


def scan(text: str) -> list[Tok]:
    """Return the tokens of ``text`` in order; separators are dropped, positions are kept."""
    toks: list[Tok] = []
    for match in _CHUNK.finditer(text[:MAX_TEXT]):
        chunk = match.group()
        if len(chunk) > MAX_CHUNK:
            toks.append(Tok("word", chunk, match.start(), match.end()))
        else:
            toks.extend(_classify(chunk, match.start()))
    return toks


def _classify(chunk: str, start: int) -> list[Tok]:
    """Return the token, or the run-together tokens, that one chunk stands for."""
    if chunk.strip(".…") == "":
        kind = "dots" if len(chunk) > 1 or chunk == "…" else "word"
        return [Tok(kind, chunk, start, start + len(chunk))]
    bare = chunk.rstrip(".;:*°").lstrip("'\"`")
    bare = bare.rstrip("'\"`")
    if not bare:
        return [Tok("word", chunk, start, start + len(chunk))]
    start += chunk.index(bare)
    one = one_token(bare, start)
    if one.kind != "word":
        return [one]
    return _together(bare, start) or [one]


def one_token(chunk: str, start: int = 0) -> Tok:
    """Return what a single chunk stands for; ``word`` when it is none of the byte forms."""
    end = start + len(chunk)
    for look in (_look_marked, _look_letters, _look_bits, _look_number, _look_slip):
        tok = look(chunk, start, end)
        if tok is not None:
            return tok
    return Tok("word", chunk, start, end)


def _look_marked(chunk: str, start: int, end: int) -> Tok | None:
    """Recognise bytes: with a mark, or bare pairs of hex digits."""
    if (match := _MARKED.fullmatch(chunk)) and not (chunk[0] == chunk[1] and chunk[0].isalpha()):
        return Tok("byte", chunk, start, end, int(match[1] or match[2], 16), sure=True)
    if match := _WIDE.fullmatch(chunk):
        return Tok("wide", chunk, start, end, int(match[1] or match[2], 16), sure=True)
    core = chunk[:-1] if len(chunk) == 3 and chunk[-1] in "Hh" else chunk
    if _PAIR.fullmatch(core):
        if core.isalpha() and core[0].isupper() != core[1].isupper():
            return None
        if core[0] == core[1] and core[0].isalpha():
            return Tok("twin", chunk, start, end, int(core, 16), fold(core))
        if fold(core) in FIELD_WORDS and core.islower():
            return Tok("field", chunk, start, end, -1, fold(core))
        return Tok("byte", chunk, start, end, int(core, 16), sure=not core.isdigit())
    return None


def _look_letters(chunk: str, start: int, end: int) -> Tok | None:
    """Recognise half bytes and field words."""
    folded = fold(chunk)
    word = folded
    if (
        len(chunk) >= 3
        and folded[-1] == "h"
        and (
            chunk[-1] == "H"
            or folded[:-1] in FIELD_WORDS
            or (len(chunk) == 3 and folded[0] == folded[1])
        )
    ):
        word = folded[:-1]
    if word in FIELD_WORDS:
        return Tok("field", chunk, start, end, -1, word)
    if (
        chunk[:1] == "$"
        and (fold(chunk[1:]) in FIELD_WORDS or _FIELD.fullmatch(fold(chunk[1:])))
        and (not chunk[1:2].isdigit())
    ):
        return Tok("field", chunk, start, end, -1, fold(chunk[1:]))
    match = _HALF.fullmatch(chunk)
    if match and match[2].islower():
        if match[2] in "OIl" or (match[2] == "o" and match[1].isdigit()):
            return Tok("slip", chunk, start, end)
        return Tok("half", chunk, start, end, int(match[1], 16), match[2].lower())
    if match := _SOFT_HALF.fullmatch(chunk):
        digit, letter = match[1] or match[3], match[2] or match[4]
        return Tok("half", chunk, start, end, int(digit, 16), letter)
    if len(chunk) <= 3 and word.isascii() and _FIELD.fullmatch(word):
        if chunk in ("OO", "OOH", "II", "I", "O") or (chunk[0] in "OoIl" and chunk[1:2].isdigit()):
            return Tok("slip", chunk, start, end)
        return Tok("field", chunk, start, end, -1, word)
    return None


def _look_bits(chunk: str, start: int, end: int) -> Tok | None:
    """Recognise a byte printed in binary, letters standing for what varies."""
    bits = chunk.replace(" ", "")
    if len(bits) == 9 and bits[-1] in "Bb":
        bits = bits[:-1]
    if len(bits) != 8 or not _BITS.fullmatch(bits):
        return None
    letters = {c for c in bits if c not in "01"}
    if not letters:
        return Tok("byte", chunk, start, end, int(bits, 2), sure=True)
    if len(letters) != 1 or any(c not in "01" for c in bits[: bits.index(next(iter(letters)))]):
        return None
    letter = letters.pop()
    fixed = bits.index(letter)
    if set(bits[fixed:]) != {letter}:
        return None
    if fixed == 4:
        return Tok("half", chunk, start, end, int(bits[:4], 2), letter.lower())
    if set(bits[:fixed]) == {"0"}:
        return Tok("field", chunk, start, end, -1, letter.lower() * 2)
    return None


def _look_number(chunk: str, start: int, end: int) -> Tok | None:
    """Recognise plain numbers that are no pair of digits."""
    if 5 <= len(chunk) <= 10 and set(chunk) == {"0", "1"}:
        return Tok("slip", chunk, start, end)
    if _NUMBER.fullmatch(chunk):
        return Tok("number", chunk, start, end, int(chunk.replace("−", "-")))
    return None


def _look_slip(chunk: str, start: int, end: int) -> Tok | None:
    """Recognise what is nearly a byte: a letter that looks like a digit, or one beyond F."""
    if _SLIP.fullmatch(chunk) and any(c.isdigit() or c in "ABCDEF" for c in chunk[:2]):
        return Tok("slip", chunk, start, end)
    return None


def _together(chunk: str, start: int) -> list[Tok]:
    """Return the bytes of a chunk in which several are printed without blanks, or nothing."""
    if _RUN_SUFFIX.fullmatch(chunk):
        return _cut(chunk, start, 3)
    if _RUN_PREFIX.fullmatch(chunk):
        return _cut(chunk, start, 3 if chunk[0] == "$" else 4)
    if _RUN_BARE.fullmatch(chunk):
        return _cut(chunk, start, 2)
    for dash in "-–.+_":
        pieces = chunk.split(dash)
        if len(pieces) >= 3:
            toks: list[Tok] = []
            at = start
            for piece in pieces:
                if not piece:
                    return []
                toks.append(one_token(piece, at))
                at += len(piece) + 1
            if toks[0].is_status and all(tok.is_byte_like for tok in toks):
                return toks
    return []


def _cut(chunk: str, start: int, size: int) -> list[Tok]:
    """Return the tokens of ``chunk`` cut every ``size`` characters; nothing if one is no byte."""
    toks = [one_token(chunk[at : at + size], start + at) for at in range(0, len(chunk), size)]
    return toks if all(tok.is_byte_like for tok in toks) else []

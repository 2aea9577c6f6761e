"""From a row's tokens to whole messages: bases settled, running status written out, faults named.

Nothing is guessed here: a token that is no byte, a message that lacks one, a byte above 7F
inside data
become faults, and a row with a fault is only asked about.
"""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.reading.found import Found, fixed
from knobwright.core.reading.runs import N_DATA, field_role
from knobwright.core.reading.tokens import Tok

SELECTORS = {98, 99, 100, 101}


class Fault(NamedTuple):
    """What is wrong with a printed line, in words; ``likely`` is a corrected token list, if there
    is one."""

    text: str
    likely: tuple[Tok, ...] = ()


class Messages(NamedTuple):
    """The messages of a row, each with its status token, and the faults found on the way."""

    items: tuple[tuple[Tok, ...], ...]
    faults: tuple[Fault, ...] = ()

    @property
    def exclusive(self) -> tuple[Tok, ...]:
        """Return the first exclusive message, or an empty tuple."""
        return next((m for m in self.items if m[0].value == 0xF0), ())


def read_messages(found: Found) -> Messages:
    """Return the messages that the tokens of a row make up."""
    toks, faults = settle(found.toks)
    if faults:
        return Messages((), tuple(faults))
    return _split(toks)


def settle(toks: tuple[Tok, ...]) -> tuple[list[Tok], list[Fault]]:
    """Return the tokens with every number read in its base, and what can't be read.

    A row is decimal only if its status byte is printed so (176 to 247); a status with a hex
    letter proves
    the row hexadecimal.
    """
    decimal = bool(toks) and toks[0].kind == "number" and toks[0].value > 99
    marked = sum(1 for t in toks if t.kind == "byte" and _is_marked(t))
    out: list[Tok] = []
    faults: list[Fault] = []
    for k, tok in enumerate(toks):
        if tok.kind in ("half", "field", "data", "dots"):
            out.append(tok)
        elif tok.kind == "slip":
            faults.append(Fault(f"{tok.text} is no byte", _mended(toks, k)))
            out.append(tok)
        elif tok.kind == "wide":
            out.extend((fixed(tok.value >> 8), fixed(tok.value & 0xFF)))
        elif decimal:
            _decimal(tok, out, faults)
        elif tok.kind == "number":
            if len(tok.text) == 1 and marked:
                out.append(tok._replace(kind="byte"))
            else:
                faults.append(Fault(f"{tok.text} stands where two hex digits are expected"))
                out.append(tok)
        elif tok.kind == "twin":
            out.append(_twin(tok, k, out))
        else:
            if marked > 1 and not tok.sure and tok.text.isdigit() and tok.value > 9:
                faults.append(
                    Fault(
                        f"{tok.text} carries no mark, the other bytes of the row do: it "
                        "may be hexadecimal "
                        f"({tok.value:02X}) or decimal ({int(tok.text):02X})"
                    )
                )
            out.append(tok)
    return out, faults


def _is_marked(tok: Tok) -> bool:
    """Return whether a byte is printed with a sign that it is hexadecimal (or in binary)."""
    return len(tok.text) > 2


def _decimal(tok: Tok, out: list[Tok], faults: list[Fault]) -> None:
    """Read one token of a row of decimal bytes."""
    if tok.text.isdigit() and int(tok.text) <= 255:
        out.append(tok._replace(kind="byte", value=int(tok.text), sure=True))
    elif tok.kind == "twin" or not tok.text.isdigit():
        out.append(tok._replace(kind="field", value=-1, word=tok.text.lower()))
    else:
        faults.append(Fault(f"{tok.text} is more than a byte can hold"))
        out.append(tok)


def _twin(tok: Tok, k: int, before: list[Tok]) -> Tok:
    """Return a doubled hex letter as a status byte where one may stand, else as a field word."""
    if k == 0 and tok.text.isupper():
        return tok._replace(kind="byte")
    return tok._replace(kind="field", value=-1)


_LOOKS = str.maketrans(
    {"O": "0", "o": "0", "Q": "0", "I": "1", "l": "1", "|": "1", "S": "5", "Z": "2", "G": "6"}
)


def _mended(toks: tuple[Tok, ...], k: int) -> tuple[Tok, ...]:
    """Return the row with a look-alike letter put right, or nothing if that makes no byte."""
    printed = toks[k].text
    text = printed.rstrip("Hh").lstrip("$").translate(_LOOKS)
    try:
        value = int(text) if printed.isdigit() else int(text, 16)
    except ValueError:
        return ()
    if (len(text) != 2 and not printed.isdigit()) or (value > 0x7F and k):
        return ()
    return (*toks[:k], fixed(value), *toks[k + 1 :])


def _split(toks: list[Tok]) -> Messages:
    """Return the messages, running status written out."""
    items: list[tuple[Tok, ...]] = []
    faults: list[Fault] = []
    status: Tok | None = None
    at = 0
    while at < len(toks) and not faults:
        tok = toks[at]
        if tok.kind == "byte" and tok.value == 0xF0:
            at = _exclusive(toks, at, items, faults)
            status = None
            continue
        if tok.kind in ("byte", "half") and tok.is_status:
            status = tok
            at += 1
            if tok.kind == "byte" and tok.value >= 0xF1:
                if tok.value in (0xF6, 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF):
                    items.append((tok,))
                    status = None
                    continue
                faults.append(Fault(f"{tok.text} is no status that a row can begin with"))
                break
        if status is None:
            faults.append(Fault("the row does not begin with a status byte"))
            break
        n_data = N_DATA.get(status.value if status.kind == "half" else status.value >> 4, 0)
        if not n_data:
            faults.append(Fault(f"{status.text} is no status that a row can begin with"))
            break
        body = toks[at : at + n_data]
        _check_body(status, body, n_data, faults)
        items.append((status, *body))
        at += n_data
    return Messages(tuple(items), tuple(faults))


def _check_body(status: Tok, body: list[Tok], n_data: int, faults: list[Fault]) -> None:
    """Note what is wrong with the data bytes of one channel message."""
    if len(body) < n_data:
        printed = " ".join(t.text for t in (status, *body))
        faults.append(Fault(f"a byte is missing: the message {printed} needs {n_data} data bytes"))
        return
    for tok in body:
        if tok.kind == "byte" and tok.value > 0x7F:
            faults.append(Fault(f"{tok.text} stands inside data: a data byte is 00 to 7F"))
            return
        if tok.kind in ("dots", "data"):
            faults.append(Fault(f"{tok.text} stands where a byte is expected"))
            return
        if tok.kind == "half" and tok.value > 7:
            faults.append(Fault(f"{tok.text} stands inside data: a data byte is 00 to 7F"))
            return


def _exclusive(toks: list[Tok], at: int, items: list[tuple[Tok, ...]], faults: list[Fault]) -> int:
    """Take the exclusive message that begins at ``at``; return where the row goes on."""
    end = next(
        (k for k in range(at + 1, len(toks)) if toks[k].kind == "byte" and toks[k].value == 0xF7),
        -1,
    )
    if end < 0:
        faults.append(Fault("the exclusive message has no F7 at its end"))
        return len(toks)
    body = []
    for tok in toks[at + 1 : end]:
        if tok.kind == "byte" and tok.value > 0x7F:
            if tok.text.islower() and field_role(tok.text.rstrip("h")):
                tok = tok._replace(kind="field", value=-1, word=tok.text)
            else:
                faults.append(Fault(f"{tok.text} stands inside data: a data byte is 00 to 7F"))
        elif tok.kind == "half" and tok.value > 7:
            faults.append(Fault(f"{tok.text} stands inside data: a data byte is 00 to 7F"))
        elif tok.kind == "dots":
            faults.append(Fault("dots stand inside the message: bytes are left out"))
        body.append(tok)
    if end - at < 3:
        faults.append(Fault("the exclusive message has no content"))
    items.append((toks[at], *body, toks[end]))
    return end + 1


def selector_faults(items: tuple[tuple[Tok, ...], ...]) -> list[Fault]:
    """Return what is wrong with an RPN or NRPN selection: a half without its other half, no data.

    An NRPN is chosen by controllers 99 and 98, an RPN by 101 and 100, both halves before the data
    (MIDI 1.0 Detailed Specification 4.2.1, p. 17).
    """
    ccs = [m[1].value for m in items if _is_cc(m) and m[1].kind == "byte"]
    chosen = [cc for cc in ccs if cc in SELECTORS]
    if not chosen:
        return []
    pairs = {99: 98, 98: 99, 101: 100, 100: 101}
    for cc in chosen:
        if pairs[cc] not in chosen:
            return [
                Fault(
                    f"controller {cc} is printed without controller {pairs[cc]}: a byte is missing"
                )
            ]
    if len(chosen) != 2:
        return [Fault("the parameter is selected more than once")]
    data = [cc for cc in ccs if cc in (6, 38, 96, 97)]
    if not data:
        return [Fault("the parameter is selected, but no data entry (controller 6) follows")]
    if set(ccs) - SELECTORS - {6, 38, 96, 97}:
        return [Fault("a controller stands among the data that belongs to no parameter number")]
    return []


def _is_cc(message: tuple[Tok, ...]) -> bool:
    status = message[0]
    digit = status.value if status.kind == "half" else status.value >> 4
    return digit == 0xB and len(message) == 3


def is_pending(items: tuple[tuple[Tok, ...], ...]) -> bool:
    """Return whether the messages only select a parameter and set nothing yet."""
    if not items or not all(_is_cc(m) for m in items):
        return False
    ccs = [m[1].value for m in items if m[1].kind == "byte"]
    return len(ccs) == len(items) and all(cc in SELECTORS for cc in ccs)

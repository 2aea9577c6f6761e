"""Characters of a leaflet: bytes to text, and text to the plain characters that a reader compares.

Everything here is lossless in meaning: what could change a number (a raised footnote mark, a
fraction, a circled digit) is never turned into a digit.
"""

from __future__ import annotations

import codecs
import re
import unicodedata
from functools import lru_cache

from knobwright.core.errors import LeafletError

MAX_BYTES = 32 * 1024 * 1024
"""Largest leaflet that is read, in bytes (and in characters once decoded)."""

BARS = "|\u2502\u2503\u2551\uff5c"
"""Characters that part two cells: the bar, its full-width form and the box-drawing verticals."""

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16: its mark begins with the same two bytes
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)

# Blanks of other widths become a blank; what has no width goes; line breaks other than \n, and
# controls, must never glue two bytes together or hide one: a break parts cells, a control stays
# visible as U+FFFD so that nothing next to it is taken as understood.
_CHARACTERS: dict[int, str | None] = {
    **dict.fromkeys(range(0x20), "\ufffd"),
    **dict.fromkeys(range(0x7F, 0xA0), "\ufffd"),
    **dict.fromkeys((0x0B, 0x0C, 0x1C, 0x1D, 0x1E, 0x85, 0x2028, 0x2029), "  "),
    **dict.fromkeys((0xA0, 0x1680, *range(0x2000, 0x200B), 0x202F, 0x205F, 0x3000), " "),
    **dict.fromkeys((0xAD, *range(0x200B, 0x2010), 0x2060, 0xFEFF), None),
    **dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)), None),  # direction marks
    0x09: "\t",
    0x0A: "\n",
}

_RAISED = {
    c: str(i) for i, c in enumerate("\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079")
}
_RAISED_RUN = re.compile(f"[{''.join(_RAISED)}]+")
_BASE_16 = re.compile("(?<=[0-9A-Fa-f])\u2081\u2086")  # "B0" with a lowered 16: hexadecimal
# Decompositions that NFKC would turn into a bare digit, letter or blank with another meaning.
_KEPT_TAGS = ("<super>", "<sub>", "<circle>", "<fraction>", "<compat> 0020")


def decode(data: bytes, name: str) -> str:
    """Return the text of a file's bytes, with every line end as ``\\n``.

    UTF-8 with or without a byte-order mark, UTF-16 and UTF-32 with one; else Japanese (code page
    932 or EUC) where kana say so, and Windows code page 1252 (Latin-1 where that is undefined).

    Parameters
    ----------
    data : bytes, at most 32 MiB
        The file.
    name : str
        Its name, for the error's place.

    Raises
    ------
    LeafletError
        NUL bytes (not a text), or a text that its byte-order mark contradicts.
    """
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return _unix(_decode_marked(data[len(mark) :], encoding, name))
    zero = data.find(0)
    if zero >= 0:
        raise LeafletError(
            f"expected text and found a byte 00 at offset {zero:,}".replace(",", " "),
            where=name,
            hint="save it as UTF-8 text, CSV or Markdown, or give the PDF",
        )
    try:
        return _unix(data.decode("utf-8"))
    except UnicodeDecodeError:
        return _unix(_japanese(data) or _western(data))


def _decode_marked(data: bytes, encoding: str, name: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        raise LeafletError(
            f"its first bytes say {encoding.upper()}, but that breaks at byte {error.start}",
            where=name,
            hint="save it again as UTF-8",
        ) from error


def _western(data: bytes) -> str:
    """Return code page 1252 text, or Latin-1 where a byte is undefined there."""
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _japanese(data: bytes) -> str:
    """Return Japanese text, or nothing where the bytes do not plainly say that it is Japanese."""
    for encoding in ("cp932", "euc_jp"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        foreign = [c for c in text if c > "\x7f"]
        n_kana = sum("\u3041" <= c <= "\u30fe" for c in foreign)
        n_odd = sum("\ue000" <= c <= "\uf8ff" for c in foreign)
        if n_kana >= 3 and n_kana * 5 >= len(foreign) and n_odd == 0:
            return text
    return ""


def _unix(text: str) -> str:
    """Return ``text`` with Windows and old Mac line ends as ``\\n``."""
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def lines_of(text: str, name: str) -> list[str]:
    """Return the cleaned lines of a pasted or decoded text; item ``i`` is line ``i + 1``.

    Blanks of every width are blanks, characters without width are gone, controls are U+FFFD.

    Raises
    ------
    LeafletError
        A NUL character, or a text longer than `MAX_BYTES` characters.
    """
    if len(text) > MAX_BYTES:
        raise too_big(len(text), name, "characters")
    text = _unix(text)
    zero = text.find("\0")
    if zero >= 0:
        number = text.count("\n", 0, zero) + 1
        raise LeafletError(
            "expected text and found a NUL character",
            where=f"{name}, row {number}",
            hint="this is not a text file: give the leaflet as text, CSV, Markdown or PDF",
        )
    return text.translate(_CHARACTERS).split("\n")


def too_big(size: int, name: str, unit: str = "bytes") -> LeafletError:
    """Return the error for a leaflet of ``size`` bytes or characters, above the limit."""
    return LeafletError(
        f"is {size / 2**20:.1f} MiB ({size} {unit}); a leaflet may have {MAX_BYTES // 2**20} MiB",
        where=name,
        hint="give only the pages that hold the MIDI implementation",
    )


def fold(text: str) -> str:
    """Return ``text`` in the plain characters that readers compare, without blanks at its ends.

    Full-width letters and digits, half-width kana, ligatures and squared units become their
    usual characters (Unicode's NFKC). A raised digit is dropped, because it is a footnote mark
    (``7F`` with a raised 2 must not become 7F2), except after a lone 2, where it may be a power
    and is written ``2^14``. Lowered 16 after hexadecimal digits becomes ``H``. Fractions, circled
    and other raised or lowered characters stay as they are. Dashes stay.
    """
    if text.isascii():
        return text.strip()
    text = _BASE_16.sub("H", text)
    text = _RAISED_RUN.sub(_raised, text)
    return "".join(
        part if keep else unicodedata.normalize("NFKC", part) for keep, part in _runs(text)
    ).strip()


def _raised(match: re.Match[str]) -> str:
    """Return what stands for a run of raised digits: nothing, or a power written out."""
    digits = "".join(_RAISED[c] for c in match.group())
    before = match.string[max(0, match.start() - 2) : match.start()]
    alone = before.endswith("2") and not before[:-1].isalnum()
    return f"^{digits}" if alone and (len(digits) > 1 or digits in "78") else ""


def _runs(text: str) -> list[tuple[bool, str]]:
    """Return ``text`` in runs of characters that stay as they are (True) or are normalised."""
    runs: list[tuple[bool, str]] = []
    start = 0
    for end in range(1, len(text) + 1):
        if end == len(text) or _stays(text[end]) is not _stays(text[start]):
            runs.append((_stays(text[start]), text[start:end]))
            start = end
    return runs


@lru_cache(maxsize=4096)
def _stays(char: str) -> bool:
    return char > "\x7f" and unicodedata.decomposition(char).startswith(_KEPT_TAGS)


def widths(line: str) -> list[int]:
    """Return the column of each character of ``line`` and, last, of its end.

    A tab goes on to the next multiple of 8; full-width characters take two columns and
    combining ones none, as on a terminal or in a typewritten table.
    """
    columns = [0]
    at = 0
    for char in line:
        if char == "\t":
            at += 8 - at % 8
        elif char < "\u0300":
            at += 1
        else:
            at += _width(char)
        columns.append(at)
    return columns


@lru_cache(maxsize=4096)
def _width(char: str) -> int:
    if unicodedata.combining(char):
        return 0
    return 2 if unicodedata.east_asian_width(char) in "WF" else 1

"""A leaflet file to rows: the kind is told by the content first and the suffix second."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from knobwright.core.errors import LeafletError, StoreError
from knobwright.core.reading.rows import Leaflet
from knobwright.core.reading.sources import decode, read_any, read_csv, read_markdown, read_text
from knobwright.core.reading.sources_chars import MAX_BYTES, too_big

Progress = Callable[[int, int], None]
"""Called as ``progress(done, total)`` after each page."""

_READERS: dict[str, Callable[[str, str], Leaflet]] = {
    ".csv": read_csv,
    ".tsv": read_csv,
    ".tab": read_csv,
    ".md": read_markdown,
    ".markdown": read_markdown,
    ".txt": read_text,
    ".text": read_text,
    ".asc": read_text,
}

# How files begin that are often mistaken for a leaflet: (first bytes, what it is, next step).
_OTHERS: tuple[tuple[bytes, str, str], ...] = (
    (b"PK\x03\x04", "a packed file (a ZIP, or a word processor's or spreadsheet's document)",
     "unpack it, or save the document as PDF, CSV or text"),
    (b"\xd0\xcf\x11\xe0", "an old office document", "save it as PDF, CSV or text"),
    (b"{\\rtf", "a rich-text document", "save it as PDF or plain text"),
    (b"\x89PNG", "a picture", "type its text, or run text recognition on it first"),
    (b"\xff\xd8\xff", "a picture", "type its text, or run text recognition on it first"),
    (b"GIF8", "a picture", "type its text, or run text recognition on it first"),
    (b"II*\0", "a picture", "type its text, or run text recognition on it first"),
    (b"MM\0*", "a picture", "type its text, or run text recognition on it first"),
    (b"%!PS", "a PostScript file", "turn it into a PDF first"),
    (b"\x1f\x8b", "a packed file (gzip)", "unpack it first"),
    (b"MThd", "a Standard MIDI File", "give the maker's leaflet; a song is not one"),
    (b"\xf0", "a file of MIDI bytes", "look at it with: knobwright explain --file FILE"),
    (b"<!DOCTYPE", "a web page", "save it as text or PDF, or copy its text"),
    (b"<html", "a web page", "save it as text or PDF, or copy its text"),
)  # fmt: skip


def load(path: str | os.PathLike[str], *, progress: Progress | None = None) -> Leaflet:
    """Return the leaflet in a file as rows.

    Parameters
    ----------
    path : path
        Text, CSV, Markdown or a PDF with a text layer, at most 32 MiB.
    progress : function of (done, total), optional
        Called after each page of a PDF, and once for any other file.

    Raises
    ------
    StoreError
        The file is missing, a folder, or can't be read.
    LeafletError
        It is too large, of another kind, or can't be understood as a leaflet.
    """
    name = os.fspath(path)
    data = read_bytes(path)
    if is_pdf(data):
        from knobwright.adapters.files import pdf

        return pdf.read(data, name, progress=progress)
    suffix = Path(path).suffix.lower()
    _refuse_other_kinds(data, suffix, name)
    leaflet = _READERS.get(suffix, read_any)(decode(data, name), name)
    if progress is not None:
        progress(1, 1)
    return leaflet


def read_bytes(path: str | os.PathLike[str]) -> bytes:
    """Return the bytes of a file of at most 32 MiB.

    Raises
    ------
    StoreError
        The file is missing, no ordinary file, or can't be read.
    LeafletError
        It is larger; the size is said.
    """
    name = os.fspath(path)
    try:
        target = Path(path)
        if target.exists() and not target.is_file():
            raise StoreError(_not_a_file(target), where=name, hint="give the leaflet's file itself")
        with target.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise StoreError(
            "there is no such file", where=name, hint="check the name and the folder"
        ) from error
    except PermissionError as error:
        raise StoreError(
            "may not be read", where=name, hint="give yourself the right to read it"
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise StoreError(
            f"can't be read: {reason}", where=name, hint="check the name and the drive"
        ) from error
    if len(data) > MAX_BYTES:
        raise too_big(max(size, len(data)), name)
    if not data:
        raise LeafletError("is empty", where=name, hint="give the file that holds the leaflet")
    return data


def _not_a_file(path: Path) -> str:
    return "is a folder, not a leaflet" if path.is_dir() else "is a device or pipe, not a file"


def is_pdf(data: bytes) -> bool:
    """Return whether the header of a PDF stands within the first 1024 bytes (as viewers accept)."""
    return b"%PDF-" in data[:1024]


def _refuse_other_kinds(data: bytes, suffix: str, name: str) -> None:
    if suffix == ".pdf":
        raise LeafletError(
            "is named .pdf, but a PDF begins with %PDF- and this file does not",
            where=name,
            hint="fetch it again, or rename it if it is a text",
        )
    start = data[:64].lstrip()
    for magic, kind, hint in _OTHERS:
        if start.startswith(magic) or data.startswith(magic):
            raise LeafletError(f"is {kind}, not a leaflet that can be read", where=name, hint=hint)

"""Songs inside gzip and RIFF, and files that are no songs.

Sources: gzip RFC 1952; RIFF chunks (a four-letter kind, a length with the low byte first, content,
a filling byte where the length is odd) and the form ``RMID`` with the song in its chunk ``data``:
common practice, from memory of "Multimedia Programming Interface and Data Specifications 1.0".
"""

from __future__ import annotations

import zlib
from contextlib import suppress

from knobwright.core.errors import InputError, printable
from knobwright.core.song.records import MAX_BYTES, Faults, Wrap

_MIB = 2**20
_GZIP = b"\x1f\x8b"
#: ``zlib`` window bits that mean "with the head and tail of gzip".
_GZIP_BITS = 31
_MAX_RIFF_CHUNKS = 10_000
_MAX_MEMBERS = 64
#: So many packed bytes are unpacked in one go.
_PIECE_BYTES = 16_384

#: How other files begin: (first bytes, what it is).
_OTHERS: tuple[tuple[bytes, str], ...] = (
    (b"IWAD", "a game's WAD file; songs may be inside it"),
    (b"PWAD", "a game's WAD file; songs may be inside it"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"\x89PNG", "a PNG picture"),
    (b"GIF8", "a GIF picture"),
    (b"PK\x03\x04", "a ZIP file; unpack it first"),
    (b"%PDF-", "a PDF document"),
    (b"OggS", "recorded sound (Ogg)"),
    (b"fLaC", "recorded sound (FLAC)"),
    (b"ID3", "recorded sound (MPEG)"),
    (b"MTrk", "a track without the header in front of it"),
    (b"RIFX", "a RIFF container with the high byte first, which is not read"),
    (b"\xf0", "a file of MIDI bytes, not a song"),
    (b"BZh", "a file packed with bzip2; unpack it first"),
    (b"\xfd7zXZ", "a file packed with xz; unpack it first"),
    (b"<", "a text with marks (XML or a web page)"),
)


def unwrap(data: bytes, name: str, faults: Faults) -> tuple[bytes, Wrap]:
    """Return the bytes of the Standard MIDI File and what it was found in.

    Raises
    ------
    InputError
        It is no song, or larger than 32 MiB, packed or unpacked.
    """
    if len(data) > MAX_BYTES:
        raise InputError(
            f"a song has at most {MAX_BYTES // _MIB} MiB, and this file has "
            f"{len(data) / _MIB:.1f} MiB",
            where=name,
        )
    kinds, inner = [], data
    if inner[:2] == _GZIP:
        inner = _unpack(inner, name, faults)
        kinds.append("gzip")
    before = behind = b""
    if inner[:4] == b"RIFF" and inner[8:12] == b"RMID":
        start, end = _riff_song(inner, name, faults)
        before, behind, inner = inner[:start], inner[end:], inner[start:end]
        kinds.append("RIFF")
    if inner[:4] != b"MThd":
        raise InputError(
            f"this is no Standard MIDI File: {_what(inner)}",
            where=name,
            hint="a song begins with the letters MThd",
        )
    return inner, Wrap(", ".join(kinds), data, before, behind)


def rewrap(wrap: Wrap, old: bytes, new: bytes) -> bytes:
    """Return a file with the song in it, packed as it was found.

    Where the song is what was found, the file is the same byte for byte. Otherwise the lengths of a
    RIFF container are put right, and gzip packs anew, without name and time.
    """
    if new == old:
        return wrap.outer
    if "RIFF" in wrap.kind:
        filled = new + b"\0" * (len(new) % 2)
        behind = wrap.behind[len(old) % 2 :]
        before = wrap.before[:-4] + len(new).to_bytes(4, "little")
        new = before + filled + behind
        new = new[:4] + (len(new) - 8).to_bytes(4, "little") + new[8:]
    if "gzip" in wrap.kind:
        packer = zlib.compressobj(9, zlib.DEFLATED, _GZIP_BITS)
        new = packer.compress(new) + packer.flush()
    return new


def _unpack(data: bytes, name: str, faults: Faults) -> bytes:
    """Return what gzip packed, all members after one another; never more than 32 MiB."""
    out = bytearray()
    rest = data
    for _ in range(_MAX_MEMBERS):
        if rest[:2] != _GZIP:
            break
        machine = zlib.decompressobj(_GZIP_BITS)
        end, damage = _member(machine, rest, out)
        if damage and not out:
            raise InputError(
                f"the packed file (gzip) is damaged: {damage}", where=name, hint="fetch it again"
            )
        if damage:
            faults.add(
                len(out), 0, "the packed file (gzip) is damaged", "read what comes before that"
            )
            return bytes(out[:MAX_BYTES])
        if len(out) > MAX_BYTES:
            raise InputError(
                f"the packed file (gzip) unpacks to more than {MAX_BYTES // _MIB} MiB, and a song "
                f"has at most that",
                where=name,
            )
        if not machine.eof:
            faults.add(len(out), 0, "the packed file (gzip) is cut off", "read what is there")
            return bytes(out)
        rest = rest[end:]
    if rest.strip(b"\0"):
        faults.add(len(out), 0, f"{len(rest)} bytes stand behind the packed song", "left alone")
    return bytes(out)


def _member(machine: zlib._Decompress, data: bytes, out: bytearray) -> tuple[int, str]:
    """Unpack one member of a gzip file behind ``out``, up to one byte more than a song may have.

    Returns the place behind it, and what is damaged in it (empty: nothing). ``zlib`` gives nothing
    of what it unpacked in the call that fails, so that piece is taken again byte by byte.
    """
    for start in range(0, len(data), _PIECE_BYTES):
        piece = data[start : start + _PIECE_BYTES]
        before = machine.copy()
        try:
            out += machine.decompress(piece, MAX_BYTES + 1 - len(out))
        except zlib.error as error:
            with suppress(zlib.error):
                for at in range(len(piece)):
                    if len(out) > MAX_BYTES:
                        break
                    out += before.decompress(piece[at : at + 1], MAX_BYTES + 1 - len(out))
            return len(data), str(error).rpartition(": ")[2]
        if machine.eof or len(out) > MAX_BYTES:
            return start + len(piece) - len(machine.unused_data), ""
    return len(data), ""


def _riff_song(data: bytes, name: str, faults: Faults) -> tuple[int, int]:
    """Return where the song's bytes begin and end in a RIFF container."""
    said = int.from_bytes(data[4:8], "little")
    if said != len(data) - 8:
        faults.add(
            4, 0, f"the container says {said} bytes and has {len(data) - 8}", "read what is there"
        )
    at = 12
    for _ in range(_MAX_RIFF_CHUNKS):
        if at + 8 > len(data):
            break
        size = int.from_bytes(data[at + 4 : at + 8], "little")
        if data[at : at + 4] == b"data":
            if at + 8 + size > len(data):
                there = len(data) - at - 8
                faults.add(
                    at, 0, f"the chunk data says {size} bytes, {there} are there", "read these"
                )
            return at + 8, min(at + 8 + size, len(data))
        at += 8 + size + size % 2
    raise InputError("the RIFF container (RMID) has no song in it: no chunk data", where=name)


def _what(data: bytes) -> str:
    """Return what a file that is no song seems to be."""
    if not data:
        return "it is empty"
    if data[:4] == b"RIFF":
        return f"it is a RIFF container of the kind {printable(ascii(data[8:12])[2:-1])!r}"
    if data[:2] == _GZIP:
        return "it is packed twice"
    for start, words in _OTHERS:
        if data.startswith(start):
            return f"it looks like {words}"
    return f"it begins with {data[:4].hex(' ').upper()}"

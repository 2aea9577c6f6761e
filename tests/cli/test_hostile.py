"""Leaflets that are broken, of another kind, or made to do harm: words, in bounded time.

Every case ends with a draft or with one clear sentence and its next step; no case shows a
traceback, or lets a terminal see a control character of the leaflet's.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pypdf
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.cli.conftest import Command, Ran

PDF = Path(__file__).parents[2] / "examples" / "larkfield-t4" / "leaflet.pdf"
GOOD = "Name      Bytes       Range   Default\nVolume    Bn 07 vv    00-7F   64\n"
#: What a terminal must never see raw: both control blocks, deletion, and what turns text around.
RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]")


def is_one_sentence(ran: Ran, path: object) -> bool:
    """Return whether a refusal is one line with its place, and one with the next step."""
    lines = ran.err.splitlines()
    return (
        len(lines) == 2
        and lines[0].startswith(f"knobwright: {path}")
        and lines[1].startswith("  next: ")
        and ran.out == ""
        and not RAW.search(ran.err)
    )


def encrypted() -> bytes:
    """Return the example's PDF with a password (RC4, which needs no further library)."""
    writer = pypdf.PdfWriter(clone_from=PDF)
    writer.encrypt("secret", "owner", algorithm="RC4-128")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def some_bytes(n: int) -> bytes:
    """Return bytes without order, always the same (a linear congruence; common practice)."""
    state, out = 1, bytearray()
    for _ in range(n):
        state = (1103515245 * state + 12345) & 0x7FFFFFFF
        out.append(state >> 16 & 0xFF)
    return bytes(out)


# name: (file name, content, exit status, what is said)
FILES = {
    "empty": ("x.txt", b"", 2, "is empty"),
    "only blanks": ("x.txt", b" \n\t\n\n", 2, "no text"),
    "rubbish": ("x.bin", b"\0" + some_bytes(5000), 2, "expected text and found a byte 00"),
    "rubbish as a PDF": ("x.pdf", some_bytes(5000), 2, "begins with %PDF-"),
    "NULs in a text": ("x.txt", b"Volume \0\0 Bn 07 vv\n", 2, "a byte 00 at offset 7"),
    "UTF-16 without a mark": ("x.txt", GOOD.encode("utf-16-le"), 2, "a byte 00"),
    "a PDF cut at the head": ("x.pdf", PDF.read_bytes()[:8], 2, "damaged PDF"),
    "a PDF cut in the middle": ("x.pdf", PDF.read_bytes()[:3000], 2, "damaged PDF"),
    "a PDF cut near its end": ("x.pdf", PDF.read_bytes()[:-700], 2, "damaged PDF"),
    "a PDF behind a password": ("x.pdf", encrypted(), 2, "encrypted"),
    "a packed file": ("x.txt", b"PK\x03\x04" + some_bytes(99), 2, "packed"),
    "a picture": ("x.txt", b"\x89PNG\r\n\x1a\n" + some_bytes(99), 2, "picture"),
    "a song": ("x.mid", b"MThd\0\0\0\x06", 2, "Standard MIDI File"),
    "a dump": ("x.syx", bytes.fromhex("F07D10F7"), 2, "explain --file"),
    "a line of a million": ("x.txt", b"7" * 1_000_000, 2, "row 1: a row of a leaflet may have"),
    "a cell of a million": ("x.csv", b'a,"' + b"7" * 1_000_000 + b'"\n', 2, "100000"),
    "a million cells": ("x.csv", b"," * 1_000_000, 2, "may have"),
    "a table of a million cells": ("x.md", b"|a" * 1_000_000, 2, "may have"),
}  # fmt: skip


@pytest.mark.parametrize(("name", "data", "status", "said"), FILES.values(), ids=FILES.keys())
def test_what_is_no_leaflet_gets_one_sentence(
    knobwright: Command, tmp_path: Path, name: str, data: bytes, status: int, said: str
) -> None:
    path, target = tmp_path / name, tmp_path / "out.sheet.toml"
    path.write_bytes(data)
    ran = knobwright("draft", path, "-o", target)
    assert ran.status == status
    assert is_one_sentence(ran, path), ran.err
    assert said in ran.err
    assert not target.exists()


@pytest.mark.parametrize("case", ["rubbish", "NULs in a text", "a PDF cut in the middle"])
def test_the_same_through_a_pipe(knobwright: Command, case: str) -> None:
    ran = knobwright("draft", "-", typed=FILES[case][1])
    assert ran.status == 2
    assert is_one_sentence(ran, "pasted text"), ran.err


def test_rubbish_without_a_nul_is_drafted_as_the_little_text_that_it_is(
    knobwright: Command, tmp_path: Path
) -> None:
    path = tmp_path / "x.txt"
    path.write_bytes(some_bytes(5000).replace(b"\0", b""))
    ran = knobwright("draft", path)
    assert ran.status in (0, 1, 2)
    assert not RAW.search((ran.out + ran.err).replace("\r\n", "\n"))


def test_a_file_of_100_mb_is_refused_by_its_size(knobwright: Command, tmp_path: Path) -> None:
    path = tmp_path / "big.txt"
    with path.open("wb") as file:
        file.truncate(100_000_000)  # a hole: it takes no room on the disk
    ran = knobwright("draft", path)
    assert ran.status == 2
    assert is_one_sentence(ran, path), ran.err
    assert "95.4 MiB (100000000 bytes)" in ran.err
    assert "32 MiB" in ran.err
    with path.open("rb") as file:
        piped = knobwright("draft", "-", typed=file.read(33 * 2**20))
    assert piped.status == 2
    assert is_one_sentence(piped, "pasted text"), piped.err


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/", "is a folder"),
        ("/dev/zero", "device or pipe"),
        ("/no/such/leaflet.pdf", "no such file"),
        ("x" * 5000, "name too long"),
        ("a\x1b[2J\nb", "no such file"),
    ],
)
def test_what_is_no_file_gets_one_sentence(knobwright: Command, path: str, said: str) -> None:
    ran = knobwright("draft", path)
    assert ran.status == 3
    assert said in ran.err.lower()
    assert is_one_sentence(ran, path.replace("\x1b", "\\x1b").replace("\n", "\\x0a")), ran.err


@pytest.fixture
def without_rights() -> Iterator[Path]:
    """Give up the rights of the superuser, to whom no file is closed; return an open folder."""
    folder = Path(tempfile.mkdtemp(prefix="knobwright-rights-"))
    folder.chmod(0o777)
    mine = os.getresuid()
    if 0 in mine:
        os.setresuid(65534, 65534, 0)  # "nobody" (common practice, no source)
    try:
        yield folder
    finally:
        os.setresuid(*mine)
        shutil.rmtree(folder)


def test_a_leaflet_that_may_not_be_read_is_said(knobwright: Command, without_rights: Path) -> None:
    path = without_rights / "closed.txt"
    path.write_text(GOOD, encoding="utf-8")
    knobwright("draft", path)  # it can be read, and everything is imported
    path.chmod(0)
    ran = knobwright("draft", path)
    assert ran.status == 3
    assert is_one_sentence(ran, path), ran.err
    assert "may not be read" in ran.err


@pytest.mark.parametrize("closed", ["file", "folder"])
def test_a_sheet_that_may_not_be_written_is_said(
    knobwright: Command, without_rights: Path, closed: str
) -> None:
    path, folder = without_rights / "open.txt", without_rights / "sheets"
    path.write_text(GOOD, encoding="utf-8")
    folder.mkdir()
    target = folder / "x.sheet.toml"
    target.write_text("# my answers\n", encoding="utf-8")
    (target if closed == "file" else folder).chmod(0o444 if closed == "file" else 0o555)
    ran = knobwright("draft", path, "-o", target, "--replace")
    folder.chmod(0o755)
    assert ran.status == 3
    assert is_one_sentence(ran, target), ran.err
    assert "may not be written to" in ran.err
    assert target.read_text(encoding="utf-8") == "# my answers\n"
    assert list(folder.iterdir()) == [target]


# Pieces of leaflets; a soup of them is what a bad text layer or a wrong cut leaves.
PIECES = (
    "F0", "7D", "Bn", "Cn", "En", "63", "62", "06", "64", "40", "vv", "vh", "vl", "pp", "cs", "xx",
    "F7", "[", "]", "(", ")", "00-7F", "0-127", "-64..+63", "CC", "NRPN", "RPN", "MSB", "LSB",
    "05h", "$B0", "0xB0", "B0H", "1011nnnn", "4p", "kk", "id", "dd", "=", "0=off", "1=on", "...",
    "channel", "checksum", "sum of bytes", "address", "default", "decimal", "hex", "t*12", "{a}",
    "data*", "Volume", "Pan", "Note", "exp((v-40)*0.025)", "ms", "1O", "/", ",", ";", "|", "--",
    "dump", "request", "\u00bc", "\u0663", "\u2167",
)  # fmt: skip
SOUP = st.lists(
    st.tuples(st.sampled_from(PIECES), st.sampled_from([" ", "   ", "\t", "|", "\n", "\n\n", ","])),
    max_size=60,
).map(lambda pairs: "".join(map("".join, pairs)))


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=SOUP)
@example(text="\t/\nO\tO\nB|3|6")
@example(text="Level    F0 7D 10 42 [ 30 05 vv\n" * 100)
def test_any_soup_is_drafted_without_faults_or_refused(
    knobwright: Command, tmp_path: Path, text: str
) -> None:
    target = tmp_path / "soup.sheet.toml"
    target.unlink(missing_ok=True)
    ran = knobwright("draft", "-", "-o", target, typed=text)
    assert ran.status in (0, 1, 2), ran.err
    if ran.status == 2:
        assert is_one_sentence(ran, "pasted text"), ran.err
    else:
        found = json.loads(knobwright("check", "--json", target).out)["findings"]
        assert [f for f in found if f["level"] == "fault"] == []


ESCAPES = {
    "clear the screen": "\x1b[2J\x1b[H",
    "name the window": "\x1b]0;mine\x07",
    "one-byte CSI": "\x9b31m",
    "go back": "\x08\x08\x08",
    "the other way round": "\u202e\u2066",
    "an invisible letter": "\u200b\ufeff",
    "delete": "\x7f",
}
PLACES = {
    "a name": "Name    Bytes     Range\nVol{}ume    Bn 07 vv    00-7F\n",
    "a heading": "1. Tone {} parameters\n\nName    Bytes     Range\nVolume    Bn 07 vv    00-7F\n",
    "a line": "Volume    Bn 07 {}vv    00-7F\nTone    Bn 63 05 62 1O{} 06 vv   00-7F\n",
    "a choice": "Name   Bytes   Range   Meaning\nKind   Bn 50 vv   00-01   0 roo{}m, 1 sta{}ge\n",
    "a module": "LARK{}FIELD T4 TONE MODULE\nMIDI implementation\n\nVolume    Bn 07 vv   00-7F\n",
    "a question": "Ha{}ll colour   F0 7D 10 42 30 07 vv xx F7   00-7F\n",
    "a remark": "Volume   Bn 07 vv   00-7F   40   loud{}ness, see note 9{}\n",
}  # fmt: skip


@pytest.mark.parametrize("escape", ESCAPES.values(), ids=ESCAPES.keys())
@pytest.mark.parametrize("text", PLACES.values(), ids=PLACES.keys())
def test_no_control_character_of_a_leaflet_reaches_the_terminal(
    knobwright: Command, tmp_path: Path, text: str, escape: str
) -> None:
    path, target = tmp_path / f"lea{escape}flet.txt".replace("/", ""), tmp_path / "x.sheet.toml"
    path.write_text(text.replace("{}", escape), encoding="utf-8")
    for words in (
        ["draft", path],
        ["draft", "--json", path],
        ["draft", path, "-o", target],
        ["check", target],
        ["check", "--json", target],
        ["params", "--sheet", target],
        ["params", "--json", "--sheet", target],
        ["answer", target],
        ["answer", "--json", target],
        ["bytes", "--json", "--sheet", target, "volume=1", "kind=1"],
        ["bytes", "--sheet", target, "e=0"],
        ["explain", "--sheet", target, "B0 07 64 B0 50 01"],
        ["explain", "--json", "--sheet", target, "B0 07 64 B0 50 01"],
    ):
        ran = knobwright(*words)
        assert ran.status in (0, 1, 2), ran.err
        seen = RAW.search(ran.out + ran.err)
        assert seen is None, f"{words[0]}: {seen[0]!r} in {(ran.out + ran.err)!r}"


def test_json_with_escapes_is_still_the_same_text(knobwright: Command, sheet: Path) -> None:
    text = sheet.read_text(encoding="utf-8").replace("Hall kind", "Hall \\u009b31m\\U000E0041")
    sheet.write_text(text, encoding="utf-8")
    rows = json.loads(knobwright("params", "--json", "--sheet", sheet).out)
    assert [r["label"] for r in rows if r["key"] == "hall.kind"] == ["Hall \x9b31m\U000e0041"]

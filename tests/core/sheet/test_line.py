"""The line notation: every word of docs/reference/sheet.md, and what breaks it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import LineError
from knobwright.core.sheet.line import MAX_CHARACTERS, parse_line
from knobwright.core.sheet.words import MAX_RUN_BYTES, WORDS, read_word

# word -> kind, fixed bits, mask of fixed bits, (high, low) of the value's bits, name, bytes
WORD_ROWS = [
    ("F0", "fixed", 0xF0, 0xFF, (0, 0), "", 1),
    ("4a", "fixed", 0x4A, 0xFF, (0, 0), "", 1),
    ("Bn", "channel", 0xB0, 0xF0, (3, 0), "", 1),
    ("bn", "channel", 0xB0, 0xF0, (3, 0), "", 1),
    ("0n", "channel", 0x00, 0xF0, (3, 0), "", 1),
    ("nn", "channel", 0x00, 0xF0, (0, 0), "", 1),
    ("0v", "value", 0x00, 0xF0, (3, 0), "", 1),
    ("4v", "value", 0x40, 0xF0, (3, 0), "", 1),
    ("1i", "device", 0x10, 0xF0, (3, 0), "", 1),
    ("4p", "map", 0x40, 0xF0, (3, 0), "p", 1),
    ("xx", "map", 0x00, 0x80, (0, 0), "x", 1),
    ("vv", "value", 0x00, 0x80, (6, 0), "", 1),
    ("v:13-7", "value", 0x00, 0x80, (13, 7), "", 1),
    ("v:2-0", "value", 0x00, 0xF8, (2, 0), "", 1),
    ("v:0-0", "value", 0x00, 0xFE, (0, 0), "", 1),
    ("vh", "value", 0x00, 0x80, (13, 7), "", 1),
    ("vl", "value", 0x00, 0x80, (6, 0), "", 1),
    ("v0", "value", 0x00, 0xF0, (3, 0), "", 1),
    ("v3", "value", 0x00, 0xF0, (15, 12), "", 1),
    ("kk", "key", 0x00, 0x80, (0, 0), "", 1),
    ("id", "device", 0x00, 0x80, (0, 0), "", 1),
    ("pp", "program", 0x00, 0x80, (0, 0), "", 1),
    ("bh", "bank-high", 0x00, 0x80, (0, 0), "", 1),
    ("bl", "bank-low", 0x00, 0x80, (0, 0), "", 1),
    ("cs", "checksum", 0x00, 0x80, (0, 0), "", 1),
    ("{bend.cents}", "other", 0x00, 0x80, (6, 0), "bend.cents", 1),
    ("{echo-1:13-7}", "other", 0x00, 0x80, (13, 7), "echo-1", 1),
    ("t*12", "run", 0x00, 0x80, (0, 0), "t", 12),
    ("data*", "data", 0x00, 0x80, (0, 0), "", 0),
]


@pytest.mark.parametrize("word, kind, fixed, mask, bits, name, n_bytes", WORD_ROWS)
def test_a_word_is_read(
    word: str, kind: str, fixed: int, mask: int, bits: tuple[int, int], name: str, n_bytes: int
) -> None:
    cell = read_word(word)
    assert (cell.kind, cell.fixed, cell.mask, cell.n_bytes) == (kind, fixed, mask, n_bytes)
    if kind in ("value", "other"):
        assert (cell.high, cell.low) == bits
    assert cell.name == name


def test_every_word_of_the_table_has_a_row() -> None:
    rows = {row[0] for row in WORD_ROWS} | {f"v{k}" for k in range(8)}
    assert set(WORDS) <= rows


def test_no_field_word_can_be_read_as_a_number() -> None:
    for word in WORDS:
        with pytest.raises(ValueError, match="invalid literal"):
            int(word, 16)


MESSAGE_ROWS = [
    ("Bn 63 05 62 12 06 vv", ["Bn 63 05", "Bn 62 12", "Bn 06 vv"]),
    ("Bn 00 bh 20 bl Cn pp", ["Bn 00 bh", "Bn 20 bl", "Cn pp"]),
    ("F0 7D id 42 [ 30 05 vv ] cs F7", ["F0 7D id 42 30 05 vv cs F7"]),
    ("F0 7D id 42[30 05 vv]cs F7", ["F0 7D id 42 30 05 vv cs F7"]),
    ("  En   vl\tvh ", ["En vl vh"]),
    ("Dn vv", ["Dn vv"]),
    ("F6", ["F6"]),
    ("F3 vv", ["F3 vv"]),
    ("F0 F7", ["F0 F7"]),
    (["F0 7D 01 F7", "Bn 07 vv"], ["F0 7D 01 F7", "Bn 07 vv"]),
]


@pytest.mark.parametrize("text, messages", MESSAGE_ROWS)
def test_a_line_is_split_into_messages(text: str | list[str], messages: list[str]) -> None:
    line = parse_line(text)
    assert [" ".join(cell.word for cell in message) for message in line.messages] == messages
    assert line.n_bytes == sum(len(message.split()) for message in messages)


def test_running_status_does_not_go_from_one_string_to_the_next() -> None:
    with pytest.raises(LineError, match="status byte must come"):
        parse_line(["Bn 63 05", "62 12"])


BAD_ROWS = [
    ("", "at least one message"),
    ("   ", "at least one message"),
    ([], "at least one message"),
    (["Bn 07 vv", ""], "at least one message"),
    ("07 vv", "a status byte must come"),
    ("Bn 07", "lacks a data byte"),
    ("Bn 07 vv 0A", "lacks a data byte"),
    ("Bn 07 C0", "a data byte is 00 to 7F"),
    ("F0 7D 01 vv", "no F7"),
    ("F0 7D 81 vv F7", "81 stands inside the exclusive message: a data byte is 00 to 7F"),
    ("F0 7D F8 vv F7", "F8 stands inside the exclusive message"),
    ("F0 7D 9p vv F7", "9p stands inside the exclusive message"),
    ("F7", "a status byte must come"),
    ("Bn F7 vv", "F7 ends an exclusive message"),
    ("F4", "undefined in MIDI 1.0"),
    ("F9", "undefined in MIDI 1.0"),
    ("Fn 7D vv F7", "'Fn' can't be a status byte"),
    ("Fp 7D vv F7", "'Fp' can't be a status byte"),
    ("Bv 07 40", "'Bv' can't be a status byte"),
    ("Bi 07 vv", "'Bi' can't be a status byte"),
    ("Bn 07 t*3", "only stand inside an exclusive message"),
    ("F0 7D 01 cs F7", "a checksum 'cs' without a span"),
    ("F0 7D [ 01 vv ] F7", "without a checksum 'cs'"),
    ("F0 7D [ ] cs F7", "covers no byte"),
    ("[ F0 7D vv ] cs F7", "stands outside a message"),
    ("F0 7D vv ] cs F7", "without a '['"),
    ("F0 7D [ 01 vv cs F7", "not closed"),
    ("F0 7D cs [ 01 vv ] F7", "behind its ']'"),
    (["F0 7D [ 01 vv ] F7", "F0 7D cs F7"], "behind its ']'"),
    ("F0 7D v:7-13 F7", "highest first"),
    ("F0 7D v:32-31 F7", "31 to 0"),
    ("F0 7D v:7-0 F7", "a data byte carries seven"),
    ("F0 7D t*0 F7", f"1 to {MAX_RUN_BYTES} bytes"),
    ("F0 7D t*4097 F7", f"1 to {MAX_RUN_BYTES} bytes"),
    ("F0 7D 1 F7", "'1' is no word of a line"),
    ("F0 7D 100 F7", "'100' is no word"),
    ("F0 7D 0x40 F7", "'0x40' is no word"),
    ("F0 7D \x1b[2J F7", "x1b' is no word"),
    ("F0 7D {Upper} F7", "is no word"),
]


@pytest.mark.parametrize("text, words", BAD_ROWS)
def test_what_breaks_the_notation_is_said(text: str | list[str], words: str) -> None:
    with pytest.raises(LineError) as caught:
        parse_line(text, where="here")
    assert words in str(caught.value)
    assert str(caught.value).startswith("here: ")


@pytest.mark.parametrize(
    "word, hint", [("40H", "write the byte as 40"), ("$4a", "as 4A"), ("7", "two")]
)
def test_a_byte_as_makers_print_it_gets_advice(word: str, hint: str) -> None:
    with pytest.raises(LineError) as caught:
        parse_line(f"Bn 07 {word}")
    assert hint in caught.value.hint


def test_spans_name_their_checksums_in_order() -> None:
    line = parse_line("F0 7D [ 01 [ 02 vv ] cs ] cs F7")
    assert [(span.start, span.stop, span.checksum) for span in line.spans] == [(3, 5, 5), (2, 6, 6)]


def test_a_line_of_any_length_is_refused_above_its_limit() -> None:
    with pytest.raises(LineError, match=f"at most {MAX_CHARACTERS}"):
        parse_line("F0 " + "01 " * MAX_CHARACTERS + "F7")


_PIECES = st.sampled_from(
    [*WORDS, "F0", "F7", "Bn", "[", "]", "01", "80", "{a}", "t*2", "v:9-3", "Fn", "x"]
)


@given(st.lists(_PIECES, max_size=12).map(" ".join) | st.text(max_size=30))
def test_any_text_is_a_line_or_a_line_error(text: str) -> None:
    try:
        line = parse_line(text)
    except LineError:
        return
    for message in line.messages:
        assert message[0].is_status
        assert not any(cell.is_status for cell in message[1:] if cell.fixed != 0xF7)
        assert message[0].fixed < 0xF8 or len(message) == 1

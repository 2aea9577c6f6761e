"""Messages listed byte by byte: the plain ones are read, all others are asked about."""

from __future__ import annotations

import pytest

from knobwright.core.reading import Draft, draft
from knobwright.core.reading.layout import place_rows
from knobwright.core.reading.listed import find_listings
from tests.core.reading.test_draft import leaflet

HEAD = "THE MODULE\n\nu is the unit number, 0 as supplied.\n\n3.1 Drive\n\n"
PLAIN = (
    ("F0h", "Exclusive status"),
    ("7Dh", "Maker"),
    ("1uh", "u = unit number"),
    ("43h", "Model"),
    ("10h", "Drive"),
    ("00h - 63h", "Value, at power-on 30h"),
    ("00h - 7Fh", "Checksum: bytes 5 and 6 added, low seven bits"),
    ("F7h", "End of exclusive"),
)


def listing(*changes: tuple[int, str, str], without: int = 0) -> str:
    """Return a leaflet with the plain listing, some bytes changed (count, value, text), one left
    out."""
    rows = dict(enumerate(PLAIN, 1))
    rows |= {k: (value, text) for k, value, text in changes}
    return (
        HEAD
        + "   Byte   Value        Description\n"
        + "\n".join(
            f"   {k:<7}{value:<13}{text}" for k, (value, text) in rows.items() if k != without
        )
    )


def drafted(text: str) -> Draft:
    """Return the draft of a leaflet's text."""
    return draft(leaflet(text))


def test_a_plain_listing_is_one_parameter() -> None:
    found = drafted(listing())
    (parameter,) = found.tree["parameter"]
    assert parameter["label"] == "Drive"
    assert parameter["line"] == "F0 7D 1i 43 [ 10 vv ] cs F7"
    assert parameter["range"] == [0, 99]
    assert parameter["default"] == 0x30
    assert found.tree["checksum"][parameter["checksum"]]["rule"] == "sum-7"


def test_choices_that_look_like_bytes_stay_names() -> None:
    text = "0 = V1, 1 = V2, 2 = C1, 3 = C2; at power-on 3"
    found = drafted(listing((6, "00h - 03h", text)))
    (parameter,) = found.tree["parameter"]
    assert parameter["choices"] == {"0": "V1", "1": "V2", "2": "C1", "3": "C2"}
    assert parameter["line"] == "F0 7D 1i 43 [ 10 vv ] cs F7"


ASKED = {
    "a byte that is not described": listing((7, "00h - 7Fh", "")),
    "a byte that is not listed": listing(without=7),
    "no end": listing(without=8),
    "parts of a value": listing((6, "00h - 7Fh", "Value, bits 0 to 6")),
    "a checksum over other bytes": listing((7, "00h - 7Fh", "Checksum: bytes 4 and 5 added")),
    "a range that is no byte's": listing((6, "0 - 99", "Value")),
}


@pytest.mark.parametrize("name", ASKED)
def test_what_is_not_plain_is_asked_about(name: str) -> None:
    found = drafted(ASKED[name])
    assert not found.tree.get("parameter")
    assert [q.label for q in found.questions if q.about.endswith("unread")] == ["Drive"]


def test_a_listing_begins_with_the_first_byte_of_a_message() -> None:
    rows = place_rows(leaflet("THE MODULE\n\n1   F0h   Exclusive\n2   7Dh   Maker\n3   F7h   End"))
    assert [(item.start, item.stop) for item in find_listings(rows)] == [(1, 4)]
    rows = place_rows(leaflet("THE MODULE\n\n1   40h   Level\n2   7Dh   Maker\n3   F7h   End"))
    assert find_listings(rows) == []


def test_a_byte_of_its_own_may_be_the_channel() -> None:
    found = drafted(
        listing(
            (6, "00h - 0Fh", "Channel, 00h = channel 1"),
            (7, "00h - 7Fh", "Value, at power-on 64h"),
            (8, "F7h", "End"),
        )
    )
    (parameter,) = found.tree["parameter"]
    assert parameter["line"] == "F0 7D 1i 43 10 nn vv F7"
    assert parameter["per"] == ["channel"]
    assert parameter["default"] == 0x64


def test_a_number_that_is_kept_free_is_noted() -> None:
    found = drafted(
        "THE MODULE\n\nName        CC   Range\nLevel       7    0-127\n"
        "(reserved)  12   0-127\nPan         10   0-127"
    )
    assert [p["label"] for p in found.tree["parameter"]] == ["Level", "Pan"]
    assert found.questions == ()
    assert any("(reserved)" in note.text for note in found.notes)


@pytest.mark.parametrize(("said", "n_asked"), [("n as above, vv = value", 0), ("vv = value", 1)])
def test_a_letter_may_mean_what_it_meant_above(said: str, n_asked: int) -> None:
    found = drafted(
        "THE MODULE\n\n1. CHANNEL\n\nn = channel (0 = channel 1)\n\n"
        "Level   F0 7D 0n 20 01 vv F7   00H-7FH\n\n"
        f"2. WIDE\n\n{said}\n\nPitch   F0 7D 0n 21 01 vv F7   00H-7FH"
    )
    asked = [q for q in found.questions if q.label == "Pitch"]
    assert len(asked) == n_asked

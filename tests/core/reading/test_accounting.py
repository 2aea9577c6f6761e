"""Nothing that prints a message vanishes: every such row is taken, noted or asked about."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.adapters.files.leaflet import load
from knobwright.core.reading import Draft, Leaflet, draft
from knobwright.core.reading.accounting import prints_message
from knobwright.core.reading.layout import is_numbered, place_rows
from knobwright.core.reading.unfold import unfold
from tests.core.reading.test_draft import leaflet

CORPUS = Path(__file__).parents[2] / "corpus"
LEAFLETS = sorted(p for p in CORPUS.glob("*/leaflet.*") if p.suffix != ".typ")

ASKED = {
    "a sentence": "To change the cutoff send controller 74 (0 to 127).",
    "one number for two": "NRPN 260 : Fold (0-127)",
    "no pair of the standard": "CC 102/103 -> Delay time MSB/LSB",
    "part of a message": "Speed of the vibrato      62 08  06 vv    0-127",
    "an address alone": "Address: 0x40 0x00 0x04",
    "a field that is given a number": "pp = 0x02 : bend range, vv = 0..24",
}

STARTS = ("Bn ", "BnH ", "$B", "F0 ", "F0H ")

NOTED = {
    "another version": "- 1.3: CC 82 added, param 99 was 98 before",
    "an explanation": "NRPN 5/18 means CC 99 = 5, CC 98 = 18, and then the value",
    "note on": "9n kk vv  note on",
}


@pytest.mark.parametrize("name", ASKED)
def test_what_may_be_set_is_asked_about(name: str) -> None:
    drafted = draft(leaflet(f"THE MODULE\n\n{ASKED[name]}\n\nCC 7  Volume  0-127"))
    assert [p["label"] for p in drafted.tree["parameter"]] == ["Volume"]
    assert any(q.place == "row 3" for q in drafted.questions)


@pytest.mark.parametrize("name", NOTED)
def test_what_sets_nothing_is_noted(name: str) -> None:
    drafted = draft(leaflet(f"THE MODULE\n\nCC 7  Volume  0-127\n\n{NOTED[name]}"))
    assert [p["label"] for p in drafted.tree["parameter"]] == ["Volume"]
    assert drafted.questions == ()
    assert any(note.place == "row 5" and note.why for note in drafted.notes)


def test_a_row_of_a_table_without_its_number_is_asked_about() -> None:
    drafted = draft(
        leaflet("THE MODULE\n\nName    CC    Range\nLevel   7     0-127\nMute    -     0-1")
    )
    assert [p["label"] for p in drafted.tree["parameter"]] == ["Level"]
    assert [q.label for q in drafted.questions] == ["Mute"]


def unaccounted(drafted: Draft, source: Leaflet) -> list[str]:
    """Return the places of rows that print a message and that the draft says nothing about."""
    text = repr((drafted.tree, drafted.questions, drafted.notes))
    out = []
    for placed in place_rows(unfold(source)):
        if placed.kind == "data" and prints_message(placed) and f"'{placed.row.place}'" not in text:
            out.append(placed.row.place)
    return out


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.sampled_from(
            [
                "CC 7  Volume  0-127",
                "CC 12: Size (0-90)",
                "NRPN 1/5  Depth",
                "NRPN MSB 2",
                "B0 63 05 62 12 06 vv  Rate",
                "F0 7D 10 42 30 05 vv F7  Hall time  00-7F",
                "F0 7D 10",
                "controller 74 moves the filter",
                "99=1, 98=7",
                "Address 30 05",
                "62 08 06 vv  Speed",
                "Control Changes",
                "74 Cutoff 0-127",
                "",
                "a line of words",
            ]
        ),
        max_size=14,
    )
)
def test_no_row_that_prints_a_message_vanishes(lines: list[str]) -> None:
    source = leaflet("\n".join(["THE MODULE", "", *lines]))
    drafted = draft(source)
    about = set(unaccounted(drafted, source))
    hung = {
        f"row {n + 1}"
        for n in range(len(lines) + 2)
        if n > 0 and not prints_message_alone(lines, n - 2)
    }
    assert about <= hung


def prints_message_alone(lines: list[str], at: int) -> bool:
    """Return whether a line names its own number at its front: it never hangs on another row."""
    return 0 <= at < len(lines) and lines[at].startswith(("CC ", "NRPN 1", "B0 ", "F0 7D 10 42"))


@pytest.mark.parametrize("path", LEAFLETS, ids=lambda p: p.parent.name)
def test_every_numbered_row_of_the_corpus_is_accounted_for(path: Path) -> None:
    source = load(path)
    drafted = draft(source)
    places = repr((drafted.tree, drafted.questions, drafted.notes))
    lost = [
        placed.row.text
        for placed in place_rows(unfold(source))
        if placed.kind == "data"
        and (is_numbered(placed.row.text) or placed.row.text.startswith(STARTS))
        and len(placed.row.text) < 120
        and f"'{placed.row.place}'" not in places
    ]
    assert lost == []


def test_each_sentence_that_names_a_number_is_asked_about_by_itself() -> None:
    text = "The wheel is CC 1, 0..127, starts at 0. The glide time is CC 5, also from zero up."
    drafted = draft(leaflet(f"THE MODULE\n\nCC 7  Volume  0-127\n\n{text}"))
    asked = [q for q in drafted.questions if q.about.endswith("unread")]
    assert len({q.about for q in asked}) == 2
    assert ["wheel" in q.understood for q in asked] == [True, False]
    assert ["glide" in q.understood for q in asked] == [False, True]

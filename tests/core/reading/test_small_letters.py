"""A small hex letter in an exclusive (``0d``) is a field or a question, never quietly a byte."""

from __future__ import annotations

from knobwright.core.reading import draft
from knobwright.core.reading.keys import Keys
from knobwright.core.reading.sources import read_any
from knobwright.core.sheet.line import parse_line


def test_a_letter_that_the_leaflet_explains_is_a_half_byte() -> None:
    """``d = device number`` makes ``0d`` a device field: no byte 0D is taken."""
    text = "d = device number, 0 as shipped\n\nLevel    F0 7D 0d 31 50 vv F7    0-127\n"
    drafted = draft(read_any(text, "trial.txt"))
    lines = [p["line"] for p in drafted.tree["parameter"]]
    assert lines == ["F0 7D 0i 31 50 vv F7"]
    assert parse_line(lines[0])


def test_a_letter_that_nothing_explains_is_asked_about() -> None:
    """A small letter among capitals may be a field: the line is asked about."""
    drafted = draft(read_any("Level    F0 7D 0d 3A 50 vv F7    0-127\n", "trial.txt"))
    assert any("0d" in str(q) for q in drafted.questions)
    assert "F0 7D 0D 3A" not in str(drafted.tree.get("parameter"))


def test_rows_with_fewer_cells_than_the_table_are_read() -> None:
    """A row shorter than the others of its table raises nothing."""
    assert len(read_any("\t/\nO\tO\nB|3|6", "trial.txt").rows) == 3


def test_keys_of_the_same_label_stay_unique() -> None:
    """Labels that come again are numbered on."""
    keys = Keys()
    assert [keys.take("Part", "Level") for _ in range(3)] == [
        "part.level", "part.level-2", "part.level-3",
    ]  # fmt: skip

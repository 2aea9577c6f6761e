"""The picture of the link test: well-formed, true to the figures, harmless whatever the names."""

from __future__ import annotations

from xml.etree import ElementTree

from knobwright.core.link.latency import measure
from knobwright.core.link.records import UNKNOWN, Latency, LinkResult
from knobwright.exports.link_picture import bars, figures, link_svg

_SVG = "{http://www.w3.org/2000/svg}"


def result(latency: Latency | None) -> LinkResult:
    return LinkResult((), UNKNOWN, UNKNOWN, 0, 0, 0, 0, latency, 31_250, 0, 0, (), True)


def timed() -> Latency:
    found = measure([1_290_000] * 30 + [1_330_000] * 10 + [2_000_000], 960)
    assert found is not None
    return found


def test_each_class_with_messages_is_a_column_with_its_number() -> None:
    tree = ElementTree.fromstring(link_svg(result(timed()), "a to b"))
    columns = tree.findall(f"{_SVG}rect")[1:]
    heights = [float(column.attrib["height"]) for column in columns]
    assert len(columns) == 3
    assert heights[0] == 3 * heights[1] > 0
    texts = [element.text for element in tree.iter(f"{_SVG}text")]
    assert {"30", "10", "1"} <= set(texts)


def test_names_of_strangers_are_text_and_nothing_else() -> None:
    tree = ElementTree.fromstring(link_svg(result(timed()), "<script>&\"'</script>"))
    assert tree.find(f".//{_SVG}script") is None
    assert "<script>" in (tree.findtext(f"{_SVG}text") or "")


def test_nothing_timed_is_said() -> None:
    assert "nothing could be timed" in link_svg(result(None), "a to b")


def test_bars_show_every_class_and_its_share() -> None:
    rows = bars(timed())
    assert len(rows) == len(timed().counts)
    assert rows[0].split()[:3] == ["1.25", "ms", "30"]
    assert rows[0].count("█") == 40
    assert sum(int(row.split()[2]) for row in rows) == 41


def test_the_figures_say_what_the_cable_explains() -> None:
    assert figures(timed()) == (
        "41 messages: half within 1.29 ms, 99 % within 2.00 ms, worst 2.00 ms; "
        "one cable explains 0.96 ms"
    )

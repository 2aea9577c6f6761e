"""PDF leaflets to rows: columns, wrapped and merged cells, raised marks, running heads."""

from __future__ import annotations

import io
from collections import Counter
from typing import Any

import pypdf
import pytest

from knobwright.adapters.files import pdf, pdf_glyphs
from knobwright.core.reading.rows import Leaflet
from tests.adapters.files.pdf_making import raw_pdf, text_at, typeset

PAGE = '#set page(paper: "a4")\n#set text(size: 9pt)\n'

CELLS = """
 [Name],[Bytes],[Range],[Note],
 [Hall reverb decay time],[F0 7D 10 42 30 05 vv cs F7 after the selection],[00-7F],[Mode 2 only],
 [Level],[B0 07 vv],[00-7F],[],
 [Kind],[B0 63 05 62 12 06 vv],[00-02],[00 room, 01 stage],
"""
RULED = f"{PAGE}= Hall\n#table(columns: (2cm, 5cm, 2cm, 4cm),{CELLS})\nThat is all."
UNRULED = f"{PAGE}= Hall\n#table(columns: (2cm, 5cm, 2cm, 4cm), stroke: none,{CELLS})\nThat is all."

WANTED = [
    ("Name", "Bytes", "Range", "Note"),
    (
        "Hall reverb decay time",
        "F0 7D 10 42 30 05 vv cs F7 after the selection",
        "00-7F",
        "Mode 2 only",
    ),
    ("Level", "B0 07 vv", "00-7F", ""),
    ("Kind", "B0 63 05 62 12 06 vv", "00-02", "00 room, 01 stage"),
]


def read(source: str) -> Leaflet:
    """Return the rows of a typeset source."""
    return pdf.read(typeset(source), "x.pdf")


def table_cells(leaflet: Leaflet) -> list[tuple[str, ...]]:
    """Return the cells of the rows that stand in tables."""
    return [row.cells for row in leaflet.rows if row.kind == "table"]


@pytest.fixture
def no_plumber(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine without pdfplumber."""
    monkeypatch.setattr(pdf, "open_plumber", lambda data: None)


def test_wrapped_cells_of_a_ruled_table_are_joined() -> None:
    leaflet = read(RULED)
    assert table_cells(leaflet) == WANTED
    assert {row.header for row in leaflet.rows if row.kind == "table"} == {WANTED[0]}
    assert leaflet.source == "pdf"


def test_text_outside_the_table_keeps_its_place() -> None:
    rows = read(RULED).rows
    assert (rows[0].kind, rows[0].cells) == ("heading", ("Hall",))
    assert rows[-1].cells == ("That is all.",)
    numbers = [(row.page, row.number) for row in rows]
    assert numbers == sorted(numbers)
    assert rows[0].place == "page 1, row 1"


@pytest.mark.usefixtures("no_plumber")
def test_wrapped_cells_are_joined_by_their_gaps_where_pdfplumber_is_missing() -> None:
    assert table_cells(read(RULED)) == WANTED


def test_wrapped_cells_without_ruled_lines_are_joined_by_their_gaps() -> None:
    assert table_cells(read(UNRULED)) == WANTED


def test_a_wrapped_table_that_is_not_certain_is_left_as_rows() -> None:
    """The second line opens a message of its own: it could be a row."""
    rows = table_cells(read(UNRULED.replace("after the selection", r"\ Bn 63 05 62 12 06 vv")))
    assert rows[1:3] == [
        ("Hall reverb", "F0 7D 10 42 30 05 vv cs F7", "00-7F", "Mode 2 only"),
        ("decay time", "Bn 63 05 62 12 06 vv", "", ""),
    ]


@pytest.mark.usefixtures("no_plumber")
def test_tight_rows_under_section_gaps_are_not_taken_for_wraps() -> None:
    content = b""
    for i, (name, y) in enumerate([("Time", 700), ("Level", 689), ("Kind", 672), ("Pan", 661)]):
        content += text_at(50, y, name) + text_at(150, y, f"B0 0{i} vv") + text_at(300, y, "00-7F")
    rows = table_cells(pdf.read(raw_pdf(content), "x"))
    assert [row[0] for row in rows] == ["Time", "Level", "Kind", "Pan"]


@pytest.mark.usefixtures("no_plumber")
def test_columns_that_stand_close_are_parted_where_the_rows_beside_them_have_a_column() -> None:
    body = "".join(f"[Knob {i}],[F0 7D 10 {i:02X} vv F7],[0-127]," for i in range(8, 13))
    table = f"#table(columns: 3, inset: 2pt, stroke: none, {body})"
    rows = [row.cells for row in read(f"{PAGE}{table}").rows]
    assert rows == [(f"Knob {i}", f"F0 7D 10 {i:02X} vv F7", "0-127") for i in range(8, 13)]


MERGED = """
#table(columns: (2cm, 2cm, 4cm, 2cm),
 [Group],[Name],[Bytes],[Range],
 table.cell(rowspan: 2)[Hall],[Time],[B0 63 05 62 12 06 vv],[0-127],
 [Level],[B0 63 05 62 13 06 vv],[0-127],
 table.cell(colspan: 4)[Echo],
 [],[Time],[B0 63 05 62 15 06 vv],[0-127],
)
"""


def test_a_merged_cell_speaks_for_every_row_it_spans_and_for_one_column() -> None:
    assert table_cells(read(PAGE + MERGED))[1:] == [
        ("Hall", "Time", "B0 63 05 62 12 06 vv", "0-127"),
        ("Hall", "Level", "B0 63 05 62 13 06 vv", "0-127"),
        ("Echo", "", "", ""),
        ("", "Time", "B0 63 05 62 15 06 vv", "0-127"),
    ]


LEVELS = """
#table(columns: 4,
 table.cell(rowspan: 2)[Name], table.cell(colspan: 2)[Controllers], table.cell(rowspan: 2)[Range],
 [99],[98],
 [Time],[5],[18],[0-127],
 [Level],[5],[19],[0-127],
)
"""


def test_a_header_of_two_levels_becomes_one() -> None:
    rows = [row for row in read(PAGE + LEVELS).rows if row.kind == "table"]
    assert rows[0].cells == ("Name", "Controllers 99", "Controllers 98", "Range")
    assert rows[1].cells == ("Time", "5", "18", "0-127")
    assert {row.header for row in rows} == {rows[0].cells}


def test_a_table_that_goes_on_overleaf_keeps_its_header() -> None:
    body = "".join(f"[Knob {i}],[B0 {i:02X} vv],[0-127]," for i in range(1, 60))
    columns = "columns: (3cm, 4cm, 3cm)"
    for stroke in ("1pt", "none"):
        table = f"#table({columns}, stroke: {stroke}, [Name],[Bytes],[Range],{body})"
        rows = read(PAGE + table).rows
        assert {row.page for row in rows} == {1, 2}
        assert {row.header for row in rows} == {("Name", "Bytes", "Range")}


RAISED = {
    "typographic": "00-7F#super[7] and 0-12#super[7] 7",
    "set small": "00-7F#super(typographic: false)[7] and 0-12#super(typographic: false)[7] 7",
    "the character itself": "00-7F\u2077 and 0-12\u2077 7",
}


@pytest.mark.parametrize("text", RAISED.values(), ids=RAISED.keys())
def test_a_raised_mark_does_not_become_a_digit(text: str) -> None:
    source = f"{PAGE}0123456789 0123456789\n\n{text}"
    assert read(source).rows[-1].cells == ("00-7F and 0-12 7",)


def test_text_rise_is_a_raised_mark() -> None:
    content = b"BT /F1 10 Tf 50 700 Td (0-12) Tj /F1 6 Tf 4 Ts (7) Tj 0 Ts /F1 10 Tf ( x) Tj ET"
    assert pdf.read(raw_pdf(content), "x").rows[0].cells == ("0-12 x",)


@pytest.mark.parametrize("has_plumber", [True, False])
def test_running_heads_and_feet_are_left_out_and_repeated_table_headers_are_not(
    has_plumber: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not has_plumber:
        monkeypatch.setattr(pdf, "open_plumber", lambda data: None)
    head = '#set page(paper: "a4", header: [Larkfield T4 #h(1fr) Implementation], '
    foot = "footer: context [Rev. 2 #h(1fr) #counter(page).display()])\n#set text(size: 9pt)\n"
    body = "".join(f"[Knob {i}],[B0 {i % 96:02X} vv],[0-127]," for i in range(150))
    table = f"#table(columns: (3cm, 4cm, 3cm), table.header([Name],[Bytes],[Range]), {body})"
    rows = read(head + foot + table).rows
    assert max(row.page for row in rows) >= 3
    assert not [row for row in rows if "Larkfield" in row.text or "Rev. 2" in row.text]
    headers = [row for row in rows if row.cells == ("Name", "Bytes", "Range")]
    assert len(headers) == max(row.page for row in rows)
    assert len([row for row in rows if row.kind == "table"]) == 150 + len(headers)


def test_running_lines_of_two_pages_only_are_kept() -> None:
    content = text_at(50, 800, "Larkfield T4") + text_at(50, 700, "Volume  B0 07 vv")
    rows = pdf.read(raw_pdf(content, n_pages=2), "x").rows
    assert [row.cells[0] for row in rows].count("Larkfield T4") == 2


def test_headings_are_told_by_size_or_weight() -> None:
    rows = read(f"{PAGE}= Larkfield\n*Hall*\n\n{'Prose that runs on and on. ' * 12}").rows
    assert [row.kind for row in rows][:3] == ["heading", "heading", "text"]


TURNED = {
    90: b"1 0 0 1 0 0 cm BT /F1 9 Tf 0 1 -1 0 100 50 Tm (Volume) Tj 0 -100 Td (B0 07) Tj ET",
    180: b"BT /F1 9 Tf -1 0 0 -1 500 700 Tm (Volume) Tj 100 0 Td (B0 07) Tj ET",
    270: b"BT /F1 9 Tf 0 -1 1 0 100 700 Tm (Volume) Tj 100 0 Td (B0 07) Tj ET",
}


@pytest.mark.parametrize("degrees", TURNED)
@pytest.mark.parametrize("is_marked", [True, False])
def test_turned_text_is_read(degrees: int, is_marked: bool) -> None:
    page = b"/Rotate %d" % degrees if is_marked else b""
    cells = [
        c for row in pdf.read(raw_pdf(TURNED[degrees], page=page), "x").rows for c in row.cells
    ]
    assert sorted(cells) == ["B0 07", "Volume"]


def test_text_inside_a_form_is_read() -> None:
    """pypdf's layout text leaves forms out: a whole table could vanish without a word."""
    writer = pypdf.PdfWriter()
    stamp = pypdf.PdfReader(io.BytesIO(typeset(PAGE + "Volume B0 07 vv"))).pages[0]
    page = writer.add_blank_page(595, 842)
    form = pypdf.generic.StreamObject()
    contents = stamp.get_contents()
    assert contents is not None
    form.set_data(contents.get_data())
    for key, value in (("/Type", "/XObject"), ("/Subtype", "/Form")):
        form[pypdf.generic.NameObject(key)] = pypdf.generic.NameObject(value)
    form[pypdf.generic.NameObject("/BBox")] = stamp.mediabox
    resources: Any = stamp["/Resources"]
    form[pypdf.generic.NameObject("/Resources")] = resources.get_object().clone(writer)
    name = pypdf.generic.NameObject("/X")
    page[pypdf.generic.NameObject("/Resources")] = pypdf.generic.DictionaryObject(
        {
            pypdf.generic.NameObject("/XObject"): pypdf.generic.DictionaryObject(
                {name: writer._add_object(form)}
            )
        }
    )
    stream = pypdf.generic.StreamObject()
    stream.set_data(b"q /X Do Q")
    page[pypdf.generic.NameObject("/Contents")] = writer._add_object(stream)
    out = io.BytesIO()
    writer.write(out)
    assert pdf.read(out.getvalue(), "x").rows[0].cells == ("Volume B0 07 vv",)


def test_characters_and_places_agree_with_two_other_readers() -> None:
    """Against pypdf's own plain text, and against pdfplumber's places (within half a point)."""
    import pdfplumber

    data = typeset(RULED)
    page = pypdf.PdfReader(io.BytesIO(data)).pages[0]
    glyphs = pdf_glyphs.read_page(page, deadline=float("inf")).glyphs
    ours = Counter("".join("".join(g.text for g in glyphs).split()))
    assert ours == Counter("".join(page.extract_text().split()))
    with pdfplumber.open(io.BytesIO(data)) as document:
        chars = [c for c in document.pages[0].chars if c["text"].strip()]
    shown = [g for g in glyphs if g.text.strip()]
    assert len(shown) == len(chars)
    for glyph, char in zip(shown, chars, strict=True):
        assert glyph.text == char["text"]
        assert abs(glyph.x0 - char["x0"]) < 0.5
        assert abs(glyph.x1 - char["x1"]) < 0.5
        assert abs(glyph.size - char["size"]) < 0.5


def test_where_pypdf_has_moved_its_font_tables_its_layout_text_is_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(resource: Any) -> Any:
        raise pdf_glyphs.NoFontTablesError

    monkeypatch.setattr(pdf_glyphs, "_load_font", fail)
    content = b""
    for y, name in ((700, "Volume"), (688, "Pan"), (676, "Glide")):
        content += text_at(50, y, name) + text_at(200, y, "B0 07 vv")
    rows = pdf.read(raw_pdf(content), "x").rows
    assert [row.cells for row in rows] == [(n, "B0 07 vv") for n in ("Volume", "Pan", "Glide")]


def test_progress_is_told_page_by_page() -> None:
    seen: list[tuple[int, int]] = []
    data = raw_pdf(text_at(50, 700, "Volume"), n_pages=3)
    pdf.read(data, "x", progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 3), (2, 3), (3, 3)]

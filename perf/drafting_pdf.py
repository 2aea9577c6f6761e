"""How long a PDF leaflet of 40 pages takes to read: seconds a page, with and without pdfplumber.

The PDF is typeset here: unruled tables on half of the pages, ruled ones with wrapped cells on the
others, 45 parameters a page.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable
from unittest import mock

from knobwright.adapters.files import pdf
from knobwright.core.reading import draft
from knobwright.core.reading.rows import Leaflet

N_PAGES = 40
N_ROWS = 45
LIMIT_S = 1.0  # a page, at most


def leaflet_source(n_pages: int = N_PAGES, n_rows: int = N_ROWS) -> str:
    """Return the typst source of an invented module's leaflet."""
    parts = [
        '#set page(paper: "a4", margin: 1.5cm, header: [Larkfield T40])',
        "#set text(size: 7pt)",
    ]
    for page in range(n_pages):
        ruled = page % 2 == 1
        parts.append(f"#pagebreak(weak: true)\n== Section {page + 1}")
        stroke = "0.5pt" if ruled else "none"
        columns = "(3cm, 5.2cm, 2cm, 4cm)" if ruled else "(auto, auto, auto, auto)"
        parts.append(f"#table(columns: {columns}, inset: 2.2pt, stroke: {stroke},")
        parts.append("[Parameter],[Message],[Range],[Remark],")
        for row in range(n_rows):
            note = "takes effect with the next note only" if ruled and row % 4 == 0 else "s"
            line = f"F0 7D 10 42 {page:02X} {row:02X} vv cs F7"
            parts.append(f"[Knob {page}.{row}],[{line}],[00-7F],[{note}],")
        parts.append(")")
    return "\n".join(parts)


def make_pdf() -> bytes:
    """Return the leaflet as a PDF."""
    import typst

    made = typst.compile(leaflet_source().encode(), format="pdf")
    assert isinstance(made, bytes)
    return made


def measure(data: bytes, read: Callable[[bytes, str], Leaflet]) -> tuple[float, Leaflet]:
    """Return (seconds a page, leaflet) of one reading."""
    start = time.perf_counter()
    leaflet = read(data, "leaflet.pdf")
    return (time.perf_counter() - start) / max(row.page for row in leaflet.rows), leaflet


def n_parameters(leaflet: Leaflet) -> int:
    """Return how many rows carry a whole message in a cell of its own."""
    return sum(
        any(c.startswith("F0 7D") and c.endswith("F7") for c in r.cells) for r in leaflet.rows
    )


def pypdf_layout(data: bytes, name: str) -> Leaflet:
    """Read with pypdf's own layout text alone, for comparison: no tables, no marks."""
    import pypdf

    from knobwright.core.reading.rows import Row

    rows = []
    for number, page in enumerate(pypdf.PdfReader(io.BytesIO(data)).pages, 1):
        text = page.extract_text(extraction_mode="layout")
        cells = [tuple(c for c in line.strip().split("  ") if c) for line in text.split("\n")]
        rows += [Row(number, i, c) for i, c in enumerate(cells, 1) if c]
    return Leaflet(name, "pdf", tuple(rows))


def main() -> int:
    """Make the PDF, read it in three ways, draft it, print seconds a page; 1 over the limit."""
    data = make_pdf()
    with_tables, leaflet = measure(data, pdf.read)
    with mock.patch.object(pdf, "open_plumber", return_value=None):
        without, plain = measure(data, pdf.read)
    layout, _ = measure(data, pypdf_layout)
    start = time.perf_counter()
    drafted = draft(leaflet)
    drafting = (time.perf_counter() - start) / max(row.page for row in leaflet.rows)
    n_pages = max(row.page for row in leaflet.rows)
    print(f"leaflet of {n_pages} pages, {len(data) / 1024:.0f} KiB, {N_PAGES * N_ROWS} parameters")
    print(f"{'reading':34} {'s a page':>9} {'whole messages':>15}")
    for label, seconds, n in (
        ("ruled pages with pdfplumber", with_tables, n_parameters(leaflet)),
        ("without pdfplumber", without, n_parameters(plain)),
    ):
        print(f"{label:34} {seconds:9.3f} {n:15}")
    print(f"{'pypdf layout text alone':34} {layout:9.3f} {'-':>15}")
    n_drafted = len(drafted.tree.get("parameter", []))
    print(f"{'drafting what was read':34} {drafting:9.3f} {n_drafted:15}")
    whole = with_tables + drafting
    verdict = "kept" if whole <= LIMIT_S else "MISSED"
    print(f"reading and drafting {whole:.3f} s a page, limit {LIMIT_S:.1f}: {verdict}")
    return int(whole > LIMIT_S)


if __name__ == "__main__":
    main()

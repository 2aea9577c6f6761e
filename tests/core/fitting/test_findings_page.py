"""The page of findings and columns names all that the tables hold that there are."""

from __future__ import annotations

from knobwright.core.fitting.row import COLUMNS
from knobwright.core.timing.findings import FINDINGS
from tools.song_findings import findings_page


def test_the_page_names_every_finding_and_column() -> None:
    page = findings_page()
    assert all(f"| `{name}` |" in page for name in (*FINDINGS, *COLUMNS))

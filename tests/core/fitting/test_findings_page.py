"""The page of findings and columns is what the tables say now."""

from __future__ import annotations

from knobwright.core.fitting.row import COLUMNS
from knobwright.core.timing.findings import FINDINGS
from tools import song_findings


def test_the_page_is_up_to_date() -> None:
    found = song_findings.PAGE.read_text(encoding="utf-8")
    assert found == song_findings.findings_page(), "run: python -m tools.song_findings"


def test_the_page_names_every_finding_and_column() -> None:
    page = song_findings.findings_page()
    assert all(f"| `{name}` |" in page for name in (*FINDINGS, *COLUMNS))

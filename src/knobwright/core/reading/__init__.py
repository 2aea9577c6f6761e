"""Read a maker's leaflet into a draft sheet with questions: rows in, a tree of the sheet's TOML
out."""

from __future__ import annotations

from knobwright.core.reading.draft import Draft, Note, draft
from knobwright.core.reading.questions import Question
from knobwright.core.reading.rows import Leaflet, Row

__all__ = ["Draft", "Leaflet", "Note", "Question", "Row", "draft"]

"""Rows of a survey for tests: plain ones, and any at all."""

from __future__ import annotations

from hypothesis import strategies as st

from knobwright.core.fitting.row import COLUMNS, KEY, TEXT, WHOLE, SurveyRow, make_row


def row(path: str, **values: object) -> SurveyRow:
    """Return a row with a key that holds in tests."""
    key = {"path": path, "size": 10, "mtime_ns": 20, "version": "1", "settings": "s"}
    return SurveyRow(**(key | values))  # type: ignore[arg-type]


_TEXTS = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=20)
_WHOLE = st.integers(0, 2**62)
_DECIMAL = st.floats(0, 1e9).map(lambda number: round(number, 3))


def _any_value(name: str, kind: str) -> st.SearchStrategy[object]:
    if kind == TEXT:
        return _TEXTS
    if name in KEY:
        return _WHOLE
    return st.none() | (_WHOLE if kind == WHOLE else _DECIMAL)


@st.composite
def any_row(draw: st.DrawFn) -> SurveyRow:
    """Return any row that a survey could make."""
    values = {name: draw(_any_value(name, kind)) for name, kind in COLUMNS.items()}
    made = make_row(values)
    assert made is not None
    return made

"""The page of every finding of a song and every column of a survey: a part of ``make docs``."""

from __future__ import annotations

from collections.abc import Iterator

from knobwright.core.fitting.row import COLUMNS, KEY, WORDS
from knobwright.core.timing.findings import FINDINGS

MARK = "<!-- Written by `make docs`: change the code instead. -->\n"

_HEAD = """\
# What can be found in a song

`knobwright song` and `knobwright survey` hold a song against a module and its cable
([how to survey a folder](../howto/survey-a-folder.md)). Each finding has a name, its place (bar and
beat, tick, time; none where it is about the whole song), its channel where it is about one, and the
figure with the limit that it was held against. *Trouble* is likely to be heard or lost; `song` then
ends with exit status 1. A *remark* is worth knowing; the song plays all the same.

How the figures come about: [wire time](wire-time.md), [voices](voices.md), and for parts the sheet
of the module: [the sheet format](sheet.md).

| finding | | what it means | next step |
|---|---|---|---|
"""

_COLUMNS = """
# Columns of a survey

One row a song, by path. A figure that could not be worked out is an empty cell (CSV), `null` (JSON
lines, Parquet). Texts hold no control characters: these are written out, as `\\x1b`. In CSV, a `'`
stands in front of `= + - @` (and of `'` itself) wherever a program could take them for the start of
a formula; JSON lines and Parquet hold the texts as they are.

| column | kind | what it holds |
|---|---|---|
"""


def findings_page() -> str:
    """Return the page."""
    return (
        MARK
        + "\n"
        + _HEAD
        + "\n".join(_findings())
        + "\n"
        + _COLUMNS
        + "\n".join(_columns())
        + "\n"
    )


def _findings() -> Iterator[str]:
    for row in FINDINGS.values():
        cells = (f"`{row.name}`", row.severity, row.words, row.next_step)
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _columns() -> Iterator[str]:
    for name, kind in COLUMNS.items():
        key = " (key)" if name in KEY else ""
        yield f"| `{name}` | {kind}{key} | {WORDS[name]} |"

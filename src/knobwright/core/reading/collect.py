"""Go through a leaflet once: let the dialects read each row, keep what belongs together.

The outcome is a :class:`Collected`: what sets something (with its line), dumps and requests, the shape
and example messages, rows that hold bytes and were not understood, and notes.
"""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.reading.built import Built
from knobwright.core.reading.context import Context, Example, fixed_bytes, has_example_word
from knobwright.core.reading.dialects import DIALECTS, bytelines
from knobwright.core.reading.facts import Facts, read_facts
from knobwright.core.reading.found import Doubt, Found, field, fixed
from knobwright.core.reading.layout import Placed, strip_mark
from knobwright.core.reading.lines import build, soft_halves
from knobwright.core.reading.messages import is_pending, read_messages
from knobwright.core.reading.exclusive import REQUEST_WORDS
from knobwright.core.reading.runs import find_runs
from knobwright.core.reading.words import fold, has_word

IGNORED = ("note", "realtime", "identity", "program", "bank")


class Piece(NamedTuple):
    """One reading of a row: what was found, the line it makes, the facts beside it."""

    found: Found
    built: Built
    facts: Facts


class Collected(NamedTuple):
    """All that a leaflet's rows gave."""

    pieces: list[Piece]
    others: list[tuple[Found, Built]]
    notes: list[tuple[str, str, str]]
    n_ignored: int
    used_shapes: frozenset[int]


def collect(context: Context) -> Collected:
    """Return what the rows of the leaflet say, row by row."""
    return _Collector(context).run()


class _Collector:
    """Keeps the state between rows: the open entry, a selection that waits for its value."""

    def __init__(self, context: Context) -> None:
        self.context = context
        self.founds: list[Found] = []
        self.notes: list[tuple[str, str, str]] = []
        self.n_ignored = 0
        self.open: list[int] = []
        self.used: set[int] = set()

    def run(self) -> Collected:
        self._shapes_and_examples()
        for placed in self.context.rows:
            if placed.kind in ("heading", "header"):
                self.open = []
            elif placed.kind == "data" and placed.index not in self.context.consumed:
                self._row(placed)
        pieces: list[Piece] = []
        others: list[tuple[Found, Built]] = []
        for found in self.founds:
            self._resolve(found, pieces, others)
        return Collected(pieces, others, self.notes, self.n_ignored, frozenset(self.used))

    def _shapes_and_examples(self) -> None:
        """Find first what other rows lean on: message shapes and printed examples."""
        for placed in self.context.rows:
            if placed.kind == "blank" or len(placed.row.text) > 3000:
                continue
            text, _ = bytelines.joined(placed)
            for run in find_runs(text):
                data = fixed_bytes(run)
                is_prose = bytelines.describe(placed, text, [(0, len(text))], [(run.start, run.end)], self.context)[2]
                if data and data[0] == 0xF0 and (has_example_word(self._near(placed)) or is_prose):
                    self.context.examples.append(Example(data, text, placed.index, placed.section, True))
                    if has_example_word(self._near(placed)) or is_prose:
                        self.context.consumed.add(placed.index)
                    continue
                found = Found("", placed.section, placed.row.place, placed.index, run.toks)
                self._shape(found)

    def _near(self, placed: Placed) -> str:
        """Return the row's text with the paragraph that it stands in."""
        text = self.context.paragraph_at(placed.index)
        own = placed.row.text
        at = text.find(own[:40])
        return text[max(0, at - 80) : at + len(own)] if at >= 0 else own

    def _shape(self, found: Found) -> None:
        if not found.toks or found.toks[0].value != 0xF0:
            return
        found = soft_halves(found, self.context)
        built = build(found, self.context)
        if built.kind != "shape" or not built.address_at:
            return
        text = self.context.rows[found.index].row.text
        if has_word(fold(text), REQUEST_WORDS):
            return
        shape = ",".join(str(k) for k in built.address_at) + "|" + ",".join(str(c) for _, c, *_ in built.parts)
        self.context.shapes.append((found._replace(shape=shape), built))

    def _row(self, placed: Placed) -> None:
        """Let the dialects read one row; text that none reads belongs to the entry above."""
        for read in DIALECTS.values():
            found = read(placed, self.context)
            if found:
                self._take(found, placed)
                return
        self._attach(placed)

    def _take(self, found: list[Found], placed: Placed) -> None:
        if self._finish_selection(found):
            return
        if found[0].dialect == "address":
            self.used.update(id(f) for f, _ in self.context.shapes)
        label = found[0].label or self._label_above(placed, found[0])
        self.open = []
        for item in found:
            self.open.append(len(self.founds))
            self.founds.append(item._replace(label=label))
        self.context.last = self.founds[-1]

    def _finish_selection(self, found: list[Found]) -> bool:
        """Join a row without a name to the selection above that still lacks its value."""
        if not self.founds or not self.open or len(found) != 1 or found[0].is_prose:
            return False
        above, item = self.founds[self.open[-1]], found[0]
        if item.index - above.index > 4 or (item.label and item.label != above.label) or above.section != item.section:
            return False
        had = read_messages(above)
        if had.faults or not is_pending(had.items):
            return False
        joined = above._replace(
            toks=(*above.toks, *item.toks), texts=(*above.texts, *item.texts), rows=item.index - above.index + 1)
        self.founds[self.open[-1]] = joined
        self.context.last = joined
        return True

    def _label_above(self, placed: Placed, found: Found) -> str:
        """Return the name printed on its own line above a row of bytes, or nothing."""
        for back in range(placed.index - 1, max(-1, placed.index - 5), -1):
            above = self.context.rows[back]
            if above.kind == "header":
                continue
            if above.kind == "blank" or find_runs(above.row.text) or above.section != placed.section:
                break
            filled = [c for c in above.cells if c.strip()]
            if above.kind == "heading":
                return strip_mark(filled[0])
            if len(filled) == 1 and len(filled[0]) <= 60 and "=" not in filled[0] and not filled[0].endswith("."):
                return strip_mark(filled[0])
            break
        return ""

    def _attach(self, placed: Placed) -> None:
        """Add a row of text to the entry above it: its choices, range, default or legend."""
        text = "  ".join(c for c in placed.cells if c.strip())
        if not self.open:
            self.n_ignored += 1
            return
        above = self.founds[self.open[0]]
        near = placed.index - (above.index + above.rows - 1)
        own_label = any(r == "label" and c.strip() for r, c in zip(placed.roles, placed.cells, strict=False))
        if near > 2 or placed.gap or own_label or above.section != placed.section or len(text) > 300:
            self.open = [] if placed.gap else self.open
            self.n_ignored += 1
            return
        cells = tuple(
            ("" if role in ("bytes", "number", "cc") else role, head, cell)
            for cell, role, head in zip(placed.cells, placed.roles, placed.heads, strict=False) if cell.strip()
        ) or (("", "", text),)
        for k in self.open:
            item = self.founds[k]
            self.founds[k] = item._replace(texts=(*item.texts, *cells), rows=placed.index - item.index + 1)
        self.context.last = self.founds[self.open[-1]]

    def _resolve(self, found: Found, pieces: list[Piece], others: list[tuple[Found, Built]]) -> None:
        """Build the line of one row and read its facts."""
        built = build(found, self.context)
        if built.kind in ("parameter", "pressure") and found.shape == "by range":
            found, built = self._widen(found, built)
        if built.kind in IGNORED or built.kind in ("request", "dump"):
            others.append((found, built))
            return
        if built.kind == "shape":
            others.append((found, built))
            return
        if found.is_prose and (built.kind != "parameter" or not found.label):
            self.notes.append((found.place, found.printed, "a message printed in a sentence"))
            return
        facts = read_facts(found, built, self.context)
        pieces.append(Piece(found, built, facts))

    def _widen(self, found: Found, built: Built) -> tuple[Found, Built]:
        """Give a parameter number two data bytes where its range needs them (data entry 6 and 38)."""
        status = found.toks[0]
        wide = found._replace(toks=(*found.toks[:-1], field("vh"), status, fixed(38), field("vl")))
        wide_built = build(wide, self.context)
        facts = read_facts(wide, wide_built, self.context)
        high = facts.range[1] if facts.range else 0
        always = self.context.always_two()
        if high > 127 or always:
            if not always and not self.context.mentions_low_part():
                doubt = Doubt("", f"the range goes up to {high}, which takes two data bytes: the low part is "
                              "likely sent by controller 38, but the leaflet does not say so", only=False)
                wide = wide._replace(doubts=(*wide.doubts, doubt))
            if always:
                wide = wide._replace(shape="always wide")
            return wide, wide_built
        return found, built

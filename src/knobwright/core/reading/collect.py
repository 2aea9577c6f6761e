"""Go through a leaflet once: let the dialects read each row, keep what belongs together.

The outcome is a :class:`Collected`: what sets something (with its line), dumps and requests,
the shape
and example messages, rows that hold bytes and were not understood, and notes.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.accounting import is_history
from knobwright.core.reading.built import Built
from knobwright.core.reading.context import Context, Example, fixed_bytes, has_example_word
from knobwright.core.reading.dialects import DIALECTS, addresses, bytelines
from knobwright.core.reading.dialects.plain import controller_lists
from knobwright.core.reading.exclusive import REQUEST_WORDS
from knobwright.core.reading.facts import Facts, read_facts
from knobwright.core.reading.found import Doubt, Found, field, fixed, half
from knobwright.core.reading.hanging import hangs_on, is_low_part, is_reserved, twin_doubts
from knobwright.core.reading.layout import Placed, strip_mark
from knobwright.core.reading.lines import build, soft_halves
from knobwright.core.reading.messages import SELECTORS, is_pending, read_messages, settle
from knobwright.core.reading.modes import mode_action, settle_mode
from knobwright.core.reading.numbers import spans
from knobwright.core.reading.runs import find_runs, whole_run
from knobwright.core.reading.tokens import Tok, scan
from knobwright.core.reading.words import fold, has_word
from knobwright.core.reading.wrapped import add_wrapped

_PAGE = re.compile(
    r"[-–—]*\s*(?:(?:page|seite|pagina|página)\s*)?\d{1,3}\s*(?:(?:/|of|von|sur|de)\s*\d{1,3})?\s*[-–—]*",
    re.I,
)
MAX_ROW = 2000
"""Longest row in characters that the dialects look at."""

_ALSO = (
    "also", "see also", "or", "alternatively", "auch", "oder", "aussi", "ou", "anche", "ook",
    "tambien",
)  # fmt: skip
"""Words in the place of a name that only say that something has another way."""

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
    context.listed = controller_lists(context.rows)
    return _Collector(context).run()


def any_channel(found: Found, context: Context) -> Found:
    """Return a row printed for channel 1 as one for any channel, where the leaflet says so."""
    if not context.channels.is_any:
        return found
    free = half(0xB, "n")
    toks = tuple(free if t.kind == "byte" and t.value == 0xB0 else t for t in found.toks)
    return found._replace(toks=toks)


def _digit_of(status: Tok) -> int:
    return status.value if status.kind == "half" else status.value >> 4


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
            elif placed.kind == "data" and placed.row_index not in self.context.consumed:
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
            if placed.kind == "heading" and placed.roles:
                self._heading_number(placed)
            text, _ = bytelines.joined(placed)
            for run in find_runs(text):
                data = fixed_bytes(run)
                is_prose = bytelines.describe(
                    placed, text, [(0, len(text))], [(run.start, run.end)], self.context
                )[2]
                if data and data[0] == 0xF0 and (has_example_word(self._near(placed)) or is_prose):
                    self.context.examples.append(
                        Example(data, text, placed.row_index, placed.section, True)
                    )
                    if has_example_word(self._near(placed)) or is_prose:
                        self.context.consumed.add(placed.row_index)
                    continue
                found = Found("", placed.section, placed.row.place, placed.row_index, run.toks)
                self._shape(found)

    def _heading_number(self, placed: Placed) -> None:
        """Keep the number that a heading gives in the number columns of the table below it."""
        for k, role in enumerate(placed.roles):
            if role in ("dec", "hex") and placed.cells[k].strip():
                number = addresses.single_number(placed, k, self.context)
                if number is not None:
                    self.context.heading_numbers[placed.section] = number
                    return

    def _near(self, placed: Placed) -> str:
        """Return the row's text with the paragraph that it stands in."""
        text = self.context.paragraph_at(placed.row_index)
        own = placed.row.text
        for back in range(placed.row_index - 1, max(-1, placed.row_index - 8), -1):
            above = self.context.rows[back]
            if above.kind == "blank" or (
                find_runs(above.row.text) and above.section == placed.section
            ):
                continue
            if (
                above.kind in ("data", "heading")
                and above.row.text.rstrip().endswith((":", "："))
                and (has_example_word(above.row.text))
            ):
                return above.row.text
            break
        at = text.find(own[:40])
        return text[max(0, at - 80) : at + len(own)] if at >= 0 else own

    def _shape(self, found: Found) -> None:
        if found.toks and found.toks[0].value != 0xF0:
            self._number_shape(found)
        if not found.toks or found.toks[0].value != 0xF0:
            return
        found = soft_halves(found, self.context)
        built = build(found, self.context)
        if built.kind != "shape" or not built.address_at:
            return
        text = self.context.rows[found.row_index].row.text
        if has_word(fold(text), REQUEST_WORDS):
            return
        shape = (
            ",".join(str(k) for k in built.address_at)
            + "|"
            + ",".join(str(c) for _, c, *_ in built.parts)
        )
        self.context.shapes.append((found._replace(shape=shape), built))

    def _number_shape(self, found: Found) -> None:
        """Keep a shape such as ``B0 63 mm 62 ll 06 vv``: rows elsewhere give the number."""
        built = build(found, self.context)
        if built.kind != "shape":
            return
        toks, _ = settle(found.toks)
        before = {k: toks[k - 1].value for k in range(1, len(toks)) if toks[k - 1].kind == "byte"}
        fields = [k for k, t in enumerate(toks) if t.kind == "field"]
        if len(fields) == 2 and len(toks) == 3 and _digit_of(toks[0]) == 0xB:
            built = built._replace(address_at=(1,))
            self.context.shapes.append((found._replace(shape="1|2"), built))
            return
        numbers = [k for k in fields if before.get(k) in SELECTORS]
        values = [k for k in fields if before.get(k) in (6, 38)]
        if numbers and values:
            shape = ",".join(map(str, numbers)) + "|" + ",".join(map(str, values))
            built = built._replace(address_at=tuple(numbers))
            self.context.shapes.append((found._replace(shape=shape), built))

    def _row(self, placed: Placed) -> None:
        """Let the dialects read one row; text that none reads belongs to the entry above."""
        if len(placed.row.text) > MAX_ROW:
            self.notes.append(
                (placed.row.place, placed.row.text[:60], "a row this long is no line of a leaflet")
            )
            return
        if self._goes_on(placed):
            return
        if is_history(placed):
            why = "it tells of another version"
            self.notes.append((placed.row.place, placed.row.text[:120], why))
            return
        for read in DIALECTS.values():
            found = read(placed, self.context)
            if found and is_reserved(placed):
                why = "the leaflet keeps its number free"
                self.notes.append((placed.row.place, placed.row.text[:120], why))
                return
            if found:
                self._take([any_channel(f, self.context) for f in found], placed)
                return
        self._attach(placed)

    def _goes_on(self, placed: Placed) -> bool:
        """Append a row that only carries on the bytes of the row above it."""
        if not self.open or placed.gap or not placed.cells or len(placed.cells) < 2:
            return False
        above = self.founds[self.open[-1]]
        near = placed.row_index - (above.row_index + above.rows - 1)
        if (
            near != 1
            or above.section != placed.section
            or (placed.cells[0].strip() and len(placed.roles) > 2 and (placed.roles[0] == "label"))
        ):
            return False
        for k, cell in enumerate(placed.cells):
            run = whole_run(cell) if cell.strip() and placed.roles[k] in ("bytes", "") else None
            toks = (
                run.toks
                if run
                else ((scan(cell)) if cell.strip() in ("F7H", "F7h", "F7", "$F7", "0xF7") else ())
            )
            if not toks:
                continue
            if toks[0].is_status and toks[0].value != 0xF7:
                return False
            unfinished = above.toks[0].value == 0xF0 and above.toks[-1].value != 0xF7
            low = toks[0].value == 0x26 and toks[0].kind == "byte" and len(toks) == 2
            if not (unfinished or (low and any(t.kind == "field" for t in above.toks))):
                return False
            others = tuple(
                (r, h, c)
                for c, r, h in zip(placed.cells, placed.roles, placed.heads, strict=False)
                if c.strip() and c != cell
            )
            joined = above._replace(
                toks=(*above.toks, *toks), texts=(*above.texts, *others), rows=above.rows + 1
            )
            self.founds[self.open[-1]] = joined
            self.context.last = joined
            return True
        return False

    def _take(self, found: list[Found], placed: Placed) -> None:
        twins = tuple(twin_doubts(placed))
        if twins:
            found = [item._replace(doubts=(*item.doubts, *twins)) for item in found]
        if fold(found[0].label).strip(" .:") in _ALSO:
            text = " ".join(placed.row.text.split())[:80]
            doubt = Doubt("", f"“{text}” is another way to something named elsewhere", only=True)
            found = [item._replace(doubts=(*item.doubts, doubt)) for item in found]
        if self._finish_selection(found):
            return
        if found[0].dialect == "address":
            self.used.update(id(f) for f, _ in self.context.shapes)
        if self._another_way(found, placed):
            return
        label, section = found[0].label, found[0].section
        if not label:
            label, facts = self._facts_above(placed)
            found = [item._replace(texts=(*item.texts, *facts)) for item in found]
        if not label:
            label = self._label_above(placed, found[0])
            if label == section:
                section = self._section_above(placed)
        self.open = []
        for item in found:
            self.open.append(len(self.founds))
            self.founds.append(item._replace(label=label, section=section))
        self.context.last = self.founds[-1]

    def _finish_selection(self, found: list[Found]) -> bool:
        """Join a row without a name to the selection above that still lacks its value."""
        if not self.founds or not self.open or len(found) != 1 or found[0].is_prose:
            return False
        above, item = self.founds[self.open[-1]], found[0]
        if (
            item.row_index - above.row_index > 4
            or (item.label and item.label != above.label)
            or above.section != item.section
        ):
            return False
        had = read_messages(above)
        low_part = above.dialect == item.dialect == "pairs" and not item.label and is_low_part(item)
        if had.faults or not (is_pending(had.items) or low_part):
            return False
        joined = above._replace(
            toks=(*above.toks, *item.toks),
            texts=(*above.texts, *item.texts),
            rows=item.row_index - above.row_index + 1,
        )
        self.founds[self.open[-1]] = joined
        self.context.last = joined
        return True

    def _label_above(self, placed: Placed, found: Found) -> str:
        """Return the name printed on its own line above a row of bytes, or nothing."""
        for back in range(placed.row_index - 1, max(-1, placed.row_index - 5), -1):
            above = self.context.rows[back]
            if above.kind == "header":
                continue
            if (
                above.kind == "blank"
                or find_runs(above.row.text)
                or above.section != placed.section
            ):
                break
            filled = [c for c in above.cells if c.strip()]
            if above.kind == "heading":
                return strip_mark(filled[0])
            if (
                len(filled) == 1
                and len(filled[0]) <= 60
                and "=" not in filled[0]
                and not filled[0].endswith(".")
            ):
                return strip_mark(filled[0])
            break
        return ""

    def _another_way(self, found: list[Found], placed: Placed) -> bool:
        """Keep a row whose name is left empty as another way to the parameter named above it."""
        if found[0].label or not self.open or "label" not in placed.roles or found[0].is_prose:
            return False
        above = self.founds[self.open[-1]]
        near = placed.row_index - (above.row_index + above.rows - 1)
        if near > 2 or above.section != placed.section or not above.label:
            return False
        had = read_messages(above)
        if had.faults or is_pending(had.items):
            return False
        head = above.head if above.head >= 0 else above.row_index
        for item in found:
            self.open.append(len(self.founds))
            self.founds.append(
                item._replace(label=above.label, head=head, route_group=above.route_group + 1)
            )
        self.context.last = self.founds[-1]
        return True

    def _facts_above(self, placed: Placed) -> tuple[str, tuple[tuple[str, str, str], ...]]:
        """Return name and facts of the row above for a row of bytes in a box that has none."""
        for back in range(placed.row_index - 1, max(-1, placed.row_index - 3), -1):
            above = self.context.rows[back]
            filled = [c for c in above.cells if c.strip()]
            if above.kind != "data" or above.section != placed.section or find_runs(above.row.text):
                return "", ()
            named = filled and bytelines.is_name(filled[0])
            if 1 < len(filled) <= 4 and named and any(spans(c) for c in filled[1:]):
                self.n_ignored -= 1
                return strip_mark(filled[0]), tuple(("", "", c) for c in filled[1:])
        return "", ()

    def _section_above(self, placed: Placed) -> str:
        """Return the heading above the ones that only name single messages."""
        rows = self.context.rows
        for above in reversed(rows[: placed.row_index]):
            if above.kind != "heading" or above.section == placed.section:
                continue
            following = rows[above.row_index + 1] if above.row_index + 1 < len(rows) else above
            if following.kind == "blank" or following.gap or following.kind == "heading":
                return above.section
        return ""

    def _attach(self, placed: Placed) -> None:
        """Add a row of text to the entry above it: its choices, range, default or legend."""
        text = "  ".join(c for c in placed.cells if c.strip())
        if not self.open or _PAGE.fullmatch(text.strip()):
            self.n_ignored += 1
            return
        above = self.founds[self.open[0]]
        near = placed.row_index - (above.row_index + above.rows - 1)
        own_label = any(
            r == "label" and c.strip() for r, c in zip(placed.roles, placed.cells, strict=False)
        ) and not hangs_on(placed, self.context.rows[above.row_index])
        if (
            near > 2
            or placed.gap
            or own_label
            or placed.section not in (above.section, above.label)  # its label may look like one
            or len(text) > 300
        ):
            self.open = [] if placed.gap else self.open
            self.n_ignored += 1
            return
        cells = tuple(
            ("" if role in ("bytes", "number", "cc", "label") else role, head, cell)
            for cell, role, head in zip(placed.cells, placed.roles, placed.heads, strict=False)
            if cell.strip()
        ) or (("", "", text),)
        for k in self.open:
            item = self.founds[k]
            self.founds[k] = item._replace(
                texts=add_wrapped(item.texts, cells), rows=placed.row_index - item.row_index + 1
            )
        self.context.last = self.founds[self.open[-1]]

    def _resolve(
        self, found: Found, pieces: list[Piece], others: list[tuple[Found, Built]]
    ) -> None:
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
        if found.is_prose and not self._is_setting(built):
            self.notes.append((found.place, found.printed, "a message printed in a sentence"))
            return
        if found.is_prose:
            found = found._replace(
                doubts=(
                    *found.doubts,
                    Doubt("", f"{found.printed} is printed in a sentence", takes="line"),
                )
            )
        facts = read_facts(found, built, self.context)
        if action := mode_action(found, built, facts):
            found, built = action, build(action, self.context)
            facts = read_facts(found, built, self.context)
        settle_mode(found, built, facts)
        pieces.append(Piece(found, built, facts))

    def _is_setting(self, built: Built) -> bool:
        """Return whether a message in a sentence sets something: then it is asked about and not
        dropped."""
        if built.kind == "broken":
            return (
                sum(1 for f in built.faults if "missing" not in f.text) > 0
                and built.likely is not None
            )
        return built.kind == "parameter" and built.words[0][0][0] in "BF"

    def _widen(self, found: Found, built: Built) -> tuple[Found, Built]:
        """Give a parameter number two data bytes where its range needs them (data entry 6 and
        38).
        """
        status = found.toks[0]
        wide = found._replace(toks=(*found.toks[:-1], field("vh"), status, fixed(38), field("vl")))
        wide_built = build(wide, self.context)
        facts = read_facts(wide, wide_built, self.context)
        high = facts.range[1] if facts.range else 0
        always = self.context.always_two()
        if high > 127 or always:
            if not always and not self.context.mentions_low_part():
                doubt = Doubt(
                    "",
                    f"the range goes up to {high}, which takes two data bytes: the low part is "
                    "likely sent by controller 38, but the leaflet does not say so",
                    only=False,
                )
                wide = wide._replace(doubts=(*wide.doubts, doubt))
            if always:
                wide = wide._replace(shape="always wide")
            return wide, wide_built
        return found, built

"""Blocks: dumps and the requests that call for them."""

from __future__ import annotations

from knobwright.core.reading.collect import Collected
from knobwright.core.reading.families import Checksums
from knobwright.core.reading.found import Tree
from knobwright.core.reading.keys import section_slug, slug
from knobwright.core.reading.words import fold


def read_blocks(collected: Collected, sums: Checksums) -> list[Tree]:
    """Return the sheet's ``[[block]]`` tables."""
    out: list[Tree] = []
    taken: set[str] = set()
    requests = [(f, b) for f, b in collected.others if b.kind == "request"]
    for found, built in collected.others:
        if built.kind != "dump":
            continue
        summed = sums.apply(found, built)
        key = base = slug(found.label) or section_slug(found.section) or "dump"
        n = 2
        while key in taken:
            key, n = f"{base}-{n}", n + 1
        taken.add(key)
        block: Tree = {"key": key, "label": found.label or "dump", "line": summed.line}
        if summed.checksum:
            block["checksum"] = summed.checksum
        if built.size:
            block["size"] = built.size
        asked = sorted(
            requests,
            key=lambda r: (
                r[0].section != found.section,
                -_alike(r[0].label, found.label),
                abs(r[0].row_index - found.row_index),
            ),
        )
        if asked:
            block["request"] = asked[0][1].line
        block["from"] = found.place
        out.append(block)
    return out


def _alike(one: str, other: str) -> int:
    """Return how many words two labels share."""
    return len(set(fold(one).split()) & set(fold(other).split()))

"""JSON as text that a terminal can be shown: what is not printable is written as an escape."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

# What may be a control: the first and second control block, deletion, and everything that is
# neither ASCII nor a letter of some script; `_safe` asks each of them.
_SUSPECT = re.compile(r"[^\n\x20-\x7e\w]")


def json_text(value: Any, *, default: Callable[[Any], Any] | None = None) -> str:
    """Return a value as indented JSON whose every character is printable, but for the line ends.

    Parameters
    ----------
    value : plain dicts, lists, strings, numbers
        What to write.
    default : function, optional
        Turns anything else into one of these.
    """
    text = json.dumps(value, indent=2, ensure_ascii=False, default=default)
    return _SUSPECT.sub(_safe, text)


def _safe(match: re.Match[str]) -> str:
    found = match[0]
    return found if found.isprintable() else json.dumps(found)[1:-1]

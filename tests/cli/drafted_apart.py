"""Drafts many leaflets in one process of its own, so that the whole can be ended when it hangs.

Run as a script: each word is a leaflet; one JSON line a leaflet says what came of it.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
import time
from pathlib import Path

from knobwright.cli.main import run


def drafted(path: Path) -> dict[str, object]:
    """Draft one leaflet and return status, output, errors and seconds."""
    out, err = io.StringIO(), io.StringIO()
    start = time.monotonic()
    target = path.with_suffix(path.suffix + ".sheet.toml")
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = run(["draft", str(path), "-o", str(target)])
    seconds = time.monotonic() - start
    said = {"status": status, "out": out.getvalue(), "err": err.getvalue(), "seconds": seconds}
    if not target.exists():
        return said | {"faults": None}
    with contextlib.redirect_stdout(io.StringIO()) as checked:
        run(["check", "--json", str(target)])
    found = json.loads(checked.getvalue())["findings"]
    return said | {"faults": [f for f in found if f["level"] == "fault"]}


def main() -> None:
    """Draft each leaflet that is named and print what came of it."""
    for word in sys.argv[1:]:
        print(json.dumps({"name": Path(word).stem, "begun": True}), flush=True)
        print(json.dumps({"name": Path(word).stem, **drafted(Path(word))}), flush=True)


if __name__ == "__main__":
    main()

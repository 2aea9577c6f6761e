"""Typeset what a command prints as a picture of a terminal: ``docs/images/demo.png``.

Run with ``make picture`` after the demo's output has changed. Needs typst (the ``print`` extra).
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "docs" / "images" / "demo.png"
COLUMNS = 132

PAGE = """
#set page(width: auto, height: auto, margin: 14pt, fill: rgb("#1b1c1f"))
#set text(font: "DejaVu Sans Mono", size: 8.5pt, fill: rgb("#e9e6dc"))
#set par(leading: 0.5em)
#raw(read("shown.txt"))
"""


def main() -> int:
    """Run the demo in a new folder and typeset its output."""
    import typst

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        environment = os.environ | {"COLUMNS": str(COLUMNS), "NO_COLOR": "1", "TERM": "dumb"}
        done = subprocess.run(
            [sys.executable, "-m", "knobwright", "demo", "--into", "demo"],
            cwd=folder,
            env=environment | {"PYTHONPATH": str(ROOT / "src")},
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        )
        (folder / "shown.txt").write_text("$ knobwright demo\n" + done.stdout, encoding="utf-8")
        (folder / "page.typ").write_text(PAGE, encoding="utf-8")
        TARGET.parent.mkdir(parents=True, exist_ok=True)
        typst.compile(str(folder / "page.typ"), output=str(TARGET), format="png", ppi=110.0)
    print(TARGET.relative_to(ROOT))
    return 0


if __name__ == "__main__":
    sys.exit(main())

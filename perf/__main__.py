"""Run the measurements one after the other: ``python -m perf`` or ``python -m perf NAME...``.

To add a measurement, write ``perf/<name>.py`` with a ``main()`` that prints its table. Each runs in
a process of its own, so that what one imports does not weigh on the next.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def names() -> list[str]:
    """Return the names of all measurements."""
    return sorted(
        path.stem
        for path in HERE.glob("*.py")
        if not path.stem.startswith("_") and "def main(" in path.read_text(encoding="utf-8")
    )


def main() -> int:
    """Run what was asked for, or everything; 1 when a measurement failed, 2 for an unknown name."""
    known = names()
    chosen = sys.argv[1:] or known
    for name in chosen:
        if name not in known:
            print(f"No measurement {name!r}; there are: {', '.join(known)}", file=sys.stderr)
            return 2
    paths = [str(HERE.parent), str(HERE.parent / "src"), os.environ.get("PYTHONPATH", "")]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, paths))}
    failed = []
    for name in chosen:
        print(f"== {name}", flush=True)
        code = f"import sys, perf.{name} as measurement; sys.exit(measurement.main())"
        if subprocess.run([sys.executable, "-c", code], env=environment, check=False).returncode:
            failed.append(name)
    if failed:
        print(f"failed: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

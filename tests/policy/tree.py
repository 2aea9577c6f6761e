"""The files of the project, as the house rules see them."""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "src" / "knobwright"

# What a folder that is no git checkout may also hold.
_MADE = {".git", ".venv", "build", "dist", "demo", "__pycache__", ".hypothesis"}


@cache
def project_files() -> tuple[Path, ...]:
    """Return every file that is tracked or would be: ignored files are left out."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    if listed.returncode == 0 and (ROOT / ".git").exists():
        paths = [ROOT / name for name in listed.stdout.decode().split("\0") if name]
    else:  # an unpacked archive
        paths = [
            path
            for path in ROOT.rglob("*")
            if not any(
                part in _MADE or part.endswith(("_cache", ".egg-info"))
                for part in path.relative_to(ROOT).parts
            )
        ]
    return tuple(sorted(path for path in paths if path.is_file()))


def python_files(*folders: str) -> list[Path]:
    """Return the project's Python files below these folders."""
    return [
        path
        for path in project_files()
        if path.suffix == ".py" and path.relative_to(ROOT).parts[0] in folders
    ]


def shown(path: Path) -> str:
    """Return a path as the reader of a failure wants it: from the top of the project."""
    return path.relative_to(ROOT).as_posix()

"""Run the ``console`` blocks of a page as a reader would type them.

A block is fenced with three backticks and the word ``console``::

    $ knobwright check larkfield.sheet.toml
    no faults
    $ echo $?
    0

Lines that start with ``$ `` are typed (a backslash at the end goes on in the next line); what
follows is the output, compared exactly. Besides ``knobwright`` a block may say ``cat FILE`` and
``echo $?``. All blocks of a page run one after the other in one folder that holds a copy of
``examples/``. A block marked ``console no-run`` is a picture only.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

from tests.policy.tree import ROOT

_BLOCK = re.compile(r"^```console *\n(.*?)^```$", re.MULTILINE | re.DOTALL)


class Step(NamedTuple):
    """One typed line, the output that the page shows for it, and the page's line number."""

    command: str
    output: str
    line: int


def steps(page: str) -> list[Step]:
    """Return what a page types, in order."""
    found = []
    for block in _BLOCK.finditer(page):
        number = page.count("\n", 0, block.start(1)) + 1
        lines = block[1].splitlines()
        while lines:
            start, command = number, lines.pop(0)
            number += 1
            if not command.startswith("$ "):
                raise ValueError(f"line {start}: a console block starts with '$ '")
            while command.endswith("\\"):
                command = command[:-1] + lines.pop(0).strip()
                number += 1
            output = []
            while lines and not lines[0].startswith("$ "):
                output.append(lines.pop(0))
                number += 1
            found.append(Step(command[2:], "\n".join(output), start))
    return found


class Shell:
    """Understands the few commands that a page may show."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.status = 0

    def type(self, command: str) -> str:
        """Run one command and return everything it printed, blank ends of lines removed."""
        words = shlex.split(command)
        if command == "echo $?":
            return str(self.status)
        if words[0] == "cat" and len(words) == 2:
            return _tidy((self.folder / words[1]).read_text(encoding="utf-8"))
        if words[0] != "knobwright":
            raise ValueError(f"a page may type knobwright, 'cat FILE' and 'echo $?', not {command}")
        done = subprocess.run(
            [sys.executable, "-m", "knobwright", *words[1:]],
            cwd=self.folder,
            env=os.environ
            | {"PYTHONPATH": str(ROOT / "src"), "COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"}
            | {"PYTHONUTF8": "1", "LC_ALL": "C.UTF-8"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            timeout=120,
            check=False,
        )
        self.status = done.returncode
        return _tidy(done.stdout)


def _tidy(text: str) -> str:
    """Remove blanks that nobody sees: at the ends of lines and after the last line."""
    return "\n".join(line.rstrip() for line in text.splitlines()).rstrip("\n")


def differences(page: str, folder: Path) -> list[str]:
    """Type everything on the page in ``folder``; return what came out otherwise than shown."""
    shell = Shell(folder)
    found = []
    for step in steps(page):
        got = shell.type(step.command)
        if got != _tidy(step.output):
            found.append(f"line {step.line}: $ {step.command}\nshown:\n{step.output}\ngot:\n{got}")
    return found

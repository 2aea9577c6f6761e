"""Leaflets made to slow patterns down: each is drafted or refused in bounded time.

A row may have 100 000 characters, so each run is tried just below that, where the patterns still
see it, and at a million. All leaflets of one kind are drafted by one process, which is ended when
it takes too long: the bound is one against hanging, not a measurement.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

LONG = 99_000
MILLION = 1_000_000
#: Bound for all leaflets of one kind together, seconds.
MAX_SECONDS = 60

RUNS = {
    "F0 7D": "F0 7D ", "digits": "7", "digits parted": "7 ", "open brackets": "[",
    "open round": "(", "closed round": ")", "bracket pairs": "[ ] ", "CC": "CC ", "CC joined": "CC",
    "CC numbers": "CC 7 ", "dots": ".", "dots parted": ". ", "NRPN": "NRPN ",
    "NRPN joined": "NRPN", "NRPN numbers": "NRPN 05h 12h ", "dashes": "-", "letters": "a",
    "hex letters": "F", "vv": "vv ", "ranges": "0-127 ", "equals": "=", "bars": "|", "commas": ",",
    "choices": "0=a, ", "0x": "0x", "dollars": "$", "quotes": '"', "binary": "1011nnnn ",
    "braces": "{", "accents": "\u0301", "wide digits": "\uff10", "checksums": "checksum sum cs ",
    "controllers": "B0 07 64 ", "two ways": "12h 34 ", "signs": "+-", "stars": "*", "ticks": "`",
    "units": "100 ms ", "ellipses": "... ", "backslashes": "\\",
}  # fmt: skip
ROWS = {
    "20 000 rows of prose": "the module listens\n" * 20_000,
    "20 000 empty rows": "\n" * 20_000 + "Volume    Bn 07 vv    00-7F\n",
    "2 000 headings": "".join(f"{i}. Part {i}\n----------\n\n" for i in range(2_000)),
    "500 controllers": "".join(
        f"Level {i}    Bn 63 {i >> 7:02X} 62 {i & 127:02X} 06 vv    00-7F    40\n"
        for i in range(500)
    ),
    "500 exclusive": "".join(
        f"Level {i}    F0 7D 10 42 {i >> 7:02X} {i & 127:02X} vv F7    00-7F    40\n"
        for i in range(500)
    ),
    "500 NRPN": "".join(
        f"Level {i}    NRPN {i >> 7:02X}h {i & 127:02X}h    0-127\n" for i in range(500)
    ),
    "500 times the same": "Volume    Bn 07 vv    00-7F    64\n" * 500,
    "1 000 continued": "Level    Bn 63 05\n" + "    62 12\n" * 1_000,
    "1 000 unclosed": "Level    F0 7D 10 42 [ 30 05 vv\n" * 1_000,
}
TEXTS = {
    **{f"{name}, long": run * (LONG // len(run)) for name, run in RUNS.items()},
    **{f"{name}, a million": run * (MILLION // len(run)) for name, run in RUNS.items()},
    "blanks between": f"Volume{' ' * LONG}Bn 07 vv",
    "blanks behind": f"Volume    Bn 07 vv{' ' * LONG}\n",
    "tabs between": "Volume" + "\t" * LONG + "Bn 07 vv",
    "a million blanks": f"Volume{' ' * MILLION}Bn 07 vv",
    "an endless exclusive": f"Level    F0 7D {'00 ' * 30_000}vv F7",
    "an endless name": f"{'very ' * 19_000}loud    Bn 07 vv    00-7F",
    **ROWS,
}


@pytest.fixture(scope="module", params=[".txt", ".md", ".csv"])
def came(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, dict[str, Any]]:
    """Return what came of each leaflet, as files of one kind."""
    folder = tmp_path_factory.mktemp("slow")
    # Text is where all dialects look; rows by the thousand need not be tried three times.
    texts = {k: v for k, v in TEXTS.items() if request.param == ".txt" or k not in ROWS}
    paths = []
    for name, text in texts.items():
        paths.append(folder / f"{name}{request.param}")
        paths[-1].write_text(text, encoding="utf-8")
    script = Path(__file__).with_name("drafted_apart.py")
    try:
        done = subprocess.run(
            [sys.executable, script, *map(str, paths)],
            capture_output=True,
            text=True,
            check=False,
            timeout=MAX_SECONDS,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )
        out, failed = done.stdout, done.stderr
    except subprocess.TimeoutExpired as late:
        out, failed = (late.stdout or b"").decode(), f"ended after {MAX_SECONDS} s"
    found = [json.loads(line) for line in out.splitlines()]
    ended = {row["name"]: row for row in found if "status" in row}
    stuck = [row["name"] for row in found if row["name"] not in ended]
    assert not failed, f"at {stuck}: {failed}"
    assert set(ended) == set(texts)
    return ended


def test_each_leaflet_is_drafted_or_refused(came: dict[str, dict[str, Any]]) -> None:
    for name, row in came.items():
        assert row["status"] in (0, 1, 2), f"{name}: {row['err']}"
        if row["status"] == 2:
            lines = row["err"].splitlines()
            assert len(lines) == 2, f"{name}: {row['err']}"
            assert lines[0].startswith("knobwright: "), name
            assert lines[1].startswith("  next: "), name
            assert len(row["err"]) < 2_000, name
        else:
            assert row["err"] == "", name


def test_no_draft_of_them_has_faults(came: dict[str, dict[str, Any]]) -> None:
    assert {name: row["faults"] for name, row in came.items() if row["faults"]} == {}


def test_a_million_characters_in_a_row_are_refused(came: dict[str, dict[str, Any]]) -> None:
    rows = {name: row for name, row in came.items() if name.endswith(", a million")}
    assert len(rows) == len(RUNS)
    for name, row in rows.items():
        assert row["status"] == 2, name
        # A fence of ticks without anything in it is no text in Markdown.
        assert "row" in row["err"] or "no text" in row["err"], name

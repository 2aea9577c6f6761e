"""Under CI a skip is a failure, everywhere a thread left running is: tried on small suites."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.policy.tree import ROOT

SUITES = {
    "skips inside": "import pytest\n\ndef test_a():\n    pytest.skip('no synthesizer here')\n",
    "skip mark": (
        "import pytest\n\n@pytest.mark.skip(reason='no synthesizer here')\ndef test_a(): ...\n"
    ),
    "file skips itself": (
        "import pytest\n\npytest.skip('no synthesizer here', allow_module_level=True)\n"
    ),
    "expected failure": "import pytest\n\n@pytest.mark.xfail\ndef test_a():\n    assert False\n",
    "thread left": (
        "import threading\n\n"
        "def test_a():\n"
        "    threading.Thread(target=threading.Event().wait, args=(4,), name='lost').start()\n"
    ),
    "thread that ends": (
        "import threading, time\n\n"
        "def test_a():\n    threading.Thread(target=time.sleep, args=(0.1,)).start()\n"
    ),
}


def run(folder: Path, suite: str, *, ci: bool, processes: int = 0) -> tuple[int, str]:
    """Run one small suite beside a copy of our conftest; return exit status and output."""
    shutil.copy(ROOT / "tests" / "conftest.py", folder)
    (folder / "test_it.py").write_text(SUITES[suite], encoding="utf-8")
    environment = {
        name: value
        for name, value in os.environ.items()
        if name != "CI" and not name.startswith("PYTEST_")
    }
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-ra", "-n", str(processes), "--rootdir", folder],
        cwd=folder,
        env=environment | ({"CI": "true"} if ci else {}),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout


@pytest.mark.parametrize("processes", [0, 1])
@pytest.mark.parametrize("suite", ["skips inside", "skip mark", "file skips itself"])
def test_a_skip_fails_under_ci_and_says_why(tmp_path: Path, suite: str, processes: int) -> None:
    status, output = run(tmp_path, suite, ci=True, processes=processes)
    assert status != 0
    assert "no synthesizer here" in output
    assert re.search(r"1 (failed|error)", output.splitlines()[-1])


@pytest.mark.parametrize("suite", ["skips inside", "skip mark"])
def test_elsewhere_a_skip_is_named_and_no_failure(tmp_path: Path, suite: str) -> None:
    status, output = run(tmp_path, suite, ci=False)
    assert status == 0
    assert "no synthesizer here" in output


def test_an_expected_failure_is_not_a_skip(tmp_path: Path) -> None:
    status, output = run(tmp_path, "expected failure", ci=True)
    assert (status, "1 xfailed" in output) == (0, True)


def test_a_thread_left_running_is_named(tmp_path: Path) -> None:
    status, output = run(tmp_path, "thread left", ci=False)
    assert status == 1
    assert "threads left running: lost" in output


def test_a_thread_may_take_a_moment_to_end(tmp_path: Path) -> None:
    assert run(tmp_path, "thread that ends", ci=False)[0] == 0

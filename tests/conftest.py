"""What holds for every test: nothing is skipped under CI, no thread is left running."""

from __future__ import annotations

import os
import threading
from collections.abc import Generator, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

IN_CI = os.environ.get("CI") == "true"

# No deadline in any profile: two shared cores make single examples slow without meaning anything.
settings.register_profile("dev", deadline=None)
# CI decides whether a change lands, so it must give the same answer twice: fixed examples. New
# ones are found by the "dev" runs of every day and by "deep".
settings.register_profile("ci", deadline=None, max_examples=100, derandomize=True, print_blob=True)
settings.register_profile(
    "deep",
    deadline=None,
    max_examples=5_000,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE") or ("ci" if IN_CI else "dev"))


def _fail_instead(report: pytest.TestReport | pytest.CollectReport) -> None:
    """Turn a skip into a failure that still says why it was skipped."""
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    report.outcome = "failed"
    report.longrepr = f"skipped under CI, where every test must run: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[Any]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Under CI a skipped test is a failed one; an expected failure is not a skip."""
    report = yield
    if IN_CI and report.skipped and not hasattr(report, "wasxfail"):
        _fail_instead(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Under CI a file that skips itself is an error."""
    report = yield
    if IN_CI and report.skipped:
        _fail_instead(report)
    return report


@pytest.fixture(autouse=True)
def no_thread_left() -> Iterator[None]:
    """Fail when the test leaves a thread running (a second is allowed for it to end)."""
    before = set(threading.enumerate())
    yield
    left = [thread for thread in threading.enumerate() if thread not in before]
    for thread in left:
        thread.join(timeout=1.0)
    names = [thread.name for thread in left if thread.is_alive()]
    assert not names, f"threads left running: {', '.join(names)}"

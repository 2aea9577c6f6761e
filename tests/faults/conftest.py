"""A bridge at work on three cables, in the processes that a user has."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.instruments.benches import Cables
from tests.instruments.command import Running, running


@pytest.fixture
def cables(tmp_path: Path) -> Iterator[Cables]:
    made = Cables(tmp_path)
    yield made
    made.close()


@pytest.fixture
def bridge(cables: Cables) -> Iterator[Running]:
    with running("bridge", cables.folder) as command:
        command.wait_for("Larkfield is bridged")
        yield command


def press(cables: Cables, *messages: str) -> None:
    """Press keys, and wait until each has reached the module."""
    for message in messages:
        cables.keys.send(message)
        cables.module.wait_for(message)

"""Rigs of the kinds that need no driver."""

from __future__ import annotations

import contextlib
import itertools
import resource
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from knobwright.adapters.ports import memory, scripted, standin
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from tests.contracts.rig import Rig

_COUNT = itertools.count()

THROUGH = "format = 1\n[through]\nbaud = 0\n"


class EchoingModule:
    """Sends back whatever it is sent: models nothing of a module but that it answers."""

    def receive(self, data: bytes, at_ns: int = 0) -> Sequence[bytes]:
        """Return the bytes that came."""
        return (data,)


@contextlib.contextmanager
def memory_pair() -> Iterator[Rig]:
    """A wire inside this process."""
    name = f"contract {next(_COUNT)}"
    address = f"memory:{name}"
    yield Rig(
        address, address, lose=lambda: memory.pull(name), put_back=lambda: memory.put_back(name)
    )
    memory.put_back(name)


@contextlib.contextmanager
def modelled_pair() -> Iterator[Rig]:
    """A wire inside this process that takes its time, though not much of it."""
    name = f"contract {next(_COUNT)}"
    address = f"memory:{name}"
    settings = PortSettings(baud=10_000_000, modelled=True)
    yield Rig(
        address,
        address,
        settings,
        lose=lambda: memory.pull(name),
        put_back=lambda: memory.put_back(name),
    )
    memory.put_back(name)


@contextlib.contextmanager
def standin_pair() -> Iterator[Rig]:
    """A module that answers with what it is sent."""
    name = f"contract {next(_COUNT)}"
    address = f"standin:{name}"
    yield Rig(
        address,
        address,
        surroundings=Surroundings(standin=lambda _: EchoingModule()),
        lose=lambda: standin.pull(name),
        put_back=lambda: standin.put_back(name),
    )
    standin.put_back(name)


@contextlib.contextmanager
def scripted_pair() -> Iterator[Rig]:
    """A good pass-through."""
    with tempfile.TemporaryDirectory() as folder:
        name = str(Path(folder, "good"))
        Path(folder, "good.script.toml").write_text(THROUGH, encoding="utf-8")
        address = f"scripted:{name}"
        yield Rig(
            address,
            address,
            lose=lambda: scripted.pull(name),
            put_back=lambda: scripted.put_back(name),
        )
        scripted.put_back(name)


@contextlib.contextmanager
def file_pair() -> Iterator[Rig]:
    """A trace that is recorded, then played; it is lost when the disk is full."""
    with tempfile.TemporaryDirectory() as folder:
        address = f"file:{Path(folder, 'take.jsonl')}"
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)

        def fill() -> None:
            size = Path(folder, "take.jsonl").stat().st_size
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, limits[1]))

        def empty() -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)

        try:
            yield Rig(
                address,
                address,
                PortSettings(speed=0),
                is_live=False,
                lose=fill,
                put_back=empty,
                loses_in=False,
            )
        finally:
            empty()

"""Small sheets for tests: an invented module with a few lines of text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from knobwright.core.codec.check import Checked, check_sheet
from knobwright.core.codec.decode import Decoder
from knobwright.core.codec.events import Event, Part, Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.interfaces import Lookup

HEAD = 'format = 1\n[module]\nname = "Fennick S1"\ndevice_ids = ["10", "11"]\n'
SUMS = """
[checksum.negated]
rule = "negated-sum-7"
[checksum.plain]
rule = "sum-7"
[checksum.xor]
rule = "xor-7"
[checksum.ones]
rule = "ones-complement-7"
"""
# Channel 10 first, as some modules number their parts; keys turned round.
MAPS = f"""
[map.part]
of = "channel"
values = [1, 2, 3, 4, 5, 6, 7, 8, 9, 0, 10, 11, 12, 13, 14, 15]
[map.turned]
of = "key"
values = {list(range(127, -1, -1))}
"""


def toml(value: Any) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml(str(k))} = {toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, Iterable):
        return "[" + ", ".join(map(toml, value)) + "]"
    return repr(value)


def table(name: str, keys: Mapping[str, Any]) -> str:
    """Return an entry of an array of tables."""
    return f"[[{name}]]\n" + "".join(f"{key} = {toml(value)}\n" for key, value in keys.items())


def parameter(line: Any, key: str = "x", **keys: Any) -> str:
    """Return a parameter; a name that Python keeps for itself ends in ``_``."""
    rest = {name.rstrip("_"): value for name, value in keys.items()}
    return table("parameter", {"key": key, "line": line, **rest})


def checked(body: str, head: str = HEAD + SUMS + MAPS) -> Checked:
    """Return the checked sheet of some tables."""
    return check_sheet(head + body, name="small.sheet.toml")


def codec(body: str, head: str = HEAD + SUMS + MAPS) -> Codec:
    """Return the codec of some tables, which have no faults."""
    return Codec(checked(body, head).require())


def feed(decoder: Decoder, text: str, source: int = 0) -> list[Event]:
    """Return the events of messages written in hex, parted by commas."""
    events: list[Event] = []
    for message in text.split(","):
        events += decoder.feed(bytes.fromhex(message), source)
    return events


def settled(events: Iterable[Event]) -> list[Event]:
    """Return the events without the parts that set nothing yet."""
    return [event for event in events if not isinstance(event, Part)]


def values(events: Iterable[Event]) -> list[tuple[str, object]]:
    """Return what was set, key and value, in order."""
    return [(event.key, event.value) for event in events if isinstance(event, Setting)]


def hexed(messages: Iterable[bytes]) -> str:
    """Return messages in hex, parted by commas."""
    return ", ".join(message.hex(" ").upper() for message in messages)


def memory(held: Mapping[str, object]) -> Lookup:
    """Return a lookup that knows some parameters, the same on every channel and key."""

    def current(key: str, channel: int | None, note: int | None) -> object | None:
        return held.get(key)

    return current

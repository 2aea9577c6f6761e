"""Build the records of a bench from its walked tree; every fault is reported at once."""

from __future__ import annotations

import re
from typing import Any

from knobwright.core.bench.records import Bench, Input, Keys, Link, Passing, Proven, Quiet
from knobwright.core.errors import InputError
from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.walk import Tree
from knobwright.core.state.trust import read_beginning
from knobwright.core.surface.zones import Zone, zone_faults

MAX_LINKS = 2
#: Channels of a link.
N_CHANNELS = 16
_SPAN = re.compile(r"\s*([0-9]{1,2})\s*(?:-\s*([0-9]{1,2})\s*)?\Z")
_DEVICE = re.compile(r"[0-9A-Fa-f]{2}\Z")


def build(tree: Tree, findings: Findings) -> Bench:
    """Return the bench without its assignments, and without what is faulty."""
    links = _links(tree.get("link", []), findings)
    n_channels = N_CHANNELS * max(1, len(links))
    inputs = _inputs(tree.get("input", []), links, findings)
    names = [row.name for row in inputs]
    return Bench(
        sheet=tree.get("sheet", ""),
        links=links,
        name=tree.get("name", ""),
        note=tree.get("note", ""),
        device=_device(tree.get("device"), findings),
        inputs=inputs,
        keys=_keys(tree.get("keys", []), names, n_channels, findings),
        passing=_passing(tree.get("pass", {}), findings),
        quiet=_quiet(tree.get("quiet", {})),
    )


def channels(value: Any, most: int, path: Path, findings: Findings) -> tuple[int, ...]:
    """Return channels written as ``"1-4, 10"`` or as a list of numbers 1 to ``most``."""
    parts = value.split(",") if isinstance(value, str) else value
    found: list[int] = []
    for part in parts if isinstance(parts, list) else [""]:
        match = _SPAN.match(str(part)) if not isinstance(part, bool) else None
        low = int(match[1]) if match else 0
        high = int(match[2] or match[1]) if match else 0
        if not 1 <= low <= high <= most:
            hint = "channels 17 to 32 are those of a second [[link]]" if high > N_CHANNELS else ""
            message = f'channels are written "1-{most}" or [1, 10], not {value!r}'
            findings.fault(path, message, hint)
            return ()
        found += range(low, high + 1)
    return tuple(dict.fromkeys(found))


def input_name(name: str, names: list[str], path: Path, findings: Findings) -> None:
    """Report the name of an input that the bench does not have."""
    if name and name not in names:
        known = ", ".join(names) or "none"
        hint = findings.close(name, names, f"inputs: {known}")
        findings.fault(path, f"there is no input {name!r}", hint)


def _device(text: str | None, findings: Findings) -> int | None:
    if text is None:
        return None
    if not _DEVICE.match(text) or int(text, 16) > 0x7F:
        message = f"a device id is two hex digits, 00 to 7F, not {text!r}"
        findings.fault(("device",), message)
        return None
    return int(text, 16)


def _links(trees: list[Tree], findings: Findings) -> tuple[Link, ...]:
    found: list[Link] = []
    for i, tree in enumerate(trees):
        if i == MAX_LINKS:
            message = "a bench has one link, or two where the module has 32 channels"
            findings.fault(("link", i), message)
        elif "out" in tree:
            rest = {k: v for k, v in tree.items() if k not in ("in", "proven", "senders")}
            found.append(
                Link(
                    **rest,
                    into=tree.get("in", ""),
                    senders=tuple(tree.get("senders", ())),
                    proven=Proven(**tree.get("proven", {})),
                )
            )
    if len({link.out for link in found}) < len(found):
        findings.fault(("link", 1, "out"), "both links send to the same port")
    return tuple(found)


def _inputs(trees: list[Tree], links: tuple[Link, ...], findings: Findings) -> tuple[Input, ...]:
    found: dict[str, Input] = {}
    for i, tree in enumerate(trees):
        path: Path = ("input", i)
        if "name" not in tree or "port" not in tree:
            continue
        rest = {k: v for k, v in tree.items() if k != "senders"}
        row = Input(**rest, senders=tuple(tree.get("senders", ())))
        if row.name in found:
            findings.fault((*path, "name"), f"there are two inputs {row.name!r}")
        if row.link > max(1, len(links)):
            findings.fault((*path, "link"), "there is no second [[link]]")
        # Named alike, a memory wire is one wire: what is sent would come in again without end.
        if row.port.startswith("memory:") and row.port in [link.out for link in links]:
            message = f"{row.port} is where a link sends to: what is sent would come in again"
            findings.fault((*path, "port"), message, "give the wires different names")
        found.setdefault(row.name, row)
    return tuple(found.values())


def _keys(
    trees: list[Tree], names: list[str], n_channels: int, findings: Findings
) -> tuple[Keys, ...]:
    found: list[Keys] = []
    for i, tree in enumerate(trees):
        path: Path = ("keys", i)
        zone: dict[str, Any] = {
            k: tree[k] for k in ("name", "transpose", "curve", "amount", "fixed") if k in tree
        }
        for key in ("keys", "velocities", "loudness"):
            if key in tree:
                zone[key] = _span(tree[key], (*path, key), findings)
        for key, most in (("listens", N_CHANNELS), ("channels", n_channels)):
            if key in tree:
                zone[key] = channels(tree[key], most, (*path, key), findings)
        if "points" in tree:
            zone["points"] = points(tree["points"], (*path, "points"), findings)
        if "takes" in tree:
            zone["takes"] = tuple(tree["takes"])
        input_name(tree.get("input", ""), names, (*path, "input"), findings)
        row = Zone(**zone)
        for key, message, hint in zone_faults(row):
            findings.fault((*path, key), message, hint)
        found.append(Keys(tree.get("input", ""), row))
    return tuple(found)


def _span(value: list[int], path: Path, findings: Findings) -> tuple[int, int]:
    if len(value) != 2:
        findings.fault(path, f"must be [lowest, highest], not {value}")
        return (1, 127)
    return value[0], value[1]


def points(value: Any, path: Path, findings: Findings) -> tuple[tuple[float, float], ...]:
    """Return drawn points written as ``[[0, 0], [0.5, 0.8], [1, 1]]``."""
    rows: list[Any] = value if isinstance(value, list) else [None]
    for row in rows:
        if (
            not isinstance(row, list)
            or len(row) != 2
            or any(isinstance(n, bool) or not isinstance(n, int | float) for n in row)
        ):
            findings.fault(path, f"points are written [[0, 0], [1, 1]], not {value!r}")
            return ()
    return tuple((float(x), float(y)) for x, y in rows)


def _passing(tree: Tree, findings: Findings) -> Passing:
    allow: list[str] = []
    for i, text in enumerate(tree.get("allow", [])):
        try:
            read_beginning(text)
        except InputError as error:
            findings.fault(("pass", "allow", i), error.message, error.hint)
        else:
            allow.append(text)
    return Passing(**{k: v for k, v in tree.items() if k != "allow"}, allow=tuple(allow))


def _quiet(tree: Tree) -> Quiet:
    rest = {k: tree[k] for k in ("channels",) if k in tree}
    return Quiet(ways=tuple(tree["ways"]), **rest) if "ways" in tree else Quiet(**rest)

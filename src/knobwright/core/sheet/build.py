"""Build the records of a sheet from its walked tree; every fault is reported at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.parameters import ParameterBuilder, spell
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.records import (
    Block,
    Checksum,
    DigitMap,
    Kit,
    Module,
    Parameter,
    Program,
    Programs,
    Receiver,
    Setup,
    Sheet,
)
from knobwright.core.sheet.questions import build_questions
from knobwright.core.sheet.templates import Templates, Vocabulary, suggestion
from knobwright.core.sheet.walk import Tree

_CHANNELS = re.compile(r"\s*([0-9]{1,2})\s*(?:-\s*([0-9]{1,2})\s*)?\Z")
_MAP_SIZES = {"channel": 16, "key": 128, "device": 128}


def build(tree: Tree, findings: Findings, words: Vocabulary) -> Sheet:
    """Return the sheet's own records (includes are joined later) without what is faulty.

    Every fault is reported in ``findings``; with any, the sheet is good for further checks only.
    """
    checksums = _checksums(tree.get("checksum", {}), findings, words)
    maps = _maps(tree.get("map", {}), findings)
    templates = Templates(findings, checksums, maps)
    programs = _programs(tree, findings, templates)
    return Sheet(
        module=_module(tree.get("module", {}), findings),
        receiver=Receiver(**tree.get("receiver", {})),
        setup=_setup(tree.get("setup", []), templates),
        programs=programs,
        program=_program(tree.get("program", []), findings, programs),
        kits=_kits(tree.get("kit", []), findings),
        checksums=checksums,
        maps=maps,
        parameters=_parameters(tree.get("parameter", []), findings, templates, words),
        blocks=_blocks(tree.get("block", []), findings, templates, words),
        questions=build_questions(tree.get("question", []), findings),
        includes=tuple(tree.get("include", [])),
    )


def _checksums(tree: Tree, findings: Findings, words: Vocabulary) -> dict[str, Checksum]:
    found: dict[str, Checksum] = {}
    for name, table in tree.items():
        rule = table.get("rule")
        if rule is None:
            continue
        if rule not in words.checksums:
            known = dict.fromkeys(words.checksums)
            hint = suggestion(rule, known, f"known rules: {', '.join(known)}")
            findings.fault(("checksum", name, "rule"), f"there is no rule {rule!r}", hint)
        found[name] = Checksum(name, rule, table.get("over", "sent"))
    return found


def _maps(tree: Tree, findings: Findings) -> dict[str, DigitMap]:
    found: dict[str, DigitMap] = {}
    for name, table in tree.items():
        if "of" not in table or "values" not in table:
            continue
        values = tuple(table["values"])
        size = _MAP_SIZES.get(table["of"], len(values))
        path = ("map", name, "values")
        if not values or len(values) != size:
            message = f"a map of {table['of']} has {size} values, not {len(values)}"
            findings.fault(path, message)
            continue
        found[name] = DigitMap(name, table["of"], values)
    return found


def _module(tree: Tree, findings: Findings) -> Module:
    def hex_bytes(key: str, lengths: tuple[int, ...]) -> bytes:
        text = tree.get(key)
        if text is None:
            return b""
        try:
            data = bytes.fromhex(text)
        except ValueError:
            data = b"\xff"
        if len(data) not in lengths or max(data) > 0x7F:
            count = " or ".join(map(str, lengths))
            findings.fault(("module", key), f"{key} is {count} hex bytes 00 to 7F, not {text!r}")
            return b""
        return data

    ids: list[int] = []
    for text in tree.get("device_ids", []):
        if not re.fullmatch(r"[0-9A-Fa-f]{2}", text) or int(text, 16) > 0x7F:
            message = f"a device id is two hex digits, 00 to 7F, not {text!r}"
            findings.fault(("module", "device_ids"), message)
        else:
            ids.append(int(text, 16))
    plain = {k: tree[k] for k in ("name", "maker", "voices", "note") if k in tree}
    plain.setdefault("name", "")
    return Module(
        **plain,
        maker_id=hex_bytes("maker_id", (1, 3)),
        family=hex_bytes("family", (2,)),
        member=hex_bytes("member", (2,)),
        version=hex_bytes("version", (4,)),
        device_ids=tuple(ids) or (0x7F,),
        channels=_channels(tree.get("channels", "1-16"), findings),
        drum_channels=tuple(tree.get("drum_channels", ())),
    )


def _channels(value: Any, findings: Findings) -> tuple[int, ...]:
    path: Path = ("module", "channels")
    parts = value.split(",") if isinstance(value, str) else value
    found: set[int] = set()
    for part in parts if isinstance(parts, list) else [""]:
        match = _CHANNELS.match(str(part))
        low = int(match[1]) if match else 0
        high = int(match[2] or match[1]) if match else 0
        if not 1 <= low <= high <= 16:
            findings.fault(path, f'channels are written "1-16" or "1-4, 10", not {value!r}')
            return tuple(range(1, 17))
        found.update(range(low, high + 1))
    return tuple(sorted(found))


def _setup(trees: list[Tree], templates: Templates) -> tuple[Setup, ...]:
    found: list[Setup] = []
    for i, tree in enumerate(trees):
        if "line" in tree and (template := templates.build(tree, ("setup", i), "setup")):
            rest = {k: tree[k] for k in ("rest_ms", "note", "danger") if k in tree}
            found.append(Setup(template, **rest))
    return tuple(found)


def _programs(tree: Tree, findings: Findings, templates: Templates) -> Programs | None:
    table = tree.get("programs")
    if table is None or "line" not in table:
        return None
    template = templates.build(table, ("programs",), "programs")
    if template is None:
        return None
    if not template.line.has("program"):
        findings.fault(("programs", "line"), "the line of programs needs a program byte pp")
    return Programs(template, table.get("first", 1))


def _program(
    trees: list[Tree], findings: Findings, programs: Programs | None
) -> tuple[Program, ...]:
    first = programs.first if programs else 1
    found: list[Program] = []
    seen: dict[tuple[object, ...], str] = {}
    for i, tree in enumerate(trees):
        if "number" not in tree or "name" not in tree:
            continue
        path = ("program", i)
        bank = _pair(tree, "bank", (0, 0), path, findings)
        keys = _pair(tree, "keys", (0, 127), path, findings)
        _number_fits(tree["number"], first, path, findings)
        place = (tree["number"], bank)
        if place in seen:
            message = f"program {tree['number']} of this bank is {seen[place]!r} already"
            findings.fault((*path, "number"), message)
        seen[place] = tree["name"]
        rest = {k: tree[k] for k in ("voices", "tail_ms", "family") if k in tree}
        found.append(Program(tree["number"], tree["name"], bank, keys=keys, **rest))
    return tuple(found)


def _number_fits(number: int, first: int, path: Path, findings: Findings) -> None:
    if not first <= number <= 127 + first:
        message = f"programs run from {first} to {127 + first}, so {number} is none"
        hint = "first in [programs] says which number is printed for program byte 0"
        findings.fault((*path, "number"), message, hint)


def _kits(trees: list[Tree], findings: Findings) -> tuple[Kit, ...]:
    found: list[Kit] = []
    for i, tree in enumerate(trees):
        if "number" not in tree:
            continue
        path = ("kit", i)
        names: dict[int, str] = {}
        for text, name in tree.get("names", {}).items():
            if not text.isdecimal() or int(text) > 127 or not isinstance(name, str):
                findings.fault((*path, "names"), f"a drum is KEY = \"name\" with a key 0 to 127, not {text!r}")
            else:
                names[int(text)] = name
        groups = tree.get("exclusive", [])
        if not _are_groups(groups):
            findings.fault((*path, "exclusive"), "exclusive is a list of lists of keys: [[42, 46]]")
            groups = []
        bank = _pair(tree, "bank", (0, 0), path, findings)
        rest = {k: tree[k] for k in ("name", "tail_ms") if k in tree}
        exclusive = tuple(tuple(group) for group in groups)
        found.append(Kit(tree["number"], names, bank=bank, exclusive=exclusive, **rest))
    return tuple(found)


def _are_groups(value: Any) -> bool:
    return isinstance(value, list) and all(
        isinstance(group, list) and all(type(k) is int and 0 <= k <= 127 for k in group)
        for group in value
    )


def _pair(
    tree: Tree, key: str, default: tuple[int, int], path: Path, findings: Findings
) -> tuple[int, int]:
    value = tree.get(key)
    if value is None:
        return default
    if len(value) != 2:
        findings.fault((*path, key), f"{key} is a pair of numbers, such as [0, 0]")
        return default
    return (value[0], value[1])


def _parameters(
    trees: list[Tree], findings: Findings, templates: Templates, words: Vocabulary
) -> tuple[Parameter, ...]:
    found: dict[str, Parameter] = {}
    for i, tree in enumerate(trees):
        path = ("parameter", i)
        parameter = ParameterBuilder(tree, path, findings, templates, words).build()
        if parameter is None:
            continue
        if parameter.key in found:
            findings.fault((*path, "key"), f"there are two parameters {parameter.key!r}")
        found[parameter.key] = parameter
    return tuple(found.values())


def _blocks(
    trees: list[Tree], findings: Findings, templates: Templates, words: Vocabulary
) -> tuple[Block, ...]:
    found: dict[str, Block] = {}
    for i, tree in enumerate(trees):
        path = ("block", i)
        if "key" not in tree or "line" not in tree:
            continue
        key = tree["key"]
        packing = tree.get("packing", "none")
        if packing not in words.packings:
            known: Mapping[str, Callable[..., object] | None] = dict.fromkeys(words.packings)
            hint = suggestion(packing, known, f"known: {', '.join(known)}")
            findings.fault((*path, "packing"), f"there is no packing {packing!r}", hint)
        template = templates.build(tree, path, "block", about=key)
        request = None
        if "request" in tree:
            request = templates.build(
                tree, path, "request", about=key, line_key="request", checksum_key="request_checksum"
            )
        if template is None:
            continue
        if sum(cell.kind == "data" for cell in template.line.cells()) != 1:
            findings.fault((*path, "line"), "the line of a block holds data* once", about=key)
        if key in found:
            findings.fault((*path, "key"), f"there are two blocks {key!r}")
        rest = {k: tree[k] for k in ("label", "size", "danger") if k in tree}
        place = tree.get("from", "")
        found[key] = Block(key, template, request=request, packing=packing, place=place, **rest)
    return tuple(found.values())


__all__ = ["build", "spell"]

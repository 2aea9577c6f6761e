"""Build the records of a sheet from its walked tree; every fault is reported at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.parameters import ParameterBuilder
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.programs import build_kits, build_program, build_programs
from knobwright.core.sheet.questions import build_questions
from knobwright.core.sheet.records import (
    Block,
    Checksum,
    DigitMap,
    Module,
    Parameter,
    Receiver,
    Setup,
    Sheet,
)
from knobwright.core.sheet.templates import Templates, Vocabulary
from knobwright.core.sheet.walk import Tree
from knobwright.core.sheet.words import DATA

_CHANNELS = re.compile(r"\s*([0-9]{1,2})\s*(?:-\s*([0-9]{1,2})\s*)?\Z")
_MAP_SIZES = {"channel": 16, "key": 128, "device": 128}


def build(tree: Tree, findings: Findings, words: Vocabulary) -> Sheet:
    """Return the sheet's own records (includes are joined later) without what is faulty.

    Every fault is reported in ``findings``; with any, the sheet is good for further checks only.
    """
    checksums = _checksums(tree.get("checksum", {}), findings, words)
    maps = _maps(tree.get("map", {}), findings)
    templates = Templates(findings, checksums, maps)
    programs = build_programs(tree, findings, templates)
    return Sheet(
        module=_module(tree.get("module", {}), findings),
        receiver=Receiver(**tree.get("receiver", {})),
        setup=_setup(tree.get("setup", []), templates),
        programs=programs,
        program=build_program(tree.get("program", []), findings, programs),
        kits=build_kits(tree.get("kit", []), findings, programs),
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
            hint = findings.close(rule, known, f"known rules: {', '.join(known)}")
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
        if not re.fullmatch(r"[0-9A-Fa-f]{2}", text) or int(text, 16) > 0x7E:
            message = f"a device id is two hex digits, 00 to 7E, not {text!r}"
            hint = "7F calls every device: write it into the lines themselves"
            findings.fault(("module", "device_ids"), message, hint)
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
            hint = findings.close(packing, known, f"known: {', '.join(known)}")
            findings.fault((*path, "packing"), f"there is no packing {packing!r}", hint)
        template = templates.build(tree, path, "block", about=key)
        request = None
        if "request" in tree:
            request = templates.build(
                tree,
                path,
                "request",
                about=key,
                line_key="request",
                checksum_key="request_checksum",
            )
        if template is None:
            continue
        if sum(cell.kind == DATA for cell in template.line.cells()) != 1:
            findings.fault((*path, "line"), "the line of a block holds data* once", about=key)
        elif len(template.line.messages) > 1:
            findings.fault((*path, "line"), "the line of a block is one message", about=key)
        used = dict((*template.maps, *(request.maps if request else ())))
        for letter in tree.get("map", {}) if request else ():
            if letter not in used:
                message = f"the map letter {letter!r} stands in neither of the block's lines"
                findings.fault((*path, "map"), message, about=key)
        if key in found:
            findings.fault((*path, "key"), f"there are two blocks {key!r}")
        rest = {k: tree[k] for k in ("label", "size", "danger") if k in tree}
        place = tree.get("from", "")
        found[key] = Block(key, template, request=request, packing=packing, place=place, **rest)
    return tuple(found.values())

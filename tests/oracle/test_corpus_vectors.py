"""The bytes worked by hand in the corpus are those that the codec sends, and the oracle hears.

For every answer of ``tests/corpus/*/answers.toml`` a sheet with that one parameter is written,
each of its values is encoded, and the bytes are compared.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from tests.oracle.description import Value
from tests.oracle.receiver import Receiver

CORPUS = Path(__file__).parents[1] / "corpus"
Table = dict[str, Any]


class Answer(NamedTuple):
    """One answered row of a leaflet that has bytes worked out."""

    leaflet: str
    number: int
    device: int
    table: Table

    @property
    def title(self) -> str:
        """Return what to call the row in a message."""
        return f"{self.leaflet}, row {self.number} {self.table['section']} / {self.table['label']}"


def _sends(table: Table) -> list[tuple[Table, list[bytes]]]:
    return [
        (row, [bytes.fromhex(message) for message in row["bytes"].split("|")])
        for row in table.get("sends", [])
    ]


def _device_ids(table: Table) -> set[tuple[str, int]]:
    """Return the device ids that stand in the worked bytes: whole bytes and half bytes."""
    words = [w for w in _texts(table["line"])[0].split() if w not in "[]"]
    found: set[tuple[str, int]] = set()
    for _, messages in _sends(table):
        for word, byte in zip(words, messages[0], strict=False):
            if word == "id":
                found.add(("id", byte))
            elif word[1:] == "i":
                found.add(("half", byte % 16))
    return found


def _texts(line: str | list[str]) -> list[str]:
    return [line] if isinstance(line, str) else line


def _device(name: str, tables: list[Table]) -> int:
    """Return the one device id that a leaflet's vectors are for."""
    found = {item for table in tables for item in _device_ids(table)}
    whole = {byte for kind, byte in found if kind == "id"}
    half = {byte for kind, byte in found if kind == "half"}
    assert len(whole) <= 1, f"{name}: {whole}"
    assert len(half) <= 1, f"{name}: {half}"
    if whole and half:
        assert {byte % 16 for byte in whole} == half, name
    return next(iter(whole or half), 0x10)


def _answers() -> list[Answer]:
    answers: list[Answer] = []
    for path in sorted(CORPUS.glob("*/answers.toml")):
        tables: list[Table] = tomllib.loads(path.read_text("utf-8"))["parameter"]
        worked = [(i, table) for i, table in enumerate(tables, 1) if "sends" in table]
        device = _device(path.parent.name, [table for _, table in worked])
        answers += [Answer(path.parent.name, i, device, table) for i, table in worked]
    return answers


def _toml(value: Any) -> str:
    """Return a value as TOML; a JSON string, number or list is one."""
    if isinstance(value, dict):
        rows = ", ".join(f"{json.dumps(str(k))} = {_toml(v)}" for k, v in value.items())
        return "{ " + rows + " }"
    return json.dumps(value, ensure_ascii=False)


def sheet_of(answer: Answer) -> str:
    """Return a sheet whose only parameter is the answered row."""
    table = answer.table
    lines = [
        "format = 1",
        "[module]",
        'name = "Invented"',
        f'device_ids = ["{answer.device:02X}"]',
    ]
    for number, rule in enumerate(_texts(table.get("checksum", []))):
        lines += [f"[checksum.rule{number}]", f'rule = "{rule}"']
    for letter, one in table.get("maps", {}).items():
        lines += [f"[map.{letter * 3}]", f"of = {_toml(one['of'])}", f"values = {one['values']}"]
    lines += ["[[parameter]]", 'key = "it"']
    for key in ("line", "range", "per", "choices", "coding", "zero", "type", "default"):
        if key in table:
            lines.append(f"{key} = {_toml(table[key])}")
    values = [row["value"] for row, _ in _sends(table)]
    if "type" not in table and not isinstance(values[0], int):  # a run: its values tell the type
        lines.append('type = "text"' if isinstance(values[0], str) else 'type = "list"')
    if "maps" in table:
        lines.append("map = " + _toml({letter: letter * 3 for letter in table["maps"]}))
    return "\n".join(lines) + "\n"


def _value(raw: Any) -> Value:
    return tuple(raw) if isinstance(raw, list) else raw


ANSWERS = _answers()


@pytest.mark.parametrize("leaflet", sorted({answer.leaflet for answer in ANSWERS}))
def test_the_codec_sends_the_worked_bytes(leaflet: str) -> None:
    wrong: list[str] = []
    for answer in (a for a in ANSWERS if a.leaflet == leaflet):
        codec = Codec(check_sheet(sheet_of(answer), name=answer.title).require())
        for row, messages in _sends(answer.table):
            sent = codec.encode(
                "it", _value(row["value"]), row.get("channel", 1), row.get("key"), danger=True
            )
            if list(sent) != messages:
                ours = " | ".join(message.hex(" ").upper() for message in sent)
                wrong.append(f"{answer.title}, value {row['value']}: {ours}, not {row['bytes']}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("leaflet", sorted({answer.leaflet for answer in ANSWERS}))
def test_the_oracle_hears_the_worked_bytes(leaflet: str) -> None:
    wrong: list[str] = []
    for answer in (a for a in ANSWERS if a.leaflet == leaflet):
        for row, messages in _sends(answer.table):
            receiver = Receiver(sheet_of(answer))
            receiver.receive(b"".join(messages))
            heard = receiver.value("it", row.get("channel", 1), row.get("key"))
            value = _value(row["value"])
            if heard != (value.rstrip(" ") if isinstance(value, str) else value):
                wrong.append(f"{answer.title}, {row['bytes']}: {heard}, not {value}")
    assert not wrong, "\n".join(wrong)


def test_the_corpus_has_many_vectors() -> None:
    n_vectors = sum(len(answer.table["sends"]) for answer in ANSWERS)
    assert len(ANSWERS) > 900
    assert n_vectors > 2000

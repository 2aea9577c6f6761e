"""Reads the script of a far end: ``NAME.script.toml``.

::

    format = 1
    ignore = ["F8", "FE"]              # messages that are passed over

    [[step]]                           # an exchange
    expect = "F0 7E ?? 06 01 F7"       # ?? is any byte; without it the reply comes by itself
    reply = ["F0 7E 10 06 02 7D 00 00 00 00 00 00 00 00 F7"]
    after_ms = 5

    [through]                          # or a pass-through, instead of steps
    seed = 1
    baud = 31250                       # 0: takes no time
    [[through.fault]]
    name = "exclusive-cut"             # see throughs.py
    n_bytes = 32

    [away]                             # a far end that goes away, again and again
    after_bytes = 200
    for_ms = 500
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any, NamedTuple

from knobwright.adapters.ports.throughs import Fault, fault
from knobwright.core.errors import DecodeError, InputError, SheetError
from knobwright.core.sheet.faults import FAULT, Findings
from knobwright.core.sheet.places import Path, Places, longest_key
from knobwright.core.sheet.walk import too_large
from knobwright.core.wire import check_whole

FORMAT = 1
MAX_BYTES = 1 << 20
#: Longest dotted key, in parts; the format needs two.
MAX_KEY_PARTS = 16
_MAX_MS = 3_600_000

_BYTE = re.compile(r"[0-9A-Fa-f]{2}|\?\?")


class Step(NamedTuple):
    """One exchange.

    ``expect`` holds a byte, or ``None`` for any, for each byte of the message expected; it is empty
    where the reply comes by itself. ``after_ns`` is the time from the message (or from the step
    before) to the reply.
    """

    expect: tuple[int | None, ...]
    reply: tuple[bytes, ...]
    after_ns: int

    def fits(self, message: bytes) -> bool:
        """Return whether a message is the one expected."""
        return len(message) == len(self.expect) and all(
            want in (None, byte) for want, byte in zip(self.expect, message, strict=True)
        )

    def words(self) -> str:
        """Return what is expected, in hex."""
        return " ".join("??" if want is None else f"{want:02X}" for want in self.expect)


class Away(NamedTuple):
    """The far end goes away after so many bytes, for a time in nanoseconds."""

    after_bytes: int
    for_ns: int


class Script(NamedTuple):
    """What a far end does; ``faults`` is ``None`` where it follows steps.

    ``seed`` and ``baud`` are ``None`` where the port's settings decide.
    """

    steps: tuple[Step, ...]
    ignore: frozenset[bytes]
    faults: tuple[Fault, ...] | None
    seed: int | None
    baud: int | None
    away: Away | None


_KEYS: dict[str, dict[str, type]] = {
    "": {"format": int, "ignore": list, "step": list, "through": dict, "away": dict},
    "step": {"expect": str, "reply": object, "after_ms": int},
    "through": {"seed": int, "baud": int, "fault": list},
    "away": {"after_bytes": int, "for_ms": int},
}
_KIND_WORDS = {int: "a whole number", str: "a text", list: "a list", dict: "a table"}


def read_script(text: str, name: str) -> Script:
    """Return the script that a text holds.

    Raises
    ------
    SheetError
        With every fault in ``faults``, each with its line.
    """
    try:
        if longest_key(text, MAX_KEY_PARTS):
            raise SheetError("a key of this script has too many parts", where=name)
        tree = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise SheetError(f"the script is no TOML: {str(error)[:200]}", where=name) from error
    findings = Findings(Places(text))
    for path, message in too_large(tree):
        findings.fault(path, message)
    script = _Reader(findings).script(tree) if not findings.n_faults else None
    if script is None or findings.n_faults:
        faults = tuple(str(fault) for fault in findings.of(FAULT))
        n_more = f"; and {len(faults) - 8} more" if len(faults) > 8 else ""
        raise SheetError(f"{'; '.join(faults[:8])}{n_more}", where=name, faults=faults)
    return script


class _Reader:
    """Builds the records and reports every fault."""

    def __init__(self, findings: Findings) -> None:
        self._findings = findings

    def script(self, tree: dict[str, Any]) -> Script:
        good = self._table(tree, "", ())
        if good.get("format") != FORMAT:
            self._findings.fault(("format",), f"a script begins with format = {FORMAT}")
        if "through" in good and "step" in good:
            message = "a script follows steps or is a pass-through, not both"
            self._findings.fault(("through",), message)
        if "through" not in good and "step" not in good:
            hint = "write [[step]] tables or a [through]"
            self._findings.fault((), "this script says nothing", hint)
        through = self._table(good.get("through", {}), "through", ("through",))
        baud = self._number(through, "baud", ("through",), 0, 10_000_000)
        return Script(
            steps=tuple(
                self._step(item, ("step", i)) for i, item in self._tables(good, "step", ())
            ),
            ignore=frozenset(self._messages(good.get("ignore", []), ("ignore",))),
            faults=self._faults(through) if "through" in good else None,
            seed=through.get("seed"),
            baud=baud,
            away=self._away(good),
        )

    def _table(self, tree: Mapping[str, Any], name: str, path: Path) -> dict[str, Any]:
        """Return what of a table is known and of the right kind."""
        known = _KEYS[name]
        good = {}
        for key, value in tree.items():
            kind = known.get(key)
            if kind is None:
                hint = self._findings.close(key, known, f"known keys: {', '.join(known)}")
                self._findings.fault((*path, key), f"there is no key {key!r} here", hint)
            elif not isinstance(value, kind) or isinstance(value, bool):
                self._findings.fault((*path, key), f"{key} is {_KIND_WORDS[kind]}")
            else:
                good[key] = value
        return good

    def _tables(
        self, tree: dict[str, Any], key: str, path: Path
    ) -> list[tuple[int, dict[str, Any]]]:
        """Return the tables of a list of tables, each with its number."""
        found = []
        for i, item in enumerate(tree.get(key, [])):
            if isinstance(item, dict):
                found.append((i, item))
            else:
                self._findings.fault((*path, key, i), f"each {key} is a table: [[{key}]]")
        return found

    def _number(
        self, tree: dict[str, Any], key: str, path: Path, low: int, high: int
    ) -> int | None:
        value: int | None = tree.get(key)
        if value is not None and not low <= value <= high:
            self._findings.fault((*path, key), f"{key} is {low} to {high}, not {value}")
        return value

    def _step(self, item: dict[str, Any], path: Path) -> Step:
        good = self._table(item, "step", path)
        after_ms = self._number(good, "after_ms", path, 0, _MAX_MS) or 0
        expect = self._pattern(good["expect"], (*path, "expect")) if "expect" in good else ()
        reply = good.get("reply", [])
        if isinstance(reply, str):
            reply = [reply]
        if not isinstance(reply, list):
            self._findings.fault((*path, "reply"), "reply is a text or a list of texts")
            reply = []
        if not expect and not reply and "expect" not in good:
            self._findings.fault(path, "a step expects something, replies something, or both")
        return Step(expect, self._messages(reply, (*path, "reply")), after_ms * 1_000_000)

    def _pattern(self, text: str, path: Path) -> tuple[int | None, ...]:
        words = text.split()
        if not words or not all(_BYTE.fullmatch(word) for word in words):
            self._findings.fault(path, f"hex bytes, or ?? for any, are expected, not {text!r}")
            return ()
        if words[0] != "??" and int(words[0], 16) < 0x80:
            self._findings.fault(path, f"a message begins with a status byte, not {words[0]}")
        return tuple(None if word == "??" else int(word, 16) for word in words)

    def _messages(self, texts: list[Any], path: Path) -> tuple[bytes, ...]:
        found = []
        for i, text in enumerate(texts):
            try:
                message = bytes.fromhex(text)
                check_whole(message)
                found.append(message)
            except DecodeError as error:
                self._findings.fault((*path, i), error.message, error.hint)
            except (ValueError, TypeError):
                self._findings.fault((*path, i), f"a message in hex is expected, not {text!r}")
        return tuple(found)

    def _faults(self, through: dict[str, Any]) -> tuple[Fault, ...]:
        found = []
        for i, item in self._tables(through, "fault", ("through",)):
            path: Path = ("through", "fault", i)
            numbers = {key: value for key, value in item.items() if key != "name"}
            wrong = [key for key, value in numbers.items() if type(value) is not int]
            for key in wrong:
                self._findings.fault((*path, key), f"{key} is a whole number")
            if not isinstance(item.get("name"), str):
                self._findings.fault(path, "a fault has a name")
            elif not wrong:
                try:
                    found.append(fault(item["name"], **numbers))
                except InputError as error:
                    self._findings.fault(path, error.message, error.hint)
        return tuple(found)

    def _away(self, tree: dict[str, Any]) -> Away | None:
        if "away" not in tree:
            return None
        good = self._table(tree["away"], "away", ("away",))
        for key in _KEYS["away"]:
            if key not in good:
                self._findings.fault(("away",), f"{key!r} is missing in [away]")
        after = self._number(good, "after_bytes", ("away",), 1, 1 << 30)
        for_ms = self._number(good, "for_ms", ("away",), 0, _MAX_MS)
        return Away(after or 1, (for_ms or 0) * 1_000_000)

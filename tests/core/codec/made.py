"""Sheets made at random: parameters of every form, whose lines never share bytes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from hypothesis import strategies as st

from tests.core.codec.small import HEAD, MAPS, SUMS, table

#: A layout of a value's bits: the words of the line, and how many bits they carry.
LAYOUTS: tuple[tuple[str, int], ...] = (
    ("vv", 7),
    ("vh vl", 14),
    ("vl vh", 14),
    ("v1 v0", 8),
    ("v3 v2 v1 v0", 16),
    ("v0 v1 v2", 12),
    ("0v", 4),
    ("3v", 4),
    ("v:20-14 v:13-7 v:6-0", 21),
    ("v:2-0 v:9-3", 10),
    ("v:0-0", 1),
)
#: Data behind a selection: the words and the number of bits.
DATA = (("06 vv", 7), ("06 vh 26 vl", 14), ("06 0v", 4), ("06 05 26 vv", 7), ("06 vv 26 00", 7))
CODINGS = ("plain", "plain", "plain", "twos", "sign-magnitude", "offset")
CHECKSUMS = ("", "negated", "plain", "xor", "ones")
#: Controllers that no other kind of line takes, and pairs of them.
SINGLES = [*range(64, 96), *range(102, 120)]
PAIRS = [c for c in range(1, 32) if c != 6]


class Made(NamedTuple):
    """A made sheet: its text, and for each key what it may need set before (key to raw)."""

    text: str
    needs: dict[str, dict[str, int]]


class _Numbers:
    """Hands out addresses and numbers, each once."""

    def __init__(self, draw: Callable[[Any], Any]) -> None:
        self.draw = draw
        self.n = 0
        self.singles = list(draw(st.permutations(SINGLES)))
        self.pairs = list(draw(st.permutations(PAIRS)))

    def next(self) -> str:
        """Return two bytes in hex that no other line has."""
        self.n += 1
        return f"{self.n // 100 + 5:02X} {self.n % 100:02X}"

    def next_high(self) -> str:
        """Return a high number in hex with all its low numbers."""
        self.n = (self.n // 100 + 2) * 100
        return f"{self.n // 100 + 4:02X}"


def _limits(coding: str, n_bits: int, zero: int | None) -> tuple[int, int]:
    # Written apart from the codec's own table, from the words of docs/reference/sheet.md.
    if coding == "twos":
        return -(2 ** (n_bits - 1)), 2 ** (n_bits - 1) - 1
    if coding == "sign-magnitude":
        return -(2 ** (n_bits - 1)) + 1, 2 ** (n_bits - 1) - 1
    if coding == "offset":
        low = -(2 ** (n_bits - 1)) if zero is None else -zero
        return low, low + 2**n_bits - 1
    return 0, 2**n_bits - 1


@st.composite
def _range(draw: Callable[[Any], Any], low: int, high: int) -> list[Any]:
    ends = sorted(draw(st.lists(st.integers(low, high), min_size=2, max_size=2)))
    if draw(st.booleans()) or ends[1] - ends[0] < 8:
        return ends
    middle = draw(st.integers(ends[0] + 2, ends[1] - 2))
    return [[ends[0], middle - 1], [middle + 1, ends[1]]]


def _number_keys(draw: Callable[[Any], Any], n_bits: int) -> dict[str, Any]:
    """Return coding, zero, range of a number, some of them left out."""
    coding = draw(st.sampled_from(CODINGS)) if n_bits > 1 else "plain"
    keys: dict[str, Any] = {} if coding == "plain" else {"coding": coding}
    zero = None
    if coding == "offset" and draw(st.booleans()):
        zero = keys["zero"] = draw(st.integers(-5, 2**n_bits - 1))
    if draw(st.booleans()):
        keys["range"] = draw(_range(*_limits(coding, n_bits, zero)))
    return keys


def _line_nrpn(draw: Callable[[Any], Any], numbers: _Numbers) -> tuple[dict[str, Any], int]:
    high, low = numbers.next().split()
    form = draw(st.sampled_from(("63 62", "62 63", "65 64", "64 65", "key", "kind")))
    keys: dict[str, Any] = {"per": ["channel"]}
    if form == "key":
        keys["per"] = ["channel", "key"]
        word = draw(st.sampled_from(("kk", "xx")))
        if word == "xx":
            keys["map"] = {"x": "turned"}
        selectors = f"Bn 63 {numbers.next_high()} 62 {word}"
    elif form == "kind":
        selectors = f"Bp 63 {high} 62 {low}"
        keys["map"] = {"p": "part"}
    else:
        first, second = form.split()
        both = {"63": high, "62": low, "65": high, "64": low}
        selectors = f"Bn {first} {both[first]} {second} {both[second]}"
    data, n_bits = draw(st.sampled_from(DATA))
    keys["line"] = f"{selectors} {data}"
    return keys, n_bits


def _line_controller(draw: Callable[[Any], Any], numbers: _Numbers) -> tuple[dict[str, Any], int]:
    keys: dict[str, Any] = {"per": ["channel"]}
    if draw(st.booleans()):
        keys["line"] = f"Bn {numbers.singles.pop():02X} vv"
        return keys, 7
    c = numbers.pairs.pop()
    high_first = draw(st.booleans())
    words = (f"{c:02X} vh", f"{c + 32:02X} vl")
    keys["line"] = "Bn " + " ".join(words if high_first else words[::-1])
    return keys, 14


def _body(draw: Callable[[Any], Any], words: str, address: str) -> tuple[str, dict[str, Any]]:
    """Return an exclusive body with or without checksums, and its keys."""
    first = draw(st.sampled_from(CHECKSUMS))
    if not first:
        return f"{address} {words}", {}
    second = draw(st.sampled_from(CHECKSUMS))
    if second:
        return f"[ {address} ] cs [ {words} ] cs", {"checksum": [first, second]}
    if draw(st.booleans()):
        return f"[ {address} {words} ] cs", {"checksum": first}
    return f"[ {address} ] cs {words}", {"checksum": first}


def _line_exclusive(draw: Callable[[Any], Any], numbers: _Numbers) -> tuple[dict[str, Any], int]:
    layout, n_bits = draw(st.sampled_from(LAYOUTS))
    form = draw(st.sampled_from(("", "0n", "4p", "kk", "nn", "xx")))
    keys: dict[str, Any] = {}
    if form in ("0n", "nn", "4p"):
        keys["per"] = ["channel"]
    if form in ("kk", "xx"):
        keys["per"] = ["key"]
    if form in ("4p", "xx"):
        keys["map"] = {form[1]: "part" if form == "4p" else "turned"}
    address = f"{numbers.next()} {form}".strip()
    body, sums = _body(draw, layout, address)
    device = draw(st.sampled_from(("id", "10", "1i")))
    keys["line"] = f"F0 7D {device} {body} F7"
    if draw(st.booleans()) and not form:
        keys["line"] = [f"F0 7D 7B {numbers.next()} F7", keys["line"]]
    return keys | sums, n_bits


def _line_run(draw: Callable[[Any], Any], numbers: _Numbers) -> dict[str, Any]:
    n_bytes = draw(st.integers(1, 12))
    body, sums = _body(draw, f"t*{n_bytes}", numbers.next())
    kind = draw(st.sampled_from(("text", "list", "mask")))
    keys = {"line": f"F0 7D id {body} F7", "type": kind}
    return keys | sums | (_number_keys(draw, 7) if kind == "list" else {})


def _routes(
    draw: Callable[[Any], Any], numbers: _Numbers, per: list[str], n_bits: int
) -> list[dict[str, Any]]:
    """Return other ways to the same parameter: finer, coarse, preferred."""
    if per == ["key"] or draw(st.integers(0, 2)):
        return []
    place = {(): "", ("channel",): " 0n", ("channel", "key"): " 0n kk"}[tuple(per)]
    slices = [(high, max(high - 6, 0)) for high in range(n_bits - 1, -1, -7)]
    words = " ".join(f"v:{high}-{low}" for high, low in slices)
    routes: list[dict[str, Any]] = [
        {
            "line": f"F0 7D id {numbers.next()}{place} {words} F7",
            "prefer": draw(st.booleans()),
        }
    ]
    if per == ["channel"] and n_bits == 14:
        routes.append({"line": f"Bn {numbers.singles.pop():02X} vh"})
    return routes


def _one(draw: Callable[[Any], Any], numbers: _Numbers) -> tuple[dict[str, Any], int]:
    """Return the keys of a parameter and its number of value bits (0: a run or an action)."""
    kind = draw(st.sampled_from(("nrpn", "controller", "exclusive", "exclusive", "run", "action")))
    if kind == "run":
        return _line_run(draw, numbers), 0
    if kind == "action":
        line = draw(
            st.sampled_from(
                ("F0 7D id {} F7", "Bn 63 {0} 62 {1}", "Bn 65 {0} 64 {1} 06 00", "Bn {c} 00")
            )
        )
        high, low = numbers.next().split()
        c = f"{numbers.singles.pop():02X}" if "{c}" in line else ""
        text = line.replace("{}", f"{high} {low}").format(high, low, c=c)
        return {"line": text, "per": ["channel"] if text[0] == "B" else []}, 0
    make = {"nrpn": _line_nrpn, "controller": _line_controller, "exclusive": _line_exclusive}[kind]
    keys, n_bits = make(draw, numbers)
    return keys | _number_keys(draw, n_bits), n_bits


@st.composite
def sheets(draw: Callable[[Any], Any]) -> Made:
    """Make a valid sheet."""
    numbers = _Numbers(draw)
    text = HEAD + SUMS + MAPS
    plain: list[tuple[str, list[str], int]] = []
    for i in range(draw(st.integers(1, 6))):
        keys, n_bits = _one(draw, numbers)
        key = f"p{i}"
        text += table("parameter", {"key": key, **keys})
        if n_bits:
            plain.append((key, keys.get("per", []), n_bits))
            for route in _routes(draw, numbers, keys.get("per", []), n_bits):
                text += table("parameter.route", route)
    text += _with_other(draw, numbers, plain)
    more, needs = _with_conditions(draw, numbers)
    return Made(text + more, needs)


def _with_other(
    draw: Callable[[Any], Any], numbers: _Numbers, plain: list[tuple[str, list[str], int]]
) -> str:
    """Return a parameter that is sent together with another one, if there is one to join."""
    usable = [p for p in plain if "key" not in p[1] and p[2] <= 14]
    if not usable or draw(st.booleans()):
        return ""
    other, per, n_bits = draw(st.sampled_from(usable))
    place = " 0n" if per else ""
    parts = f"{{{other}:13-7}} {{{other}:6-0}}" if n_bits > 7 else f"{{{other}}}"
    body, sums = _body(draw, f"vv {parts}", numbers.next() + place)
    keys = {"key": "joined", "per": per, "line": f"F0 7D id {body} F7"}
    return table("parameter", keys | sums)


def _with_conditions(
    draw: Callable[[Any], Any], numbers: _Numbers
) -> tuple[str, dict[str, dict[str, int]]]:
    """Return parameters with the same bytes that are in effect at different times."""
    if draw(st.booleans()):
        return "", {}
    switch = {"key": "kind", "line": f"F0 7D id {numbers.next()} vv F7", "range": [0, 3]}
    line = draw(st.sampled_from(("F0 7D id {} 0n vv F7", "Bn 63 {0} 62 {1} 06 vv")))
    high, low = numbers.next().split()
    line = line.replace("{}", f"{high} {low}").format(high, low)
    text = table("parameter", switch)
    needs: dict[str, dict[str, int]] = {}
    for i in range(3):
        keys = {"key": f"during{i}", "line": line, "per": ["channel"], "when": {"kind": [i]}}
        text += table("parameter", keys)
        needs[f"during{i}"] = {"kind": i}
    return text, needs

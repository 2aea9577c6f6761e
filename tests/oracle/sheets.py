"""Sheets of invented modules that between them use every word of the notation.

Each is the text of a sheet; docs/reference/sheet.md says what is meant.
"""

from __future__ import annotations

import functools
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
STANDARD = ROOT / "src/knobwright/core/sheet/standard"

_HEAD = """
format = 1
[module]
name = "Invented"
maker_id = "7D"
device_ids = ["10", "23"]
"""

#: Channel messages: single, split, selected, low part first, by key, sent with another value.
CHANNEL = (
    _HEAD
    + """
drum_channels = [10]
[programs]
line = "Bn 00 bh 20 bl Cn pp"
first = 1
[[parameter]]
key = "level"
per = ["channel"]
line = "Bn 07 vv"
[[parameter]]
key = "level.fine"
per = ["channel"]
line = "Bn 0B vh 2B vl"
[[parameter]]
key = "pressure"
per = ["channel"]
line = "Dn vv"
[[parameter]]
key = "pressure.key"
per = ["channel", "key"]
line = "An kk vv"
[[parameter]]
key = "bend"
per = ["channel"]
line = "En vl vh"
[[parameter]]
key = "release"
per = ["channel", "key"]
line = "8n kk vv"
[[parameter]]
key = "song"
line = "F3 vv"
[[parameter]]
key = "position"
line = "F2 vl vh"
[[parameter]]
key = "voice"
per = ["channel"]
line = "Bn 14 7A 15 01 16 vv"
[[parameter]]
key = "bright"
per = ["channel"]
line = "Bn 63 05 62 12 06 vv"
range = [[0, 15], [32, 47]]
[[parameter]]
key = "tune"
per = ["channel"]
line = "Bn 63 05 62 13 06 vh 26 vl"
coding = "offset"
[[parameter.route]]
line = "Bn 63 05 62 13 06 vh"
[[parameter.route]]
line = "Bn 50 vh"
[[parameter]]
key = "tune.low.first"
per = ["channel"]
line = "Bn 63 05 62 14 06 vl 26 vh"
[[parameter]]
key = "tune.back.to.front"
per = ["channel"]
line = "Bn 62 15 63 05 26 vl 06 vh"
[[parameter]]
key = "fine"
per = ["channel"]
line = "Bn 63 05 62 17 06 vh 26 vl"
[[parameter]]
key = "wave"
per = ["channel"]
line = "Bn 63 05 62 16 06 vv"
choices = { 0 = "sine", 1 = "square", 5 = "noise" }
[[parameter]]
key = "coarse"
per = ["channel"]
line = "Bn 65 00 64 02 06 vv"
coding = "offset"
range = [-24, 24]
[[parameter]]
key = "bend.range"
per = ["channel"]
line = "Bn 65 00 64 00 06 vv 26 {bend.cents}"
range = [0, 24]
default = 2
[[parameter]]
key = "bend.cents"
per = ["channel"]
line = "Bn 65 00 64 00 06 {bend.range} 26 vv"
range = [0, 99]
default = 0
[[parameter]]
key = "drum.pitch"
per = ["key"]
line = "B9 63 18 62 kk 06 vv"
[[parameter]]
key = "drum.pan"
per = ["channel", "key"]
line = "Bn 63 1C 62 kk 06 vv"
[[parameter]]
key = "quiet"
per = ["channel"]
line = "Bn 78 00"
[[parameter]]
key = "store"
per = ["channel"]
line = "Bn 63 05 62 7E 06 00"
danger = "writes over what is stored"
[[parameter]]
key = "cutoff"
per = ["channel"]
line = "Bn 63 05 62 20 06 vv"
[[parameter.route]]
line = "Bn 4A vv"
prefer = true
"""
)

#: Exclusive messages: ids, half bytes, maps, slices, codings, other values, runs, sequences.
EXCLUSIVE = (
    _HEAD
    + """
[map.part]
of = "channel"
values = [1, 2, 3, 4, 5, 6, 7, 8, 9, 0, 10, 11, 12, 13, 14, 15]
[map.pads]
of = "key"
values = ["""
    + ", ".join(str((key * 5 + 3) % 128) for key in range(128))
    + """]
[map.unit]
of = "device"
values = ["""
    + ", ".join(str(127 - device) for device in range(128))
    + """]
[map.up]
of = "channel"
values = [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 2]
[map.mid]
of = "channel"
values = [0, 0, 0, 0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 0, 0]
[map.down]
of = "channel"
values = [1, 2, 4, 8, 16, 32, 64, 0, 0, 0, 0, 0, 0, 0, 0, 0]
[[parameter]]
key = "plain"
line = "F0 7D id 01 vv F7"
[[parameter]]
key = "all.call"
line = "F0 7D 7F 01 vv F7"
[[parameter]]
key = "id.low"
line = "F0 7D 1i 02 vv F7"
[[parameter]]
key = "id.zero"
line = "F0 7D 0i 02 vv F7"
[[parameter]]
key = "id.map"
line = "F0 7D uu 03 vv F7"
map = { u = "unit" }
[[parameter]]
key = "part.nibble"
per = ["channel"]
line = "F0 7D id 43 0n vv F7"
[[parameter]]
key = "part.byte"
per = ["channel"]
line = "F0 7D id 04 nn vv F7"
[[parameter]]
key = "part.map"
per = ["channel"]
line = "F0 7D id 05 4p vv F7"
map = { p = "part" }
[[parameter]]
key = "part.three"
per = ["channel"]
line = "F0 7D id 06 xx yy zz vv F7"
map = { x = "up", y = "mid", z = "down" }
[[parameter]]
key = "pad"
per = ["key"]
line = "F0 7D id 07 kk vv F7"
[[parameter]]
key = "pad.map"
per = ["channel", "key"]
line = "F0 7D id 08 0n yy vv F7"
map = { y = "pads" }
[[parameter]]
key = "half"
line = "F0 7D id 09 3v F7"
[[parameter]]
key = "high.first"
line = "F0 7D id 0A vh vl F7"
range = [0, 1000]
[[parameter]]
key = "low.first"
line = "F0 7D id 0B vl vh F7"
coding = "twos"
range = [-8192, 8191]
[[parameter]]
key = "nibbles"
line = "F0 7D id 0C v3 v2 v1 v0 F7"
coding = "twos"
[[parameter]]
key = "two.nibbles"
line = "F0 7D id 0D v1 v0 F7"
coding = "sign-magnitude"
[[parameter]]
key = "three.sevens"
line = "F0 7D id 0E v:20-14 v:13-7 v:6-0 F7"
[[parameter]]
key = "odd.slices"
line = "F0 7D id 0F v:4-0 v:10-8 v:7-5 F7"
[[parameter]]
key = "from.fifty"
line = "F0 7D id 10 vv F7"
coding = "offset"
zero = 50
range = [-50, 50]
[[parameter]]
key = "pair.a"
line = "F0 7D id 11 vv {pair.b:13-7} {pair.b:6-0} F7"
default = 3
[[parameter]]
key = "pair.b"
line = "F0 7D id 11 {pair.a} vh vl F7"
coding = "twos"
default = -1
[[parameter]]
key = "title"
line = "F0 7D id 12 t*8 F7"
type = "text"
[[parameter]]
key = "steps"
per = ["channel"]
line = "F0 7D id 13 0n t*12 F7"
type = "list"
range = [0, 99]
[[parameter]]
key = "muted"
line = "F0 7D id 14 t*3 F7"
type = "mask"
[[parameter]]
key = "paged"
line = ["F0 7D id 15 01 F7", "F0 7D id 16 vv F7"]
[[parameter]]
key = "paged.too"
line = ["F0 7D id 15 02 F7", "F0 7D id 16 vv F7"]
[[parameter]]
key = "in.two"
line = ["F0 7D id 17 vh F7", "F0 7D id 18 vl F7"]
[[parameter]]
key = "reset"
line = "F0 7D id 19 F7"
[[parameter]]
key = "kind"
line = "F0 7D id 1A vv F7"
choices = { 0 = "short", 1 = "long" }
[[parameter]]
key = "time.short"
line = "F0 7D id 1B vv F7"
when = { kind = ["short"] }
[[parameter]]
key = "time.long"
line = "F0 7D id 1B vv F7"
when = { kind = [1] }
"""
)

#: Checksums: each rule, over different spans, two in a line, one inside the other.
SUMS = (
    _HEAD
    + """
[checksum.negated]
rule = "negated-sum-7"
[checksum.plain]
rule = "sum-7"
[checksum.either]
rule = "xor-7"
[checksum.ones]
rule = "ones-complement-7"
[[parameter]]
key = "negated"
per = ["channel"]
line = "F0 7D id 42 [ 3n 07 vh vl ] cs F7"
checksum = "negated"
[[parameter]]
key = "plain"
line = "F0 7D id 43 [ 30 07 vh vl ] cs F7"
checksum = "plain"
[[parameter]]
key = "either"
line = "F0 [ 7D id 44 30 07 vh vl ] cs F7"
checksum = "either"
[[parameter]]
key = "ones"
line = "F0 7D [ id 45 30 ] 07 vh vl cs F7"
checksum = "ones"
[[parameter]]
key = "two.sums"
line = "F0 7D id 46 [ 30 07 ] cs [ vh vl ] cs F7"
checksum = ["plain", "negated"]
[[parameter]]
key = "nested"
line = "F0 7D id 47 [ 30 [ vh vl ] cs ] cs F7"
checksum = ["either", "negated"]
[[parameter]]
key = "title"
line = "F0 7D id 48 [ t*6 ] cs F7"
checksum = "negated"
type = "text"
"""
)

#: Dumps: every packing, with values that stand in them.
DUMPS = (
    _HEAD
    + """
[checksum.sent]
rule = "negated-sum-7"
[checksum.before]
rule = "xor-7"
over = "unpacked"
[[block]]
key = "sevens"
request = "F0 7D id 11 00 F7"
line = "F0 7D id 12 00 [ data* ] cs F7"
size = 8
checksum = "sent"
[[block]]
key = "packed"
line = "F0 7D id 12 01 [ data* ] cs F7"
packing = "7-in-8"
size = 10
checksum = "before"
[[block]]
key = "halves"
line = "F0 7D id 12 02 [ data* ] cs F7"
packing = "nibbles"
size = 6
checksum = "sent"
[[block]]
key = "halves.low.first"
line = "F0 7D id 12 03 0n data* F7"
packing = "nibbles-low-first"
size = 6
[[parameter]]
key = "a"
line = "F0 7D id 20 vv F7"
at = { block = "sevens", byte = 3, bits = "6-0" }
[[parameter]]
key = "b"
line = "F0 7D id 21 vh vl F7"
at = [{ block = "packed", byte = 8, bits = "5-0" }, { block = "packed", byte = 2, bits = "7-0" }]
coding = "twos"
[[parameter]]
key = "c"
line = "F0 7D id 22 vv F7"
range = [0, 7]
at = { block = "halves", byte = 5, bits = "6-4" }
[[parameter]]
key = "d"
per = ["channel"]
line = "F0 7D id 23 0n v1 v0 F7"
coding = "offset"
at = { block = "halves.low.first", byte = 0, bits = "7-0" }
"""
)

INLINE: dict[str, str] = {
    "channel": CHANNEL,
    "exclusive": EXCLUSIVE,
    "sums": SUMS,
    "dumps": DUMPS,
}


def library() -> dict[str, str]:
    """Return the text of every standard sheet by its name."""
    paths = sorted(STANDARD.glob("*.sheet.toml"))
    return {path.name.removesuffix(".sheet.toml"): path.read_text("utf-8") for path in paths}


def every() -> dict[str, str]:
    """Return the text of every sheet there is: inline, standard and among the examples."""
    examples = sorted((ROOT / "examples").glob("**/*.sheet.toml"))
    return INLINE | library() | {path.name: path.read_text("utf-8") for path in examples}


@functools.cache
def tables(name: str) -> dict[str, dict[str, Any]]:
    """Return a sheet's parameter tables by key, those of its includes among them."""
    texts = every()
    tree = tomllib.loads(texts[name])
    found: dict[str, dict[str, Any]] = {}
    for included in tree.get("include", []):
        found |= tables(included)
    return found | {table["key"]: table for table in tree.get("parameter", [])}

"""Sheets of invented modules, and what tests do with them."""

from __future__ import annotations

from knobwright.adapters.files.standard import library
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.engine.standin import StandIn

#: An invented module with every kind of thing that a stand-in must hold.
WREN = """
format = 1
[module]
name = "Wren 2"
maker_id = "7D"
family = "04 00"
member = "02 00"
version = "00 01 00 00"
device_ids = ["10", "11"]
channels = "1-12"
drum_channels = [10]
[receiver]
replies = true
[programs]
line = "Bn 00 bh 20 bl Cn pp"
first = 1
[[program]]
number = 1
name = "Plain"
[[program]]
number = 4
bank = [0, 1]
name = "Bright"
[[kit]]
number = 1
name = "Studio"
names = { 36 = "low drum", 38 = "snare" }
[[setup]]
line = "F0 7E 7F 09 01 F7"
rest_ms = 100
[[setup]]
line = ["F0 7D id 01 F7", "F0 7D id 02 F7"]
[[setup]]
line = "F0 7D id 42 [ 30 05 20 ] cs F7"
[checksum.body]
rule = "negated-sum-7"
[[parameter]]
key = "modulation"
per = ["channel"]
line = "Bn 01 vv"
default = 0
[[parameter]]
key = "volume"
per = ["channel"]
line = "Bn 07 vv"
default = 100
[[parameter]]
key = "expression"
per = ["channel"]
line = "Bn 0B vv"
default = 127
[[parameter]]
key = "bend"
per = ["channel"]
line = "En vl vh"
default = 8192
[[parameter]]
key = "notes.off"
per = ["channel"]
line = "Bn 7B 00"
[[parameter]]
key = "controllers.reset"
per = ["channel"]
line = "Bn 79 00"
[[parameter]]
key = "brightness"
per = ["channel"]
line = "Bn 63 05 62 12 06 vv"
default = 64
[[parameter]]
key = "drum.level"
per = ["channel", "key"]
line = "Bn 63 1A 62 kk 06 vv"
default = 100
[[parameter]]
key = "hall.time"
line = "F0 7D id 42 [ 30 05 vv ] cs F7"
default = 64
at = { block = "effects", byte = 1, bits = "6-0" }
[[parameter]]
key = "echo.kind"
line = "F0 7D id 42 [ 31 02 vv ] cs F7"
choices = { 0 = "off", 1 = "short", 2 = "long" }
default = 0
at = { block = "effects", byte = 3, bits = "6-0" }
[[parameter]]
key = "echo.time"
line = "F0 7D id 42 [ 31 00 vh vl ] cs F7"
range = [0, 1000]
default = 300
when = { "echo.kind" = ["long"] }
at = [{ block = "effects", byte = 4 }, { block = "effects", byte = 5 }]
[[parameter]]
key = "echo.rate"
line = "F0 7D id 42 [ 31 05 vv ] cs F7"
when = { "echo.shape" = [1] }
[[parameter]]
key = "echo.shape"
line = "F0 7D id 42 [ 31 06 vv ] cs F7"
range = [0, 1]
[[parameter]]
key = "colour"
line = "F0 7D id 42 [ 30 07 vv ] cs F7"
[[block]]
key = "effects"
request = "F0 7D id 11 00 F7"
line = "F0 7D id 12 [ data* ] cs F7"
size = 8
[[question]]
about = "colour"
place = "page 2"
understood = "F0 7D id 42 [ 30 07 vv ] cs F7"
choices = { yes = "it is", no = "it is not" }
"""


def codec_of(text: str) -> Codec:
    """Return the codec of a sheet given as text."""
    return Codec(check_sheet(text, library=library()).require())


def stand_in(text: str = WREN) -> StandIn:
    """Return a stand-in of a sheet given as text."""
    return StandIn(codec_of(text))


def reasons(module: StandIn) -> list[str]:
    """Return why a stand-in ignored what it did, in order."""
    return [record.reason for record in module.ignored]

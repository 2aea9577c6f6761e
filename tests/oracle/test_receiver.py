"""The receiver itself against the standard, and against the codec's decoder on the same bytes.

Rows of the stream: MIDI 1.0 Detailed Specification 4.2.1 (1996), pages named beside them.
"""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

from knobwright.core.codec.events import Setting
from knobwright.core.wire import Message, Splitter
from tests.oracle import sheets
from tests.oracle.description import Value
from tests.oracle.pairs import Model, Pair, pair
from tests.oracle.receiver import Receiver
from tests.oracle.stream import Stream

STREAM_ROWS = [
    # p. A-1, the two worked strings
    ("90 3C 27 40 2B 43 25", "90 3C 27 | 90 40 2B | 90 43 25"),
    ("90 3C 27 3C 00 3E 29", "90 3C 27 | 90 3C 00 | 90 3E 29"),
    ("C0 05 06 D0 01 02", "C0 05 | C0 06 | D0 01 | D0 02"),
    # real-time anywhere (p. 5, 29, 30)
    ("90 3C F8 40", "F8 | 90 3C 40"),
    ("90 F8 3C 40", "F8 | 90 3C 40"),
    ("90 3C 40 F8 3E 40", "90 3C 40 | F8 | 90 3E 40"),
    ("F0 7D 01 F8 02 F7", "F8 | F0 7D 01 02 F7"),
    # undefined real-time is ignored and disturbs nothing (p. A-2)
    ("90 3C 40 F9 3E 40", "90 3C 40 | 90 3E 40"),
    ("90 3C FD 40", "90 3C 40"),
    # system common and exclusive clear running status, F4 and F5 too (p. A-2)
    ("90 3C 40 F6 3E 40", "90 3C 40 | F6"),
    ("90 3C 40 F4 3E 40", "90 3C 40"),
    ("90 3C 40 F5 3E 40", "90 3C 40"),
    ("90 3C 40 F0 7D 01 F7 3E 40", "90 3C 40 | F0 7D 01 F7"),
    ("90 3C 40 F3 05 06", "90 3C 40 | F3 05"),
    ("F2 01 02 03 04", "F2 01 02"),
    ("90 3C 40 F7 3E 40", "90 3C 40"),
    # a new status drops what is unfinished (p. 5); an exclusive without its end is not taken
    ("90 3C 91 3C 40", "91 3C 40"),
    ("F0 7D 01 90 3C 40", "90 3C 40"),
    ("F0 7D 01 F0 7D 02 F7", "F0 7D 02 F7"),
    # no status before: ignored (p. 6)
    ("3C 40 90 3C 40", "90 3C 40"),
    # system reset clears running status (p. 33)
    ("90 3C 40 FF 3E 40", "90 3C 40 | FF"),
]


def _split(text: str) -> list[bytes]:
    return [bytes.fromhex(part) for part in text.split("|")]


@pytest.mark.parametrize("data, messages", STREAM_ROWS)
def test_the_stream_is_cut_by_the_rules(data: str, messages: str) -> None:
    stream = Stream()
    one_by_one = [m for byte in bytes.fromhex(data) for m in stream.feed(bytes([byte]))]
    assert one_by_one == _split(messages)
    assert Stream().feed(bytes.fromhex(data)) == _split(messages)
    theirs = [m.data for m in Splitter().feed(bytes.fromhex(data)) if isinstance(m, Message)]
    assert theirs == _split(messages)


MEANING = (
    sheets.CHANNEL
    + """
[[parameter]]
key = "banked"
per = ["channel"]
line = "Bn 63 06 62 01 06 03 26 vv"
[[parameter]]
key = "other.bank"
per = ["channel"]
line = "Bn 63 06 62 01 06 04 26 vv"
[[parameter]]
key = "plain"
per = ["channel"]
line = "Bn 63 06 62 02 06 vv"
[[parameter]]
key = "mixed"
per = ["channel"]
line = ["Bn 51 01", "F0 7D id 03 0n vv F7"]
[[parameter]]
key = "paged"
line = ["F0 7D id 15 01 F7", "F0 7D id 16 vv F7"]
[[parameter]]
key = "paged.too"
line = ["F0 7D id 15 02 F7", "F0 7D id 16 vv F7"]
[[parameter]]
key = "voice.too"
per = ["channel"]
line = "Bn 14 7A 15 02 16 vv"
"""
)

_PAIR = "B0 63 05 B0 62 17 "  # selects `fine`
ROWS: list[tuple[str, str, Model]] = [
    ("both orders of selectors", "B0 62 12 63 05 06 20", {("bright", 1, None): 0x20}),
    ("one selector alone later (p. 17)", "B0 63 05 62 12 06 20 62 20 06 07",
     {("bright", 1, None): 0x20, ("cutoff", 1, None): 7}),
    ("each kind keeps its own selectors", "B0 65 00 62 12 06 20", {}),
    ("the last kind selected counts", "B0 63 05 62 12 65 00 64 02 06 41", {("coarse", 1, None): 1}),
    ("null shuts data entry off (table 3a)", "B0 63 05 62 12 65 7F 64 7F 06 20", {}),
    ("null, then both anew", "B0 65 7F 64 7F 63 05 62 12 06 20", {("bright", 1, None): 0x20}),
    ("null, then one alone is not enough", "B0 63 05 62 12 65 7F 64 7F 62 12 06 20", {}),
    ("channels select for themselves", "B0 63 05 B1 62 12 B0 06 20 B1 06 20", {}),
    ("a hole in the range is not taken", "B0 63 05 62 12 06 10", {}),
    ("above the range is not taken", "B0 63 05 62 12 06 30", {}),
    ("a high half waits for the low half", _PAIR + "06 10", {}),
    ("both halves: 16 * 128 + 5", _PAIR + "06 10 26 05", {("fine", 1, None): 2053}),
    ("the low half alone later (p. 12)", _PAIR + "06 10 26 05 26 06", {("fine", 1, None): 2054}),
    ("a low half without a high half", _PAIR + "26 05", {}),
    ("a high half clears the low one (p. 12)", "B0 65 00 64 00 06 0C 26 32 06 05",
     {("bend.range", 1, None): 5, ("bend.cents", 1, None): 0}),
    ("a pair of controllers: 16 * 128 + 5", "B0 0B 10 07 01 2B 05",
     {("level.fine", 1, None): 2053, ("level", 1, None): 1}),
    ("low part first: 5 * 128 + 16", "B0 63 05 62 14 06 10 26 05",
     {("tune.low.first", 1, None): 656}),
    ("26 before 06, then 06 alone: 17 * 128 + 16", "B0 62 15 63 05 26 10 06 05 06 11",
     {("tune.back.to.front", 1, None): 2192}),
    # coarse: 65 * 128 = 8320, less 8192
    ("a coarse route by controller", "B0 50 41", {("tune", 1, None): 128}),
    ("a coarse route by data entry", "B0 63 05 62 13 06 41", {("tune", 1, None): 128}),
    ("a coarse route, then the low half", "B0 63 05 62 13 06 41 26 07", {("tune", 1, None): 135}),
    ("another route to the same", "B0 63 05 62 20 06 20 B0 4A 21", {("cutoff", 1, None): 0x21}),
    ("a fixed controller before the value", "B0 14 7A 15 01 16 05", {("voice", 1, None): 5}),
    ("the wrong fixed controller", "B0 14 7B 15 01 16 05", {}),
    ("the fixed one has changed", "B0 14 7A 15 01 14 00 16 05", {}),
    ("the fixed one is of another channel", "B1 14 7A B0 15 01 16 05", {}),
    ("fixed data entry before the value", "B0 63 06 62 01 06 03 26 09", {("banked", 1, None): 9}),
    ("fixed data entry of another selection", "B0 63 06 62 02 06 03 62 01 26 09",
     {("plain", 1, None): 3}),
    ("two banks", "B0 63 06 62 01 06 03 26 09 06 04 26 08",
     {("banked", 1, None): 9, ("other.bank", 1, None): 8}),
    ("a controller and an exclusive", "B4 51 01 F0 7D 10 03 04 0C F7", {("mixed", 5, None): 12}),
    ("... for another channel", "B4 51 01 F0 7D 10 03 05 0C F7", {}),
    ("notes may come within a sequence", "F0 7D 10 15 01 F7 90 3C 40 F0 7D 10 16 07 F7",
     {("paged", None, None): 7}),
    ("a sequence without its start", "F0 7D 10 16 07 F7", {}),
    ("the later start of a sequence counts",
     "F0 7D 10 15 01 F7 F0 7D 10 15 02 F7 F0 7D 10 16 07 F7",
     {("paged.too", None, None): 7}),
    ("a start that the sheet does not know",
     "F0 7D 10 15 01 F7 F0 7D 10 15 03 F7 F0 7D 10 16 07 F7",
     {}),
    ("the later fixed controller counts", "B0 14 7A 15 01 15 02 16 05",
     {("voice.too", 1, None): 5}),
    ("the drum channel is fixed", "B9 63 18 62 24 06 30 B8 63 18 62 24 06 31",
     {("drum.pitch", None, 36): 0x30}),
    ("a running exclusive is none", "F0 7D 10 15 01 F7 7D 10 16 07 F7", {}),
]  # fmt: skip


@pytest.mark.parametrize("name, stream, memory", ROWS, ids=[row[0] for row in ROWS])
def test_the_bytes_set_just_this(name: str, stream: str, memory: Model) -> None:
    ours = Pair(MEANING, "meaning")
    receiver = ours.receiver()
    receiver.receive(bytes.fromhex(stream))
    assert receiver.memory == memory
    for look_up in (True, False):
        assert _decoded(ours, bytes.fromhex(stream), look_up=look_up) == memory


def _decoded(
    ours: Pair, stream: bytes, *, look_up: bool
) -> dict[tuple[str, int | None, int | None], Value]:
    """Return what the program's own splitter and decoder take from the same bytes."""
    heard: Model = {}
    decoder = ours.codec.decoder()
    if look_up:
        decoder = ours.codec.decoder(lambda key, channel, note: heard.get((key, channel, note)))
    for message in Splitter().feed(stream):
        for event in decoder.feed(message.data) if isinstance(message, Message) else ():
            if isinstance(event, Setting):
                heard[event.key, event.channel, event.note] = event.value
    return heard


INCLUDING = """
format = 1
include = ["general-midi-1"]
[module]
name = "Invented"
channels = "1-4, 10"
[[parameter]]
key = "bend"
per = ["channel"]
line = "En vl vh"
coding = "offset"
[[parameter]]
key = "expression"
per = ["channel"]
line = "Bn 63 01 62 01 06 vv"
[[parameter]]
key = "loudness"
per = ["channel"]
line = "Bn 07 vh 27 vl"
"""


def test_the_sheet_itself_wins_over_what_it_includes() -> None:
    library = sheets.library()
    ours = Pair(INCLUDING, "including")
    keys = {parameter.key for parameter in ours.codec.sheet.parameters}
    included = set(sheets.tables("general-midi-1"))
    # controller 7 is volume in the included sheet, so loudness replaces it; controller 11 was
    # expression there, and means nothing once the sheet says another line for it
    assert keys == included - {"volume"} | {"loudness"}
    assert set(ours.plain.sheet.parameters) == keys
    receiver = Receiver(INCLUDING, library)
    receiver.receive(bytes.fromhex("E0 00 41 B9 07 10 27 05 0A 40 0B 33 B4 0A 41"))
    # 65 * 128 - 8192; 16 * 128 + 5; channel 5 is none of the module's
    assert receiver.memory == {
        ("bend", 1, None): 128,
        ("loudness", 10, None): 2053,
        ("pan", 10, None): 64,
    }


def test_a_reset_forgets_everything() -> None:
    receiver = pair("channel").receiver()
    receiver.receive(bytes.fromhex("B0 63 05 62 12 06 20 FF B0 06 21"))
    assert receiver.memory == {}


@pytest.mark.parametrize(
    "name", ["stream", "notation", "description", "match", "selection", "receiver"]
)
def test_the_receiver_is_written_without_the_program(name: str) -> None:
    tree = ast.parse((Path(__file__).parent / f"{name}.py").read_text("utf-8"))
    imported = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            imported |= {alias.name for alias in node.names}
    own = {name for name in imported if name.startswith("tests.oracle")}
    assert {name.partition(".")[0] for name in imported - own} <= set(sys.stdlib_module_names)

"""A dangerous line does not pass in the guise of a message to all devices.

The device id 7F addresses every device (MIDI 1.0 Detailed Specification 4.2.1, page 35), so that
what the sheet marks as dangerous for this module is meant by it, too.
"""

from __future__ import annotations

import pytest

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.state.trust import Trust

SHEET = """
format = 1
[module]
name = "Sedge"
maker_id = "7D"
device_ids = ["10", "11"]
[checksum.body]
rule = "negated-sum-7"
[[setup]]
line = "F0 7E id 09 01 F7"
danger = "it empties the memory"
[[parameter]]
key = "erase"
line = "F0 7D id 42 [ 7F vv ] cs F7"
checksum = "body"
danger = "it erases everything"
[[parameter]]
key = "level"
line = "F0 7D id 42 [ 30 vv ] cs F7"
checksum = "body"
"""
CODEC = Codec(check_sheet(SHEET).require())


def allowed(text: str, *allow: str) -> bool:
    return Trust(CODEC, allow).judge(bytes.fromhex(text)).allowed


@pytest.mark.parametrize("device", ["10", "11", "7F"])
def test_a_dangerous_universal_message_is_not_harmless_to_any_device_of_ours(device: str) -> None:
    assert not allowed(f"F0 7E {device} 09 01 F7")


def test_one_that_is_not_dangerous_to_us_is_harmless() -> None:
    assert allowed("F0 7E 7F 09 02 F7")
    assert allowed("F0 7F 7F 04 01 00 40 F7")


@pytest.mark.parametrize("device", ["10", "7F"])
def test_a_beginning_does_not_allow_a_dangerous_message_to_all(device: str) -> None:
    # 7F + 00 = 7F, 80 - 7F = 01
    message = f"F0 7D {device} 42 7F 00 01 F7"
    assert not allowed(message, "F0 7D", "F0 7D 7F")
    assert allowed(message, message)


def test_a_beginning_allows_a_plain_message_to_all() -> None:
    assert allowed("F0 7D 7F 42 30 00 50 F7", "F0 7D 7F")

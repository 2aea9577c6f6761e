"""Evidence from outside for one checksum rule: the makers' exclusive messages in free MIDI files.

In every one of them the last byte before F7 is the additive checksum ("negated-sum-7") of the bytes
after the fourth data byte. The files hold no message whose sum is a multiple of 128, so the
boundary (00, never 80) needs bytes made up elsewhere.
"""

from __future__ import annotations

import functools

import pytest

from knobwright.core.codec.checksums import CHECKSUMS
from tests.oracle import midifile

#: Messages with a maker's identifier in all of the packages together.
N_MAKERS = 102


@functools.cache
def makers_messages() -> tuple[bytes, ...]:
    """Return every exclusive message of the songs that is not universal, F0 to F7."""
    return tuple(
        message
        for package in midifile.PACKAGES
        for message in midifile.traffic(package)
        if message[0] == 0xF0 and message[1] not in (0x7E, 0x7F)
    )


@pytest.fixture(autouse=True)
def _songs() -> None:
    """Skip, or fail under CI, where the songs are missing."""
    for package in midifile.PACKAGES:
        midifile.require(package)


def test_every_makers_message_in_the_songs_has_the_additive_checksum() -> None:
    messages = makers_messages()
    assert len(messages) == N_MAKERS
    rule = CHECKSUMS["negated-sum-7"]
    for message in messages:
        body, checksum, end = message[5:-2], message[-2], message[-1]
        assert end == 0xF7
        assert len(body) >= 4, "nothing but the checksum would be covered"
        assert rule.compute(body) == checksum, message.hex(" ")


@pytest.mark.parametrize("name", sorted({"sum-7", "xor-7", "ones-complement-7"}))
def test_no_other_rule_explains_them_all(name: str) -> None:
    """The check above can fail: each other rule misses some, exclusive or all of them."""
    rule = CHECKSUMS[name]
    hits = [message for message in makers_messages() if rule.compute(message[5:-2]) == message[-2]]
    assert len(hits) < N_MAKERS
    if name == "xor-7":
        assert hits == []


def test_the_boundary_is_not_among_them() -> None:
    assert 0 not in {message[-2] for message in makers_messages()}

"""The forms in which messages can be written out.

To add a form, write ``exports/<format>.py`` with a function from messages to bytes and one that
reads them back (tests hold the two against each other), and add a row to :data:`EXPORTS`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from knobwright.exports.hexadecimal import read_decimal, read_hex, write_decimal, write_hex
from knobwright.exports.json_messages import read_json, write_json
from knobwright.exports.smf import read_smf, write_smf
from knobwright.exports.syx import read_syx, write_syx
from knobwright.exports.timed import Timed


class Export(NamedTuple):
    """A form: its name, what it is, whether it is text, and the functions out and back."""

    name: str
    words: str
    is_text: bool
    write: Callable[[Sequence[Timed]], bytes]
    read: Callable[[bytes], tuple[bytes, ...]]


EXPORTS: dict[str, Export] = {
    row.name: row
    for row in (
        Export("hex", "hex bytes, one message a line", True, write_hex, read_hex),
        Export("decimal", "decimal bytes, one message a line", True, write_decimal, read_decimal),
        Export("json", "a JSON list with bytes, rests and names", True, write_json, read_json),
        Export("syx", "raw exclusive messages, a .syx file", False, write_syx, read_syx),
        Export("smf", "a Standard MIDI File, format 0", False, write_smf, read_smf),
    )
}

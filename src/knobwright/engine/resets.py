"""How a stand-in tells that it is being reset, and what "reset all controllers" sets."""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.core.codec.encode import Fill, make_encoder
from knobwright.core.codec.events import Event, Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.sheet.records import Parameter, Setup
from knobwright.core.sheet.words import FIXED

# What "reset all controllers" sets (RP-015); everything else keeps its value.
_CONTROLS_AFTER_RESET = {1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0}
_BEND_CENTRE = 8192
# General MIDI System On (RP-003) and General MIDI 2 System On (RP-024), behind the device id.
_SYSTEM_ON = (b"\x09\x01\xf7", b"\x09\x03\xf7")

#: For each message of a reset line, its form for every device id.
_Forms = tuple[frozenset[bytes], ...]


class Resets:
    """Follows the messages that come in and tells when one of the sheet's resets is complete.

    A reset is an exclusive setup line of the sheet, received whole, that sets no value; a General
    MIDI System On that the sheet has as an action; or a system reset (FF) for which it has a line.
    Channel messages of a setup are settings like any other.
    """

    def __init__(self, codec: Codec) -> None:
        self._parameters = codec.parameters
        forms = (_forms(codec, step) for step in codec.sheet.setup)
        self._lines: tuple[_Forms, ...] = tuple(f for f in forms if f)
        self._at = [0] * len(self._lines)

    def forget(self) -> None:
        """Forget the first halves of reset lines."""
        self._at = [0] * len(self._lines)

    def is_complete(self, message: bytes, events: Sequence[Event]) -> bool:
        """Return whether ``message``, which means ``events``, completes a reset."""
        status = message[0]
        if 0xF8 <= status < 0xFF:
            return False  # real time may stand between anything
        settings = [event for event in events if isinstance(event, Setting)]
        if status == 0xFF:
            return bool(settings)
        if status != 0xF0 or any(not self._is_action(setting) for setting in settings):
            self.forget()
            return False
        universal_on = message[1] == 0x7E and message[3:] in _SYSTEM_ON and bool(settings)
        return self._line_is_complete(message) or universal_on

    def _line_is_complete(self, message: bytes) -> bool:
        complete = False
        for i, line in enumerate(self._lines):
            at = self._at[i] if message in line[self._at[i]] else 0
            at = at + 1 if message in line[at] else 0
            complete = complete or at == len(line)
            self._at[i] = at % len(line)
        return complete

    def _is_action(self, setting: Setting) -> bool:
        return self._parameters[setting.key].is_action


def _forms(codec: Codec, step: Setup) -> _Forms:
    """Return the forms of an exclusive setup line; nothing for any other line."""
    devices = {codec.device, *codec.sheet.module.device_ids}
    sent = [make_encoder(step.template, device)(0, Fill()) for device in devices]
    if any(message[0] != 0xF0 for message in sent[0]):
        return ()
    return tuple(frozenset(same) for same in zip(*sent, strict=True))


def after_controllers_reset(parameter: Parameter) -> int | None:
    """Return the value that "reset all controllers" gives a parameter (RP-015).

    Returns ``None`` where the parameter keeps its own. It is told by its own line: one of the
    controllers named there, pitch bend or channel pressure.
    """
    messages = parameter.routes[0].template.line.messages
    if "channel" not in parameter.per or parameter.is_action or len(messages) != 1:
        return None
    raw = None
    status = messages[0][0].fixed & 0xF0
    if status == 0xE0:
        raw = _BEND_CENTRE
    elif status == 0xD0:
        raw = 0
    elif status == 0xB0 and messages[0][1].kind == FIXED:
        raw = _CONTROLS_AFTER_RESET.get(messages[0][1].fixed)
    return raw if raw is not None and parameter.allows(raw) else None

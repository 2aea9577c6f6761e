"""Whether a channel message may set more than its own channel.

By the standard a controller is of its channel. But a sheet may say that one sets something of the
whole module, and a non-registered parameter that nobody explains may be anything.
"""

from __future__ import annotations

from knobwright.core.codec.events import Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.timing.classify import DATA, SELECTORS

_REGISTERED = (100, 101)


class Reach:
    """Judges messages in playing order, by what the sheet says of them.

    Parameters
    ----------
    codec : Codec
        Of the module's sheet.
    """

    def __init__(self, codec: Codec) -> None:
        self._codec = codec
        self._decoder = codec.decoder()
        self._is_nrpn: dict[int, bool] = {}

    def ask(self, message: bytes) -> bool:
        """Return whether a channel message may set more than its own channel."""
        settings = [e for e in self._decoder.feed(message) if isinstance(e, Setting)]
        if any("channel" not in self._codec.parameters[e.key].per for e in settings):
            return True
        if message[0] >> 4 != 0xB:
            return False
        status, number = message[0], message[1]
        if number in SELECTORS:
            self._is_nrpn[status] = number not in _REGISTERED
        return number in DATA and not settings and self._is_nrpn.get(status, False)

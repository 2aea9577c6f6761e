"""A stream of bytes told in words as it comes, by the names of a sheet where there is one."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from knobwright.core.wire import Dropped, Message, Splitter, describe, joined

if TYPE_CHECKING:
    from knobwright.core.codec.events import Event, Setting
    from knobwright.core.codec.plan import Codec


class Told(NamedTuple):
    """One message, or bytes that were dropped, in words.

    ``at_ns`` is when its last byte came. ``sets`` is what it sets by the sheet, one text each.
    ``is_fine`` is false for bytes that were dropped and messages that the sheet does not explain.
    """

    at_ns: int
    data: bytes
    words: str
    sets: tuple[str, ...] = ()
    is_fine: bool = True


class Telling:
    """Tells one stream; half messages and selections are kept from piece to piece.

    Parameters
    ----------
    codec : Codec, optional
        With it, what the messages set is told by the sheet's names.
    """

    def __init__(self, codec: Codec | None = None) -> None:
        self._codec = codec
        self._splitter = Splitter()
        self._decoder = None if codec is None else codec.decoder()

    def feed(self, data: bytes, at_ns: int = 0) -> list[Told]:
        """Return what the bytes complete, in order; ``at_ns`` is when they came."""
        return self._tell(self._splitter.feed(data, at_ns))

    def end(self) -> list[Told]:
        """Return what is left of a message that never ended."""
        return self._tell(self._splitter.end())

    def _tell(self, records: list[Message | Dropped]) -> list[Told]:
        return [self._one(record) for record in joined(records)]

    def _one(self, record: Message | Dropped) -> Told:
        data, at_ns = record.data, record.at_ns
        if isinstance(record, Dropped):
            return Told(at_ns, data, f"dropped: {record.reason}", is_fine=False)
        if self._codec is None or self._decoder is None:
            return Told(at_ns, data, describe(data))
        from knobwright.core.codec.events import Note, Unexplained

        events = self._decoder.feed(data)
        # A note is told whole, with its channel, key and velocity; it sets nothing.
        plain = (Note, Unexplained)
        sets = tuple(event_words(e, self._codec) for e in events if not isinstance(e, plain))
        strange = [event_words(e, self._codec) for e in events if isinstance(e, Unexplained)]
        words = describe(data) if sets else "; ".join([describe(data), *strange])
        return Told(at_ns, data, words, sets, not events or len(strange) < len(events))


def event_words(event: Event, codec: Codec) -> str:
    """Return what an event means, by the sheet's names."""
    from knobwright.core.codec import events as e

    if isinstance(event, e.Setting):
        return _setting_words(event, codec)
    if isinstance(event, e.ProgramSet):
        name = f" {event.name}" if event.name else ""
        return f"program {event.number}{name}, bank {event.bank[0]}, {event.bank[1]}"
    if isinstance(event, e.Dump):
        inside = "; ".join(_setting_words(s, codec) for s in event.settings)
        return f"dump {event.block}, {len(event.data)} bytes" + (f": {inside}" if inside else "")
    if isinstance(event, e.Request):
        return f"asks for {event.block or 'the identity'}"
    if isinstance(event, e.Note):
        return "note off" if not event.velocity else "note on"
    if isinstance(event, e.Unexplained):
        return f"not explained: {event.reason}"
    return event.words


def _setting_words(setting: Setting, codec: Codec) -> str:
    parameter = codec.parameters[setting.key]
    shown = codec.spell(setting.key, setting.value)
    raw = (
        f" (raw {setting.value})" if shown != str(setting.value) and not parameter.is_action else ""
    )
    where = f", channel {setting.channel}" if setting.channel else ""
    where += f", key {setting.note}" if setting.note is not None else ""
    extra = "" if setting.sure else ", if its condition holds"
    extra += " (implied)" if setting.implied else ""
    label = f" ({parameter.label})" if parameter.label != parameter.key else ""
    return f"{setting.key}{label} = {shown}{raw}{where}{extra}"

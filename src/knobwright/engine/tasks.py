"""What commands and pages do, one function a task: its record is shown as text or as JSON."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from knobwright.core.codec.plan import Codec
from knobwright.core.sheet.records import Program, Raw
from knobwright.core.state.values import Values
from knobwright.core.wire import hex_words, wire_time_us
from knobwright.engine.ignored import Ignored
from knobwright.engine.seen import Report
from knobwright.engine.standin import StandIn

_NS_PER_US = 1_000
_NS_PER_MS = 1_000_000


class Wanted(Struct, frozen=True):
    """A value to set: raw, as the codec takes it; channel 1 to 16, ``note`` a key number."""

    key: str
    raw: Raw
    channel: int = 1
    note: int | None = None


class SetValue(Struct, frozen=True):
    """A value that was sent, and what the stand-in holds now.

    ``lines`` are the messages as hex words, ``at_ns`` the time when the last byte was on the wire
    and the rest behind it over. ``heard`` is ``None`` where the stand-in has no value or did not do
    an action; ``same`` tells whether it is what was sent.
    """

    key: str
    label: str
    channel: int | None
    note: int | None
    raw: Raw
    shown: str
    lines: tuple[str, ...]
    at_ns: int
    heard: Raw | None
    heard_shown: str
    same: bool


class SetOnStandIn(Struct, frozen=True):
    """What was set on a stand-in: each value, what it ignored meanwhile, and its whole report.

    ``n_ignored`` counts on where the records in ``ignored`` have reached their limit. ``end_ns`` is
    when the last rest is over: time for the next call.
    """

    module: str
    values: tuple[SetValue, ...]
    ignored: tuple[Ignored, ...]
    n_ignored: int
    report: Report
    end_ns: int

    @property
    def all_the_same(self) -> bool:
        """Return whether every value was heard as it was sent, and nothing was ignored."""
        return all(value.same for value in self.values) and not self.n_ignored


def set_on_standin(
    codec: Codec,
    settings: Sequence[Wanted],
    *,
    standin: StandIn | None = None,
    values: Values | None = None,
    start_ns: int = 0,
    danger: bool = False,
) -> SetOnStandIn:
    """Send values to a stand-in and return what it heard.

    Parameters
    ----------
    codec : Codec
        The sheet's codec, that of the sender.
    settings : sequence of Wanted
        What to set, in order.
    standin : StandIn, optional
        Which one; a new one of the same codec by default.
    values : Values, optional
        What is known of the module so far; it learns what is sent.
    start_ns : int, nanoseconds
        When the first byte leaves. Each message arrives when its last byte would on a MIDI cable;
        the sheet's rest after an exclusive message is kept.
    danger : bool
        Whether lines that the sheet marks as dangerous may be sent.

    Raises
    ------
    EncodeError, QuestionError, NamingError
        A value can't be sent; then nothing at all has been sent.
    """
    module = StandIn(codec) if standin is None else standin
    known = Values(codec.sheet) if values is None else values
    planned = _planned(codec, settings, known, danger)
    n_kept, n_before = len(module.ignored), module.report().n_ignored
    sent: list[SetValue] = []
    now_ns = start_ns
    for wanted, messages in planned:
        done = _done(module, known, wanted)
        for message in messages:
            now_ns += round(wire_time_us(len(message)) * _NS_PER_US)
            module.receive(message, now_ns)
            if message[0] == 0xF0:
                now_ns += codec.sheet.receiver.gap_ms * _NS_PER_MS
        if module.n_resets > done[0]:
            known.reset()
        known.sent(wanted.key, wanted.raw, wanted.channel, wanted.note, now_ns)
        did = _done(module, known, wanted) != done
        sent.append(_set_value(codec, module, known, wanted, messages, now_ns, did))
    report = module.report()
    return SetOnStandIn(
        module=codec.sheet.module.name,
        values=tuple(sent),
        ignored=module.ignored[n_kept:],
        n_ignored=report.n_ignored - n_before,
        report=report,
        end_ns=now_ns,
    )


def _done(module: StandIn, known: Values, wanted: Wanted) -> tuple[int, int]:
    """Return how often the stand-in was reset, and did what is wanted if that is an action."""
    place = known.place(wanted.key, wanted.channel, wanted.note)
    return module.n_resets, module.n_done(*place)


def _planned(
    codec: Codec, settings: Sequence[Wanted], known: Values, danger: bool
) -> list[tuple[Wanted, tuple[bytes, ...]]]:
    """Return every setting with its messages, encoded before the first is sent.

    A line may hold another parameter's value: those set earlier in the same call count.
    """
    ahead: dict[tuple[str, int | None, int | None], Raw] = {}

    def current(key: str, channel: int | None, note: int | None) -> object | None:
        found = ahead.get((key, channel, note))
        return known.lookup(key, channel, note) if found is None else found

    planned = []
    for wanted in settings:
        messages = codec.encode(
            wanted.key, wanted.raw, wanted.channel, wanted.note, current, danger=danger
        )
        ahead[known.place(wanted.key, wanted.channel, wanted.note)] = wanted.raw
        planned.append((wanted, messages))
    return planned


def _set_value(
    codec: Codec,
    module: StandIn,
    known: Values,
    wanted: Wanted,
    messages: tuple[bytes, ...],
    at_ns: int,
    did: bool,
) -> SetValue:
    parameter = codec.parameters[wanted.key]
    key, channel, note = known.place(wanted.key, wanted.channel, wanted.note)
    if parameter.is_action:
        heard: Raw | None = 0 if did else None
    else:
        heard = module.lookup(key, channel, note)
    return SetValue(
        key=key,
        label=parameter.label,
        channel=channel,
        note=note,
        raw=wanted.raw,
        shown=codec.spell(key, wanted.raw),
        lines=tuple(hex_words(message) for message in messages),
        at_ns=at_ns,
        heard=heard,
        heard_shown="" if heard is None else codec.spell(key, heard),
        same=heard == wanted.raw,
    )


def choose_on_standin(
    codec: Codec, program: Program, standin: StandIn, *, channel: int = 1, start_ns: int = 0
) -> int:
    """Choose a program of the sheet on a stand-in; return the time of its last byte.

    Raises
    ------
    EncodeError, QuestionError
        The program can't be chosen.
    """
    now_ns = start_ns
    for message in codec.program(program, channel):
        now_ns += round(wire_time_us(len(message)) * _NS_PER_US)
        standin.receive(message, now_ns)
    return now_ns

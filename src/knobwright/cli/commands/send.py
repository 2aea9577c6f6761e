"""``knobwright send``: bytes or parameters to a port, and what comes back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from functools import reduce
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from knobwright.cli import show
from knobwright.cli.exits import FINE, tell
from knobwright.core.errors import InputError, QuestionError, printable

if TYPE_CHECKING:
    from knobwright.core.codec.plan import Codec
    from knobwright.exports.timed import Timed
    from knobwright.wiring.listening import Listening

#: Largest file that is sent, in bytes.
MAX_BYTES = 4 * 1024 * 1024
_ANSWER = "1s"
_N_SHOWN = 3

_OPTIONS = (
    click.option("--to", "out", required=True, metavar="PORT", help="The port to send to."),
    click.option("--from", "back", metavar="PORT", help="Tell what comes back at this port."),
    click.option(
        "--for", "duration", metavar="TIME", default=_ANSWER, show_default=True,
        help="How long to wait for what comes back.",
    ),
    click.option("--sheet", metavar="SHEET", help="The sheet, for NAME=VALUE and what comes back."),
    click.option(
        "--channel", type=click.IntRange(1, 16), help="For parameters that are per channel."
    ),
    click.option(
        "--key", "note", type=click.IntRange(0, 127), help="For parameters that are per key."
    ),
    click.option("--device", metavar="HEX", help="The device id to send, not the sheet's first."),
    click.option("--file", "path", metavar="FILE", help="Send a file: .syx, raw bytes, hex text."),
    click.option("--trust", is_flag=True, help="Send what is in FILE and nobody explains, too."),
    click.option("--danger", is_flag=True, help="Send lines that the sheet marks as dangerous."),
    click.option("--as-is", is_flag=True, help="Send bytes as they are, whole messages or not."),
    click.option(
        "--baud", type=click.IntRange(0), default=31_250, show_default=True,
        help="Speed of the line; 0 is no limit.",
    ),
    click.option(
        "--gap", "gap_ms", type=click.IntRange(0, 60_000), metavar="MS",
        help="Rest behind each exclusive message, instead of the sheet's.",
    ),
    click.option("--json", "as_json", is_flag=True, help="Print one JSON object."),
)  # fmt: skip


class _Options(NamedTuple):
    """What was asked for."""

    out: str
    back: str | None
    duration: str
    sheet: str | None
    channel: int | None
    note: int | None
    device: str | None
    path: str | None
    trust: bool
    danger: bool
    as_is: bool
    baud: int
    gap_ms: int | None
    as_json: bool
    words: tuple[str, ...]


def _with_options(function: Callable[..., int]) -> Callable[..., int]:
    return reduce(lambda inner, option: option(inner), reversed(_OPTIONS), function)


@click.command("send")
@_with_options
@click.argument("words", nargs=-1, metavar="[BYTES|NAME=VALUE]...")
def command(**given: Any) -> int:
    """Send bytes or parameters to a port, at the speed of the line.

    "send --to PORT B0 07 64" sends bytes in hex, whole messages only unless --as-is;
    "send --to PORT --sheet SHEET level=100" sets parameters, spelled as "bytes" has them.
    Exclusive messages of a file are sent only where the sheet explains them or they are harmless,
    unless --trust.
    """
    from knobwright.cli.incoming import duration_ns
    from knobwright.cli.sheets import load_codec

    options = _Options(**given)
    length_ns = duration_ns(options.duration)
    codec = load_codec(options.sheet, options.device) if options.sheet else None
    if options.as_is:
        raw = _spelled(options)
        return _send(options, codec, length_ns, raw=raw)
    return _send(options, codec, length_ns, messages=_messages(options, codec))


def _send(
    options: _Options,
    codec: Codec | None,
    length_ns: int,
    *,
    messages: Sequence[Timed] = (),
    raw: bytes = b"",
) -> int:
    from knobwright.core.interfaces import OUT
    from knobwright.engine.messages import PortPlan
    from knobwright.wiring import sending
    from knobwright.wiring.listening import Listening
    from knobwright.wiring.ports import Opener

    gap_ms = options.gap_ms
    if gap_ms is None:
        gap_ms = codec.sheet.receiver.gap_ms if codec is not None else 0
    with ExitStack() as stack:
        listening = None
        if options.back is not None:
            plan = PortPlan(options.back, options.baud)
            listening = stack.enter_context(Listening([plan], _tell_lost))
        port = Opener(PortPlan(options.out, options.baud), OUT).open_out()
        stack.callback(port.close)
        if options.as_is:
            sent = sending.send_raw(port, raw, baud=options.baud)
        else:
            sent = sending.send(port, messages, baud=options.baud, gap_ms=gap_ms)
        answers = [] if listening is None else _answers(listening, codec, length_ns)
    if options.as_json:
        show.json_object({"sent": sent._asdict(), "back": answers})
        return FINE
    what = show.count(sent.n_messages, "message") if messages else "as they are"
    line = f", {sent.line_ns / 1e6:.1f} ms on the line" if sent.line_ns else ""
    show.line(f"{show.count(sent.n_bytes, 'byte')} sent to {sent.port}: {what}{line}")
    for answer in answers:
        show.line(f"  back after {answer['after_ms']:.1f} ms: {answer['hex']}  {answer['words']}")
    if options.back is not None and not answers:
        show.line(f"  nothing came back within {options.duration}")
    return FINE


def _answers(listening: Listening, codec: Codec | None, length_ns: int) -> list[dict[str, Any]]:
    from knobwright.adapters.clock import monotonic_ns
    from knobwright.core.codec.telling import Telling

    telling = Telling(codec)
    start_ns = monotonic_ns()
    rows = []
    for entry in listening.entries(start_ns + length_ns):
        if entry is None:
            continue
        for told in telling.feed(entry.data, entry.at_ns):
            words = "; ".join(told.sets) or told.words
            after_ms = (told.at_ns - start_ns) / 1e6
            rows.append({"after_ms": after_ms, "hex": told.data.hex(" ").upper(), "words": words})
    return rows


def _tell_lost(name: str, is_there: bool, words: str) -> None:
    if not is_there:
        tell(f"{printable(name)} is lost: {printable(words)}")


# -- what is sent ----------------------------------------------------------------------------------


def _messages(options: _Options, codec: Codec | None) -> list[Timed]:
    from knobwright.core.codec.explain import read_bytes
    from knobwright.exports.timed import Timed

    text = " ".join(options.words)
    if options.path is None and codec is not None and read_bytes(text) is None:
        from knobwright.core.codec.assign import assign

        assigned = assign(
            codec, options.words,
            channel=options.channel, note=options.note, danger=options.danger,
        )  # fmt: skip
        for note in dict.fromkeys(note for a in assigned for note in a.notes):
            tell(f"note: {printable(note)}")
        return [Timed(message) for a in assigned for message in a.messages]
    found = [Timed(message) for message in _whole(_spelled(options))]
    if options.path is not None and not options.trust:
        _judge([timed.data for timed in found], codec, options.path)
    return found


def _spelled(options: _Options) -> bytes:
    """Return the bytes that were typed, or those of the file."""
    from knobwright.core.codec.explain import read_bytes

    text = " ".join(options.words)
    if bool(text.strip()) == bool(options.path):
        raise InputError("give either bytes or --file FILE", hint="send --to PORT B0 07 64")
    if options.path is not None:
        from knobwright.adapters.files.raw import read_raw

        return read_raw(options.path, MAX_BYTES)
    data = read_bytes(text)
    if data is None:
        raise InputError(
            f"{printable(text[:60])!r} are no hex bytes",
            hint="name the sheet with --sheet to set parameters by name",
        )
    return data


def _whole(data: bytes) -> list[bytes]:
    """Return the whole messages that bytes spell; running status is written out.

    Raises
    ------
    InputError
        Some of the bytes belong to no whole message: nothing is left out in silence.
    """
    from knobwright.core.wire import Dropped, Splitter, joined

    splitter = Splitter()
    out = []
    for record in joined([*splitter.feed(data), *splitter.end()]):
        if isinstance(record, Dropped):
            raise InputError(
                f"{record.data[:16].hex(' ').upper()}: {record.reason}",
                hint="complete the message, or send it with --as-is to a port that takes bytes",
            )
        out.append(record.data)
    return out


def _judge(messages: Sequence[bytes], codec: Codec | None, path: str) -> None:
    """Refuse a file that holds exclusive messages which nobody trusted explains."""
    from knobwright.cli.sheets import load_codec
    from knobwright.core.state.trust import Trust

    # A sheet of channel messages alone explains no exclusive message: the harmless ones are left.
    trust = Trust(codec or load_codec("midi-1"))
    judged = [(message, trust.judge(message)) for message in messages]
    refused = [(message, verdict.why) for message, verdict in judged if not verdict.allowed]
    if refused:
        shown = "; ".join(
            f"{message[:8].hex(' ').upper()}... ({len(message)} bytes): {why}"
            for message, why in refused[:_N_SHOWN]
        )
        raise QuestionError(
            f"nothing was sent: {show.count(len(refused), 'exclusive message')} of the file "
            f"would not be understood: {shown}",
            where=path,
            hint="name the sheet that explains them with --sheet, or say --trust if you know them",
        )

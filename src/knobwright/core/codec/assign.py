"""``NAME=VALUE`` words into messages: what the commands and pages call.

Several words make one set: where a line calls for another parameter's value, the other words of
the set give it, then the sheet's default; what was taken as a default is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import NamedTuple

from knobwright.core.codec.names import fold
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import EncodeError, InputError, KnobwrightError, NamingError, printable
from knobwright.core.sheet.records import Parameter, Program, Raw

#: The name under which a program of the sheet's list is chosen.
PROGRAM = "program"


class Assigned(NamedTuple):
    """One word worked out: the key, raw and shown value, where it goes, its messages, and notes."""

    key: str
    label: str
    raw: Raw
    shown: str
    channel: int | None
    note: int | None
    messages: tuple[bytes, ...]
    notes: tuple[str, ...] = ()


class _Word(NamedTuple):
    key: str
    raw: Raw


def assign(
    codec: Codec,
    words: Sequence[str],
    *,
    channel: int | None = None,
    note: int | None = None,
    danger: bool = False,
) -> list[Assigned]:
    """Return the messages that a list of ``NAME=VALUE`` words stands for, in their order.

    Parameters
    ----------
    codec : Codec
        The codec of the sheet.
    words : sequence of str
        ``NAME=VALUE`` each; NAME is a key, a label or a unique part, or ``program``.
    channel : int, 1 to 16, optional
        For parameters that are per channel; 1 by default. A line that is for another channel only
        is refused where a channel is asked for: it would go somewhere else.
    note : int, 0 to 127, optional
        For parameters that are per key.
    danger : bool
        Whether lines marked as dangerous may be given.

    Raises
    ------
    KnobwrightError
        The first word that can't be worked out; nothing is given then.
    """
    programs = {
        i: _program(codec, word) for i, word in enumerate(words) if _is_program(codec, word)
    }
    parsed = {i: _parse(codec, word) for i, word in enumerate(words) if i not in programs}
    given: dict[str, Raw] = {word.key: word.raw for word in parsed.values()}

    def current(key: str, channel: int | None, note: int | None) -> object | None:
        return given.get(key)

    at = 1 if channel is None else channel
    out: list[Assigned] = []
    for i in range(len(words)):
        if i in programs:
            program = programs[i]
            messages = codec.program(program, at)
            out.append(
                Assigned(PROGRAM, "Program", program.number, program.name, at, None, messages)
            )
            continue
        key, raw = parsed[i]
        messages = codec.encode(key, raw, at, note, current, danger=danger)
        if channel is not None:
            _check_channel(codec.parameters[key], channel, messages)
        out.append(_assigned(codec, key, raw, at, note, messages, given))
    return out


def _check_channel(parameter: Parameter, channel: int, messages: tuple[bytes, ...]) -> None:
    """Refuse a line that is for one channel only where another is asked for."""
    if "channel" in parameter.per:
        return
    for message in messages:
        if message[0] < 0xF0 and (message[0] & 0x0F) + 1 != channel:
            only = (message[0] & 0x0F) + 1
            raise EncodeError(
                f"{parameter.key}: its line is for channel {only} only, not for channel {channel}",
                hint=f"leave --channel out, or write {message[0] >> 4:X}n into the sheet if the "
                "module takes it on any channel",
            )


def _assigned(
    codec: Codec,
    key: str,
    raw: Raw,
    channel: int,
    note: int | None,
    messages: tuple[bytes, ...],
    given: Mapping[str, Raw],
) -> Assigned:
    parameter = codec.parameters[key]
    return Assigned(
        key,
        parameter.label,
        raw,
        codec.spell(key, raw),
        channel if "channel" in parameter.per else None,
        note if "key" in parameter.per else None,
        messages,
        tuple(_notes(codec, key, given)),
    )


def _split(word: str) -> tuple[str, str]:
    name, equals, value = word.partition("=")
    if not equals or not name.strip():
        raise InputError(
            f"{printable(word)!r} is not NAME=VALUE", hint="for instance: brightness=64"
        )
    return name.strip(), value.strip()


def _is_program(codec: Codec, word: str) -> bool:
    name, _ = _split(word)
    return name.casefold() == PROGRAM and PROGRAM not in codec.parameters


def _parse(codec: Codec, word: str) -> _Word:
    name, value = _split(word)
    parameter = codec.find(name)
    question = codec.blocked(parameter.key)
    if question is not None:
        from knobwright.core.codec.plan import open_question

        raise open_question(parameter, question)
    try:
        return _Word(parameter.key, codec.parse(parameter.key, value))
    except KnobwrightError as error:
        if not error.message.startswith(parameter.key):
            error.message = f"{parameter.key}: {error.message}"
        raise


def _program(codec: Codec, word: str) -> Program:
    _, value = _split(word)
    listed = codec.sheet.program
    wanted = fold(value)
    exact = [p for p in listed if fold(p.name) == wanted]
    hits = exact or [p for p in listed if wanted and wanted in fold(p.name)]
    if value.isdecimal() and len(value) <= 3:
        hits = [p for p in listed if p.number == int(value)] or [Program(int(value), "")]
        hits = [p for p in hits if p.bank == (0, 0)] or hits
    if len(hits) == 1:
        return hits[0]
    names = tuple(p.name for p in hits[:8])
    if hits:
        raise NamingError(
            f"{printable(value)!r} fits several programs: {', '.join(names)}", candidates=names
        )
    close = get_close_matches(value, [p.name for p in listed], n=3, cutoff=0.4)
    raise NamingError(
        f"no program is called {printable(value)!r}",
        hint=f"did you mean {' or '.join(close)}?" if close else "give its printed number",
        candidates=tuple(close),
    )


def _notes(codec: Codec, key: str, given: Mapping[str, Raw]) -> list[str]:
    parameter = codec.parameters[key]
    notes = []
    for other in parameter.sent_route.template.line.others:
        if other not in given:
            default = codec.parameters[other].default
            if default is not None:
                shown = codec.spell(other, default)
                notes.append(f"{other} is sent along with its default, {shown} (raw {default})")
    for when in parameter.when:
        names = [codec.spell(when.key, value) for value in when.values]
        if given.get(when.key) not in when.values:
            notes.append(f"{key} takes effect only while {when.key} is {' or '.join(names)}")
    return notes

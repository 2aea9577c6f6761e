"""What the parts of a song ask for and the module has not: each a finding with its place."""

from __future__ import annotations

from collections.abc import Iterator

from knobwright.core.fitting.asked import CONTROLLER, Asked
from knobwright.core.fitting.parts import Part, Parts, PlayedKey, PlayedProgram
from knobwright.core.fitting.programs import Choice
from knobwright.core.timing.findings import Finding, make


def part_findings(parts: Parts) -> list[Finding]:
    """Return the findings of all parts, channel after channel.

    Only parts that play notes are looked at: what a silent channel asks for is not heard.
    """
    return [finding for part in parts.playing for finding in _of_part(part)]


def _of_part(part: Part) -> Iterator[Finding]:
    if not part.is_there:
        yield make(
            "part-channel-missing",
            f"channel {part.channel}: {_notes(part.n_notes)}, and the module has no such channel",
            at_ns=part.first_ns, tick=part.first_tick, channel=part.channel,
            value=float(part.n_notes),
        )  # fmt: skip
    for program in part.programs:
        if program.n_notes:
            yield from _of_program(part, program)
    for key in part.drum_keys:
        if key.is_known is False:
            yield _of_key(part, key)
    for asked in part.asked:
        if asked.n_refused:
            yield _of_asked(part, asked)


def _of_program(part: Part, program: PlayedProgram) -> Iterator[Finding]:
    choice = Choice(program.number, program.bank)
    place = {"at_ns": program.first_ns, "tick": program.first_tick, "channel": part.channel}
    if not program.is_chosen:
        yield make(
            "part-no-program",
            f"channel {part.channel}: {_notes(program.n_notes)} before any program is chosen",
            **place, value=float(program.n_notes),
        )  # fmt: skip
        return
    if program.is_known is False:
        what = "kit" if part.is_drums else "program"
        meant = f" (General MIDI: {program.standard_name})" if program.standard_name else ""
        yield make(
            "part-program-missing",
            f"channel {part.channel}: {choice.words()}{meant} is no {what} of the module; "
            f"{_notes(program.n_notes)}",
            **place, value=float(program.n_notes),
        )  # fmt: skip
    if program.is_other_kind:
        yield make(
            "part-program-other",
            f"channel {part.channel}: {choice.words()} is {program.name}, and General MIDI has "
            f"{program.standard_name} there; {_notes(program.n_notes)}",
            **place, value=float(program.n_notes),
        )  # fmt: skip
    if program.n_outside and program.allowed is not None:
        low, high = program.allowed
        yield make(
            "part-keys-outside",
            f"channel {part.channel}: {_notes(program.n_outside)} outside the keys {low} to {high} "
            f"of {program.name}",
            **place, value=float(program.n_outside),
        )  # fmt: skip


def _of_key(part: Part, key: PlayedKey) -> Finding:
    meant = f" (General MIDI: {key.standard_name})" if key.standard_name else ""
    return make(
        "part-drum-key-missing",
        f"channel {part.channel}: the kit has no drum on key {key.key}{meant}; "
        f"{_notes(key.n_notes)}",
        at_ns=key.first_ns, tick=key.first_tick, channel=part.channel, value=float(key.n_notes),
    )  # fmt: skip


def _of_asked(part: Part, asked: Asked) -> Finding:
    name = "part-controller-unknown" if asked.kind == CONTROLLER else "part-parameter-unknown"
    many = f"{asked.n_refused} of {asked.n} times" if asked.n > asked.n_refused else (
        f"{asked.n} times" if asked.n > 1 else "once")  # fmt: skip
    if asked.key:
        name = "part-value-refused"
    return make(
        name, f"channel {part.channel}: {asked.words}, {many}: {asked.why}",
        at_ns=asked.first_ns, tick=asked.first_tick, channel=part.channel,
        value=float(asked.n_refused), limit=float(asked.n),
    )  # fmt: skip


def _notes(n: int) -> str:
    return f"{n} note" if n == 1 else f"{n} notes"
